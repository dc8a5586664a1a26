//! What is wrong with a MIDI file, summed up: the first of each kind with its place, and how many more.

use super::chunk::Chunk;
use super::event::{Damage, Reason};
use crate::midi::framing::Ended;
use crate::model::take::Finding;

/// Counts what is wrong while a file is read. Does not grow with the file.
#[derive(Debug, Default)]
pub(super) struct Trouble {
    is_no_midi_file: bool,
    header: Option<String>,
    track_count: Option<Finding>,
    torn: Tally,
    headless: Tally,
    events_between: Tally,
    damaged_tracks: Tally,
    no_end_of_track: Tally,
    unknown_chunks: Tally,
    /// Bytes inside events that hold messages, but outside the messages.
    pub n_stray: u64,
    /// Real-time bytes inside messages.
    pub n_real_time_inside: u64,
    /// Whole messages without an ID.
    pub n_without_id: u64,
}

/// A message that did not end by its own F7. Offsets are bytes since the start of the file.
#[derive(Debug, Clone, Copy)]
pub(super) struct Torn {
    pub track: u32,
    pub offset: u64,
    pub end: u64,
    pub ended: Ended,
}

/// How many there are of a kind, and the first one in words.
#[derive(Debug, Default)]
struct Tally {
    n: u64,
    first: String,
}

impl Tally {
    fn add(&mut self, words: impl FnOnce() -> String) {
        if self.n == 0 {
            self.first = words();
        }
        self.n += 1;
    }

    /// The first one, and how many more; `None` if there is none.
    fn summed_up(&self) -> Option<String> {
        match self.n {
            0 => None,
            1 => Some(self.first.clone()),
            n => Some(format!("{}; and {} more like it", self.first, n - 1)),
        }
    }
}

impl Trouble {
    pub fn not_midi_file(&mut self) {
        self.is_no_midi_file = true;
    }

    /// The file ends within the head of the header chunk.
    pub fn no_header(&mut self, n_bytes: usize) {
        let n = bytes(n_bytes as u64);
        self.header = Some(format!("the file ends after {n}, within its header"));
    }

    /// Looks at the header chunk.
    pub fn header(&mut self, chunk: &Chunk<'_>, format: u16) {
        let n_there = chunk.data.len();
        if n_there < 6 {
            self.header = Some(format!("the header is too short: {n_there} of 6 bytes"));
        } else if chunk.is_cut() {
            let n_claimed = chunk.n_claimed;
            self.header = Some(format!(
                "the header claims {n_claimed} bytes, the file ends after {n_there}"
            ));
        } else if format > 2 {
            self.header = Some(format!(
                "the header names format {format}; there are 0, 1 and 2"
            ));
        }
    }

    /// Compares how many tracks there are with what the header says.
    pub fn track_count(&mut self, format: u16, n_said: Option<u16>, n_there: u32) {
        let Some(n_said) = n_said.map(u32::from) else {
            return;
        };
        let said = |there| format!("the header says {}, the file has {there}", tracks(n_said));
        self.track_count = if n_there < n_said {
            Some(Finding::error("track-count", said(n_there)))
        } else if n_there > n_said {
            Some(Finding::warning("track-count", said(n_there)))
        } else if format == 0 && n_there != 1 {
            let there = tracks(n_there);
            let words = format!("a file of format 0 has one track, this one has {there}");
            Some(Finding::warning("track-count", words))
        } else {
            None
        };
    }

    pub fn unknown_chunk(&mut self, chunk: &Chunk<'_>) {
        let kind = chunk.kind.escape_ascii();
        let (offset, n_there, n_claimed) = (chunk.offset, chunk.data.len(), chunk.n_claimed);
        self.unknown_chunks.add(|| {
            let cut = match chunk.is_cut() {
                true => format!("; it claims {n_claimed} bytes, the file ends after {n_there}"),
                false => String::new(),
            };
            format!("the chunk \"{kind}\" at byte {offset} is no track and was passed over{cut}")
        });
    }

    /// Looks at the bytes after the last chunk, which are too few to be one.
    pub fn after_last_chunk(&mut self, rest: &[u8]) {
        if !rest.is_empty() {
            let n = bytes(rest.len() as u64);
            self.unknown_chunks
                .add(|| format!("after the last chunk: {n}, too few for another"));
        }
    }

    pub fn torn(&mut self, torn: Torn) {
        self.torn.add(|| {
            let by = match torn.ended {
                Ended::CutByStatus(status) => format!("by 0x{status:02x}"),
                Ended::CutByStart => "by the start of another".to_owned(),
                _ => "by the end of the track".to_owned(),
            };
            let Torn {
                track, offset, end, ..
            } = torn;
            format!(
                "a message in track {track} (from byte {offset}) was cut off at byte {end} {by}"
            )
        });
    }

