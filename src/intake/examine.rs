//! What a dump is, what it holds and whether it is whole, as far as its bytes alone tell.
//!
//! One pass over the bytes. The SysEx of a MIDI file is read as if it had come over a cable, if the file holds nothing
//! else that is played: a song is more than the messages in it.
#![doc = include_str!("FINDINGS.md")]

use std::collections::HashMap;

use crate::layout::{self, Layouts, Reader, Reading};
use crate::midi::file::{self, MidiFile};
use crate::midi::framing::{
    END, Event, FIRST_REAL_TIME, FIRST_STATUS, Framer, ProblemKind, START, Summary,
};
use crate::midi::header::HeaderKey;
use crate::midi::universal::{Assembly, NON_REAL_TIME, REAL_TIME};
use crate::model::contents::{ALL_EQUAL, Contents, READING};
use crate::model::hash::Hash;
use crate::model::take::{Condition, Evidence, Finding};
use crate::sys::text::{counted, grouped};

/// How many of the first bytes are kept for the header key.
const HEAD: usize = 4096;
/// No header of a layout is longer.
const LONGEST_HEADER: usize = layout::header::MAX_BYTES;
/// How many of the first bytes tell whether it is a MIDI file.
const FILE_HEAD: usize = 12;
/// Longer messages are kept like any other, but what they mean is not looked at.
const LONGEST_READ: usize = 16 << 20;
/// Of a dump of more messages nobody looks at what they mean. Each takes up to 72 bytes of memory, so a hostile file of
/// any size could fill it; an instrument that sends so many takes an hour.
const MOST_READ: u64 = 1 << 20;
/// Longer MIDI files are kept as they are, but what is in them is not looked at. A hostile one takes 75 times its size
/// (two-byte messages, `tests/fuzz/intake.rs`), so 600 MiB; a cable carries these 8 MiB in 45 minutes.
const LONGEST_FILE: usize = 8 << 20;

/// With what a dump is read.
#[derive(Debug, Clone)]
pub struct Lens {
    /// The layouts that are known.
    pub layouts: Layouts,
    /// Name of the one that is tried first: the device's.
    pub preferred: Option<String>,
}

impl Lens {
    /// With the published layouts only.
    pub fn published() -> Lens {
        Lens {
            layouts: Layouts::builtin(),
            preferred: None,
        }
    }
}

/// Looks at a dump as its bytes go by.
#[derive(Debug)]
pub struct Examiner<'l> {
    lens: &'l Lens,
    extension_key: String,
    named_syx: bool,
    head: Vec<u8>,
    kind: Option<Kind>,
    framer: Framer,
    summary: Summary,
    /// Over the messages; `None` if nobody needs to know.
    hasher: Option<blake3::Hasher>,
    messages: Messages,
    /// All bytes so far of what looks like a MIDI file.
    file: Vec<u8>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    SysEx,
    MidiFile,
    /// No MIDI file; the first two bytes that are not real-time tell. Clock may run for long before a dump comes.
    Undecided {
        /// The first of them was F0.
        has_start: bool,
    },
    Other,
}

/// What an examination found.
#[derive(Debug, Clone)]
pub struct Examined {
    /// Header key, or extension.
    pub key: String,
    /// True if it is to be read as SysEx.
    pub sysex: bool,
    /// Whole SysEx messages.
    pub messages: u64,
    /// BLAKE3 of the content where that is not the bytes themselves.
    pub content: Option<Hash>,
    /// Why one may believe it.
    pub evidence: Evidence,
    /// What was noticed.
    pub findings: Vec<Finding>,
    /// What was read in it.
    pub contents: Contents,
    /// Of a MIDI file, its messages by header key where they have several: they may be of several devices.
    pub parts: Vec<Part>,
}

/// Those messages of a MIDI file that begin alike.
#[derive(Debug, Clone)]
pub struct Part {
    /// Their header key.
    pub key: String,
    /// What was read in them.
    pub contents: Contents,
    /// The messages in order of time: place in the file, from 0, and bytes.
    pub messages: Vec<(usize, Vec<u8>)>,
}

