//! The ledger: one line of JSON per event, numbered, append-only, inside the reels.
//!
//! *Facts* are what a rescued vault needs; *notes* (mirrored, verified, drilled, transmitted) are what this vault
//! did. A batch of lines is one member of a reel; its first line is the `batch` event with a hash over everything
//! the batch wrote. Readers ignore events and fields they do not know.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::error::{Error, Kind, Result};

/// One event. Dates, ids and hashes are text here; the catalogue turns them into types.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "event", rename_all = "kebab-case")]
pub enum Event {
    /// The first line of every batch.
    Batch(Batch),
    /// The vault's own settings, whole.
    Settings(Settings),
    /// A device's record, whole; the last one holds.
    Device(Device),
    /// A section's record, whole; the last one holds.
    Section(Section),
    /// A new take and the sighting it was made for.
    Take(Take),
    /// What a take is taken for, read anew by a program or a layout that knows more; the last one holds.
    Reading(Reading),
    /// A layout of the person's own; the last one of its name holds.
    Layout(Layout),
    /// A further sighting of what a take holds, or a corrected one.
    Sighting(Sighting),
    /// A label put on takes or taken away.
    Label(Label),
    /// A person's word for a take.
    Vouch(Vouch),
    /// A line of a device's logbook.
    Log(Log),
    /// A shelf's record, whole; the last one holds. Never its secrets.
    Shelf(Shelf),
    /// Reels of another line that may stand beside ours.
    Accept(Accept),
    /// Where a key sheet lies.
    KeySheet(KeySheet),
    /// A fact that was told before, in a line that may be lost; it changes nothing where it is known.
    Again(Again),
    /// All that the ledger of a reel may have told was told again.
    Retold(Retold),
    /// Note: a shelf was brought up to date.
    Mirrored(Mirrored),
    /// Note: copies were read back and found right.
    Verified(Verified),
}

/// What a batch is and what it vouches for.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Batch {
    /// When it was written, RFC 3339.
    pub at: String,
    /// The program and its version.
    pub program: String,
    /// Where in the reel the batch begins: the end of the ledger member before it, or 0.
    pub from: u64,
    /// BLAKE3 of the reel's bytes from there to this ledger member's header.
    pub check: String,
}

/// What is asked of the vault as a whole.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Settings {
    /// Where the vault stands.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub place: Option<String>,
    /// Copies asked for, counting the vault's own.
    pub copies: u32,
    /// Copies asked for in another place.
    pub offsite: u32,
    /// A dump is expected every so many days.
    pub dump_every_days: u32,
    /// A copy counts if it was verified within so many days.
    pub verified_within_days: u32,
    /// The person's own names for makers, by ID in hex such as `00 20 29`.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub makers: BTreeMap<String, String>,
    /// Fields of later programs.
    #[serde(flatten)]
    pub more: BTreeMap<String, serde_json::Value>,
}

/// A device.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Device {
    /// Its id.
    pub device: String,
    /// True once it has left the studio for good; its takes stay.
    #[serde(default, skip_serializing_if = "is_false")]
    pub retired: bool,
    /// Its name in the owner's words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// Who made it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub maker: Option<String>,
    /// Model.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub model: Option<String>,
    /// Serial number.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub serial: Option<String>,
    /// Where it stands.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub place: Option<String>,
    /// Whose it is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub owner: Option<String>,
    /// The SysEx number set on it, 0 to 127.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sysex_number: Option<u8>,
    /// The port it was last reached at.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub port: Option<String>,
    /// Name of the layout that describes its dumps.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub layout: Option<String>,
    /// What holds its memory: coin-soldered, coin-holder, rechargeable, capacitor, none, unknown.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub power: Option<String>,
    /// The day the battery was fitted.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fitted_on: Option<String>,
    /// Years the battery is trusted for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub life_years: Option<u32>,
    /// The day it was last switched on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub last_powered: Option<String>,
    /// Free text.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub text: Option<String>,
    /// Fields of later programs.
    #[serde(flatten)]
    pub more: BTreeMap<String, serde_json::Value>,
}

/// A section of a device's memory.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Section {
    /// The device.
    pub device: String,
    /// The section's name.
    pub section: String,
    /// Whether a dump of it is expected.
    pub expected: bool,
    /// Whether what is kept here is no state of the memory.
    #[serde(default, skip_serializing_if = "is_false")]
    pub loose: bool,
    /// A dump is expected every so many days; the vault's setting if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub every_days: Option<u32>,
    /// How to send the dump from the instrument, in the owner's words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub dump_steps: Option<String>,
    /// How to load it back, in the owner's words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub load_steps: Option<String>,
    /// Header keys and extensions that lead here. Takes with these keys that were not placed by hand move here.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub keys: Vec<String>,
    /// The section it is by the layout of its dumps, whatever it is called now.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by_layout: Option<String>,
    /// The name it had before.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub renamed_from: Option<String>,
    /// Fields of later programs.
    #[serde(flatten)]
    pub more: BTreeMap<String, serde_json::Value>,
}

