//! The shapes that scripts rely on, with --json. Fields may be added, never renamed. Times are RFC 3339 in UTC,
//! dates of takes may be of less precision, sizes are bytes, hashes 64 hex characters.

pub(crate) mod compare;
pub(crate) mod copies;
pub(crate) mod host;
pub(crate) mod layout;

use serde::Serialize;

use crate::error::Error;
use crate::ops::devices::DeviceView;
use crate::ops::find::{Hit, HitKind};
use crate::ops::keep::{KeepResult, KeepTotals};
use crate::ops::key::PrintedSheet;
use crate::ops::recall::RecallResult;
use crate::ops::takes::{TakeInFull, TakeView};
use crate::sys::clock::rfc3339;
use crate::vault::catalogue::{FindingRow, SectionRow};
use crate::vault::reindex::Rebuilt;

/// An error on standard error.
#[derive(Debug, Serialize)]
pub(super) struct Failure {
    error: ErrorObject,
}

/// An error inside another document.
#[derive(Debug, Serialize)]
pub(super) struct ErrorObject {
    kind: &'static str,
    message: String,
    next: Option<String>,
}

impl Failure {
    pub(super) fn of(error: &Error) -> Failure {
        Failure {
            error: ErrorObject::of(error),
        }
    }
}

impl ErrorObject {
    fn of(error: &Error) -> ErrorObject {
        ErrorObject {
            kind: error.kind.as_str(),
            message: error.fact(),
            next: error.next_step().text(),
        }
    }
}

/// `create`.
#[derive(Debug, Serialize)]
pub(super) struct Created {
    pub vault: String,
    pub vault_id: String,
    pub recipient: String,
    pub place: Option<String>,
}

/// A finding.
#[derive(Debug, Serialize)]
pub(super) struct Finding {
    code: String,
    severity: &'static str,
    message: String,
}

impl Finding {
    fn of(f: &FindingRow) -> Finding {
        Finding {
            code: f.code.clone(),
            severity: f.severity.as_str(),
            message: f.message.clone(),
        }
    }

    fn of_new(f: &crate::model::take::Finding) -> Finding {
        Finding {
            code: f.code.to_string(),
            severity: f.severity.as_str(),
            message: f.message.clone(),
        }
    }
}

/// One result of `keep`.
#[derive(Debug, Serialize)]
pub(super) struct Kept {
    source: String,
    device: Option<String>,
    section: Option<String>,
    take: Option<u32>,
    status: &'static str,
    loose: bool,
    condition: &'static str,
    evidence: &'static str,
    bytes: u64,
    blake3: Option<String>,
    messages: u64,
    findings: Vec<Finding>,
    error: Option<ErrorObject>,
}

impl Kept {
    pub(super) fn of(r: &KeepResult) -> Kept {
        Kept {
            source: r.source.clone(),
            device: r.device.clone(),
            section: r.section.clone(),
            take: r.take,
            status: r.status.as_str(),
            loose: r.loose,
            condition: r.condition.as_str(),
            evidence: r.evidence.as_str(),
            bytes: r.bytes,
            blake3: r.blake3.map(|h| h.to_string()),
            messages: r.messages,
            findings: r.findings.iter().map(Finding::of_new).collect(),
            error: r.error.as_ref().map(ErrorObject::of),
        }
    }
}

/// What stands after the results of `keep`.
#[derive(Debug, Serialize)]
pub(super) struct KeptTotals {
    kept: u64,
    unchanged: u64,
    doubtful: u64,
    failed: u64,
}

impl KeptTotals {
    pub(super) fn of(t: &KeepTotals) -> KeptTotals {
        KeptTotals {
            kept: t.kept,
            unchanged: t.unchanged,
            doubtful: t.doubtful,
            failed: t.failed,
        }
    }
}

/// A take in `history`, `label` and `vouch`.
#[derive(Debug, Serialize)]
pub(super) struct Take {
    #[serde(flatten)]
    about: About,
    messages: u64,
}