/// Examines a dump that is in memory as a whole.
pub fn examine(name: &str, bytes: &[u8], lens: &Lens) -> Examined {
    let mut examiner = Examiner {
        hasher: None,
        ..Examiner::new(name, lens)
    };
    examiner.push(bytes);
    let mut examined = examiner.finish();
    if examined.content.is_some() && examined.sysex {
        // Rarely are there bytes beside the messages; only then are the messages worth a hash of their own.
        let mut again = Examiner::new(name, lens);
        again.push(bytes);
        examined = again.finish();
    }
    examined
}

/// The key of a file that is no SysEx, from its name: `*.img`, or `*` without an extension.
pub fn extension_key(file_name: &str) -> String {
    match extension(file_name) {
        Some(e) => format!("*.{e}"),
        None => "*".to_string(),
    }
}

fn extension(file_name: &str) -> Option<String> {
    let (stem, e) = file_name.rsplit_once('.')?;
    let plain = !stem.is_empty() && (1..=16).contains(&e.len());
    (plain && e.chars().all(|c| c.is_ascii_alphanumeric())).then(|| e.to_ascii_lowercase())
}

impl<'l> Examiner<'l> {
    /// For a file of this name; an empty name (standard input) says nothing.
    pub fn new(file_name: &str, lens: &'l Lens) -> Examiner<'l> {
        Examiner {
            lens,
            extension_key: extension_key(file_name),
            named_syx: extension(file_name).as_deref() == Some("syx"),
            head: Vec::new(),
            kind: None,
            framer: Framer::new(),
            summary: Summary::new(),
            hasher: Some(blake3::Hasher::new()),
            messages: Messages::new(lens),
            file: Vec::new(),
        }
    }

    /// Takes the next bytes.
    pub fn push(&mut self, bytes: &[u8]) {
        if bytes.is_empty() {
            return;
        }
        let n_before = self.head.len();
        let n_more = bytes.len().min(HEAD - n_before);
        self.head.extend_from_slice(&bytes[..n_more]);
        if self.kind.is_some() {
            self.take(bytes);
        } else if self.head.len() >= FILE_HEAD {
            let early = self.head[..n_before].to_vec();
            self.begin();
            self.take(&early);
            self.take(bytes);
        }
    }

    /// Looks at the first bytes: as many as [`FILE_HEAD`] or all there are, so that pieces of any size give the same.
    fn begin(&mut self) {
        self.kind = Some(if file::looks_like_midi_file(&self.head) {
            Kind::MidiFile
        } else if self.named_syx {
            Kind::SysEx
        } else {
            Kind::Undecided { has_start: false }
        });
    }

    fn take(&mut self, bytes: &[u8]) {
        if let Some(Kind::Undecided { has_start }) = self.kind {
            let told = bytes.iter().filter(|byte| **byte < FIRST_REAL_TIME);
            let mut told = has_start.then_some(&START).into_iter().chain(told);
            self.kind = Some(match (told.next(), told.next()) {
                (None, _) => Kind::Undecided { has_start },
                (Some(&START), None) => Kind::Undecided { has_start: true },
                (Some(&START), Some(..FIRST_STATUS | &END)) => Kind::SysEx,
                _ => Kind::Other,
            });
        }
        match self.kind {
            Some(Kind::SysEx | Kind::Undecided { .. }) => {
                let (summary, messages) = (&mut self.summary, &mut self.messages);
                let hasher = &mut self.hasher;
                self.framer.push(bytes, &mut |event| {
                    note(summary, hasher, messages, &event);
                });
            }
            Some(Kind::MidiFile) if self.file.len() + bytes.len() <= LONGEST_FILE => {
                self.file.extend_from_slice(bytes);
            }
            Some(Kind::MidiFile) => {
                self.file = Vec::new();
                self.kind = Some(Kind::Other);
            }
            Some(Kind::Other) | None => {}
        }
    }

    /// The verdict over everything pushed.
    pub fn finish(mut self) -> Examined {
        if self.kind.is_none() && !self.head.is_empty() {
            let all = self.head.clone();
            self.begin();
            self.take(&all);
        }
        match self.kind {
            None => self.opaque(vec![Finding::error("empty", "it holds no bytes at all")]),
            Some(Kind::Other | Kind::Undecided { has_start: false }) => self.opaque(Vec::new()),
            Some(Kind::MidiFile) => self.finish_file(),
            Some(Kind::SysEx | Kind::Undecided { has_start: true }) => {
                let (summary, messages) = (&mut self.summary, &mut self.messages);
                self.framer.finish(&mut |event| {
                    note(summary, &mut None, messages, &event);
                });
                let framing = findings(&self.summary);
                let content = (Condition::of(&framing) == Condition::Whole
                    && !self.summary.is_clean())
                .then(|| {
                    let hasher = self.hasher.as_ref();
                    hasher.map_or(Hash::of(&[]), |h| Hash::from(h.finalize()))
                });
                let key = HeaderKey::from_bytes(&self.head)
                    .map_or(self.extension_key, |key| key.to_string());
                self.messages
                    .verdict(key, self.summary.whole_messages, content, framing)
            }
        }
    }

    fn opaque(self, findings: Vec<Finding>) -> Examined {
        Examined {
            key: self.extension_key,
            sysex: false,
            messages: 0,
            content: None,
            evidence: Evidence::None,
            findings,
            contents: Contents {
                reading: READING,
                ..Contents::default()
            },
            parts: Vec::new(),
        }
    }

    fn finish_file(mut self) -> Examined {
        let bytes = std::mem::take(&mut self.file);
        let read = file::read(&bytes);
        let n_messages = read.messages().count();
        if read.n_channel_events > 0 || (n_messages == 0 && !is_torn(&read)) {
            let mut findings = read.findings;
            if n_messages > 0 {
                findings.push(Finding::note(
                    "song",
                    format!(
                        "it is a song with {} in it, so it is kept as it is and not taken for a dump",
                        counted(n_messages as u64, "SysEx message")
                    ),
                ));
            }
            return self.opaque(findings);
        }
        let mut hasher = blake3::Hasher::new();
        let mut key = None;
        for found in read.messages() {
            hasher.update(found.bytes);
            key = key.or_else(|| HeaderKey::from_bytes(found.bytes));
            self.messages.push(found.bytes);
        }
        let whole = Condition::of(&read.findings) == Condition::Whole;
        let content = whole.then(|| Hash::from(hasher.finalize()));
        let key = key.map_or(self.extension_key, |key| key.to_string());
        let parts = parts(&read, self.lens);
        let mut examined = self
            .messages
            .verdict(key, n_messages as u64, content, read.findings);
        examined.parts = parts;
        examined
    }
}

/// The messages of a MIDI file by header key; none if all begin alike.
fn parts(file: &MidiFile, lens: &Lens) -> Vec<Part> {
    let mut parts: Vec<Part> = Vec::new();
    let key_of = |bytes: &[u8]| HeaderKey::from_bytes(bytes).map(|key| key.to_string());
    // Universal messages are of the device whose dump they follow. Those that come first are of nobody: in front of a dump
    // they would give it another key.
    let is_universal = |bytes: &[u8]| matches!(bytes.get(1), Some(&(NON_REAL_TIME | REAL_TIME)));
    let telling = || file.messages().filter(|m| !is_universal(m.bytes));
    let first = telling().next().and_then(|m| key_of(m.bytes));
    if telling().all(|m| key_of(m.bytes) == first) {
        return parts;
    }
    let mut beside: Option<usize> = None;
    let mut by_key: HashMap<String, usize> = HashMap::new();
    for (place, message) in file.messages().enumerate() {
        if is_universal(message.bytes) {
            if let Some(at) = beside {
                parts[at].messages.push((place, message.bytes.to_vec()));
            }
            continue;
        }
        let Some(key) = key_of(message.bytes) else {
            continue;
        };
        let at = *by_key.entry(key.clone()).or_insert(parts.len());
        if at == parts.len() {
            let mut messages = Messages::new(lens);
            messages.push(message.bytes);
            let contents = messages.verdict(key.clone(), 1, None, Vec::new()).contents;
            parts.push(Part {
                key,
                contents,
                messages: Vec::new(),
            });
        }
        parts[at].messages.push((place, message.bytes.to_vec()));
        beside = Some(at);
    }
    parts
}

fn is_torn(file: &MidiFile) -> bool {
    file.findings.iter().any(|f| f.code == "torn")
}

/// The whole messages of a dump as they become known, read for what they mean.
#[derive(Debug)]
struct Messages {
    reader: Reader,
    /// The beginning of the first message that is not universal.
    first: Option<Vec<u8>>,
    universal: Assembly,
    n_pushed: u64,
    equal: Equal,
    /// The message that goes by in several parts.
    parts: Vec<u8>,
    too_long: bool,
}

impl Messages {
    fn new(lens: &Lens) -> Messages {
        Messages {
            reader: Reader::new(&lens.layouts, lens.preferred.as_deref()),
            first: None,
            universal: Assembly::new(),
            n_pushed: 0,
            equal: Equal::default(),
            parts: Vec::new(),
            too_long: false,
        }
    }

