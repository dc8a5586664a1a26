//! Reading copies again and comparing them with what was recorded: local reels by their BLAKE3, shelves by their macs.
//!
//! Everything is read once, front to back, with cached pages dropped. The lock is taken only to write outcomes down.
//! A file that cannot be read is damage, named with the error, and stops nothing.

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use crate::care::copies::LOCAL;
use crate::care::holes::holes;
use crate::care::mirror::conflict_words;
use crate::care::noting::{note_verified, record_survey};
use crate::care::standing::MISSING;
use crate::care::survey::{self, Ours, Presence, ROTTED, Survey, Verdict};
use crate::error::{Error, Kind, Result};
use crate::model::hash::Hash;
use crate::shelf::by_hand::readme_text;
use crate::shelf::copying::Copying;
use crate::shelf::name::{KeysName, ReelName};
use crate::shelf::plan::Seen;
use crate::shelf::registry::Registry;
use crate::shelf::{Part, README, Report, SHELF_JSON, Shelf, is_away};
use crate::sys::text::counted;
use crate::vault::catalogue::{Mark, ReelCheck, ReelRow, ShelfReel, ShelfRow};
use crate::vault::judge::{self, Fault};
use crate::vault::reel;
use crate::vault::{Vault, recover};

/// What is to be read.
#[derive(Debug, Clone, Default)]
pub struct FixityOptions {
    /// The vault's own reels. With no shelf named and this unset, everything that can be reached is read.
    pub local: bool,
    /// Shelves by name.
    pub shelves: Vec<String>,
    /// Stop after so many bytes; what was not read for the longest time comes first.
    pub budget: Option<u64>,
}

/// Something that is not as it was recorded.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Damage {
    /// `local`, or the shelf's name.
    pub place: String,
    /// The reel, if it is one.
    pub reel: Option<u64>,
    /// What is wrong.
    pub detail: String,
}

/// What reading found.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct FixityReport {
    /// Copies of reels that were read.
    pub checked_reels: u64,
    /// Bytes that were read.
    pub checked_bytes: u64,
    /// True if everything asked for was read.
    pub complete: bool,
    /// What is not as it was recorded.
    pub damaged: Vec<Damage>,
    /// Shelves that were not reached, with the reason.
    pub skipped: Vec<(String, String)>,
}

impl FixityReport {
    /// True if nothing damaged was found.
    pub fn good(&self) -> bool {
        self.damaged.is_empty()
    }
}

/// Bytes read at a time.
const BUFFER: usize = 1 << 20;