impl Take {
    pub(super) fn of(v: &TakeView) -> Take {
        Take {
            about: About::of(v),
            messages: v.take.messages,
        }
    }
}

/// What every answer tells of a take. (In `show`, `messages` is the list of them.)
#[derive(Debug, Serialize)]
struct About {
    take: u32,
    section: Option<String>,
    loose: bool,
    date: String,
    dated_by: &'static str,
    kept_at: String,
    confirmed_at: Option<String>,
    labels: Vec<String>,
    bytes: u64,
    blake3: String,
    condition: &'static str,
    evidence: &'static str,
    vouched: bool,
    same_as: Option<u32>,
}

impl About {
    fn of(v: &TakeView) -> About {
        let t = &v.take;
        About {
            take: t.number(),
            section: (!t.loose).then(|| t.section_name.clone()),
            loose: t.loose,
            date: t.date.clone(),
            dated_by: t.dated_by.as_str(),
            kept_at: rfc3339(t.kept_at),
            confirmed_at: v.confirmed_at.clone(),
            labels: v.labels.clone(),
            bytes: t.bytes,
            blake3: t.hash.to_string(),
            condition: t.condition().as_str(),
            evidence: t.evidence.as_str(),
            vouched: t.vouched,
            same_as: t.alias_of,
        }
    }
}

/// `history`, `label`, `vouch`.
#[derive(Debug, Serialize)]
pub(super) struct History {
    pub device: String,
    pub takes: Vec<Take>,
}

/// Where a copy of a take is.
#[derive(Debug, Serialize)]
struct Copy {
    #[serde(rename = "where")]
    at: String,
    place: Option<String>,
    offsite: bool,
    verified_at: Option<String>,
}

#[derive(Debug, Serialize)]
struct Piece {
    path: String,
    bytes: u64,
    blake3: String,
}

#[derive(Debug, Serialize)]
struct Message {
    index: u64,
    bytes: u64,
    maker: String,
    maker_name: Option<String>,
    kind: &'static str,
    title: Option<String>,
    checksum: &'static str,
}

#[derive(Debug, Serialize)]
struct Patch {
    number: u32,
    slot: String,
    name: Option<String>,
    blake3: String,
}

#[derive(Debug, Serialize)]
struct Origin {
    via: &'static str,
    folder: String,
    name: String,
    mtime: Option<String>,
}

#[derive(Debug, Serialize)]
struct Sighting {
    date: String,
    dated_by: &'static str,
    counts: bool,
    seen_at: String,
    origin: Origin,
}

#[derive(Debug, Serialize)]
struct Vouch {
    at: String,
    text: String,
}

/// `show` of one take.
#[derive(Debug, Serialize)]
pub(super) struct Shown {
    device: String,
    #[serde(flatten)]
    take: About,
    origin: Option<Origin>,
    pieces: Vec<Piece>,
    messages: Vec<Message>,
    layout: Option<String>,
    patches: Vec<Patch>,
    holds: Vec<String>,
    findings: Vec<Finding>,
    vouches: Vec<Vouch>,
    sightings: Vec<Sighting>,
    copies: Vec<Copy>,
}

/// `show` of several takes.
#[derive(Debug, Serialize)]
pub(super) struct ShownSeveral {
    pub takes: Vec<Shown>,
}