    /// `torn` was cut off by a channel event, and went on after it.
    pub fn events_between(&mut self, torn: &Torn) {
        let Torn {
            track, offset, end, ..
        } = torn;
        self.events_between.add(|| {
            format!(
                "a note or other event at byte {end} stands inside a message of track {track} (from byte {offset}) and \
                 cuts it off"
            )
        });
    }

    /// The end of a message whose beginning is missing; its F7 stands at `offset`.
    pub fn headless(&mut self, track: u32, offset: u64) {
        self.headless.add(|| {
            format!(
                "the beginning of the message in track {track} that ends at byte {offset} is missing"
            )
        });
    }

    pub fn damaged_track(&mut self, track: u32, damage: &Damage) {
        let reason = match damage.reason {
            Reason::LongNumber => "a time or length has more than 4 bytes".to_owned(),
            Reason::CutEvent => "the track ends within an event".to_owned(),
            Reason::BadStatus(byte) => format!("no event begins with 0x{byte:02x}"),
            Reason::BadData(byte) => format!("0x{byte:02x} is no data byte"),
        };
        let offset = damage.offset;
        self.damaged_tracks
            .add(|| format!("track {track} cannot be read on at byte {offset}: {reason}"));
    }

    /// The file ends before the track does.
    pub fn cut_track(&mut self, track: u32, chunk: &Chunk<'_>) {
        let (offset, n_there, n_claimed) = (chunk.offset, chunk.data.len(), chunk.n_claimed);
        self.damaged_tracks.add(|| {
            format!(
                "track {track} at byte {offset} claims {n_claimed} bytes, the file ends after {n_there}"
            )
        });
    }

    /// Looks at what stands after the end of a track inside its chunk; zeros are padding and hide nothing.
    pub fn after_end_of_track(&mut self, track: u32, offset: usize, rest: &[u8]) {
        if rest.iter().any(|&byte| byte != 0) {
            let n = bytes(rest.len() as u64);
            self.damaged_tracks.add(|| {
                format!(
                    "track {track} goes on after its end: {n} from byte {offset} on were not read"
                )
            });
        }
    }

    pub fn no_end_of_track(&mut self, track: u32) {
        self.no_end_of_track
            .add(|| format!("track {track} has no end-of-track event"));
    }

    /// All of it, errors first; at most one finding of each code.
    pub fn findings(&self, n_messages: usize) -> Vec<Finding> {
        if self.is_no_midi_file {
            return vec![Finding::error("not-midi-file", "it is no MIDI file")];
        }
        let beside = match n_messages {
            0 => String::new(),
            1 => "; 1 whole message beside".to_owned(),
            n => format!("; {n} whole messages beside"),
        };
        let error = |code, words: Option<String>| words.map(|words| Finding::error(code, words));
        let warning =
            |code, words: Option<String>| words.map(|words| Finding::warning(code, words));
        let note = |code, words: Option<String>| words.map(|words| Finding::note(code, words));
        let torn = self.torn.summed_up();
        let mut findings: Vec<Finding> = [
            error("damaged-header", self.header.clone()),
            error("damaged-track", self.damaged_tracks.summed_up()),
            error("torn", torn.map(|words| words + &beside)),
            error("events-between", self.events_between.summed_up()),
            error("headless", self.headless.summed_up()),
            self.track_count.clone(),
            warning("no-end-of-track", self.no_end_of_track.summed_up()),
            warning("stray-bytes", {
                let words = || format!("{} belong to no message", bytes(self.n_stray));
                (self.n_stray > 0).then(words)
            }),
            note("unknown-chunk", self.unknown_chunks.summed_up()),
            note("real-time", {
                let n = self.n_real_time_inside;
                let words = || {
                    format!(
                        "inside messages: {} of clock or active sensing; no part of them",
                        bytes(n)
                    )
                };
                (n > 0).then(words)
            }),
            note("no-id", {
                let n = self.n_without_id;
                (n > 0).then(|| format!("messages without a maker ID: {n}"))
            }),
        ]
        .into_iter()
        .flatten()
        .collect();
        findings.sort_by_key(|finding| std::cmp::Reverse(finding.severity));
        findings
    }
}

fn tracks(n: u32) -> String {
    match n {
        1 => "1 track".to_owned(),
        n => format!("{n} tracks"),
    }
}

fn bytes(n: u64) -> String {
    match n {
        1 => "1 byte".to_owned(),
        n => format!("{n} bytes"),
    }
}
