//! The rows that questions give back, and how columns become values.

use rusqlite::Row;

use crate::model::date::DatedBy;
use crate::model::hash::Hash;
use crate::model::take::{Condition, Evidence, Severity, Via};
use crate::vault::ledger;

/// Bits of a take's flags column.
pub(super) mod flag {
    pub const DOUBTFUL: i64 = 1;
    pub const LOOSE: i64 = 2;
    pub const BY_HAND: i64 = 4;
    pub const VOUCHED: i64 = 8;
}

/// What a piece's member is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Form {
    /// `dumps/`: the bytes themselves.
    Whole = 0,
    /// `chunks/`: a part of a larger piece.
    Chunk = 1,
    /// `lists/` of chunks.
    Chunked = 2,
    /// `lists/` of a folder take's files.
    Folder = 3,
    /// `layouts/`.
    Layout = 4,
}

impl Form {
    pub(super) fn from_number(n: i64) -> Form {
        match n {
            1 => Form::Chunk,
            2 => Form::Chunked,
            3 => Form::Folder,
            4 => Form::Layout,
            _ => Form::Whole,
        }
    }
}

/// Where bytes lie.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Holding {
    /// Row id of the piece.
    pub piece: i64,
    /// What its member is.
    pub form: Form,
    /// Bytes of the member.
    pub bytes: u64,
    /// Bytes of what the hash names.
    pub whole_bytes: u64,
    /// The reel.
    pub reel: u64,
    /// Where the member's bytes begin.
    pub at: u64,
    /// True if it was found damaged or missing.
    pub damaged: bool,
}

/// A reel.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReelRow {
    /// Its number.
    pub number: u64,
    /// BLAKE3 of the reel before.
    pub previous: Option<Hash>,
    /// Who wrote it.
    pub writer: String,
    /// On which computer.
    pub computer: String,
    /// Unix seconds.
    pub opened_at: i64,
    /// Its own BLAKE3 once closed.
    pub blake3: Option<Hash>,
    /// Its length once closed, or the acknowledged part.
    pub bytes: u64,
}

/// A device.
#[derive(Debug, Clone, PartialEq)]
pub struct DeviceRow {
    /// Row id.
    pub id: i64,
    /// Its id in words.
    pub name: String,
    /// True once it left for good.
    pub retired: bool,
    /// All that is recorded of it.
    pub record: ledger::Device,
}

/// A section.
#[derive(Debug, Clone, PartialEq)]
pub struct SectionRow {
    /// Row id.
    pub id: i64,
    /// Row id of its device.
    pub device: i64,
    /// Its name.
    pub name: String,
    /// Whether dumps of it are expected.
    pub expected: bool,
    /// Whether what lies here is no state.
    pub loose: bool,
    /// All that is recorded of it; `keys` are those that lead here now.
    pub record: ledger::Section,
}

/// A take.
#[derive(Debug, Clone, PartialEq)]
pub struct TakeRow {
    /// Row id: device row id times 2^32 plus the number.
    pub id: i64,
    /// Row id of its section.
    pub section: i64,
    /// Its section's name.
    pub section_name: String,
    /// True if it is no state of the memory, by itself or by its section.
    pub loose: bool,
    /// Its header key or extension.
    pub key: String,
    /// BLAKE3 of its bytes, or of a folder take's list.
    pub hash: Hash,
    /// BLAKE3 of its content.
    pub content: Hash,
    /// What the piece's member is.
    pub form: Form,
    /// Bytes.
    pub bytes: u64,
    /// Whole SysEx messages.
    pub messages: u64,
    /// Doubtful by its findings.
    pub doubtful: bool,
    /// A person gave their word for it.
    pub vouched: bool,
    /// Placed in its section by hand.
    pub by_hand: bool,
    /// Why we believe it.
    pub evidence: Evidence,
    /// The reel with its ledger line.
    pub reel: u64,
    /// Unix seconds.
    pub kept_at: i64,
    /// The sighting it was made for.
    pub anchor: (String, DatedBy),
    /// Earliest sighting of its run.
    pub date: String,
    /// How that date is known.
    pub dated_by: DatedBy,
    /// First instant of `date`, unix seconds.
    pub start: Option<i64>,
    /// First instant of the newest sighting that counts.
    pub newest: Option<i64>,
    /// The take that says the same.
    pub alias_of: Option<u32>,
    /// The SysEx number in it, where it is known where that stands.
    pub sysex_number: Option<u8>,
}

