//! Looking at takes and saying things about them: history, show, label, vouch.

use std::time::Duration;

use crate::error::{Error, Kind, Next, Result};
use crate::layout::ChecksumState;
use crate::midi::message::{MakerId, MessageKind};
use crate::midi::universal::{Assembly, Identity, NON_REAL_TIME, Universal, Verdict};
use crate::model::contents::Contents;
use crate::model::date::{DatedBy, Moment};
use crate::model::hash::Hash;
use crate::model::ids::DeviceId;
use crate::model::reference::check_label;
use crate::model::take::{Finding, Severity, Via};
use crate::model::timeline::{self, Dated};
use crate::ops::devices::find;
use crate::ops::opened::{self, Opened};
use crate::ops::refs::resolve;
use crate::ops::{layouts, reread};
use crate::vault::Vault;
use crate::vault::catalogue::{
    DeviceRow, FindingRow, Form, OriginRow, SightingRow, TakeRow, VouchRow,
};
use crate::vault::keeping::{Incoming, Into, date_copied_note, no_origin, place};
use crate::vault::ledger::{self, Event};
use crate::vault::pieces::Pieces;

/// A take with what a list shows of it.
#[derive(Debug, Clone)]
pub struct TakeView {
    /// The take.
    pub take: TakeRow,
    /// Its labels.
    pub labels: Vec<String>,
    /// When it was last seen to be so, if that was later than its date.
    pub confirmed_at: Option<String>,
}

/// A device's takes.
#[derive(Debug, Clone)]
pub struct History {
    /// The device.
    pub device: DeviceRow,
    /// Its takes, by date, oldest first; unknown dates first of all.
    pub takes: Vec<TakeView>,
}

/// All takes of a device.
///
/// # Errors
/// `NotFound` with the nearest name.
pub fn history(vault: &Vault, id: &DeviceId) -> Result<History> {
    let device = find(vault, id)?;
    let mut takes = Vec::new();
    for take in vault.catalogue().takes_of_device(device.id)? {
        takes.push(view(vault, take)?);
    }
    takes.sort_by_key(|v| (v.take.start, v.take.number()));
    Ok(History { device, takes })
}

fn view(vault: &Vault, take: TakeRow) -> Result<TakeView> {
    Ok(TakeView {
        labels: vault.catalogue().labels_of_take(take.id)?,
        confirmed_at: confirmed(vault, &take)?,
        take,
    })
}

/// The newest sighting that counts, where it is later than the take's date.
fn confirmed(vault: &Vault, take: &TakeRow) -> Result<Option<String>> {
    if take.newest.is_none() || take.newest == take.start {
        return Ok(None);
    }
    let newest = sightings(vault, take)?
        .into_iter()
        .filter(|s| s.counts)
        .find(|s| s.date.parse::<Moment>().ok().and_then(|m| m.start_utc()) == take.newest);
    Ok(newest.map(|s| s.date))
}

/// A SysEx message of a take.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MessageView {
    /// From 1.
    pub index: u64,
    /// Bytes with F0 and F7, without real-time bytes.
    pub bytes: u64,
    /// Maker ID as hex; empty without one.
    pub maker: String,
    /// Whose it is, where that is known. The person's own name for an ID is untrusted text.
    pub maker_name: Option<String>,
    /// What kind of message it is.
    pub kind: MessageKind,
    /// What it is, by the standard or by the layout. Untrusted text.
    pub title: Option<String>,
    /// `ok`, `bad` or `none`.
    pub checksum: &'static str,
}

/// A patch of a take.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PatchView {
    /// From 1.
    pub number: u32,
    /// As the panel shows it.
    pub slot: String,
    /// Its name. Untrusted text.
    pub name: Option<String>,
    /// BLAKE3 of its bytes, those that change by themselves taken as 0.
    pub blake3: Hash,
}

/// A file of a take.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PieceView {
    /// Its path in a folder take; the file's name otherwise.
    pub path: String,
    /// Bytes.
    pub bytes: u64,
    /// BLAKE3.
    pub blake3: Hash,
}

