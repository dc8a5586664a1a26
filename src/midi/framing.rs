//! Tells which bytes of a stream are SysEx messages, and what every other byte is.
//!
//! Three depths of the same reading: [`Framer`] names every byte as it goes by and keeps none, [`Summary`] counts what a
//! [`Framer`] says (for files of any size), [`frame`] and [`Stream`] collect the messages themselves.
//!
//! What stays true:
//! - Every input byte comes out in exactly one event, in order; nothing is dropped, nothing is made up.
//! - A stream fed whole or in any pieces gives the same result (runs may be split differently, never named differently).
//! - A message counts as whole only by its own F7. One that was ended by anything else is torn.
//! - Memory does not grow with the input, except for the messages that [`Stream`] is asked to collect.
//!
//! # Source
//! MIDI 1.0 Detailed Specification, document version 4.2.1 (MMA, revised September 1995): page 5, page 34, Tables I, V, VI and
//! VII. Table VII note 2: any status byte but real-time ends a System Exclusive message.

mod problem;
mod stream;
mod summary;

pub use problem::{Problem, ProblemKind};
pub use stream::{Framing, Stream, frame};
pub use summary::{RealTimeBytes, Summary, TornMessages, summarize};

/// The status byte that begins a SysEx message.
pub const START: u8 = 0xF0;
/// The status byte that ends a SysEx message (EOX).
pub const END: u8 = 0xF7;
/// The lowest status byte; everything below is a data byte.
pub const FIRST_STATUS: u8 = 0x80;
/// The lowest real-time byte. F9 and FD are undefined, and real-time all the same.
pub const FIRST_REAL_TIME: u8 = 0xF8;

/// What a run of bytes is, or where a message begins or ends. Offsets count bytes since [`Framer::new`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Event<'a> {
    /// A message begins with the byte at `offset`, which is F0 and follows in the next [`Event::Message`].
    Start {
        /// Where the F0 stands.
        offset: u64,
    },
    /// Bytes of the message that began last: F0, data, F7. Real-time bytes never stand among them.
    Message {
        /// Where the first of `bytes` stands.
        offset: u64,
        /// At least one byte.
        bytes: &'a [u8],
    },
    /// The message that began last is over.
    End {
        /// One past its F7, or where the byte stands that cut it off, or the length of the input.
        offset: u64,
        /// Where its F0 stands.
        start: u64,
        /// Its length from F0 on, without real-time bytes.
        n_bytes: u64,
        /// How it ended.
        ended: Ended,
    },
    /// Real-time bytes (F8 to FF). They may stand between any two bytes and belong to no message.
    RealTime {
        /// Where the first of `bytes` stands.
        offset: u64,
        /// At least one byte.
        bytes: &'a [u8],
        /// Whether a message had begun and not ended.
        inside: bool,
    },
    /// Bytes that belong to no SysEx message.
    Stray {
        /// Where the first of `bytes` stands.
        offset: u64,
        /// At least one byte.
        bytes: &'a [u8],
        /// What they are.
        kind: StrayKind,
    },
    /// An F7 that ends a message whose beginning is missing. Its data came as [`StrayKind::Data`] just before.
    LostStart {
        /// Where the F7 stands.
        offset: u64,
        /// The F7.
        bytes: &'a [u8],
        /// Where the first data byte of the tail stands.
        start: u64,
        /// Length of the tail: its data bytes and the F7, without real-time bytes.
        n_bytes: u64,
    },
    /// No more bytes will come; always the last event.
    EndOfInput {
        /// The length of the input.
        offset: u64,
    },
}

impl<'a> Event<'a> {
    /// The input bytes this event stands for; empty for events that only mark a place. All of them one after the other are
    /// the input.
    pub fn bytes(&self) -> &'a [u8] {
        match *self {
            Event::Message { bytes, .. }
            | Event::RealTime { bytes, .. }
            | Event::Stray { bytes, .. }
            | Event::LostStart { bytes, .. } => bytes,
            Event::Start { .. } | Event::End { .. } | Event::EndOfInput { .. } => &[],
        }
    }
}

/// How a message ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ended {
    /// By its own F7.
    Whole,
    /// By its own F7, but before its maker ID was complete: `F0 F7`, `F0 00 F7`, `F0 00 20 F7`.
    WholeWithoutId,
    /// Cut off by this status byte (80 to EF, F1 to F6), which takes effect itself.
    CutByStatus(u8),
    /// Cut off by the F0 of the next message.
    CutByStart,
    /// The input ended first.
    CutByEnd,
}

/// What bytes outside every message are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum StrayKind {
    /// A status byte (80 to EF, F1 to F6) and the data bytes it takes, or an F7 with no data before it.
    Status,
    /// Data bytes that no status byte takes: running status, junk, or the tail of a message whose beginning is missing
    /// (then [`Event::LostStart`] follows).
    Data,
}

