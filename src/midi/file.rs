//! MIDI files (.mid): the SysEx messages of a Standard MIDI File, read and written.
//!
//! [`read`] plays a file without sound: what each track would send goes through the same
//! [`Framer`](crate::midi::framing::Framer) as the bytes of a port, so one rule says what a whole message is, whatever
//! the container. [`write`](write()) makes a file that any player sends at a pace an instrument can take.
//!
//! What stays true:
//! - A message may come in any number of packets; it is given back as one, timed by its first.
//! - Damage never fails the reading: it is a finding, and what was read before it is given back.
//! - Lengths in the file are claims. Memory grows with the bytes that are there, time as well.
//! - Whatever [`write`](write()) has written, [`read`] gives back without a finding.
//!
//! # Source
//! Standard MIDI Files 1.0 (RP-001, MMA). Where several tracks are merged: by tick, those of the lower track first.

mod chunk;
mod event;
mod track;
mod trouble;
pub mod vlq;
mod write;

use std::ops::Range;

use crate::midi::message::Message;
use crate::model::take::Finding;

use chunk::{Chunks, Container};
use track::{Collected, Tempo};
use trouble::Trouble;

pub use write::{NotWritten, Pace, write};

/// What a MIDI file holds, as far as SysEx is concerned.
#[derive(Debug, Clone, PartialEq)]
pub struct MidiFile {
    /// 0: one track. 1: tracks played together. 2: tracks played one by one. Higher ones do not exist.
    pub format: u16,
    /// What a tick is; `None` if the file does not say, or says 0.
    pub division: Option<Division>,
    /// How many tracks there are, damaged ones included.
    pub n_tracks: u32,
    /// Notes and other channel events: a file with any is a song, not only a dump.
    pub n_channel_events: u64,
    /// What was noticed, at most one finding of each code.
    pub findings: Vec<Finding>,
    names: Vec<(u32, String)>,
    /// The messages' bytes, in the order of the file.
    bytes: Vec<u8>,
    /// In order of time.
    entries: Vec<Entry>,
    /// In order of time.
    tempos: Vec<Tempo>,
}

/// What a tick is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Division {
    /// This many ticks are a quarter note, never 0; the tempo says how long that is.
    PerQuarter(u16),
    /// Ticks of a fixed length, whatever the tempo.
    PerSecond {
        /// Frames in a second, never 0; 29 stands for 30000/1001.
        frames: u8,
        /// Ticks in a frame, never 0.
        ticks: u8,
    },
}

/// A message of a MIDI file and when it would be sent.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Found<'a> {
    /// From F0 to F7, without real-time bytes.
    pub bytes: &'a [u8],
    /// The number of its track, from 1.
    pub track: u32,
    /// Ticks since the start of the track.
    pub tick: u64,
    /// Seconds since the start of the track; `None` if the file does not say what a tick is.
    pub seconds: Option<f64>,
    /// Where the event that begins it stands, or the F0 inside that event; in bytes since the start of the file.
    pub offset: u64,
    /// One past its F7, in bytes since the start of the file. A message in several packets has other things between.
    pub end: u64,
}

/// Whether the first bytes of a file (12 are enough) look like a MIDI file, also one wrapped in RIFF.
pub fn looks_like_midi_file(first_bytes: &[u8]) -> bool {
    chunk::container_kind(first_bytes) != Container::None
}

