//! Counts what is in a stream without holding a message.

use super::problem::ProblemList;
use super::{Ended, Event, Framer, Problem};

/// What a stream of any size holds, in numbers. Feed it every event of one [`Framer`].
///
/// The same pass can hash the bytes of the messages. They go by before it is known whether their message is whole, so what was
/// hashed is the whole messages and nothing else only if [`TornMessages::n_all`] is 0:
///
/// ```
/// use farshelf::midi::framing::{Event, Framer, Summary};
///
/// let (mut framer, mut summary) = (Framer::new(), Summary::new());
/// let mut hasher = blake3::Hasher::new();
/// let sink = &mut |event: Event<'_>| {
///     summary.add(&event);
///     if let Event::Message { bytes, .. } = event {
///         hasher.update(bytes);
///     }
/// };
/// framer.push(&[0xF0, 0x7D, 0xF8, 0x01, 0xF7], sink);
/// framer.finish(sink);
/// assert_eq!(summary.whole_messages, 1);
/// assert!(!summary.is_clean(), "there is a real-time byte");
/// assert_eq!(hasher.finalize(), blake3::hash(&[0xF0, 0x7D, 0x01, 0xF7]));
/// ```
#[derive(Debug, Clone)]
pub struct Summary {
    /// Messages ended by their own F7, those without an ID included.
    pub whole_messages: u64,
    /// How many of the whole messages end before their maker ID is complete.
    pub without_id: u64,
    /// The bytes of the whole messages.
    pub whole_bytes: u64,
    /// Messages ended by anything else.
    pub torn: TornMessages,
    /// Tails of messages whose beginning is missing.
    pub headless: u64,
    /// The bytes of these tails, their F7 included.
    pub headless_bytes: u64,
    /// Bytes that belong to no message and to no tail.
    pub stray_bytes: u64,
    /// Real-time bytes inside and outside messages.
    pub real_time: RealTimeBytes,
    /// The length of the input.
    pub n_bytes: u64,
    problems: ProblemList,
}

impl Summary {
    /// How many problems are kept in full.
    pub const MAX_PROBLEMS: usize = 16;

    /// Of nothing so far.
    pub fn new() -> Summary {
        Summary {
            whole_messages: 0,
            without_id: 0,
            whole_bytes: 0,
            torn: TornMessages::default(),
            headless: 0,
            headless_bytes: 0,
            stray_bytes: 0,
            real_time: RealTimeBytes::default(),
            n_bytes: 0,
            problems: ProblemList::new(Summary::MAX_PROBLEMS),
        }
    }

    /// Counts one event. The numbers hold once [`Event::EndOfInput`] was counted.
    pub fn add(&mut self, event: &Event<'_>) {
        self.problems.add(event);
        self.real_time.add(event);
        self.n_bytes += event.bytes().len() as u64;
        match *event {
            Event::End { n_bytes, ended, .. } => match ended {
                Ended::Whole | Ended::WholeWithoutId => {
                    self.whole_messages += 1;
                    self.whole_bytes += n_bytes;
                    self.without_id += u64::from(ended == Ended::WholeWithoutId);
                }
                Ended::CutByStatus(_) => self.torn.add(n_bytes, |torn| &mut torn.cut_by_status),
                Ended::CutByStart => self.torn.add(n_bytes, |torn| &mut torn.cut_by_start),
                Ended::CutByEnd => self.torn.add(n_bytes, |torn| &mut torn.cut_by_end),
            },
            Event::Stray { bytes, .. } => self.stray_bytes += bytes.len() as u64,
            Event::LostStart { n_bytes, .. } => {
                self.headless += 1;
                self.headless_bytes += n_bytes;
                // All but its F7 were counted as stray bytes before it was known what they are.
                self.stray_bytes -= n_bytes - 1;
            }
            Event::Start { .. }
            | Event::Message { .. }
            | Event::RealTime { .. }
            | Event::EndOfInput { .. } => (),
        }
    }

    /// Whether the input is exactly whole messages, at least one, and nothing else, not even real-time bytes: the messages one
    /// after the other are the input.
    pub fn is_clean(&self) -> bool {
        self.whole_messages > 0 && self.whole_bytes == self.n_bytes
    }

    /// The first [`Summary::MAX_PROBLEMS`] problems, by offset.
    pub fn first_problems(&self) -> &[Problem] {
        &self.problems.kept
    }

    /// How many problems there are.
    pub fn n_problems(&self) -> u64 {
        self.problems.n_seen
    }
}

impl Default for Summary {
    fn default() -> Summary {
        Summary::new()
    }
}

/// Messages that began and did not end by their own F7, by what cut them off.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct TornMessages {
    /// By a status byte other than F0.
    pub cut_by_status: u64,
    /// By the F0 of the next message.
    pub cut_by_start: u64,
    /// By the end of the input: 0 or 1.
    pub cut_by_end: u64,
    /// The bytes of all of them.
    pub n_bytes: u64,
}

impl TornMessages {
    /// How many there are.
    pub fn n_all(&self) -> u64 {
        self.cut_by_status + self.cut_by_start + self.cut_by_end
    }

    fn add(&mut self, n_bytes: u64, counter: impl FnOnce(&mut TornMessages) -> &mut u64) {
        self.n_bytes += n_bytes;
        *counter(self) += 1;
    }
}

/// Real-time bytes of a stream. They are legal anywhere and belong to no message.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct RealTimeBytes {
    /// How many stand inside messages, whole or torn.
    pub n_inside: u64,
    /// Where the first of those stands.
    pub first_inside: Option<u64>,
    /// How many stand outside messages.
    pub n_outside: u64,
}

impl RealTimeBytes {
    /// How many there are.
    pub fn n_all(&self) -> u64 {
        self.n_inside + self.n_outside
    }

    pub(super) fn add(&mut self, event: &Event<'_>) {
        if let Event::RealTime {
            offset,
            bytes,
            inside,
        } = *event
        {
            let n_bytes = bytes.len() as u64;
            if inside {
                self.n_inside += n_bytes;
                self.first_inside.get_or_insert(offset);
            } else {
                self.n_outside += n_bytes;
            }
        }
    }
}

/// Counts what is in `bytes`, a whole stream.
pub fn summarize(bytes: &[u8]) -> Summary {
    let (mut framer, mut summary) = (Framer::new(), Summary::new());
    framer.push(bytes, &mut |event| summary.add(&event));
    framer.finish(&mut |event| summary.add(&event));
    summary
}