/// A take in full.
#[derive(Debug, Clone)]
pub struct TakeInFull {
    /// The device.
    pub device: DeviceRow,
    /// The take.
    pub view: TakeView,
    /// When it was seen, and where the bytes came from then.
    pub sightings: Vec<SightingRow>,
    /// Its files.
    pub pieces: Vec<PieceView>,
    /// Its messages.
    pub messages: Vec<MessageView>,
    /// The layout that fits it, and how its panel shows SysEx numbers: that much higher.
    pub layout: Option<(String, u8)>,
    /// Its patches, where the layout tells of them.
    pub patches: Vec<PatchView>,
    /// What else is in it, a line each: samples, files, tunings, the instrument's own words for itself.
    pub holds: Vec<String>,
    /// What was noticed.
    pub findings: Vec<FindingRow>,
    /// What persons said.
    pub vouches: Vec<VouchRow>,
}

/// One take in full.
///
/// # Errors
/// `NotFound`; `Usage` if the reference names several takes; `Damaged` if its bytes cannot be read.
pub fn show(vault: &Vault, reference: &str) -> Result<Vec<TakeInFull>> {
    let named = resolve(vault, reference)?;
    named
        .takes
        .into_iter()
        .map(|take| in_full(vault, &named.device, take))
        .collect()
}

fn in_full(vault: &Vault, device: &DeviceRow, take: TakeRow) -> Result<TakeInFull> {
    let catalogue = vault.catalogue();
    let mut findings = catalogue.findings_of_take(take.id)?;
    if !take.loose && is_date_copied(vault, &take)? {
        findings.push(row(&date_copied_note()));
    }
    let pieces = Pieces::new(vault);
    let mut files = Vec::new();
    let mut opened = None;
    if take.form == Form::Folder {
        for entry in pieces.entries(&take.hash)? {
            let bytes = catalogue.holding(&entry.hash)?.map_or(0, |h| h.whole_bytes);
            files.push(PieceView {
                path: entry.path,
                bytes,
                blake3: entry.hash,
            });
        }
    } else {
        let path = catalogue.file_name_of_take(take.id)?;
        files.push(PieceView {
            path,
            bytes: take.bytes,
            blake3: take.hash,
        });
        let fits = take.bytes <= opened::MOST_BYTES && take.messages <= opened::MOST_MESSAGES;
        if take.messages > 0 && fits {
            let known = layouts::known(vault)?;
            let lens = reread::lens_of(vault, &known, &device.name)?;
            opened = Some(opened::open(vault, &lens, &take)?);
        }
    }
    let reading = opened.as_ref().and_then(|o| o.reading.as_ref());
    let patches = reading.map_or(Vec::new(), |r| {
        r.patches
            .iter()
            .map(|p| PatchView {
                number: p.number,
                slot: p.slot.clone(),
                name: p.name.clone(),
                blake3: p.hash,
            })
            .collect()
    });
    Ok(TakeInFull {
        device: device.clone(),
        sightings: catalogue.sightings_of_take(take.id)?,
        pieces: files,
        messages: opened
            .as_ref()
            .map_or(Vec::new(), |o| messages_of(vault, o)),
        layout: reading.map(|r| (r.layout.name.clone(), r.layout.panel)),
        patches,
        holds: opened.as_ref().map_or(Vec::new(), holds),
        findings,
        vouches: catalogue.vouches_of_take(take.id)?,
        view: view(vault, take)?,
    })
}

/// What the universal messages of a take hold, in sentences.
fn holds(opened: &Opened) -> Vec<String> {
    let mut assembly = Assembly::new();
    for (number, message) in (1..).zip(&opened.messages) {
        if message.get(1) == Some(&NON_REAL_TIME) {
            assembly.push(number, message);
        }
    }
    let found = assembly.finish();
    let mut lines: Vec<String> = found.samples.iter().map(ToString::to_string).collect();
    lines.extend(found.files.iter().map(ToString::to_string));
    lines.extend(found.tunings.iter().map(ToString::to_string));
    lines.extend(found.identity.iter().map(identity));
    lines
}

fn identity(identity: &Identity) -> String {
    let revision: Vec<String> = identity
        .revision
        .iter()
        .map(|b| format!("{b:02X}"))
        .collect();
    format!(
        "the instrument calls itself maker {}, family {}, member {}, revision {}",
        identity.maker,
        identity.family,
        identity.member,
        revision.join(" ")
    )
}

