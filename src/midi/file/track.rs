//! One track: what it would send, framed like the bytes of a port.

use super::Entry;
use super::chunk::Chunk;
use super::event::{Event, EventKind, Events};
use super::trouble::{Torn, Trouble};
use crate::midi::framing::{self, Ended, Framer, START, StrayKind};

/// What the tracks so far hold.
#[derive(Debug, Clone, Default)]
pub(super) struct Collected {
    /// The bytes of all messages, one after the other.
    pub bytes: Vec<u8>,
    pub entries: Vec<Entry>,
    pub tempos: Vec<Tempo>,
    /// The first name of each track that has one.
    pub names: Vec<(u32, String)>,
    pub n_channel_events: u64,
}

/// A change of tempo.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Tempo {
    pub track: u32,
    pub tick: u64,
    pub microseconds_per_quarter: u32,
}

const TRACK_NAME: u8 = 0x03;
const END_OF_TRACK: u8 = 0x2F;
const SET_TEMPO: u8 = 0x51;

/// Reads the track chunk with this number (from 1).
pub(super) fn read(
    chunk: &Chunk<'_>,
    number: u32,
    collected: &mut Collected,
    trouble: &mut Trouble,
) {
    let mut events = Events::new(chunk.data, chunk.data_offset());
    let mut sent = Sent::new(number, collected, trouble);
    let ended = loop {
        match events.next() {
            Ok(Some(event)) if sent.add(&event) => (),
            Ok(Some(_)) => break Ok(true),
            Ok(None) => break Ok(false),
            Err(damage) => break Err(damage),
        }
    };
    sent.finish(events.offset());
    match ended {
        // All else follows from the missing bytes.
        _ if chunk.is_cut() => trouble.cut_track(number, chunk),
        Ok(true) => trouble.after_end_of_track(number, events.offset(), events.rest()),
        Ok(false) => trouble.no_end_of_track(number),
        Err(damage) => trouble.damaged_track(number, &damage),
    }
}

/// What a track has sent so far.
struct Sent<'a> {
    track: u32,
    collected: &'a mut Collected,
    trouble: &'a mut Trouble,
    framer: Framer,
    tick: u64,
    n_sent: u64,
    has_name: bool,
    open: Option<Open>,
    /// A message that a channel event cut off: torn, or continued by a packet that was not allowed there.
    cut: Option<Torn>,
    /// The stray data bytes sent last that were counted as such; they are the tail of a message if an F7 comes next.
    n_tail: u64,
}

/// The message that has begun and not ended.
#[derive(Debug, Clone, Copy)]
struct Open {
    tick: u64,
    offset: u64,
    /// Where its bytes begin among the collected ones.
    start: usize,
}

/// What sends bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Sender {
    /// An F0 event, or an F7 event inside a message: nothing but that message belongs there.
    Message,
    /// An F7 event outside every message: any bytes may be sent.
    Escape,
    /// A channel event.
    Channel,
}