    fn note(&mut self, event: &Event<'_>) {
        match *event {
            Event::Start { .. } => {
                self.parts.clear();
                self.too_long = false;
            }
            // Most messages go by at once.
            Event::Message { bytes, .. }
                if bytes.first() == Some(&0xF0) && bytes.last() == Some(&0xF7) =>
            {
                self.push(bytes);
            }
            Event::Message { bytes, .. } => {
                self.too_long |= self.parts.len() + bytes.len() > LONGEST_READ;
                let is_end = bytes.last() == Some(&0xF7);
                if self.too_long {
                    self.parts = Vec::new();
                    self.n_pushed += u64::from(is_end);
                } else {
                    self.parts.extend_from_slice(bytes);
                    if is_end {
                        let message = std::mem::take(&mut self.parts);
                        self.push(&message);
                    }
                }
            }
            _ => {}
        }
    }

    fn push(&mut self, message: &[u8]) {
        self.n_pushed += 1;
        if self.n_pushed == MOST_READ + 1 {
            self.reader = Reader::new(&Layouts::none(), None);
            self.universal = Assembly::new();
            self.equal = Equal::default();
        }
        if self.n_pushed > MOST_READ || message.len() > LONGEST_READ {
            return;
        }
        let is_universal = matches!(message.get(1), Some(&(NON_REAL_TIME | REAL_TIME)));
        if self.equal.differs && !is_universal && self.reader.has_no_layout() {
            // Nothing more can be learned from it.
            return;
        }
        self.equal.add(message);
        match message.get(1) {
            Some(&NON_REAL_TIME) => self.universal.push(self.n_pushed, message),
            Some(&REAL_TIME) => {}
            _ if self.first.is_none() => {
                self.first = Some(message[..message.len().min(LONGEST_HEADER)].to_vec());
            }
            _ => {}
        }
        self.reader.push(message);
    }