struct Visit {
    row: ShelfRow,
    shelf: Box<dyn Shelf>,
    rows: Vec<ShelfReel>,
    objects: Vec<(ReelName, u64)>,
    /// Verdicts on objects read in this run.
    judged: BTreeMap<ReelName, Verdict>,
    beside: Vec<(&'static str, String)>,
    /// Why it could not be read to the end.
    away: Option<Error>,
    /// What its keeper says of it.
    report: Option<Report>,
}

/// One copy of one reel that is to be read.
struct Unit {
    checked_at: Option<i64>,
    what: Which,
}

enum Which {
    Open(Mark),
    Local(ReelRow),
    At { visit: usize, number: u64 },
}

/// Reads what was asked for.
///
/// # Errors
/// `NotFound` for a name that is no shelf; `Busy`; `Io` of the catalogue.
pub fn fixity(vault: &Vault, options: &FixityOptions, wait: Duration) -> Result<FixityReport> {
    let everything = !options.local && options.shelves.is_empty();
    let mut report = FixityReport {
        complete: true,
        ..FixityReport::default()
    };
    let mut units = Vec::new();
    if everything || options.local {
        local_units(vault, &mut units, &mut report)?;
    }
    let mut visits = Vec::new();
    let rows = if everything {
        vault.catalogue().shelves()?
    } else {
        options
            .shelves
            .iter()
            .map(|name| survey::shelf_row(vault, name))
            .collect::<Result<_>>()?
    };
    let mut keys = None;
    if !rows.is_empty() {
        let copying = Copying::read(vault.world().disk.as_ref(), vault.dir())?;
        let ours = survey::ours(vault, &copying.name_key)?;
        visits = look(vault, rows, &mut report)?;
        report.complete &= everything || report.skipped.is_empty();
        for (index, visit) in visits.iter().enumerate() {
            shelf_units(&ours, visit, index, &mut units);
        }
        keys = Some((copying, ours));
    }
    units.sort_by_key(|u| u.checked_at);
    for unit in units {
        if options.budget.is_some_and(|b| report.checked_bytes >= b) {
            report.complete = false;
            break;
        }
        match unit.what {
            Which::Open(mark) => read_open(vault, mark, &mut report, wait)?,
            Which::Local(row) => read_local(vault, &row, &mut report, wait)?,
            Which::At { visit, number } => {
                if let Some((copying, ours)) = &keys {
                    read_at(
                        vault,
                        copying,
                        ours,
                        &mut visits[visit],
                        number,
                        &mut report,
                    );
                }
            }
        }
    }
    if let Some((copying, ours)) = &keys {
        for visit in &mut visits {
            finish_shelf(
                vault,
                copying,
                ours,
                visit,
                options.budget,
                &mut report,
                wait,
            )?;
        }
    }
    report.damaged.sort_by(|a, b| {
        let key = |d: &Damage| (d.place != LOCAL, d.place.clone(), d.reel);
        key(a).cmp(&key(b))
    });
    Ok(report)
}

fn local_units(vault: &Vault, units: &mut Vec<Unit>, report: &mut FixityReport) -> Result<()> {
    let catalogue = vault.catalogue();
    let mark = catalogue.mark()?;
    report
        .damaged
        .extend(holes(catalogue)?.into_iter().map(|hole| Damage {
            place: LOCAL.to_string(),
            reel: Some(hole.reel),
            detail: hole.text(),
        }));
    for row in catalogue.reels()? {
        let check = catalogue.reel_check(row.number)?;
        let what = if row.number == mark.reel && !mark.closed {
            Which::Open(mark)
        } else if row.blake3.is_none() {
            // It was open when its file was lost: no copy of it was ever made.
            if recover::is_made_good(vault, row.number)? {
                continue;
            }
            report.damaged.push(Damage {
                place: LOCAL.to_string(),
                reel: Some(row.number),
                detail: check.damage.unwrap_or_else(|| "the file is missing".into()),
            });
            continue;
        } else {
            Which::Local(row)
        };
        let checked_at = check.verified_at.filter(|_| check.damage.is_none());
        units.push(Unit { checked_at, what });
    }
    Ok(())
}

fn read_open(vault: &Vault, mark: Mark, report: &mut FixityReport, wait: Duration) -> Result<()> {
    let judge = || vault.judge_open_reel(mark.reel, mark.end);
    let wrong = |judged: Result<Vec<Fault>>| match judged {
        Ok(faults) => faults.first().map(|f| f.to_string()),
        Err(e) => Some(e.fact()),
    };
    report.checked_reels += 1;
    report.checked_bytes += mark.end;
    if wrong(judge()).is_none() {
        return Ok(());
    }
    // Another process may have been writing: under the lock, what is wrong now is wrong.
    let _lock = vault.lock(wait)?;
    let now_mark = vault.catalogue().mark()?;
    if now_mark.reel != mark.reel || now_mark.closed {
        return Ok(());
    }
    let Some(detail) = wrong(vault.judge_open_reel(mark.reel, now_mark.end)) else {
        return Ok(());
    };
    let bytes = vault.read_reel(mark.reel).unwrap_or_default();
    vault.catalogue().in_transaction(|_| {
        recover::mark_unfit(vault, mark.reel, &bytes, vault.world().now()).map(|_| ())
    })?;
    report.damaged.push(Damage {
        place: LOCAL.to_string(),
        reel: Some(mark.reel),
        detail,
    });
    Ok(())
}

/// What reading a closed local reel found.
#[derive(Debug, PartialEq, Eq)]
pub struct LocalCheck {
    /// Bytes read.
    pub bytes: u64,
    /// True if the file is, byte for byte, the reel that was closed.
    pub same: bool,
    /// What is wrong; also set for a reel that was damaged before it was closed and not healed since.
    pub damage: Option<String>,
}

/// Reads a closed local reel and compares it with its record.
///
/// # Errors
/// As the catalogue's; a file that cannot be read is a result.
pub fn check_local(vault: &Vault, row: &ReelRow) -> Result<LocalCheck> {
    let (bytes, found) = hash_file(vault, row);
    let same = found.as_ref().is_ok_and(|h| Some(*h) == row.blake3);
    let damage = match found {
        Err(why) => Some(why),
        Ok(_) if same => {
            let known = vault.catalogue().reel_check(row.number)?.damage;
            if known.is_some() {
                closed_with_damage(vault, row.number)?
            } else {
                None
            }
        }
        Ok(_) => Some(place_of_damage(vault, row, bytes)),
    };
    Ok(LocalCheck {
        bytes,
        same,
        damage,
    })
}

fn hash_file(vault: &Vault, row: &ReelRow) -> (u64, std::result::Result<Hash, String>) {
    let say = |e: std::io::Error| match e.kind() {
        std::io::ErrorKind::NotFound => "the file is missing".to_string(),
        _ => format!("it cannot be read: {e}"),
    };
    let file = match vault.world().disk.open(&vault.reel_path(row.number)) {
        Ok(file) => file,
        Err(e) => return (0, Err(say(e))),
    };
    file.drop_cached();
    let mut hasher = blake3::Hasher::new();
    let mut buffer = vec![0u8; BUFFER];
    let mut at = 0u64;
    // A file that grew is read no further than it takes to know.
    while at <= row.bytes {
        match file.read_at(&mut buffer, at) {
            Ok(0) => break,
            Ok(n) => {
                hasher.update(&buffer[..n]);
                at += n as u64;
            }
            Err(e) => return (at, Err(say(e))),
        }
    }
    (at, Ok(Hash::from(hasher.finalize())))
}

fn place_of_damage(vault: &Vault, row: &ReelRow, read: u64) -> String {
    let bytes = match vault.read_reel(row.number) {
        Ok(bytes) => bytes,
        Err(e) => return format!("it cannot be read: {e}"),
    };
    let mut told: Vec<String> = Vec::new();
    if bytes.len() as u64 != row.bytes {
        told.push(format!(
            "it has {} where {} were recorded",
            counted(bytes.len().max(read as usize) as u64, "byte"),
            counted(row.bytes, "byte")
        ));
    }
    let faults = judge::faults(&bytes, &reel::scan(&bytes, 0));
    told.extend(faults.iter().take(3).map(|f| f.to_string()));
    if told.is_empty() {
        told.push("its bytes are not those that were recorded".to_string());
    }
    told.join("; ")
}

/// A reel that was damaged before it was closed is what it was closed as.
fn closed_with_damage(vault: &Vault, number: u64) -> Result<Option<String>> {
    let Ok(bytes) = vault.read_reel(number) else {
        return Ok(Some("it cannot be read".to_string()));
    };
    let fault = recover::unhealed(vault, number, &bytes)?;
    Ok(fault.map(|f| format!("damaged before it was closed: {f}")))
}

fn read_local(
    vault: &Vault,
    row: &ReelRow,
    report: &mut FixityReport,
    wait: Duration,
) -> Result<()> {
    let check = check_local(vault, row)?;
    report.checked_reels += 1;
    report.checked_bytes += check.bytes;
    record_local(vault, row.number, &check, wait)?;
    report.damaged.extend(check.damage.map(|detail| Damage {
        place: LOCAL.to_string(),
        reel: Some(row.number),
        detail,
    }));
    Ok(())
}

/// Writes down what reading a closed local reel found, down to the holdings in it.
///
/// # Errors
/// `Busy`, `Io`.
pub fn record_local(vault: &Vault, number: u64, check: &LocalCheck, wait: Duration) -> Result<()> {
    let now = vault.world().now();
    let _lock = vault.lock(wait)?;
    vault.catalogue().in_transaction(|catalogue| {
        let before = catalogue.reel_check(number)?;
        match &check.damage {
            None => {
                if before.damage.is_some() {
                    catalogue.clear_piece_damage(number)?;
                }
                catalogue.set_reel_check(
                    number,
                    &ReelCheck {
                        verified_at: Some(now),
                        damage: None,
                    },
                )
            }
            Some(damage) => {
                // What cannot be read holds nothing.
                let bytes = vault.read_reel(number).unwrap_or_default();
                recover::mark_unfit(vault, number, &bytes, now)?;
                catalogue.set_reel_check(
                    number,
                    &ReelCheck {
                        verified_at: before.verified_at,
                        damage: Some(damage.clone()),
                    },
                )
            }
        }
    })
}

fn look(vault: &Vault, rows: Vec<ShelfRow>, report: &mut FixityReport) -> Result<Vec<Visit>> {
    let registry = Registry::read(vault.world().disk.as_ref(), vault.dir())?;
    let mut visits = Vec::new();
    for row in rows {
        let Some(reach) = registry.get(&row.name) else {
            report
                .skipped
                .push((row.name, "where it is is not known on this computer".into()));
            continue;
        };
        let shelf = match reach.open(vault.world()) {
            Ok(shelf) => shelf,
            Err(e) => {
                report.skipped.push((row.name, e.fact()));
                continue;
            }
        };
        let mut beside = Vec::new();
        match survey::presence(vault, &row, shelf.as_ref()) {
            Presence::Away(e) => {
                report.skipped.push((row.name, e.fact()));
                continue;
            }
            Presence::Wrong(why) => beside.push(("shelf.json", why)),
            Presence::There => {}
        }
        match survey::list_reels(shelf.as_ref()) {
            Err(e) => report.skipped.push((row.name, e.fact())),
            Ok(objects) => visits.push(Visit {
                rows: vault.catalogue().shelf_reels(row.id)?,
                row,
                objects,
                judged: BTreeMap::new(),
                beside,
                away: None,
                report: shelf.report(),
                shelf,
            }),
        }
    }
    Ok(visits)
}

fn shelf_units(ours: &Ours, visit: &Visit, index: usize, units: &mut Vec<Unit>) {
    for (number, tag) in &ours.chain.closed {
        if !visit
            .objects
            .iter()
            .any(|(n, _)| n.number == *number && n.tag == *tag)
        {
            continue;
        }
        let known = visit.rows.iter().find(|r| r.reel == *number);
        let doubted = |r: &ShelfReel| {
            let path = Part::Reels.path(&r.object);
            let report = visit.report.as_ref();
            report.is_some_and(|said| said.damaged.contains(&path))
        };
        units.push(Unit {
            // What is damaged, or is said to be, comes first.
            checked_at: known
                .filter(|r| r.damage.is_none() && !doubted(r))
                .and_then(|r| r.verified_at),
            what: Which::At {
                visit: index,
                number: *number,
            },
        });
    }
}

/// Reads the objects of one reel until one is right.
fn read_at(
    vault: &Vault,
    copying: &Copying,
    ours: &Ours,
    visit: &mut Visit,
    number: u64,
    report: &mut FixityReport,
) {
    let tag = ours.chain.closed.get(&number);
    let known = visit
        .rows
        .iter()
        .find(|r| r.reel == number)
        .map(|r| r.object.clone())
        .unwrap_or_default();
    let mut objects: Vec<(ReelName, u64)> = visit
        .objects
        .iter()
        .filter(|(n, _)| n.number == number && Some(&n.tag) == tag)
        .copied()
        .collect();
    objects.sort_by_key(|(n, _)| n.to_string() != known);
    if visit.away.is_some() {
        return;
    }
    report.checked_reels += 1;
    for (name, bytes) in objects {
        match visit.read(vault, copying, &name) {
            Some(Verdict::Good) => {
                report.checked_bytes += bytes.min(survey::LONGEST_OBJECT);
                break;
            }
            Some(_) => report.checked_bytes += bytes.min(survey::LONGEST_OBJECT),
            None => break,
        }
    }
}

impl Visit {
    /// Reads an object and keeps the verdict; none once the shelf is away.
    fn read(&mut self, vault: &Vault, copying: &Copying, name: &ReelName) -> Option<Verdict> {
        if self.away.is_some() {
            return None;
        }
        match survey::read_and_check(self.shelf.as_ref(), name, vault.id(), &copying.name_key) {
            Ok(verdict) => {
                self.judged.insert(*name, verdict.clone());
                Some(verdict)
            }
            Err(e) => {
                self.away = Some(e);
                None
            }
        }
    }
}

fn finish_shelf(
    vault: &Vault,
    copying: &Copying,
    ours: &Ours,
    visit: &mut Visit,
    budget: Option<u64>,
    report: &mut FixityReport,
    wait: Duration,
) -> Result<()> {
    let mut found = Survey::default();
    let unfit = vault.catalogue().shelf_unfit(visit.row.id)?;
    let objects = std::mem::take(&mut visit.objects);
    for (name, bytes) in &objects {
        found.bytes.insert(*name, *bytes);
        let is_ours = ours.chain.closed.get(&name.number) == Some(&name.tag);
        let accepted = ours.chain.accepted.contains(&(name.number, name.tag));
        if !is_ours && !accepted {
            if budget.is_some_and(|b| report.checked_bytes >= b) {
                report.complete = false;
            } else if visit.read(vault, copying, name).is_some() {
                report.checked_bytes += (*bytes).min(survey::LONGEST_OBJECT);
            }
        }
        match visit.judged.get(name) {
            Some(verdict) => {
                let good = *verdict == Verdict::Good;
                if good {
                    found.read.push((*name, *bytes));
                }
                if let Verdict::Unreadable(why) = verdict {
                    found.unreadable.push((*name, why.clone()));
                }
                found.seen.push(Seen { name: *name, good });
            }
            // Not read in this run: what is on record holds.
            None if survey::is_on_record(&visit.rows, name, *bytes) => {
                found.seen.push(Seen {
                    name: *name,
                    good: true,
                });
            }
            None if !is_ours && unfit.contains(&(name.to_string(), *bytes)) => {
                found.seen.push(Seen {
                    name: *name,
                    good: false,
                });
            }
            None => {}
        }
    }
    found.compare(&ours.chain, &visit.rows);
    // Listed and not read is not missing.
    let listed = |n: &u64| {
        objects
            .iter()
            .any(|(o, _)| o.number == *n && ours.chain.closed.get(n) == Some(&o.tag))
    };
    found.plan.missing.retain(|n| !listed(n));
    let away = visit.away.as_ref().map(|e| e.fact());
    if away.is_none()
        && matches!(
            survey::presence(vault, &visit.row, visit.shelf.as_ref()),
            Presence::Away(_)
        )
    {
        report.complete = false;
        report.skipped.push((
            visit.row.name.clone(),
            "it went away while it was read".into(),
        ));
        return Ok(());
    }
    match away {
        // What was read by then stands; of the rest nothing is known.
        Some(why) => {
            report.complete = false;
            report.skipped.push((visit.row.name.clone(), why));
        }
        None => compare_small_files(vault, visit),
    }
    visit.beside.extend(conflict_words(&found));
    tell(visit, &found, report);
    record(vault, ours, visit, &found, wait)
}

fn compare_small_files(vault: &Vault, visit: &mut Visit) {
    let shelf = visit.shelf.as_ref();
    let readme = match shelf.read_small(README, 1 << 20) {
        Ok(Some(text)) if text == readme_text().as_bytes() => None,
        Ok(Some(_)) => Some(format!("{README} is not as it was written")),
        Ok(None) => Some(format!("{README} is missing")),
        Err(e) if is_away(&e) => return,
        Err(e) => Some(format!("{README} cannot be read: {e}")),
    };
    visit.beside.extend(readme.map(|what| ("readme", what)));
    let right = survey::shelf_json(vault, &visit.row).text();
    let found = shelf.read_small(SHELF_JSON, 4096);
    if found.as_ref().is_err_and(is_away) {
        return;
    }
    if !visit.beside.iter().any(|(code, _)| *code == "shelf.json")
        && !matches!(found, Ok(Some(text)) if text == right.as_bytes())
    {
        visit.beside.push((
            "shelf.json",
            format!("{SHELF_JSON} is not as it was written"),
        ));
    }
    let listed: Vec<String> = match shelf.list(Part::Keys) {
        Ok(objects) => objects.into_iter().map(|o| o.name).collect(),
        Err(e) => {
            if !matches!(e.kind, Kind::Unreachable | Kind::Refused) {
                visit.beside.push(("keys", e.fact()));
            }
            return;
        }
    };
    for name in listed {
        let Ok(parsed) = name.parse::<KeysName>() else {
            continue;
        };
        let what = match shelf.read_small(&Part::Keys.path(&name), 1 << 16) {
            Ok(Some(bytes)) if KeysName::of(parsed.number, &bytes) == parsed => continue,
            Err(e) if is_away(&e) => return,
            Err(e) => format!("keys/{name} cannot be read: {e}"),
            _ => format!("keys/{name} does not fit its name"),
        };
        visit.beside.push(("keys", what));
    }
}

fn tell(visit: &Visit, found: &Survey, report: &mut FixityReport) {
    let place = visit.row.name.clone();
    let mut add = |reel: Option<u64>, detail: String| {
        report.damaged.push(Damage {
            place: place.clone(),
            reel,
            detail,
        });
    };
    for (number, object) in &found.plan.damaged {
        let why = found.unreadable.iter().find(|(n, _)| n == object);
        add(
            Some(*number),
            why.map_or(ROTTED.to_string(), |(_, w)| w.clone()),
        );
    }
    for number in &found.plan.missing {
        add(
            Some(*number),
            format!("{MISSING}: it was verified there and is gone"),
        );
    }
    for name in &found.plan.unfit {
        add(
            Some(name.number),
            format!("forged or renamed: {name} is no reel of this vault"),
        );
    }
    for (code, what) in &visit.beside {
        add(None, format!("{code}: {what}"));
    }
}

fn record(vault: &Vault, ours: &Ours, visit: &Visit, found: &Survey, wait: Duration) -> Result<()> {
    let now = vault.world().now();
    let _lock = vault.lock(wait)?;
    vault.catalogue().in_transaction(|catalogue| {
        record_survey(vault, ours, &visit.row, found)?;
        let verified: Vec<u64> = found
            .read
            .iter()
            .filter(|(name, _)| found.plan.present.get(&name.number) == Some(name))
            .map(|(name, _)| name.number)
            .collect();
        note_verified(vault, &visit.row.name, &verified, now)?;
        let mut check = catalogue.shelf_check(visit.row.id)?;
        check.seen_at = Some(now);
        check.away = visit.away.as_ref().map(|e| e.fact());
        if let Some(said) = &visit.report {
            check.reported_at = said.checked_at;
        }
        check.file_system = visit.shelf.file_system();
        // What was not looked at to the end stays as it was known.
        let codes: &[&str] = match visit.away {
            None => &["shelf.json", "readme", "keys", "ahead", "forked"],
            Some(_) => &[],
        };
        check.damage = survey::replace_damage(check.damage.as_deref(), codes, &visit.beside);
        catalogue.set_shelf_check(visit.row.id, &check)
    })
}

/// The takes among those that need `reels` whose bytes are not there or not right: device and number.
///
/// # Errors
/// As the catalogue's.
pub fn takes_hit(vault: &Vault, reels: &BTreeSet<u64>) -> Result<Vec<(String, u32)>> {
    let pieces = crate::vault::pieces::Pieces::new(vault);
    let mut hit = Vec::new();
    for id in vault.catalogue().takes_needing(reels)? {
        let Some(take) = vault.catalogue().take(id)? else {
            continue;
        };
        if pieces.check(&take.hash).is_err() {
            let device = vault.catalogue().device_name(take.device())?;
            hit.push((device, take.number()));
        }
    }
    Ok(hit)
}