/// Reads `bytes`, a whole file. Never fails; bytes that are no MIDI file give no messages and the finding `not-midi-file`.
///
/// Memory: the messages once more. A hostile file of two-byte messages takes up to 75 times its size.
///
/// ```
/// let file = farshelf::midi::file::read(&[
///     0x4D, 0x54, 0x68, 0x64, 0, 0, 0, 6, 0, 0, 0, 1, 0, 0x60, // header: format 0, 1 track, 96 ticks to a quarter
///     0x4D, 0x54, 0x72, 0x6B, 0, 0, 0, 15, // a track of 15 bytes
///     0x00, 0xF0, 0x03, 0x43, 0x12, 0x00, // the beginning of a message
///     0x60, 0xF7, 0x02, 0x07, 0xF7, // 96 ticks later, the rest of it
///     0x00, 0xFF, 0x2F, 0x00, // end of track
/// ]);
/// let messages: Vec<&[u8]> = file.messages().map(|found| found.bytes).collect();
/// assert_eq!(messages, [[0xF0, 0x43, 0x12, 0x00, 0x07, 0xF7]]);
/// ```
pub fn read(bytes: &[u8]) -> MidiFile {
    let mut file = MidiFile {
        format: 0,
        division: None,
        n_tracks: 0,
        n_channel_events: 0,
        findings: Vec::new(),
        names: Vec::new(),
        bytes: Vec::new(),
        entries: Vec::new(),
        tempos: Vec::new(),
    };
    let mut trouble = Trouble::default();
    match chunk::unwrapped(bytes) {
        Some(inside) => file.read_chunks(&bytes[..inside.end], inside.start, &mut trouble),
        None => trouble.not_midi_file(),
    }
    file.findings = trouble.findings(file.entries.len());
    file
}

/// The messages of a MIDI file in order of time, and what was noticed: [`read`] for those who need no more.
pub fn messages(bytes: &[u8]) -> (Vec<Message>, Vec<Finding>) {
    let file = read(bytes);
    let messages = file.messages().map(|found| Message {
        offset: found.offset,
        end: found.end,
        bytes: found.bytes.to_vec(),
    });
    (messages.collect(), file.findings)
}

impl MidiFile {
    /// The messages in order of time; of format 2, those of one track after those of the other. Their bytes one after the
    /// other are what a `.syx` file of the same memory holds.
    pub fn messages(&self) -> impl Iterator<Item = Found<'_>> {
        let mut clock = Clock::new(self);
        self.entries.iter().map(move |entry| Found {
            bytes: &self.bytes[entry.bytes.clone()],
            track: entry.track,
            tick: entry.tick,
            seconds: clock.seconds_at(entry.track, entry.tick),
            offset: entry.offset,
            end: entry.end,
        })
    }

    /// Each track that has a name, by its number from 1. Untrusted text; bytes that are no UTF-8 were replaced.
    pub fn track_names(&self) -> impl Iterator<Item = (u32, &str)> {
        self.names
            .iter()
            .map(|(track, name)| (*track, name.as_str()))
    }

    fn read_chunks(&mut self, bytes: &[u8], start: usize, trouble: &mut Trouble) {
        let mut collected = Collected::default();
        let mut n_said = None;
        let mut chunks = Chunks::new(bytes, start);
        for (chunk_idx, chunk) in chunks.by_ref().enumerate() {
            match &chunk.kind {
                b"MThd" if chunk_idx == 0 => {
                    n_said = self.read_header(&chunk, trouble);
                }
                b"MTrk" => {
                    self.n_tracks += 1;
                    track::read(&chunk, self.n_tracks, &mut collected, trouble);
                }
                _ => trouble.unknown_chunk(&chunk),
            }
        }
        if chunks.rest().len() == bytes.len() - start {
            trouble.no_header(chunks.rest().len());
        } else {
            trouble.after_last_chunk(chunks.rest());
        }
        trouble.track_count(self.format, n_said, self.n_tracks);

        self.n_channel_events = collected.n_channel_events;
        self.names = collected.names;
        self.bytes = collected.bytes;
        self.entries = collected.entries;
        self.tempos = collected.tempos;
        if !self.is_one_by_one() {
            // Stable: what is sent at the same tick stays in the order of the tracks.
            self.entries.sort_by_key(|entry| entry.tick);
            self.tempos.sort_by_key(|tempo| tempo.tick);
        }
    }

    /// Gives back how many tracks the header says there are.
    fn read_header(&mut self, chunk: &chunk::Chunk<'_>, trouble: &mut Trouble) -> Option<u16> {
        let word = |idx: usize| {
            let bytes = chunk.data.get(2 * idx..2 * idx + 2)?;
            Some(u16::from_be_bytes([bytes[0], bytes[1]]))
        };
        self.format = word(0).unwrap_or(0);
        self.division = word(2).and_then(Division::from_word);
        trouble.header(chunk, self.format);
        word(1)
    }

    fn is_one_by_one(&self) -> bool {
        self.format == 2
    }
}

