//! What is wrong with a stream, as a bounded list.

use super::{Ended, Event, StrayKind};

/// One thing in a stream that is no whole message with an ID.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    /// What it is.
    pub kind: ProblemKind,
    /// Where it begins, in bytes since the start of the stream.
    pub offset: u64,
    /// Where it is over: one past its last byte; for a message cut off by a byte, where that byte stands.
    pub end: u64,
    /// How many bytes it has, without real-time bytes.
    pub n_bytes: u64,
    /// Its first bytes, at most [`Problem::MAX_BYTES`], without real-time bytes.
    pub bytes: Vec<u8>,
    /// For a message: its number from 1, torn ones counted too. For other bytes: how many messages began before them.
    pub message_number: u64,
}

impl Problem {
    /// How many bytes are kept of one problem. A hostile stream shall not fill the memory.
    pub const MAX_BYTES: usize = 64;

    fn new(kind: ProblemKind, offset: u64, message_number: u64) -> Problem {
        Problem {
            kind,
            offset,
            end: offset,
            n_bytes: 0,
            bytes: Vec::new(),
            message_number,
        }
    }

    /// Adds `bytes`, which stand at `offset`.
    fn add(&mut self, bytes: &[u8], offset: u64) {
        extend_capped(&mut self.bytes, bytes);
        self.n_bytes += bytes.len() as u64;
        self.end = offset + bytes.len() as u64;
    }

    /// Adds a later problem to this one.
    fn join(&mut self, later: &Problem) {
        extend_capped(&mut self.bytes, &later.bytes);
        self.n_bytes += later.n_bytes;
        self.end = later.end;
    }
}

/// What kind of thing is wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ProblemKind {
    /// A message cut off by this status byte.
    CutByStatus(u8),
    /// A message cut off by the F0 of the next one.
    CutByStart,
    /// A message cut off by the end of the input.
    CutByEnd,
    /// The tail of a message whose beginning is missing: data bytes up to an F7.
    LostStart,
    /// Bytes that belong to no message.
    Stray,
    /// A whole message that ends before its maker ID is complete.
    NoId,
}

impl ProblemKind {
    /// Whether this is a message that began and did not end by its own F7.
    pub fn is_torn(self) -> bool {
        use ProblemKind::{CutByEnd, CutByStart, CutByStatus};
        matches!(self, CutByStatus(_) | CutByStart | CutByEnd)
    }
}

/// Gathers the problems of a stream from its events, the first `max` of them in full, ordered by offset.
#[derive(Debug, Clone)]
pub(super) struct ProblemList {
    max: usize,
    /// The problems, finished ones only.
    pub(super) kept: Vec<Problem>,
    /// How many there were, those past `max` included.
    pub(super) n_seen: u64,
    n_messages: u64,
    /// The first bytes of the open message.
    head: Vec<u8>,
    /// Stray bytes that may go on.
    stray: Option<Problem>,
    /// Data bytes after `stray` that become a [`ProblemKind::LostStart`] if an F7 follows, and join `stray` if not.
    tail: Option<Problem>,
}

impl ProblemList {
    pub(super) fn new(max: usize) -> ProblemList {
        ProblemList {
            max,
            kept: Vec::new(),
            n_seen: 0,
            n_messages: 0,
            head: Vec::with_capacity(Problem::MAX_BYTES),
            stray: None,
            tail: None,
        }
    }

    pub(super) fn add(&mut self, event: &Event<'_>) {
        match *event {
            Event::Start { .. } => {
                self.end_stray();
                self.n_messages += 1;
                self.head.clear();
            }
            Event::Message { bytes, .. } => extend_capped(&mut self.head, bytes),
            Event::End {
                offset,
                start,
                n_bytes,
                ended,
            } => {
                let kind = match ended {
                    Ended::Whole => return,
                    Ended::WholeWithoutId => ProblemKind::NoId,
                    Ended::CutByStatus(status) => ProblemKind::CutByStatus(status),
                    Ended::CutByStart => ProblemKind::CutByStart,
                    Ended::CutByEnd => ProblemKind::CutByEnd,
                };
                self.n_seen += 1;
                if self.kept.len() < self.max {
                    self.kept.push(Problem {
                        kind,
                        offset: start,
                        end: offset,
                        n_bytes,
                        bytes: self.head.clone(),
                        message_number: self.n_messages,
                    });
                }
            }
            Event::RealTime { .. } => (),
            Event::Stray {
                offset,
                bytes,
                kind,
            } => {
                let slot = match kind {
                    StrayKind::Data => &mut self.tail,
                    StrayKind::Status => {
                        self.join_tail();
                        &mut self.stray
                    }
                };
                slot.get_or_insert_with(|| {
                    Problem::new(ProblemKind::Stray, offset, self.n_messages)
                })
                .add(bytes, offset);
            }
            Event::LostStart { offset, bytes, .. } => {
                let tail = self.tail.take();
                self.end_stray();
                if let Some(mut tail) = tail {
                    tail.kind = ProblemKind::LostStart;
                    tail.add(bytes, offset);
                    self.keep(tail);
                }
            }
            Event::EndOfInput { .. } => self.end_stray(),
        }
    }

    /// Data bytes that no F7 followed are stray bytes like those before them.
    fn join_tail(&mut self) {
        if let Some(tail) = self.tail.take() {
            match &mut self.stray {
                Some(stray) => stray.join(&tail),
                None => self.stray = Some(tail),
            }
        }
    }

    fn end_stray(&mut self) {
        self.join_tail();
        if let Some(stray) = self.stray.take() {
            self.keep(stray);
        }
    }

    fn keep(&mut self, problem: Problem) {
        self.n_seen += 1;
        if self.kept.len() < self.max {
            self.kept.push(problem);
        }
    }
}

fn extend_capped(kept: &mut Vec<u8>, bytes: &[u8]) {
    let n_free = Problem::MAX_BYTES.saturating_sub(kept.len());
    kept.extend_from_slice(&bytes[..bytes.len().min(n_free)]);
}