impl TakeRow {
    /// Row id of its device.
    pub fn device(&self) -> i64 {
        self.id >> 32
    }

    /// Its number.
    pub fn number(&self) -> u32 {
        (self.id & 0xffff_ffff) as u32
    }

    /// Whole, or doubtful by its findings. A vouched take stays doubtful in name and counts all the same.
    pub fn condition(&self) -> Condition {
        if self.doubtful {
            Condition::Doubtful
        } else {
            Condition::Whole
        }
    }

    /// True if it may stand for a state, a date or a healthy copy.
    pub fn counts(&self) -> bool {
        !self.loose && (!self.doubtful || self.vouched)
    }
}

/// A sighting.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SightingRow {
    /// Row id.
    pub id: i64,
    /// Row id of the take it belongs to.
    pub take: i64,
    /// When.
    pub date: String,
    /// How that is known.
    pub by: DatedBy,
    /// True if it counts for newest and recency.
    pub counts: bool,
    /// True if it is only the same bytes seen again under a later file time.
    pub seen_again: bool,
    /// True if a person corrected it.
    pub corrected: bool,
    /// When it was recorded.
    pub seen_at: i64,
    /// Where the bytes came from.
    pub origin: OriginRow,
}

/// Where bytes came from: untrusted text.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OriginRow {
    /// By which way.
    pub via: Via,
    /// Folder.
    pub folder: String,
    /// File name.
    pub name: String,
    /// Modification time, unix seconds.
    pub mtime: Option<i64>,
}

/// A finding of a take.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FindingRow {
    /// Stable code.
    pub code: String,
    /// How much it matters.
    pub severity: Severity,
    /// One sentence; untrusted text in it.
    pub message: String,
}

/// A person's word.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct VouchRow {
    /// Unix seconds.
    pub at: i64,
    /// The words.
    pub text: String,
}

/// A line of a logbook.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LogRow {
    /// When it was written, unix seconds.
    pub at: i64,
    /// What kind of thing happened.
    pub kind: String,
    /// When it happened.
    pub date: String,
    /// The words.
    pub text: String,
}

/// A shelf.
#[derive(Debug, Clone, PartialEq)]
pub struct ShelfRow {
    /// Row id.
    pub id: i64,
    /// Its name.
    pub name: String,
    /// True once given up.
    pub dropped: bool,
    /// All that is recorded of it.
    pub record: ledger::Shelf,
}

/// Where a key sheet lies.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct KeyPlace {
    /// The place.
    pub place: String,
    /// When a person said so, unix seconds.
    pub confirmed_at: i64,
}

/// A file that was read before.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SourceRow {
    /// File name.
    pub name: String,
    /// Bytes.
    pub size: u64,
    /// Modification time, nanoseconds.
    pub mtime_ns: i64,
    /// Inode.
    pub inode: i64,
    /// Row id of the take it led to.
    pub take: i64,
}

pub(super) fn hash_at(row: &Row<'_>, column: usize) -> rusqlite::Result<Hash> {
    let bytes: Vec<u8> = row.get(column)?;
    Ok(Hash::from_slice(&bytes).unwrap_or(Hash([0; 32])))
}

pub(super) fn optional_hash_at(row: &Row<'_>, column: usize) -> rusqlite::Result<Option<Hash>> {
    let bytes: Option<Vec<u8>> = row.get(column)?;
    Ok(bytes.and_then(|b| Hash::from_slice(&b)))
}