impl Division {
    /// # Source
    /// RP-001, header chunk: bit 15 clear, ticks to a quarter note; bit 15 set, the upper byte is -24, -25, -29 or -30 and
    /// the lower one the ticks in a frame. Other frame rates are taken at their word.
    fn from_word(word: u16) -> Option<Division> {
        let [upper, ticks] = word.to_be_bytes();
        if word & 0x8000 == 0 {
            return (word != 0).then_some(Division::PerQuarter(word));
        }
        let frames = upper.wrapping_neg();
        (ticks != 0).then_some(Division::PerSecond { frames, ticks })
    }
}

/// A message that was found; `bytes` are its place in [`MidiFile::bytes`].
#[derive(Debug, Clone, PartialEq)]
struct Entry {
    track: u32,
    tick: u64,
    offset: u64,
    end: u64,
    bytes: Range<usize>,
}

/// Turns ticks, which must not go back within a track, into seconds.
struct Clock<'a> {
    division: Option<Division>,
    one_by_one: bool,
    tempos: std::iter::Peekable<std::slice::Iter<'a, Tempo>>,
    track: u32,
    /// The tick of the last tempo change.
    tick: u64,
    microseconds_per_quarter: u32,
    /// Time at `tick`, in microseconds times the ticks of a quarter: no rounding adds up.
    scaled_microseconds: u128,
}

impl<'a> Clock<'a> {
    /// The tempo until the file says another: 120 quarter notes a minute.
    ///
    /// # Source
    /// RP-001, meta events, set tempo.
    const DEFAULT_MICROSECONDS_PER_QUARTER: u32 = 500_000;

    fn new(file: &'a MidiFile) -> Clock<'a> {
        Clock {
            division: file.division,
            one_by_one: file.is_one_by_one(),
            tempos: file.tempos.iter().peekable(),
            track: 0,
            tick: 0,
            microseconds_per_quarter: Self::DEFAULT_MICROSECONDS_PER_QUARTER,
            scaled_microseconds: 0,
        }
    }

    fn seconds_at(&mut self, track: u32, tick: u64) -> Option<f64> {
        let per_quarter = match self.division? {
            Division::PerQuarter(ticks) => ticks,
            Division::PerSecond { frames, ticks } => {
                let (frames, per_seconds) = match frames {
                    29 => (30_000.0, 1001.0),
                    _ => (f64::from(frames), 1.0),
                };
                return Some(tick as f64 * per_seconds / (frames * f64::from(ticks)));
            }
        };
        if self.one_by_one && self.track != track {
            self.track = track;
            self.tick = 0;
            self.scaled_microseconds = 0;
            self.microseconds_per_quarter = Self::DEFAULT_MICROSECONDS_PER_QUARTER;
            while self.tempos.next_if(|tempo| tempo.track < track).is_some() {}
        }
        let one_by_one = self.one_by_one;
        while let Some(tempo) = self
            .tempos
            .next_if(|tempo| tempo.tick <= tick && (!one_by_one || tempo.track == track))
        {
            self.scaled_microseconds = self.scaled_at(tempo.tick);
            self.tick = tempo.tick;
            self.microseconds_per_quarter = tempo.microseconds_per_quarter;
        }
        Some(self.scaled_at(tick) as f64 / (1e6 * f64::from(per_quarter)))
    }

    fn scaled_at(&self, tick: u64) -> u128 {
        let n_ticks = u128::from(tick - self.tick);
        self.scaled_microseconds + n_ticks * u128::from(self.microseconds_per_quarter)
    }
}

#[cfg(test)]
mod tests;
