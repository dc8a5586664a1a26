//! Layouts: texts that tell how an instrument lays out its dumps, and the reading of dumps by them.
//!
//! What stays true:
//! - A layout only says what bytes mean. Nothing here changes a dump that is kept.
//! - Only what was checked is told: a checksum counts where a layout says where it stands and what it covers.
//! - Reading takes time in proportion to the bytes read, and no more memory than they do, whatever a layout claims.
//!
//! The language, which is also what people who write layouts read:
#![doc = include_str!("LAYOUTS.md")]

mod compare;
mod explain;
mod read;
mod readdress;
mod set;
mod single;
mod text;
mod write;

pub mod draft;
pub mod header;
pub mod template;

pub use compare::{
    Change, ChangedMessage, MessageChanges, PatchChange, compare, compare_messages, differing_bytes,
};
pub use explain::explain;
pub use header::{DoesNotFit, Header, Letter, Numbers};
pub use read::{ChecksumState, Fit, MessageReading, Patch, Reader, Reading, patch_bytes};
pub use readdress::{CannotReaddress, readdress, readdress_all};
pub use set::Layouts;
pub use single::{NoSinglePatch, SingleMap, one_patch};
pub use template::Template;
pub use text::{BadLayout, Mistake, VERSION};

use std::ops::Range;

use crate::midi::checksum::Scheme;
use crate::midi::packing::Packing;
use crate::model::hash::Hash;
use crate::model::take::Severity;

/// How one kind of instrument lays out its dumps.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Layout {
    /// Its id: 1 to 64 of `a-z 0-9 - _ .`.
    pub name: String,
    /// What people call it.
    pub title: String,
    /// Where it is published, or who measured it.
    pub source: Option<String>,
    /// The firmware it holds for; empty: not known.
    pub holds_for: Vec<String>,
    /// What the instrument leaves out of its dumps.
    pub not_stored: Vec<String>,
    /// What the panel adds to the SysEx number.
    pub panel: u8,
    /// The kinds of messages, at least one.
    pub messages: Vec<MessageKind>,
    /// How to ask for the sections.
    pub requests: Vec<Request>,
    /// How fast the instrument can take a dump.
    pub pace: Pace,
    text: String,
}

impl Layout {
    /// The text it was read from, byte for byte.
    pub fn text(&self) -> &str {
        &self.text
    }

    /// The BLAKE3 of its text.
    pub fn hash(&self) -> Hash {
        Hash::of(self.text.as_bytes())
    }

    /// The kind of that name, and which of [`Layout::messages`] it is.
    pub fn kind(&self, name: &str) -> Option<(usize, &MessageKind)> {
        self.messages
            .iter()
            .enumerate()
            .find(|(_, kind)| kind.name == name)
    }

    /// Which of [`Layout::messages`] a message is (F0 to F7), and the numbers in its header: the first whose header and
    /// length fit, else the first whose header fits.
    pub fn kind_of(&self, message: &[u8]) -> Option<(usize, Numbers)> {
        let mut first = None;
        for (idx, kind) in self.messages.iter().enumerate() {
            if let Some(numbers) = kind.header.read(message) {
                if kind.length_fits(message.len()) {
                    return Some((idx, numbers));
                }
                first.get_or_insert((idx, numbers));
            }
        }
        first
    }
}

/// One kind of message.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MessageKind {
    /// Its id within the layout.
    pub name: String,
    /// What people call it; its name if the layout gives no title.
    pub title: String,
    /// How it begins.
    pub header: Header,
    /// Its length with F0 and F7; `None`: any.
    pub bytes: Option<Limits>,
    /// How many a whole dump of the section holds; `None`: any number.
    pub count: Option<Limits>,
    /// The section it belongs to; `None`: by the header rule.
    pub section: Option<Template>,
    /// No state of the memory: an edit buffer, one patch.
    pub loose: bool,
    /// Bytes that change by themselves.
    pub ignore: Vec<Span>,
    /// Its checksum.
    pub checksum: Option<ChecksumRule>,
    /// How its bytes of 8 bits are packed.
    pub packed: Option<PackedRule>,
    /// Where its patches stand.
    pub patches: Option<Patches>,
}