pub(super) fn of<T: Copy>(all: &[T], n: i64) -> T {
    all.get(usize::try_from(n).unwrap_or(0))
        .copied()
        .unwrap_or(all[0])
}

pub(super) fn unsigned(row: &Row<'_>, column: usize) -> rusqlite::Result<u64> {
    Ok(row.get::<_, i64>(column)?.max(0) as u64)
}

pub(super) fn take_row(r: &Row<'_>) -> rusqlite::Result<TakeRow> {
    let hash = hash_at(r, 5)?;
    let flags: i64 = r.get(10)?;
    let anchor: String = r.get(14)?;
    let (date, by) = anchor.rsplit_once(' ').unwrap_or((&anchor, "file"));
    Ok(TakeRow {
        id: r.get(0)?,
        section: r.get(1)?,
        section_name: r.get(2)?,
        loose: r.get(3)?,
        key: r.get(4)?,
        hash,
        content: optional_hash_at(r, 6)?.unwrap_or(hash),
        form: Form::from_number(r.get(7)?),
        bytes: unsigned(r, 8)?,
        messages: unsigned(r, 9)?,
        doubtful: flags & flag::DOUBTFUL != 0,
        vouched: flags & flag::VOUCHED != 0,
        by_hand: flags & flag::BY_HAND != 0,
        evidence: of(Evidence::ALL, r.get(11)?),
        reel: unsigned(r, 12)?,
        kept_at: r.get(13)?,
        anchor: (
            date.to_string(),
            DatedBy::parse(by).unwrap_or(DatedBy::File),
        ),
        date: r.get(15)?,
        dated_by: of(DatedBy::ALL, r.get(16)?),
        start: r.get(17)?,
        newest: r.get(18)?,
        alias_of: r.get(19)?,
        sysex_number: r.get(20)?,
    })
}

pub(super) fn sighting_row(r: &Row<'_>) -> rusqlite::Result<SightingRow> {
    let state: i64 = r.get(4)?;
    Ok(SightingRow {
        id: r.get(0)?,
        take: r.get(1)?,
        date: r.get(2)?,
        by: of(DatedBy::ALL, r.get(3)?),
        counts: state == 0,
        seen_again: state == 1,
        corrected: state == 2,
        seen_at: r.get(5)?,
        origin: OriginRow {
            via: of(Via::ALL, r.get(6)?),
            folder: r.get(7)?,
            name: r.get(8)?,
            mtime: r.get(9)?,
        },
    })
}

pub(super) fn holding_row(r: &Row<'_>) -> rusqlite::Result<Holding> {
    Ok(Holding {
        piece: r.get(0)?,
        form: Form::from_number(r.get(1)?),
        bytes: unsigned(r, 2)?,
        whole_bytes: unsigned(r, 3)?,
        reel: unsigned(r, 4)?,
        at: unsigned(r, 5)?,
        damaged: r.get(6)?,
    })
}

pub(super) fn reel_row(r: &Row<'_>) -> rusqlite::Result<ReelRow> {
    Ok(ReelRow {
        number: unsigned(r, 0)?,
        previous: optional_hash_at(r, 1)?,
        writer: r.get(2)?,
        computer: r.get(3)?,
        opened_at: r.get(4)?,
        blake3: optional_hash_at(r, 5)?,
        bytes: unsigned(r, 6)?,
    })
}

pub(super) fn device_row(r: &Row<'_>) -> rusqlite::Result<DeviceRow> {
    let name: String = r.get(1)?;
    let record: String = r.get(3)?;
    Ok(DeviceRow {
        id: r.get(0)?,
        retired: r.get(2)?,
        record: serde_json::from_str(&record).unwrap_or_else(|_| ledger::Device {
            device: name.clone(),
            ..Default::default()
        }),
        name,
    })
}