impl<'a> Sent<'a> {
    fn new(track: u32, collected: &'a mut Collected, trouble: &'a mut Trouble) -> Sent<'a> {
        Sent {
            track,
            collected,
            trouble,
            framer: Framer::new(),
            tick: 0,
            n_sent: 0,
            has_name: false,
            open: None,
            cut: None,
            n_tail: 0,
        }
    }

    /// Takes the next event; gives back false if it is the end of the track.
    fn add(&mut self, event: &Event<'_>) -> bool {
        self.tick = self.tick.saturating_add(u64::from(event.delta));
        match event.kind {
            EventKind::Channel { status, data } => {
                self.collected.n_channel_events += 1;
                self.send(&[status], event.offset, Sender::Channel);
                self.send(data, event.offset, Sender::Channel);
            }
            EventKind::Start { data, data_offset } => {
                self.send(&[START], event.offset, Sender::Message);
                self.send(data, data_offset, Sender::Message);
            }
            // An escape that holds a whole message sends one (RP-001: any bytes may be sent this way), and one that holds
            // only its beginning leaves it open like an F0 event.
            EventKind::Packet { data, data_offset } => {
                let sender = match self.open {
                    Some(_) => Sender::Message,
                    None => Sender::Escape,
                };
                self.send(data, data_offset, sender);
            }
            EventKind::Meta { kind, data } => match (kind, data) {
                (END_OF_TRACK, _) => return false,
                (SET_TEMPO, &[a, b, c]) => self.collected.tempos.push(Tempo {
                    track: self.track,
                    tick: self.tick,
                    microseconds_per_quarter: u32::from_be_bytes([0, a, b, c]),
                }),
                (TRACK_NAME, name) if !self.has_name && !name.is_empty() => {
                    self.has_name = true;
                    let name = String::from_utf8_lossy(name).into_owned();
                    self.collected.names.push((self.track, name));
                }
                _ => (),
            },
        }
        true
    }

    /// Frames the next bytes that are sent; they stand at `offset` in the file.
    fn send(&mut self, bytes: &[u8], offset: usize, sender: Sender) {
        let mut framer = std::mem::take(&mut self.framer);
        let n_before = self.n_sent;
        framer.push(bytes, &mut |event| {
            self.note(&event, sender, |sent| offset as u64 + (sent - n_before));
        });
        self.n_sent += bytes.len() as u64;
        self.framer = framer;
    }

    /// No more bytes will be sent; the track was read up to `offset` in the file.
    fn finish(mut self, offset: usize) {
        let framer = std::mem::take(&mut self.framer);
        framer.finish(&mut |event| self.note(&event, Sender::Message, |_| offset as u64));
        self.settle();
    }

    /// A message that a channel event cut off, and that no packet continued, is torn like any other.
    fn settle(&mut self) {
        if let Some(torn) = self.cut.take() {
            self.trouble.torn(torn);
        }
    }

    fn note(
        &mut self,
        event: &framing::Event<'_>,
        sender: Sender,
        file_offset: impl Fn(u64) -> u64,
    ) {
        match *event {
            framing::Event::Start { offset } => {
                self.settle();
                self.n_tail = 0;
                self.open = Some(Open {
                    tick: self.tick,
                    offset: file_offset(offset),
                    start: self.collected.bytes.len(),
                });
            }
            framing::Event::Message { bytes, .. } => self.collected.bytes.extend_from_slice(bytes),
            framing::Event::End { offset, ended, .. } => {
                if let Some(open) = self.open.take() {
                    self.end(open, file_offset(offset), ended, sender);
                }
            }
            framing::Event::RealTime { bytes, inside, .. } => {
                if inside {
                    self.trouble.n_real_time_inside += bytes.len() as u64;
                }
            }
            framing::Event::Stray { bytes, kind, .. } => {
                if kind == StrayKind::Status {
                    self.n_tail = 0;
                }
                if sender == Sender::Message {
                    let n_stray = bytes.len() as u64;
                    self.trouble.n_stray += n_stray;
                    if kind == StrayKind::Data {
                        self.n_tail += n_stray;
                    }
                }
            }
            framing::Event::LostStart { offset, .. } => {
                self.trouble.n_stray -= std::mem::take(&mut self.n_tail);
                match self.cut.take() {
                    Some(torn) => self.trouble.events_between(&torn),
                    None => self.trouble.headless(self.track, file_offset(offset)),
                }
            }
            framing::Event::EndOfInput { .. } => (),
        }
    }

    fn end(&mut self, open: Open, end: u64, ended: Ended, sender: Sender) {
        let torn = Torn {
            track: self.track,
            offset: open.offset,
            end,
            ended,
        };
        match ended {
            Ended::Whole | Ended::WholeWithoutId => {
                self.trouble.n_without_id += u64::from(ended == Ended::WholeWithoutId);
                self.collected.entries.push(Entry {
                    track: self.track,
                    tick: open.tick,
                    offset: open.offset,
                    end,
                    bytes: open.start..self.collected.bytes.len(),
                });
                return;
            }
            _ if sender == Sender::Channel => self.cut = Some(torn),
            _ => self.trouble.torn(torn),
        }
        self.collected.bytes.truncate(open.start);
    }
}