impl Shown {
    pub(super) fn of(t: &TakeInFull, copies: &[crate::care::copies::Copy]) -> Shown {
        let origin = |o: &crate::vault::catalogue::OriginRow| Origin {
            via: o.via.as_str(),
            folder: o.folder.clone(),
            name: o.name.clone(),
            mtime: o.mtime.map(rfc3339),
        };
        Shown {
            device: t.device.name.clone(),
            take: About::of(&t.view),
            origin: t.sightings.first().map(|s| origin(&s.origin)),
            pieces: t
                .pieces
                .iter()
                .map(|p| Piece {
                    path: p.path.clone(),
                    bytes: p.bytes,
                    blake3: p.blake3.to_string(),
                })
                .collect(),
            messages: t
                .messages
                .iter()
                .map(|m| Message {
                    index: m.index,
                    bytes: m.bytes,
                    maker: m.maker.clone(),
                    maker_name: m.maker_name.clone(),
                    kind: m.kind.as_str(),
                    title: m.title.clone(),
                    checksum: m.checksum,
                })
                .collect(),
            layout: t.layout.as_ref().map(|(name, _)| name.clone()),
            patches: t
                .patches
                .iter()
                .map(|p| Patch {
                    number: p.number,
                    slot: p.slot.clone(),
                    name: p.name.clone(),
                    blake3: p.blake3.to_string(),
                })
                .collect(),
            holds: t.holds.clone(),
            findings: t.findings.iter().map(Finding::of).collect(),
            vouches: t
                .vouches
                .iter()
                .map(|v| Vouch {
                    at: rfc3339(v.at),
                    text: v.text.clone(),
                })
                .collect(),
            sightings: t
                .sightings
                .iter()
                .map(|s| Sighting {
                    date: s.date.clone(),
                    dated_by: s.by.as_str(),
                    counts: s.counts,
                    seen_at: rfc3339(s.seen_at),
                    origin: origin(&s.origin),
                })
                .collect(),
            copies: copies
                .iter()
                .map(|c| Copy {
                    at: c.where_.clone(),
                    place: c.place.clone(),
                    offsite: c.offsite,
                    verified_at: Some(rfc3339(c.verified_at)),
                })
                .collect(),
        }
    }
}

/// `recall`.
#[derive(Debug, Serialize)]
pub(super) struct Recalled {
    device: String,
    takes: Vec<RecalledTake>,
    to: String,
}

#[derive(Debug, Serialize)]
struct RecalledTake {
    section: Option<String>,
    take: u32,
    patch: Option<String>,
    bytes: u64,
    blake3: String,
}

impl Recalled {
    pub(super) fn of(r: &RecallResult) -> Recalled {
        Recalled {
            device: r.device.clone(),
            takes: r
                .takes
                .iter()
                .map(|t| RecalledTake {
                    section: t.section.clone(),
                    take: t.take,
                    patch: t.patch.clone(),
                    bytes: t.bytes,
                    blake3: t.blake3.to_string(),
                })
                .collect(),
            to: r.to.clone(),
        }
    }
}

/// `find`.
#[derive(Debug, Serialize)]
pub(super) struct Found {
    pub hits: Vec<FoundHit>,
}

/// One hit of `find`.
#[derive(Debug, Serialize)]
pub(super) struct FoundHit {
    device: String,
    take: Option<u32>,
    kind: &'static str,
    number: Option<u32>,
    takes: Option<u64>,
    name: String,
}

impl FoundHit {
    pub(super) fn of(h: &Hit) -> FoundHit {
        let (number, takes) = match h.kind {
            HitKind::Patch { number, takes } => (Some(number), Some(takes)),
            _ => (None, None),
        };
        FoundHit {
            device: h.device.clone(),
            take: h.take,
            kind: h.kind.as_str(),
            number,
            takes,
            name: h.name.clone(),
        }
    }
}

/// `device add`, `show`, `edit`, `section`, `log`, `retire`; a member of `device list`.
#[derive(Debug, Serialize)]
pub(super) struct Device {
    id: String,
    retired: bool,
    name: Option<String>,
    maker: Option<String>,
    model: Option<String>,
    serial: Option<String>,
    place: Option<String>,
    owner: Option<String>,
    sysex_number: Option<u8>,
    port: Option<String>,
    layout: Option<String>,
    power: Option<String>,
    fitted_on: Option<String>,
    life_years: Option<u32>,
    last_powered: Option<String>,
    text: Option<String>,
    takes: u64,
    sections: Vec<Section>,
    log: Vec<LogLine>,
}