    /// Puts together what framing, the universal messages and the layout say.
    fn verdict(
        self,
        key: String,
        messages: u64,
        content: Option<Hash>,
        mut findings: Vec<Finding>,
    ) -> Examined {
        let mut contents = Contents {
            reading: READING,
            ..Contents::default()
        };
        let universal = self.universal.finish();
        let reading = self.reader.finish();
        // Only what was checked and found right is a reason to believe it.
        let is_good = |found: &[Finding]| Condition::of(found) == Condition::Whole;
        let mut evidence = Evidence::None;
        if is_good(&findings) {
            evidence = Evidence::Framing;
            match &reading {
                Some(reading) if is_good(&reading.findings) && is_good(&universal.findings) => {
                    evidence = evidence.max(reading.evidence);
                }
                None if universal.n_checked > 0 && is_good(&universal.findings) => {
                    evidence = Evidence::Checksum;
                }
                _ => {}
            }
        }
        let mut key = key;
        if let Some(reading) = &reading {
            describe(reading, &mut contents);
            if let Some(by_layout) = self.first.and_then(|first| key_of(reading, &first)) {
                key = by_layout;
            }
        }
        for tuning in &universal.tunings {
            contents.patches.push(Some(&tuning.name));
        }
        if self.n_pushed > MOST_READ {
            findings.push(Finding::note(
                "not-read",
                format!(
                    "it holds more than {}, so what they mean was not looked at",
                    counted(MOST_READ, "message")
                ),
            ));
        }
        findings.extend(equal_finding(&self.equal, reading.as_ref(), messages));
        findings.extend(universal.findings);
        findings.extend(reading.into_iter().flat_map(|r| r.findings));
        Examined {
            key,
            sysex: true,
            messages,
            content,
            evidence,
            findings,
            contents,
            parts: Vec::new(),
        }
    }
}

/// Where a layout names the section, its header alone is the key: what comes after may be data, and differ from dump to
/// dump.
fn key_of(reading: &Reading, first: &[u8]) -> Option<String> {
    reading.section.as_ref()?;
    let (kind, _) = reading.layout.kind_of(first)?;
    let header = &reading.layout.messages[kind].header;
    let key = HeaderKey::from_bytes(first.get(..header.n_bytes())?)?;
    Some(key.to_string())
}

fn describe(reading: &Reading, contents: &mut Contents) {
    contents.layout = Some(reading.layout.name.clone());
    contents.section.clone_from(&reading.section);
    contents.loose = reading.loose;
    contents.sysex_number = reading.sysex_number;
    for patch in &reading.patches {
        contents.patches.push(patch.name.as_deref());
    }
}

/// Whether all data of a dump is one and the same byte, as after a memory was lost: beside the first eight bytes of each
/// message, which say what it is, and the last two.
#[derive(Debug, Clone, Copy, Default)]
struct Equal {
    byte: Option<u8>,
    differs: bool,
    n_bytes: u64,
}

impl Equal {
    const FRONT: usize = 8;
    const BACK: usize = 2;
    /// Less than this says nothing.
    const LEAST: u64 = 64;