/// Names every byte of a stream as it goes by. Keeps no bytes and needs no memory but its own few words.
///
/// ```
/// use farshelf::midi::framing::{Event, Framer};
///
/// let mut messages = Vec::new();
/// let mut framer = Framer::new();
/// for piece in [&[0xF0, 0x7D][..], &[0xF8, 0x01, 0xF7]] {
///     framer.push(piece, &mut |event| {
///         if let Event::Message { bytes, .. } = event {
///             messages.extend_from_slice(bytes);
///         }
///     });
/// }
/// framer.finish(&mut |_| ());
/// assert_eq!(messages, [0xF0, 0x7D, 0x01, 0xF7]);
/// ```
#[derive(Debug, Clone)]
pub struct Framer {
    offset: u64,
    state: State,
}

impl Framer {
    /// At offset 0, outside every message.
    pub fn new() -> Framer {
        Framer {
            offset: 0,
            state: State::OUTSIDE,
        }
    }

    /// Takes the next bytes of the stream (any number of them) and hands `sink` what they are. A message may go on in the next
    /// call.
    pub fn push(&mut self, bytes: &[u8], sink: &mut impl FnMut(Event<'_>)) {
        let mut rest = bytes;
        while let Some(&first) = rest.first() {
            let run = match (first, self.state) {
                (FIRST_REAL_TIME.., state) => {
                    let (run, _) = rest.split_at(n_real_time_bytes(rest));
                    sink(Event::RealTime {
                        offset: self.offset,
                        bytes: run,
                        inside: matches!(state, State::Inside { .. }),
                    });
                    run
                }
                (START, _) => {
                    self.cut(Ended::CutByStart, sink);
                    let start = self.offset;
                    sink(Event::Start { offset: start });
                    self.message(rest, Begun::at(start), sink)
                }
                (..FIRST_STATUS | END, State::Inside(begun)) => self.message(rest, begun, sink),
                (..FIRST_STATUS, State::Outside { n_owed: 0, tail }) => {
                    self.stray_data(rest, tail, sink)
                }
                (..FIRST_STATUS, State::Outside { n_owed, .. }) => {
                    self.stray_status(rest, 0, n_owed, sink)
                }
                (
                    END,
                    State::Outside {
                        tail: Some(tail), ..
                    },
                ) => self.lost_start(rest, tail, sink),
                (status, _) => {
                    self.cut(Ended::CutByStatus(status), sink);
                    self.stray_status(rest, 1, n_data_bytes_of(status), sink)
                }
            };
            self.offset += run.len() as u64;
            rest = &rest[run.len()..];
        }
    }

    /// Says that no more bytes will come: a message that has not ended is torn.
    pub fn finish(mut self, sink: &mut impl FnMut(Event<'_>)) {
        self.cut(Ended::CutByEnd, sink);
        sink(Event::EndOfInput {
            offset: self.offset,
        });
    }

    /// Ends the message that is open, if any, before the byte at hand.
    fn cut(&mut self, ended: Ended, sink: &mut impl FnMut(Event<'_>)) {
        if let State::Inside(begun) = self.state {
            sink(Event::End {
                offset: self.offset,
                start: begun.start,
                n_bytes: begun.n_bytes,
                ended,
            });
            self.state = State::OUTSIDE;
        }
    }

    /// The bytes at the front of `rest` that belong to the open message: an F0 if it is only beginning, data, F7.
    fn message<'a>(
        &mut self,
        rest: &'a [u8],
        mut begun: Begun,
        sink: &mut impl FnMut(Event<'_>),
    ) -> &'a [u8] {
        let n_start = usize::from(begun.n_bytes == 0);
        let n_before_end = n_start + n_leading_data_bytes(&rest[n_start..]);
        let is_whole = rest.get(n_before_end) == Some(&END);
        let (run, _) = rest.split_at(n_before_end + usize::from(is_whole));
        sink(Event::Message {
            offset: self.offset,
            bytes: run,
        });
        begun.add(run);
        if is_whole {
            sink(Event::End {
                offset: self.offset + run.len() as u64,
                start: begun.start,
                n_bytes: begun.n_bytes,
                ended: begun.whole(),
            });
            self.state = State::OUTSIDE;
        } else {
            self.state = State::Inside(begun);
        }
        run
    }

    /// The bytes at the front of `rest` that belong to a status byte outside every message: itself if `n_status` is 1, and as
    /// much of the `n_owed` data bytes it takes as have come.
    fn stray_status<'a>(
        &mut self,
        rest: &'a [u8],
        n_status: usize,
        n_owed: usize,
        sink: &mut impl FnMut(Event<'_>),
    ) -> &'a [u8] {
        let n_data = rest[n_status..]
            .iter()
            .take(n_owed)
            .take_while(|&&byte| byte < FIRST_STATUS)
            .count();
        let (run, _) = rest.split_at(n_status + n_data);
        sink(Event::Stray {
            offset: self.offset,
            bytes: run,
            kind: StrayKind::Status,
        });
        self.state = State::Outside {
            n_owed: n_owed - n_data,
            tail: None,
        };
        run
    }

    /// The data bytes at the front of `rest`, which nothing takes so far.
    fn stray_data<'a>(
        &mut self,
        rest: &'a [u8],
        tail: Option<Tail>,
        sink: &mut impl FnMut(Event<'_>),
    ) -> &'a [u8] {
        let (run, _) = rest.split_at(n_leading_data_bytes(rest));
        sink(Event::Stray {
            offset: self.offset,
            bytes: run,
            kind: StrayKind::Data,
        });
        let mut tail = tail.unwrap_or(Tail {
            start: self.offset,
            n_bytes: 0,
        });
        tail.n_bytes += run.len() as u64;
        self.state = State::Outside {
            n_owed: 0,
            tail: Some(tail),
        };
        run
    }