#[derive(Debug, Serialize)]
struct Section {
    section: String,
    expected: bool,
    loose: bool,
    every_days: Option<u32>,
    dump_steps: Option<String>,
    load_steps: Option<String>,
    keys: Vec<String>,
}

#[derive(Debug, Serialize)]
struct LogLine {
    date: String,
    kind: String,
    text: String,
    written_at: String,
}

impl Device {
    pub(super) fn of(v: &DeviceView) -> Device {
        let r = &v.device.record;
        Device {
            id: v.device.name.clone(),
            retired: v.device.retired,
            name: r.name.clone(),
            maker: r.maker.clone(),
            model: r.model.clone(),
            serial: r.serial.clone(),
            place: r.place.clone(),
            owner: r.owner.clone(),
            sysex_number: r.sysex_number,
            port: r.port.clone(),
            layout: r.layout.clone(),
            power: r.power.clone(),
            fitted_on: r.fitted_on.clone(),
            life_years: r.life_years,
            last_powered: r.last_powered.clone(),
            text: r.text.clone(),
            takes: v.takes,
            sections: v.sections.iter().map(Section::of).collect(),
            log: v
                .log
                .iter()
                .map(|l| LogLine {
                    date: l.date.clone(),
                    kind: l.kind.clone(),
                    text: l.text.clone(),
                    written_at: rfc3339(l.at),
                })
                .collect(),
        }
    }
}

impl Section {
    fn of(s: &SectionRow) -> Section {
        Section {
            section: s.name.clone(),
            expected: s.expected,
            loose: s.loose,
            every_days: s.record.every_days,
            dump_steps: s.record.dump_steps.clone(),
            load_steps: s.record.load_steps.clone(),
            keys: s.record.keys.clone(),
        }
    }
}

/// `device list`.
#[derive(Debug, Serialize)]
pub(super) struct Devices {
    pub devices: Vec<Device>,
}

/// `key sheet`: where it was written, or the sheet itself.
#[derive(Debug, Serialize)]
pub(super) struct Sheet {
    to: Option<String>,
    text: Option<String>,
}

impl Sheet {
    pub(super) fn written(to: String) -> Sheet {
        Sheet {
            to: Some(to),
            text: None,
        }
    }

    pub(super) fn itself(sheet: &PrintedSheet) -> Sheet {
        Sheet {
            to: None,
            text: Some(sheet.text.to_string()),
        }
    }
}

/// `key confirm`.
#[derive(Debug, Serialize)]
pub(super) struct KeyConfirmed {
    pub place: String,
}

/// `key add`.
#[derive(Debug, Serialize)]
pub(super) struct KeyAdded {
    pub file: String,
}

/// `key passphrase`.
#[derive(Debug, Serialize)]
pub(super) struct KeyLocked {
    pub locked: bool,
}

/// `reindex`.
#[derive(Debug, Serialize)]
pub(super) struct Reindexed {
    reels: u64,
    takes: u64,
    damaged: Vec<DamagedReel>,
    set_aside: Vec<u64>,
    lost: Vec<LostTake>,
}

#[derive(Debug, Serialize)]
struct DamagedReel {
    reel: u64,
    detail: String,
}

#[derive(Debug, Serialize)]
struct LostTake {
    device: String,
    take: u32,
}

impl Reindexed {
    pub(super) fn of(r: &Rebuilt) -> Reindexed {
        Reindexed {
            reels: r.reels,
            takes: r.takes,
            damaged: r
                .damaged
                .iter()
                .map(|(reel, detail)| DamagedReel {
                    reel: *reel,
                    detail: detail.clone(),
                })
                .collect(),
            set_aside: r.set_aside.clone(),
            lost: r
                .lost
                .iter()
                .map(|l| LostTake {
                    device: l.device.clone(),
                    take: l.take,
                })
                .collect(),
        }
    }
}