/// What the messages of an opened take are.
fn messages_of(vault: &Vault, opened: &Opened) -> Vec<MessageView> {
    let names = vault.settings().names();
    let read = opened.reading.as_ref();
    let views = opened.messages.iter().enumerate().map(|(index, message)| {
        let after_start = message.get(1..).unwrap_or_default();
        let maker = MakerId::from_bytes(after_start);
        let universal = Universal::from_bytes(message);
        let by_layout = read.and_then(|r| r.messages.get(index));
        let checksum = match (universal.as_ref().map(Universal::checksum), by_layout) {
            (Some(Verdict::Ok), _) => ChecksumState::Good,
            (Some(verdict), _) if verdict.is_bad() => ChecksumState::Bad,
            (None, Some(read)) => read.checksum,
            _ => ChecksumState::None,
        };
        MessageView {
            index: index as u64 + 1,
            bytes: message.len() as u64,
            maker: maker.map_or(String::new(), |m| m.to_string()),
            maker_name: maker.and_then(|m| names.of(&m).map(str::to_string)),
            kind: MessageKind::from_bytes(after_start),
            title: match (&universal, read.and_then(|r| r.kind(index))) {
                (Some(universal), _) => Some(universal.title().to_string()),
                (None, Some(kind)) => Some(kind.title.clone()),
                (None, None) => None,
            },
            checksum: checksum.as_str(),
        }
    });
    views.collect()
}

fn is_date_copied(vault: &Vault, take: &TakeRow) -> Result<bool> {
    if take.dated_by != DatedBy::File {
        return Ok(false);
    }
    let line = vault.catalogue().timeline(take.section)?;
    let copied = timeline::date_copied(&line.arrange().runs);
    Ok(line
        .content_number(&take.content, take.counts())
        .is_some_and(|c| copied.contains(&c)))
}

fn row(f: &Finding) -> FindingRow {
    FindingRow {
        code: f.code.to_string(),
        severity: f.severity,
        message: f.message.clone(),
    }
}

/// What to say about takes.
#[derive(Debug, Clone, Default)]
pub struct Labelling {
    /// A label to put on, or with `remove` to take away.
    pub text: Option<String>,
    /// A corrected date.
    pub date: Option<Moment>,
    /// Take the label away.
    pub remove: bool,
}

/// Names or dates the takes of a reference. Returns them as they are then.
///
/// A take keeps another date than the one given only where a further take of the same content was seen at an earlier one
/// and nothing lies between the two any more.
///
/// # Errors
/// `NotFound`; `Usage`; `AlreadyThere` if another take of the section has that label; as the writer's.
pub fn label(vault: &Vault, reference: &str, what: &Labelling, wait: Duration) -> Result<History> {
    let text = what
        .text
        .as_deref()
        .map(|t| check_label(t).map_err(|e| Error::usage(e.to_string())))
        .transpose()?;
    if text.is_none() && what.date.is_none() {
        return Err(Error::usage("say which label, or which date with --date"));
    }
    let mut writer = vault.writer(wait)?;
    let named = resolve(vault, reference)?;
    let device = named.device.name.clone();
    if let Some(text) = text {
        let holders = vault.catalogue().takes_with_label(named.device.id, &text)?;
        if what.remove
            && !named
                .takes
                .iter()
                .any(|t| holders.iter().any(|h| h.id == t.id))
        {
            return Err(
                Error::new(Kind::NotFound, format!("{reference} has no label {text}"))
                    .next(Next::run("see its labels", format!("history {device}"))),
            );
        }
        if !what.remove {
            let other = holders.iter().find(|h| {
                named
                    .takes
                    .iter()
                    .any(|t| t.section == h.section && t.id != h.id)
            });
            if let Some(other) = other {
                return Err(Error::new(
                    Kind::AlreadyThere,
                    format!(
                        "{device}@{} has the label {text} already; nothing was changed",
                        other.number()
                    ),
                )
                .next(Next::run(
                    "take it away first",
                    format!("label {device}@{} \"{text}\" --remove", other.number()),
                )));
            }
        }
        writer.record(&Event::Label(ledger::Label {
            device: device.clone(),
            takes: named.takes.iter().map(|t| t.number()).collect(),
            label: text,
            removed: what.remove,
        }))?;
    }
    if let Some(date) = what.date {
        let mut dated = Vec::new();
        for take in &named.takes {
            let wrong = dates_to_correct(vault, take, date)?;
            if !wrong.is_empty() {
                dated.push(seen_at(vault, take, date)?);
            }
            for (wrong, by) in wrong {
                writer.record(&Event::Sighting(ledger::Sighting {
                    device: device.clone(),
                    take: take.number(),
                    date: date.to_string(),
                    by: DatedBy::Given.to_string(),
                    corrects: Some((wrong, by.to_string())),
                    origin: no_origin(Via::File),
                }))?;
            }
        }
        if let Ok(id) = device.parse::<DeviceId>() {
            // Other content may lie between this date and what was seen later: that needs a take of its own now.
            place(&mut writer, &id, &mut dated)?;
        }
    }
    writer.commit()?;
    drop(writer);
    again(vault, named.device, &named.takes)
}