    fn add(&mut self, message: &[u8]) {
        let end = message.len().saturating_sub(Equal::BACK);
        let Some(data) = message.get(Equal::FRONT..end).filter(|d| !d.is_empty()) else {
            return;
        };
        if self.differs {
            return;
        }
        let byte = *self.byte.get_or_insert(data[0]);
        self.differs = data.iter().any(|b| *b != byte);
        self.n_bytes += data.len() as u64;
    }
}

fn equal_finding(equal: &Equal, reading: Option<&Reading>, messages: u64) -> Option<Finding> {
    let n_patches = reading.map_or(0, |r| r.patches.len());
    if n_patches > 1 && reading.is_some_and(Reading::is_uniform) {
        return Some(Finding::note(
            ALL_EQUAL,
            format!("all {} are the same", counted(n_patches as u64, "patch")),
        ));
    }
    (n_patches < 2 && messages > 0 && !equal.differs && equal.n_bytes >= Equal::LEAST).then(|| {
        Finding::note(
            ALL_EQUAL,
            format!(
                "all of its {} have the value {:02X}",
                counted(equal.n_bytes, "data byte"),
                equal.byte.unwrap_or(0)
            ),
        )
    })
}

fn note(
    summary: &mut Summary,
    hasher: &mut Option<blake3::Hasher>,
    messages: &mut Messages,
    event: &Event<'_>,
) {
    summary.add(event);
    if let (Event::Message { bytes, .. }, Some(hasher)) = (event, hasher) {
        hasher.update(bytes);
    }
    messages.note(event);
}

/// What framing alone says against a dump, or for knowing.
///
/// # Source
/// MIDI 1.0 Detailed Specification 4.2, System Exclusive: any status byte but a real-time one ends a message, and
/// a message should always end with EOX (F7).
fn findings(s: &Summary) -> Vec<Finding> {
    let mut findings = Vec::new();
    let torn = s.torn.n_all();
    if torn > 0 {
        let first = s.first_problems().iter().find(|p| p.kind.is_torn());
        let place = first.map_or(String::new(), |p| {
            let by = match p.kind {
                ProblemKind::CutByStatus(b) => format!("by 0x{b:02x}"),
                ProblemKind::CutByStart => "by the start of another".to_string(),
                _ => "by the end".to_string(),
            };
            format!(
                ": message {} (from byte {}) was cut off at byte {} {by}",
                grouped(p.message_number),
                grouped(p.offset),
                grouped(p.end)
            )
        });
        let beside = match s.whole_messages {
            0 => String::new(),
            n => format!("; {} beside", counted(n, "whole message")),
        };
        findings.push(Finding::error(
            "torn",
            format!("{} not whole{place}{beside}", counted_messages(torn)),
        ));
    }
    if s.headless > 0 {
        findings.push(Finding::error(
            "headless",
            format!(
                "the beginning of {} is missing",
                counted(s.headless, "message")
            ),
        ));
    }
    if s.whole_messages == 0 && torn == 0 && s.headless == 0 {
        findings.push(Finding::error("not-sysex", "it holds no SysEx message"));
    } else if s.stray_bytes > 0 {
        findings.push(Finding::warning(
            "stray-bytes",
            format!(
                "{} belong to no message; they are kept",
                counted(s.stray_bytes, "byte")
            ),
        ));
    }
    if s.real_time.n_inside > 0 {
        findings.push(Finding::note(
            "real-time",
            format!(
                "{} (clock or active sensing) stand inside messages; they are no part of them",
                counted(s.real_time.n_inside, "real-time byte")
            ),
        ));
    }
    if s.without_id > 0 {
        findings.push(Finding::note(
            "no-id",
            format!("{} without a maker ID", counted(s.without_id, "message")),
        ));
    }
    findings
}

fn counted_messages(n: u64) -> String {
    if n == 1 {
        "1 message is".to_string()
    } else {
        format!("{} messages are", grouped(n))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn examine(name: &str, bytes: &[u8]) -> Examined {
        super::examine(name, bytes, &Lens::published())
    }

    fn codes(e: &Examined) -> Vec<&str> {
        e.findings.iter().map(|f| f.code.as_ref()).collect()
    }

    #[test]
    fn framing_decides_condition_and_content() {
        let plain = b"\xf0\x7d\x01\x02\x03\x04\x05\xf7";
        let whole = examine("a.syx", plain);
        assert_eq!(
            (codes(&whole), whole.evidence, whole.messages),
            (vec![], Evidence::Framing, 1)
        );
        assert_eq!(whole.content, None);
        assert_eq!(whole.key, "7D xx 02 03 04");

        let clocked = examine("a.syx", b"\xf0\x7d\xf8\x01\x02\x03\xfe\x04\x05\xf7");
        assert_eq!(codes(&clocked), ["real-time"]);
        assert_eq!(
            clocked.content,
            Some(Hash::of(plain)),
            "the same memory is the same content"
        );

        let torn = examine("a.syx", b"\xf0\x7d\x01\x02\x03\x04\x05\xf7\xf0\x7d\x01");
        assert_eq!(
            (codes(&torn), torn.evidence, torn.content),
            (vec!["torn"], Evidence::None, None)
        );

        let padded = examine("a.bin", b"\xf0\x7d\x01\x02\x03\x04\x05\xf7\x00\x00");
        assert_eq!(codes(&padded), ["stray-bytes"]);
        assert_eq!(padded.content, Some(Hash::of(plain)));

        assert_eq!(codes(&examine("a.syx", b"\x01\x02\xf7")), ["headless"]);
        assert_eq!(codes(&examine("a.syx", b"hello")), ["not-sysex"]);
        assert_eq!(codes(&examine("a.syx", b"")), ["empty"]);
    }

    #[test]
    fn a_dump_without_a_layout_that_holds_one_value_is_told() {
        let message = |byte: u8| {
            let mut message = b"\xf0\x7d\x30\x01\x02\x03\x04\x05".to_vec();
            message.resize(8 + 40, byte);
            message.extend(b"\x55\xf7");
            message
        };
        let both = |a, b| examine("a.syx", &[message(a), message(b)].concat());
        assert_eq!(codes(&both(9, 9)), [ALL_EQUAL]);
        assert!(codes(&both(9, 8)).is_empty());
        assert!(
            codes(&examine("a.syx", &message(9))).is_empty(),
            "too little to tell"
        );
    }

    #[test]
    fn other_files_are_whole_with_nothing_to_check_them_by() {
        let image = examine("DISK 1.IMG", &[0; 100]);
        assert_eq!(
            (image.key.as_str(), image.evidence, image.sysex),
            ("*.img", Evidence::None, false)
        );
        assert!(image.findings.is_empty());
        assert_eq!(extension_key("README"), "*");
        assert_eq!(extension_key(".hidden"), "*");
        assert_eq!(extension_key("a.b\u{1b}c"), "*");
    }

    #[test]
    fn pieces_of_any_size_give_the_same_verdict() {
        let lens = Lens::published();
        let check = |name: &str, bytes: &[u8], sysex: bool, messages: u64| {
            let at_once = examine(name, bytes);
            assert_eq!((at_once.sysex, at_once.messages), (sysex, messages));
            for n_first in 1..bytes.len() {
                for n_next in [1, bytes.len()] {
                    let mut e = Examiner::new(name, &lens);
                    e.push(&bytes[..n_first]);
                    bytes[n_first..].chunks(n_next).for_each(|b| e.push(b));
                    let e = e.finish();
                    assert_eq!(format!("{e:?}"), format!("{at_once:?}"), "{n_first}");
                }
            }
        };
        let dump = b"\xf0\x7d\x01\xf8\x02\x03\x04\x05\xf7\xf0\x7d\x01\x02\x03\x04\x05\xf7";
        check("", dump, true, 2);
        let file = b"MThd\0\0\0\x06\0\0\0\x01\0\x60MTrk\0\0\0\x0c\0\xf0\x05\x7d\x01\x02\x03\xf7\0\xff\x2f\0";
        check("a.mid", file, true, 1);
        check("a.syx", file, true, 1);
        check("", &file[..11], false, 0);
        check("a.syx", b"MThd", false, 0);
        check("", b"\xf0\x90\x3c\x40", false, 0);
        check("", b"\xf8\xf0\xf8\xf0", false, 0);
        check("", b"\xf8\xf0\xf8\xf7", true, 1);
        check("", b"\xfe\xf0\xfe", true, 0);
        check("", b"\xff\xff\xff", false, 0);
        // Clock, for longer than any head.
        let clocked = [&[0xF8; 2 * HEAD][..], dump].concat();
        let mut e = Examiner::new("", &lens);
        clocked.chunks(1).for_each(|byte| e.push(byte));
        assert_eq!(e.finish().messages, 2);
        assert_eq!(examine("", &clocked).messages, 2);
    }

    #[test]
    fn a_message_that_is_too_long_is_not_read_whether_it_comes_in_pieces_or_not() {
        let lens = Lens::published();
        let mut bytes = vec![0x01; LONGEST_READ + 1];
        bytes[..3].copy_from_slice(b"\xf0\x7e\x01");
        bytes[LONGEST_READ] = 0xF7;
        bytes.extend(b"\xf0\x7e\x00\x01\xf7");
        let at_once = examine("", &bytes);
        // It is counted, but nothing is said of what is in it.
        assert_eq!(at_once.messages, 2);
        assert_eq!(codes(&at_once), ["wrong-length"]);
        assert!(at_once.findings[0].message.starts_with("message 2: "));
        let mut e = Examiner::new("", &lens);
        bytes.chunks(100_000).for_each(|piece| e.push(piece));
        assert_eq!(format!("{:?}", e.finish()), format!("{at_once:?}"));
    }

    #[test]
    fn messages_without_end_are_counted_and_not_read() {
        let bank = b"\xf0\x43\x10\x4c\x00\x00\x7e\x00\xf7";
        let check = |n_more: u64, layout: bool, expected: &[&str]| {
            let bytes = [&bank[..], &[0xF0, 0xF7].repeat(n_more as usize)].concat();
            let seen = examine("a.syx", &bytes);
            assert_eq!(seen.messages, n_more + 1);
            assert_eq!(seen.contents.layout.is_some(), layout);
            assert_eq!(codes(&seen), expected);
            assert_eq!(seen.evidence, Evidence::Framing);
        };
        check(MOST_READ - 1, true, &["no-id", "other-message"]);
        check(MOST_READ, false, &["no-id", "not-read"]);
    }
}