impl MessageKind {
    /// Whether a message of this kind may have `n_bytes`, F0 and F7 counted.
    pub fn length_fits(&self, n_bytes: usize) -> bool {
        match self.bytes {
            None => true,
            Some(limits) => limits.holds(n_bytes) || self.n_left_out(n_bytes) > 0,
        }
    }

    /// How many checksum bytes a message of `n_bytes` leaves out, because its maker lets it.
    fn n_left_out(&self, n_bytes: usize) -> usize {
        match (&self.checksum, self.bytes) {
            (Some(rule), Some(limits)) if rule.optional => {
                let n = rule.scheme.n_bytes();
                let is_without = limits.least == limits.most && limits.holds(n_bytes + n);
                if is_without { n } else { 0 }
            }
            _ => 0,
        }
    }

    /// The section a message with these numbers belongs to, folded to a name; `None`: by the header rule.
    pub fn section_of(&self, numbers: &Numbers) -> Option<String> {
        let text = self.section.as_ref()?.fill(numbers);
        crate::model::ids::SectionName::fold(&text).map(|name| name.as_str().to_owned())
    }
}

/// The least and the most of something.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Limits {
    /// At least this many.
    pub least: u32,
    /// At most this many.
    pub most: u32,
}

impl Limits {
    /// Whether `n` lies within.
    pub fn holds(&self, n: usize) -> bool {
        n >= self.least as usize && n <= self.most as usize
    }
}

impl std::fmt::Display for Limits {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let (least, most) = (number(self.least), number(self.most));
        match self.least == self.most {
            true => f.pad(&least),
            false => f.pad(&format!("{least} to {most}")),
        }
    }
}

/// A byte of a message: from 0, or from the end if negative (-1 is the last).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Position(pub i32);

impl Position {
    /// Where it is in `n_bytes` bytes; `None` if before the first of them. May lie behind the last.
    pub fn of(self, n_bytes: usize) -> Option<usize> {
        match usize::try_from(self.0) {
            Ok(at) => Some(at),
            Err(_) => n_bytes.checked_sub(self.0.unsigned_abs() as usize),
        }
    }
}

/// The first and the last byte of a stretch.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Span {
    /// The first byte that belongs.
    pub from: Position,
    /// The last byte that belongs.
    pub to: Position,
}

impl Span {
    /// Where it lies in `n_bytes` bytes, cut at their end; `None` if it has no byte among them.
    pub fn within(&self, n_bytes: usize) -> Option<Range<usize>> {
        let range = self.exactly(n_bytes)?;
        let range = range.start..range.end.min(n_bytes);
        (!range.is_empty()).then_some(range)
    }

    /// Where it lies, also behind the end; `None` if its first byte is not before its end.
    fn exactly(&self, n_bytes: usize) -> Option<Range<usize>> {
        let range = self.from.of(n_bytes)?..self.to.of(n_bytes)? + 1;
        (!range.is_empty()).then_some(range)
    }
}

/// A checksum: how it is computed, over what, and where it stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ChecksumRule {
    /// How it is computed.
    pub scheme: Scheme,
    /// What it covers: bytes of the message, or of what [`MessageKind::packed`] unpacks if `unpacked`.
    pub covers: Span,
    /// Where it (its first byte) stands in the message.
    pub at: Position,
    /// It is over the unpacked bytes.
    pub unpacked: bool,
    /// The maker lets it be left out; the message is then shorter by it.
    pub optional: bool,
    /// What a wrong one is: an error or a note.
    pub mismatch: Severity,
}

/// How a stretch of a message is packed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PackedRule {
    /// The packing.
    pub form: Packing,
    /// The packed stretch.
    pub span: Span,
    /// This many packed bytes are unpacked by themselves; `None`: all of them together.
    pub block: Option<u32>,
}

impl PackedRule {
    fn unpack(&self, packed: &[u8]) -> Option<Vec<u8>> {
        match self.block {
            None => self.form.unpack(packed),
            Some(block) => {
                let mut bytes = Vec::with_capacity(packed.len());
                for part in packed.chunks(block.max(1) as usize) {
                    bytes.extend(self.form.unpack(part)?);
                }
                Some(bytes)
            }
        }
    }