/// A take as it arrives once more, seen at `date`.
fn seen_at(vault: &Vault, take: &TakeRow, date: Moment) -> Result<Incoming> {
    let origin = vault.catalogue().sightings_of_take(take.id)?;
    let origin = origin.into_iter().next().map(|s| s.origin);
    Ok(Incoming {
        into: match take.section_name.parse() {
            Ok(name) => Into::Known(name),
            Err(_) => Into::Loose,
        },
        hash: take.hash,
        content: take.content,
        bytes: take.bytes,
        messages: take.messages,
        key: take.key.clone(),
        sysex: take.messages > 0,
        evidence: take.evidence,
        findings: vault
            .catalogue()
            .findings_of_take(take.id)?
            .into_iter()
            .map(|f| Finding::new(f.code, f.severity, f.message))
            .collect(),
        contents: Contents {
            sysex_number: take.sysex_number,
            ..Contents::default()
        },
        seen: vec![Dated {
            moment: date,
            by: DatedBy::Given,
        }],
        origin: origin.unwrap_or(OriginRow {
            via: Via::File,
            folder: String::new(),
            name: String::new(),
            mtime: None,
        }),
        tie: String::new(),
    })
}

/// When what `take` says was seen: the sightings lie with the take that stands for it.
fn sightings(vault: &Vault, take: &TakeRow) -> Result<Vec<SightingRow>> {
    let number = take.alias_of.unwrap_or(take.number());
    let id = (take.device() << 32) | i64::from(number);
    vault.catalogue().sightings_of_take(id)
}

/// The sightings (date, how known) that have to be corrected for a take to be of `date`: the one whose date it has now,
/// and every earlier than `date`; all that have a date if nobody knows it. What was seen later stays: it says that the
/// take was still so then.
fn dates_to_correct(vault: &Vault, take: &TakeRow, date: Moment) -> Result<Vec<(String, DatedBy)>> {
    let mut wrong = Vec::new();
    for seen in sightings(vault, take)? {
        let start = seen.date.parse().unwrap_or(Moment::UNKNOWN).start_utc();
        let goes = match date.start_utc() {
            None => start.is_some(),
            Some(date) => start == take.start || start.is_some_and(|start| start < date),
        };
        let says_so_already = seen.by <= DatedBy::Given && seen.date == date.to_string();
        let pair = (seen.date, seen.by);
        if goes && !seen.corrected && !says_so_already && !wrong.contains(&pair) {
            wrong.push(pair);
        }
    }
    Ok(wrong)
}

/// Records a person's word for the takes of a reference. Returns them as they are then.
///
/// # Errors
/// `NotFound`; `Usage` if nothing is said; as the writer's.
pub fn vouch(vault: &Vault, reference: &str, text: &str, wait: Duration) -> Result<History> {
    if text.trim().is_empty() {
        return Err(Error::usage(
            "say in a few words why this take can be trusted",
        ));
    }
    let mut writer = vault.writer(wait)?;
    let named = resolve(vault, reference)?;
    for take in &named.takes {
        writer.record(&Event::Vouch(ledger::Vouch {
            device: named.device.name.clone(),
            take: take.number(),
            text: text.trim().to_string(),
        }))?;
    }
    writer.commit()?;
    drop(writer);
    again(vault, named.device, &named.takes)
}

fn again(vault: &Vault, device: DeviceRow, takes: &[TakeRow]) -> Result<History> {
    let mut views = Vec::new();
    for take in takes {
        if let Some(take) = vault.catalogue().take(take.id)? {
            views.push(view(vault, take)?);
        }
    }
    Ok(History {
        device,
        takes: views,
    })
}

/// True if a finding makes a take doubtful.
pub fn is_error(f: &FindingRow) -> bool {
    f.severity == Severity::Error
}