/// Where bytes came from: untrusted text.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Origin {
    /// file, stdin, watched, upload or port.
    pub via: String,
    /// Folder below what was named on the command line.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub folder: String,
    /// File name.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub name: String,
    /// The file's modification time, unix seconds.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mtime: Option<i64>,
}

/// A take.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Take {
    /// The device.
    pub device: String,
    /// Its number, from 1 per device.
    pub take: u32,
    /// Its section; absent for a loose take.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub section: Option<String>,
    /// True if the section was given by hand: keys do not move it.
    #[serde(default, skip_serializing_if = "is_false")]
    pub by_hand: bool,
    /// Its header key, or extension.
    pub key: String,
    /// BLAKE3 of its bytes; of the list's text for a folder take.
    pub blake3: String,
    /// BLAKE3 of its content where that is not the bytes themselves.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub content: Option<String>,
    /// Bytes, of all files for a folder take.
    pub bytes: u64,
    /// Whole SysEx messages in it.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub messages: u64,
    /// True if doubtful.
    #[serde(default, skip_serializing_if = "is_false")]
    pub doubtful: bool,
    /// none, framing, layout, checksum, twice, read-back or vouched.
    pub evidence: String,
    /// What was noticed at intake.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub findings: Vec<Finding>,
    /// The version of reading that said so.
    #[serde(default, skip_serializing_if = "is_none")]
    pub reading: u32,
    /// The SysEx number in it, where it is known where that stands.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sysex_number: Option<u8>,
    /// How many patches it holds, as far as is known.
    #[serde(default, skip_serializing_if = "is_none")]
    pub patches: u32,
    /// Date of the sighting it was made for.
    pub date: String,
    /// captured, watched, given or file.
    pub by: String,
    /// Where the bytes came from.
    #[serde(flatten)]
    pub origin: Origin,
}

/// Something noticed about a dump.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Finding {
    /// Stable code.
    pub code: String,
    /// note, warning or error.
    pub severity: String,
    /// One sentence.
    pub message: String,
}

/// What the bytes of a take are taken for. The bytes themselves never change.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Reading {
    /// The device.
    pub device: String,
    /// The take.
    pub take: u32,
    /// Its header key, or extension, if that changed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub key: Option<String>,
    /// BLAKE3 of its content, if that changed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub content: Option<String>,
    /// Whole SysEx messages in it.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub messages: u64,
    /// True if doubtful.
    #[serde(default, skip_serializing_if = "is_false")]
    pub doubtful: bool,
    /// As in a take.
    pub evidence: String,
    /// The SysEx number in it, where it is known where that stands.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sysex_number: Option<u8>,
    /// All that is noticed now, in place of what was before.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub findings: Vec<Finding>,
}

/// A layout of the person's own.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Layout {
    /// Its name.
    pub layout: String,
    /// BLAKE3 of its text, which lies under layouts/; absent once it was given up.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub blake3: Option<String>,
    /// How the header keys of dumps begin that it may fit: takes with such keys are read anew.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub begins: Vec<String>,
}

/// A further sighting of what a take holds.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Sighting {
    /// The device.
    pub device: String,
    /// A take of that content.
    pub take: u32,
    /// When it was so.
    pub date: String,
    /// captured, watched, given or file.
    pub by: String,
    /// The sighting this one corrects: its date and how it was known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub corrects: Option<(String, String)>,
    /// Where the bytes came from.
    #[serde(flatten)]
    pub origin: Origin,
}

/// A label.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Label {
    /// The device.
    pub device: String,
    /// The takes it is put on, or taken from.
    pub takes: Vec<u32>,
    /// The text.
    pub label: String,
    /// True if it is taken away.
    #[serde(default, skip_serializing_if = "is_false")]
    pub removed: bool,
}

/// A person's word for a take.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Vouch {
    /// The device.
    pub device: String,
    /// The take.
    pub take: u32,
    /// The person's words.
    pub text: String,
}

/// A line of a device's logbook.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Log {
    /// The device.
    pub device: String,
    /// battery, repair, firmware, unit-swapped, lent, returned, reset or note.
    pub kind: String,
    /// When it happened.
    pub date: String,
    /// The person's words.
    pub text: String,
}

/// A shelf, without its secrets.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Shelf {
    /// Its name.
    pub shelf: String,
    /// The id in its shelf.json.
    pub shelf_id: String,
    /// folder, and later kinds.
    pub kind: String,
    /// Where it was when it was added.
    pub location: String,
    /// The place it stands in.
    pub place: String,
    /// A mirror is expected every so many days.
    pub every_days: u32,
    /// The owner's word that it is another disk than the vault's.
    #[serde(default, skip_serializing_if = "is_false")]
    pub separate: bool,
    /// What the server was seen to honour when it was added, such as `conditional puts`: `ignored`.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub honours: BTreeMap<String, String>,
    /// True once it was given up.
    #[serde(default, skip_serializing_if = "is_false")]
    pub dropped: bool,
    /// Fields of later programs.
    #[serde(flatten)]
    pub more: BTreeMap<String, serde_json::Value>,
}

/// Reels of another line that may stand beside ours.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Accept {
    /// Number and tag of each.
    pub reels: Vec<(u64, String)>,
}

