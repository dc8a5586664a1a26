//! Collects the messages of a stream, and what else was in it.

use super::problem::ProblemList;
use super::{Ended, Event, Framer, Problem, RealTimeBytes};
use crate::midi::message::Message;

/// What a stream, or the part of it since the last [`Stream::take`], holds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Framing {
    /// The whole messages, in order, without real-time bytes.
    pub messages: Vec<Message>,
    /// What else there is, by offset; the first [`Framing::MAX_PROBLEMS`].
    pub problems: Vec<Problem>,
    /// How many problems there are, those that were not kept included.
    pub n_problems: u64,
    /// Real-time bytes inside and outside messages. They are legal and no problem.
    pub real_time: RealTimeBytes,
}

impl Framing {
    /// How many problems are kept in full. A hostile stream shall not fill the memory.
    pub const MAX_PROBLEMS: usize = 1000;
}

/// Splits a stream that comes in pieces. Holds the messages until they are taken, so it fits live captures and files of
/// moderate size; for a file of any size use [`Summary`](super::Summary).
#[derive(Debug, Clone)]
pub struct Stream {
    framer: Framer,
    collected: Collected,
}

impl Stream {
    /// At the start of a stream.
    pub fn new() -> Stream {
        Stream {
            framer: Framer::new(),
            collected: Collected {
                messages: Vec::new(),
                open: Vec::new(),
                problems: ProblemList::new(Framing::MAX_PROBLEMS),
                real_time: RealTimeBytes::default(),
            },
        }
    }

    /// Takes the next bytes, any number of them. One slice or its pieces give the same result.
    pub fn push(&mut self, bytes: &[u8]) {
        let collected = &mut self.collected;
        self.framer.push(bytes, &mut |event| collected.add(&event));
    }

    /// What was finished since the start or the last call: messages with their end, problems that can grow no more. Offsets
    /// still count from the start of the stream.
    pub fn take(&mut self) -> Framing {
        self.collected.take()
    }

    /// Ends the stream and gives back the rest. A message that has not ended is a problem; its bytes past
    /// [`Problem::MAX_BYTES`] are only in the [`Event`]s.
    pub fn finish(self) -> Framing {
        let mut collected = self.collected;
        self.framer.finish(&mut |event| collected.add(&event));
        collected.take()
    }
}

impl Default for Stream {
    fn default() -> Stream {
        Stream::new()
    }
}

/// Splits `bytes`, a whole stream, into its messages and what else is in it. Never fails; bytes that are no SysEx at all are
/// one problem.
///
/// Memory: the messages once more. A hostile stream of two-byte messages takes up to 62 times its size, so look at files of
/// unknown size with [`summarize`](super::summarize) or a [`Summary`](super::Summary) first.
pub fn frame(bytes: &[u8]) -> Framing {
    let mut stream = Stream::new();
    stream.push(bytes);
    stream.finish()
}

#[derive(Debug, Clone)]
struct Collected {
    messages: Vec<Message>,
    /// The bytes of the message that has begun and not ended.
    open: Vec<u8>,
    problems: ProblemList,
    real_time: RealTimeBytes,
}

impl Collected {
    fn add(&mut self, event: &Event<'_>) {
        self.problems.add(event);
        self.real_time.add(event);
        match *event {
            Event::Start { .. } => self.open.clear(),
            Event::Message { bytes, .. } => self.open.extend_from_slice(bytes),
            Event::End {
                offset,
                start,
                ended: Ended::Whole | Ended::WholeWithoutId,
                ..
            } => self.messages.push(Message {
                offset: start,
                end: offset,
                // An exact copy: the buffer is kept for the next message.
                bytes: self.open.as_slice().into(),
            }),
            Event::End { .. }
            | Event::RealTime { .. }
            | Event::Stray { .. }
            | Event::LostStart { .. }
            | Event::EndOfInput { .. } => (),
        }
    }

    fn take(&mut self) -> Framing {
        Framing {
            messages: std::mem::take(&mut self.messages),
            problems: std::mem::take(&mut self.problems.kept),
            n_problems: std::mem::take(&mut self.problems.n_seen),
            real_time: std::mem::take(&mut self.real_time),
        }
    }
}
