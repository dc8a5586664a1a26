//! What a dump is and whether it is whole, as far as its bytes alone tell.

use crate::midi::framing::{Event, Framer, ProblemKind, Summary, looks_like_sysex};
use crate::midi::header::HeaderKey;
use crate::model::contents::{Contents, READING};
use crate::model::hash::Hash;
use crate::model::take::{Evidence, Finding};
use crate::sys::text::{counted, grouped};

/// How many of the first bytes decide what a dump is.
const HEAD: usize = 4096;

/// Looks at a dump as its bytes go by.
#[derive(Debug)]
pub struct Examiner {
    extension: Option<String>,
    head: Vec<u8>,
    sysex: Option<bool>,
    framer: Framer,
    summary: Summary,
    messages: blake3::Hasher,
    hashes: bool,
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
}

/// Examines a dump that is in memory as a whole.
pub fn examine(name: &str, bytes: &[u8]) -> Examined {
    let mut examiner = Examiner {
        hashes: false,
        ..Examiner::new(name)
    };
    examiner.push(bytes);
    let mut examined = examiner.finish(name);
    if examined.content.is_some() {
        // Rarely are there bytes beside the messages; only then are the messages worth a hash of their own.
        let mut again = Examiner::new(name);
        again.push(bytes);
        examined = again.finish(name);
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

impl Examiner {
    /// For a file of this name; an empty name (standard input) says nothing.
    pub fn new(file_name: &str) -> Examiner {
        Examiner {
            extension: extension(file_name),
            head: Vec::new(),
            sysex: None,
            framer: Framer::new(),
            summary: Summary::new(),
            messages: blake3::Hasher::new(),
            hashes: true,
        }
    }

    /// Takes the next bytes.
    pub fn push(&mut self, bytes: &[u8]) {
        if bytes.is_empty() {
            return;
        }
        if self.head.len() < HEAD {
            let more = bytes.len().min(HEAD - self.head.len());
            self.head.extend_from_slice(&bytes[..more]);
        }
        let named = self.extension.as_deref() == Some("syx");
        let sysex = *self
            .sysex
            .get_or_insert_with(|| named || looks_like_sysex(bytes));
        if sysex {
            let summary = &mut self.summary;
            let mut messages = self.hashes.then_some(&mut self.messages);
            self.framer
                .push(bytes, &mut |event| note(summary, &mut messages, &event));
        }
    }

    /// The verdict over everything pushed; `name` is the file's.
    pub fn finish(self, name: &str) -> Examined {
        let Examiner {
            head,
            sysex,
            framer,
            mut summary,
            messages,
            ..
        } = self;
        let extension_key = extension_key(name);
        if head.is_empty() {
            return Examined {
                key: extension_key,
                sysex: false,
                messages: 0,
                content: None,
                evidence: Evidence::None,
                findings: vec![Finding::error("empty", "it holds no bytes at all")],
                contents: looked_at(),
            };
        }
        if sysex != Some(true) {
            return Examined {
                key: extension_key,
                sysex: false,
                messages: 0,
                content: None,
                evidence: Evidence::None,
                findings: Vec::new(),
                contents: looked_at(),
            };
        }
        framer.finish(&mut |event| note(&mut summary, &mut None, &event));
        let findings = findings(&summary);
        let doubtful = findings
            .iter()
            .any(|f| f.severity == crate::model::take::Severity::Error);
        let content = (!doubtful && !summary.is_clean()).then(|| Hash::from(messages.finalize()));
        Examined {
            key: HeaderKey::from_bytes(&head).map_or(extension_key, |k| k.to_string()),
            sysex: true,
            messages: summary.whole_messages,
            content,
            evidence: if doubtful {
                Evidence::None
            } else {
                Evidence::Framing
            },
            findings,
            contents: looked_at(),
        }
    }
}

fn looked_at() -> Contents {
    Contents {
        reading: READING,
        ..Contents::default()
    }
}

fn note(summary: &mut Summary, messages: &mut Option<&mut blake3::Hasher>, event: &Event<'_>) {
    summary.add(event);
    if let (Event::Message { bytes, .. }, Some(messages)) = (event, messages) {
        messages.update(bytes);
    }
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
    fn pieces_of_a_stream_give_the_same_verdict() {
        let bytes = b"\xf0\x7d\x01\xf8\x02\x03\x04\x05\xf7\xf0\x7d\x01\x02\x03\x04\x05\xf7";
        let at_once = examine("", bytes);
        for cut in 1..bytes.len() {
            let mut e = Examiner::new("");
            e.push(&bytes[..cut]);
            e.push(&bytes[cut..]);
            let e = e.finish("");
            assert_eq!(
                (e.key, e.content, e.messages),
                (at_once.key.clone(), at_once.content, 2)
            );
        }
    }
}