/// Where a key sheet lies.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct KeySheet {
    /// The place.
    pub place: String,
}

/// A fact told again.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Again {
    /// When it was told first, RFC 3339.
    pub at: String,
    /// The fact.
    pub what: Box<Event>,
}

/// A reel whose ledger was told again.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Retold {
    /// The reel.
    pub reel: u64,
}

/// A shelf was brought up to date.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Mirrored {
    /// The shelf.
    pub shelf: String,
    /// When, RFC 3339.
    pub when: String,
    /// The last reel there.
    pub through: u64,
}

/// Copies were read back and found right.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Verified {
    /// The shelf.
    pub shelf: String,
    /// When, RFC 3339.
    pub when: String,
    /// First and last number of each unbroken run of reels.
    pub reels: Vec<(u64, u64)>,
}

impl Event {
    /// True for facts; notes never open a reel and never make a shelf lag behind.
    pub fn is_fact(&self) -> bool {
        !matches!(
            self,
            Event::Mirrored(_) | Event::Verified(_) | Event::Batch(_)
        )
    }
}

/// A numbered line.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Line {
    /// From 1, over the whole vault.
    pub number: u64,
    /// What happened.
    #[serde(flatten)]
    pub event: Event,
}

/// What a reader makes of one line.
#[derive(Debug, Clone, PartialEq)]
pub enum Read {
    /// An event this program knows.
    Known(Box<Line>),
    /// An event of a later program; it stays in its reel and is ignored.
    Unknown(u64),
}

/// Writes one numbered line, with its line feed.
///
/// # Errors
/// `Bug` if the event cannot be written as JSON.
pub fn write_line(number: u64, event: &Event, out: &mut Vec<u8>) -> Result<()> {
    let line = LineRef { number, event };
    serde_json::to_writer(&mut *out, &line)
        .map_err(|e| Error::new(Kind::Bug, "a ledger line cannot be written").because(e))?;
    out.push(b'\n');
    Ok(())
}

#[derive(Serialize)]
struct LineRef<'a> {
    number: u64,
    #[serde(flatten)]
    event: &'a Event,
}

/// Reads the lines of one ledger member numbered `first` to `last`.
///
/// Returns `None` if it is not exactly those lines: not text, a line that is not JSON, or other numbers.
pub fn read_batch(text: &[u8], first: u64, last: u64) -> Option<Vec<Read>> {
    let text = std::str::from_utf8(text).ok()?.strip_suffix('\n')?;
    let mut out = Vec::new();
    for (expected, line) in (first..=last).zip(text.split('\n')) {
        #[derive(Deserialize)]
        struct Number {
            number: u64,
        }
        let number = serde_json::from_str::<Number>(line).ok()?.number;
        if number != expected {
            return None;
        }
        out.push(match serde_json::from_str::<Line>(line) {
            Ok(line) => Read::Known(Box::new(line)),
            Err(_) => Read::Unknown(number),
        });
    }
    (out.len() as u64 == last.checked_sub(first)?.checked_add(1)?
        && text.split('\n').count() == out.len())
    .then_some(out)
}

fn is_false(b: &bool) -> bool {
    !b
}

fn is_zero(n: &u64) -> bool {
    *n == 0
}

fn is_none(n: &u32) -> bool {
    *n == 0
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sighting() -> Event {
        Event::Sighting(Sighting {
            device: "pit-organ".into(),
            take: 3,
            date: "1994-07".into(),
            by: "given".into(),
            corrects: None,
            origin: Origin {
                via: "file".into(),
                name: "a\u{1b}.syx".into(),
                ..Origin::default()
            },
        })
    }

    #[test]
    fn lines_read_back_and_unknown_ones_are_kept_apart() {
        let mut text = Vec::new();
        write_line(7, &sighting(), &mut text).unwrap();
        text.extend(b"{\"number\":8,\"event\":\"song-of-2031\",\"x\":1}\n");
        write_line(
            9,
            &Event::KeySheet(KeySheet {
                place: "loft".into(),
            }),
            &mut text,
        )
        .unwrap();
        let read = read_batch(&text, 7, 9).unwrap();
        assert_eq!(
            read[0],
            Read::Known(Box::new(Line {
                number: 7,
                event: sighting()
            }))
        );
        assert_eq!(read[1], Read::Unknown(8));
        assert!(matches!(&read[2], Read::Known(l) if l.number == 9));
        for (first, last) in [(6, 9), (7, 8), (7, 10), (8, 9), (9, 7)] {
            assert_eq!(read_batch(&text, first, last), None, "{first}-{last}");
        }
        assert_eq!(read_batch(&text[..text.len() - 1], 7, 9), None);
        assert_eq!(read_batch(b"\xff\n", 1, 1), None);
    }

    #[test]
    fn unknown_fields_of_records_survive() {
        let line = r#"{"number":1,"event":"device","device":"a","colour":"red"}"#;
        let parsed: Line = serde_json::from_str(line).unwrap();
        let mut out = Vec::new();
        write_line(1, &parsed.event, &mut out).unwrap();
        assert_eq!(String::from_utf8(out).unwrap().trim_end(), line);
    }
}