    fn pack(&self, bytes: &[u8]) -> Vec<u8> {
        let Some(block) = self.block else {
            return self.form.pack(bytes);
        };
        let n_unpacked = self.n_in(block as usize).max(1);
        let n_blocks = bytes.len().div_ceil(n_unpacked);
        let mut packed = Vec::with_capacity(self.form.packed_len(bytes.len()) + n_blocks);
        for part in bytes.chunks(n_unpacked) {
            packed.extend(self.form.pack(part));
        }
        packed
    }

    /// How many bytes `n_packed` bytes stand for that are packed together.
    fn n_in(&self, n_packed: usize) -> usize {
        match self.form {
            Packing::SevenInEightHigh | Packing::SevenInEightLow => n_packed - n_packed.div_ceil(8),
            _ => n_packed / 2,
        }
    }

    /// How many bytes the packed stretch of a message stands for.
    fn n_unpacked(&self, n_packed: usize) -> usize {
        match self.block {
            None => self.n_in(n_packed),
            Some(block) => {
                let block = block.max(1) as usize;
                n_packed / block * self.n_in(block) + self.n_in(n_packed % block)
            }
        }
    }
}

/// Where the patches of a message stand.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Patches {
    /// Where the first one begins: in the message, or in what is unpacked.
    pub from: u32,
    /// From the beginning of one to that of the next; at least `bytes`.
    pub stride: u32,
    /// The length of one, at least 1.
    pub bytes: u32,
    /// How many, at least 1.
    pub count: u32,
    /// Where a patch holds its name.
    pub name: Option<NameRule>,
    /// How the panel shows it.
    pub slot: Template,
    /// Bytes of a patch that change by themselves, sorted, none twice.
    pub ignore: Vec<Range<u32>>,
    /// The kind of message that holds one such patch alone.
    pub single: Option<String>,
    /// How that form is made from this one; `None`: it is the same.
    pub single_map: Option<SingleMap>,
}

/// Where a patch holds its name.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NameRule {
    /// The first byte in the patch.
    pub at: u32,
    /// How many bytes.
    pub bytes: u32,
    /// The characters of byte 0, 1, 2 and so on; `None`: ASCII.
    pub alphabet: Option<Vec<char>>,
}

impl NameRule {
    fn range(&self) -> Range<usize> {
        self.at as usize..(self.at + self.bytes) as usize
    }
}

/// How to ask for a section.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Request {
    /// The section it brings; `None`: the header rule tells.
    pub section: Option<Template>,
    /// The steps are gone through once for each value of this number.
    pub count: Option<(Letter, Limits)>,
    /// Milliseconds of rest after each message sent.
    pub pause_ms: u32,
    /// What to do, in order.
    pub steps: Vec<Step>,
}

/// One step of a request.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Step {
    /// Sends a message.
    Send(Header),
    /// Waits for a message of the kind of that name.
    Expect {
        /// The kind.
        kind: String,
        /// How long to wait.
        within_ms: u32,
    },
    /// Answers it.
    Reply(Header),
    /// Tells what ends the dump.
    End {
        /// What does.
        by: End,
        /// How long to wait.
        within_ms: u32,
    },
}

/// What ends a dump that was asked for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum End {
    /// Nothing comes any more.
    Quiet,
    /// As many messages came as the layout counts.
    Count,
    /// A message of that kind came.
    Kind(String),
}

/// How fast an instrument can take a dump.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Pace {
    /// Bytes in a second; `None`: what a MIDI cable carries.
    pub bytes_per_second: Option<u32>,
    /// Milliseconds of rest after each message.
    pub pause_ms: Option<u32>,
}

/// A number for people: `4,104`.
fn number(n: impl Into<u64>) -> String {
    let digits = n.into().to_string();
    let mut text = String::with_capacity(digits.len() + digits.len() / 3);
    for (idx, digit) in digits.chars().enumerate() {
        if idx > 0 && (digits.len() - idx).is_multiple_of(3) {
            text.push(',');
        }
        text.push(digit);
    }
    text
}

/// A number of things for people: `1 byte`, `4,104 bytes`.
fn counted(n: usize, one: &str) -> String {
    let s = if n == 1 { "" } else { "s" };
    format!("{} {one}{s}", number(n as u64))
}

/// The example of the documentation.
#[cfg(test)]
fn documented_example() -> String {
    let text = include_str!("LAYOUTS.md");
    let (_, text) = text.split_once("```toml\n").unwrap();
    text.split_once("```").unwrap().0.to_owned()
}