    /// The F7 at the front of `rest` after data that nothing took.
    fn lost_start<'a>(
        &mut self,
        rest: &'a [u8],
        tail: Tail,
        sink: &mut impl FnMut(Event<'_>),
    ) -> &'a [u8] {
        let (run, _) = rest.split_at(1);
        sink(Event::LostStart {
            offset: self.offset,
            bytes: run,
            start: tail.start,
            n_bytes: tail.n_bytes + 1,
        });
        self.state = State::OUTSIDE;
        run
    }
}

impl Default for Framer {
    fn default() -> Framer {
        Framer::new()
    }
}

/// Where a [`Framer`] stands.
///
/// ```text
///            F0                      F7, or cut by any status byte but real-time
/// Outside ────────> Inside ────────────────────────────────────────────────────> Outside
/// ```
///
/// An F0 while inside ends one message and begins the next. Real-time bytes change nothing.
#[derive(Debug, Clone, Copy)]
enum State {
    /// `n_owed` data bytes still belong to the status byte seen last; `tail` are the data bytes since then that belong to
    /// nothing.
    Outside {
        n_owed: usize,
        tail: Option<Tail>,
    },
    Inside(Begun),
}

impl State {
    const OUTSIDE: State = State::Outside {
        n_owed: 0,
        tail: None,
    };
}

/// Data bytes outside every message: the tail of a message if an F7 comes next.
#[derive(Debug, Clone, Copy)]
struct Tail {
    start: u64,
    n_bytes: u64,
}

/// A message that has begun.
#[derive(Debug, Clone, Copy)]
struct Begun {
    start: u64,
    n_bytes: u64,
    /// Whether the byte after F0 is 00, which says that two more ID bytes follow.
    has_long_id: bool,
}

impl Begun {
    fn at(start: u64) -> Begun {
        Begun {
            start,
            n_bytes: 0,
            has_long_id: false,
        }
    }

    fn add(&mut self, run: &[u8]) {
        // The first byte of the ID is the second byte of the message, which may come in a later run than its F0.
        if let Some(&id) = match self.n_bytes {
            0 => run.get(1),
            1 => run.first(),
            _ => None,
        } {
            self.has_long_id = id == 0;
        }
        self.n_bytes += run.len() as u64;
    }

    /// How the message ended, now that its F7 is there.
    fn whole(&self) -> Ended {
        let n_between = self.n_bytes - 2;
        if n_between < if self.has_long_id { 3 } else { 1 } {
            Ended::WholeWithoutId
        } else {
            Ended::Whole
        }
    }
}

/// How many data bytes a status byte outside every message takes (undefined F4 and F5, and a stray F7: none).
///
/// # Source
/// MIDI 1.0 Detailed Specification 4.2.1, Tables I and V.
fn n_data_bytes_of(status: u8) -> usize {
    match status {
        0x80..=0xBF | 0xE0..=0xEF | 0xF2 => 2,
        0xC0..=0xDF | 0xF1 | 0xF3 => 1,
        _ => 0,
    }
}

fn n_real_time_bytes(bytes: &[u8]) -> usize {
    bytes
        .iter()
        .take_while(|&&byte| byte >= FIRST_REAL_TIME)
        .count()
}

/// How many data bytes stand before the first status byte. The one hot loop of the module: whole blocks are tested at once.
fn n_leading_data_bytes(bytes: &[u8]) -> usize {
    const WORD_STATUS_BITS: u64 = 0x8080_8080_8080_8080;
    let n_in_blocks = 32
        * bytes
            .as_chunks::<32>()
            .0
            .iter()
            .take_while(|block| block.iter().fold(0, |bits, byte| bits | byte) < FIRST_STATUS)
            .count();
    let (words, last) = bytes[n_in_blocks..].as_chunks::<8>();
    for (word_idx, word) in words.iter().enumerate() {
        let status_bits = u64::from_le_bytes(*word) & WORD_STATUS_BITS;
        if status_bits != 0 {
            return n_in_blocks + 8 * word_idx + (status_bits.trailing_zeros() / 8) as usize;
        }
    }
    let n_in_last = last.iter().take_while(|&&byte| byte < FIRST_STATUS).count();
    n_in_blocks + 8 * words.len() + n_in_last
}

#[cfg(test)]
mod tests;
