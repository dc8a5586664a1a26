//! Bringing shelves up to date: look first, close the open reel, send what is not there, read it back, write it down.
//!
//! The writer's lock is held only while the reel is closed and while outcomes are recorded, never while bytes travel.
//! A copy is made once: where another shelf on this computer holds a reel whole, its object is copied as it is.

use std::collections::BTreeSet;
use std::sync::Arc;
use std::time::Duration;

use crate::care::noting::{
    note_mirrored, note_verified, record_reel, record_survey, unrecord_reel,
};
use crate::care::progress::{Progress, Silent};
use crate::care::sending::{self, Job, NotSent, Reaching, Sender, Travel, copy_keys, in_parallel};
use crate::care::standing::{self, ShelfState};
use crate::care::survey::{self, Known, Ours, Presence, Survey};
use crate::error::{Error, Kind, Next, Result};
use crate::shelf::Shelf;
use crate::shelf::copying::Copying;
use crate::shelf::name::ReelName;
use crate::shelf::net::Rate;
use crate::shelf::plan::Conflict;
use crate::shelf::registry::{HOST, Registry};
use crate::sys::disk::Replace;
use crate::sys::lock::{self, WriterLock};
use crate::vault::Vault;
use crate::vault::catalogue::ShelfRow;

/// What a mirror did at one shelf.
#[derive(Debug, Clone, PartialEq)]
pub struct MirroredShelf {
    /// Its name.
    pub name: String,
    /// Reels sent.
    pub reels_sent: u64,
    /// Bytes sent.
    pub bytes_sent: u64,
    /// Closed reels of this vault.
    pub reels_total: u64,
    /// Of those, how many are at the shelf, read back and right.
    pub verified: u64,
    /// True if it was reached and looked at.
    pub reached: bool,
    /// How the shelf stands now; where it was not reached, as it stood.
    pub state: ShelfState,
    /// Why, if it is not good.
    pub reason: Option<String>,
    /// Things worth telling that stopped nothing.
    pub notes: Vec<String>,
    /// What went wrong on the way, if anything did; what was sent by then stays.
    pub error: Option<String>,
    /// What can be done about it, or about why it was not reached.
    pub next: Next,
}

/// One shelf on its way through a mirror.
struct Visit {
    row: ShelfRow,
    shelf: Option<Box<dyn Shelf>>,
    known: Known,
    survey: Option<Survey>,
    sent: Vec<(ReelName, u64)>,
    wrong: Option<String>,
    /// Why it could not be reached.
    away: Option<String>,
    /// Names of the further keys that are there.
    keys: Option<Vec<String>>,
    notes: Vec<String>,
    error: Option<String>,
    next: Next,
    /// Held until the visit is over: two mirrors at once would send everything twice.
    _turn: Option<WriterLock>,
}

/// What is asked for with a mirror.
pub struct MirrorOptions {
    /// Shelves by name; none for all.
    pub shelves: Vec<String>,
    /// Bytes a second in each direction for distant shelves, instead of what is set for each.
    pub limit: Option<Rate>,
    /// Told while bytes travel.
    pub progress: Arc<dyn Progress>,
}

impl MirrorOptions {
    /// These shelves, none for all, with the limits that are set for them and nobody waiting.
    pub fn of(shelves: &[String]) -> MirrorOptions {
        MirrorOptions {
            shelves: shelves.to_vec(),
            limit: None,
            progress: Arc::new(Silent),
        }
    }
}

/// Mirrors the vault to the shelves named, or to all.
///
/// # Errors
/// `NotFound` for a name that is no shelf; `Busy`; `Io` of the vault itself. What fails at one shelf is told in its
/// result and stops no other.
pub fn mirror(
    vault: &Vault,
    options: &MirrorOptions,
    wait: Duration,
) -> Result<Vec<MirroredShelf>> {
    let disk = vault.world().disk.clone();
    let mut registry = Registry::read(disk.as_ref(), vault.dir())?;
    if let Some(limit) = options.limit {
        registry.limit_all(limit);
    }
    let mut rows = Vec::new();
    if options.shelves.is_empty() {
        rows = vault.catalogue().shelves()?;
    }
    for name in &options.shelves {
        rows.push(survey::shelf_row(vault, name)?);
    }
    if rows.is_empty() {
        return Ok(Vec::new());
    }
    let copying = Copying::read(disk.as_ref(), vault.dir())?;
    let mut ours = survey::ours(vault, &copying.name_key)?;
    let mut visits = Vec::new();
    let named = !options.shelves.is_empty();
    for row in rows {
        visits.push(look(vault, &registry, &copying, &ours, row, named, wait)?);
    }
    close_open_reel(vault, &copying, &mut ours, &mut visits, wait)?;
    // What was read while looking counts as a source for the others.
    for visit in &visits {
        record(vault, &ours, visit, wait)?;
    }
    for visit in &mut visits {
        send_what_waits(vault, &registry, &copying, &ours, visit, options, wait)?;
        send_keys(vault, visit);
        record(vault, &ours, visit, wait)?;
    }
    visits
        .iter()
        .map(|visit| told(vault, &registry, &ours, visit))
        .collect()
}

fn look(
    vault: &Vault,
    registry: &Registry,
    copying: &Copying,
    ours: &Ours,
    row: ShelfRow,
    named: bool,
    wait: Duration,
) -> Result<Visit> {
    let known = Known::of(vault, row.id)?;
    let mut visit = Visit {
        row,
        shelf: None,
        known,
        survey: None,
        sent: Vec::new(),
        wrong: None,
        away: None,
        keys: None,
        notes: Vec::new(),
        error: None,
        next: Next::Nothing,
        _turn: None,
    };
    let Some(reach) = registry.get(&visit.row.name) else {
        visit
            .notes
            .push("where it is is not known on this computer".to_string());
        return Ok(visit);
    };
    let turn = vault.dir().join(format!(".mirror-{}.lock", visit.row.name));
    match lock::acquire(&turn, wait, vault.world().clock.as_ref()) {
        Ok(turn) => visit._turn = Some(turn),
        Err(e) if e.kind == Kind::Busy => {
            let busy = Error::new(
                Kind::Busy,
                format!("another mirror is bringing {} up to date", visit.row.name),
            );
            visit.fail(&busy.next(Next::say(
                "see what it did when it is done: farshelf shelf list",
            )));
            return Ok(visit);
        }
        // It only saves work: a vault that cannot be written to says so where that matters.
        Err(_) => {}
    }
    let shelf = match reach.open(vault.world()) {
        Ok(shelf) => shelf,
        Err(e) => {
            visit.fail(&e);
            return Ok(visit);
        }
    };
    match survey::presence(vault, &visit.row, shelf.as_ref()) {
        // At a host the key gets one in again, without a user or a password that could be told.
        Presence::Away(e) if e.kind == Kind::Refused && reach.kind == HOST => {
            let command = format!("shelf add {} {}", visit.row.name, reach.location);
            visit.is_away(
                e.next(Next::run("get in again by your key", command)),
                named,
            );
        }
        Presence::Away(e) => visit.is_away(e, named),
        Presence::Wrong(why) => visit.wrong = Some(why),
        Presence::There => {
            match survey::survey(
                vault.id(),
                &copying.name_key,
                ours,
                &visit.known,
                shelf.as_ref(),
            ) {
                Ok(found) => {
                    // Its disk may have gone while it was being read: then nothing of this counts.
                    match survey::presence(vault, &visit.row, shelf.as_ref()) {
                        Presence::There => {
                            visit.survey = Some(found);
                            visit.shelf = Some(shelf);
                        }
                        _ => visit.went_away(),
                    }
                }
                Err(e) => {
                    visit.away =
                        matches!(e.kind, Kind::Unreachable | Kind::Refused).then(|| e.fact());
                    visit.fail(&e);
                }
            }
        }
    }
    Ok(visit)
}

impl Visit {
    /// Keeps the first thing that went wrong, and what to do about it.
    fn fail(&mut self, e: &Error) {
        if self.error.is_none() {
            self.error = Some(e.fact());
            self.next = e.next_step().clone();
        }
    }

    /// A stick that is not there, or a friend's computer that is off, is no failure of a mirror to all; one that was
    /// named has failed, and so has one that answers and does not let us in.
    fn is_away(&mut self, e: Error, named: bool) {
        self.away = Some(e.fact());
        if named || e.kind == Kind::Refused {
            self.fail(&e);
        } else {
            self.notes.push(e.fact());
            self.next = e.next_step().clone();
        }
    }

    fn went_away(&mut self) {
        let why = "it went away while it was read".to_string();
        self.notes.push(why.clone());
        self.away = Some(why);
    }
}

/// Closes the open reel so that its facts can travel, unless a shelf holds reels that would have to come before it.
fn close_open_reel(
    vault: &Vault,
    copying: &Copying,
    ours: &mut Ours,
    visits: &mut [Visit],
    wait: Duration,
) -> Result<()> {
    if !ours.chain.open_facts || visits.iter().all(|v| v.survey.is_none()) {
        return Ok(());
    }
    let last = ours.chain.closed.keys().next_back().copied().unwrap_or(0);
    let holds = |visit: &Visit| {
        visit.survey.as_ref().is_some_and(|s| {
            s.plan.conflict.is_some() && s.plan.foreign.iter().all(|n| n.number > last)
        })
    };
    if let Some(holder) = visits.iter().find(|v| holds(v)) {
        // Closing now would make a fork of what may be only an old copy of this vault.
        let note = format!(
            "the newest takes wait: shelf {} holds a later reel that this vault lacks",
            holder.row.name
        );
        for visit in visits.iter_mut() {
            visit.notes.push(note.clone());
        }
        return Ok(());
    }
    vault.writer(wait)?.close_reel()?;
    *ours = survey::ours(vault, &copying.name_key)?;
    for visit in visits {
        if let Some(found) = &mut visit.survey {
            found.compare(&ours.chain, &visit.known.reels);
        }
    }
    Ok(())
}

fn send_what_waits(
    vault: &Vault,
    registry: &Registry,
    copying: &Copying,
    ours: &Ours,
    visit: &mut Visit,
    options: &MirrorOptions,
    wait: Duration,
) -> Result<()> {
    let (Some(shelf), Some(found)) = (&mut visit.shelf, &mut visit.survey) else {
        return Ok(());
    };
    // Bytes are spoiled on a network; on a disk it is the disk that is bad, and its owner has to hear of it.
    let spoiled: BTreeSet<u64> = match shelf.is_near() {
        true => BTreeSet::new(),
        false => found.plan.spoiled.iter().copied().collect(),
    };
    if found.plan.conflict.is_some() || (found.plan.to_send.is_empty() && spoiled.is_empty()) {
        return Ok(());
    }
    let jobs: Vec<Job> = spoiled
        .iter()
        .chain(&found.plan.to_send)
        .filter_map(|n| {
            Some(Job {
                number: *n,
                hash: *ours.hashes.get(n)?,
                bytes: ours.bytes.get(n).copied().unwrap_or(0),
            })
        })
        .collect();
    let sources = sending::sources(vault, registry, &visit.row.name, Reaching::NearOnly)?;
    let disk = vault.world().disk.clone();
    let sender = Sender {
        reels: &vault.reels_dir(),
        disk: disk.as_ref(),
        vault_id: vault.id(),
        copying,
    };
    let row = &visit.row;
    let travel = Travel::begin(&row.name, &jobs, Arc::clone(&options.progress));
    let watching = Arc::clone(&travel);
    shelf.watch(Arc::new(move |bytes| watching.moved(bytes)));
    let outcomes = in_parallel(
        &sender,
        shelf.as_ref(),
        // What lies there spoiled may have the name of a near copy: it is sealed anew, under another.
        |job| match spoiled.contains(&job.number) {
            true => &[],
            false => sources.as_slice(),
        },
        &jobs,
        |job, name, bytes| {
            travel.arrived(job, bytes);
            record_reel(vault, row, &name, bytes, wait)
        },
    );
    options.progress.ends();
    let mut failed = Vec::new();
    for outcome in outcomes? {
        match outcome {
            Ok((name, bytes)) => {
                found.plan.present.insert(name.number, name);
                found.plan.to_send.retain(|n| *n != name.number);
                if found.plan.damaged.remove(&name.number).is_some() {
                    let number = name.number;
                    visit.notes.push(format!(
                        "reel {number} had not arrived there as it was sent; it was sent anew"
                    ));
                }
                visit.sent.push((name, bytes));
            }
            Err(NotSent::Local(what)) => visit.notes.push(what),
            Err(NotSent::Shelf(e)) => failed.push(e),
        }
    }
    if let Some(first) = failed.first() {
        visit.fail(first);
    }
    stand_under_their_names(vault, visit, wait)
}

/// Looks once more at a distant shelf for what was sent. Where nobody checks signatures, a line that spoils the same
/// byte of each request may have stored a copy, and given it back, under another name.
fn stand_under_their_names(vault: &Vault, visit: &mut Visit, wait: Duration) -> Result<()> {
    let (Some(shelf), Some(found)) = (&visit.shelf, &mut visit.survey) else {
        return Ok(());
    };
    if shelf.is_near() || visit.sent.is_empty() {
        return Ok(());
    }
    // What cannot be listed now was read back all the same; the next mirror looks first.
    let Ok(listed) = survey::list_reels(shelf.as_ref()) else {
        return Ok(());
    };
    let there: BTreeSet<ReelName> = listed.into_iter().map(|(name, _)| name).collect();
    let gone: Vec<ReelName> = visit.sent.iter().map(|(name, _)| *name).collect();
    let mut astray = false;
    for name in gone.into_iter().filter(|n| !there.contains(n)) {
        visit.sent.retain(|(n, _)| *n != name);
        found.plan.present.remove(&name.number);
        found.plan.to_send.push(name.number);
        unrecord_reel(vault, &visit.row, name.number, wait)?;
        astray = true;
    }
    if astray {
        let location = shelf.location();
        let e = Error::new(
            Kind::Unreachable,
            format!("copies sent to {location} do not stand there under their names"),
        );
        visit.fail(&e.next(Next::say("run the same command again: they are sent anew")));
    }
    Ok(())
}

/// Copies further keys that are not there yet.
fn send_keys(vault: &Vault, visit: &mut Visit) {
    let (Some(shelf), Some(found)) = (&visit.shelf, &visit.survey) else {
        return;
    };
    if found.plan.conflict.is_some() {
        return;
    }
    match copy_keys(vault, shelf.as_ref(), Replace::No) {
        // What is there now: those that were, and those that were written.
        Ok(_) => {
            let fit = |name: &String| standing::key_file(vault, name).is_some();
            visit.keys = Some(standing::key_files(vault).into_iter().filter(fit).collect());
        }
        Err(e) => {
            visit.fail(&e);
        }
    }
}

/// The words for foreign reels at a shelf, under the code of their kind.
pub fn conflict_words(found: &Survey) -> Option<(&'static str, String)> {
    let reels = survey::name_reels(&found.plan.foreign);
    Some(match found.plan.conflict? {
        Conflict::Ahead => (
            Conflict::Ahead.as_str(),
            format!("it holds reels that this vault lacks: {reels}"),
        ),
        Conflict::Forked => (
            Conflict::Forked.as_str(),
            format!("another vault of this name went on there: {reels}"),
        ),
    })
}

fn record(vault: &Vault, ours: &Ours, visit: &Visit, wait: Duration) -> Result<()> {
    if visit.survey.is_none() && visit.wrong.is_none() && visit.away.is_none() {
        return Ok(());
    }
    let now = vault.world().now();
    let _lock = vault.lock(wait)?;
    vault.catalogue().in_transaction(|catalogue| {
        let mut check = catalogue.shelf_check(visit.row.id)?;
        check.away = visit.away.clone();
        if visit.survey.is_none() && visit.wrong.is_none() {
            return catalogue.set_shelf_check(visit.row.id, &check);
        }
        let mut damage: Vec<(&str, String)> = Vec::new();
        damage.extend(visit.wrong.iter().map(|w| ("shelf.json", w.clone())));
        if let Some(found) = &visit.survey {
            record_survey(vault, ours, &visit.row, found)?;
            damage.extend(conflict_words(found));
            check.seen_at = Some(now);
            if let Some(report) = &found.report {
                check.reported_at = report.checked_at;
            }
            if let Some(keys) = &visit.keys {
                check.keys = Some(keys.join("\n"));
            }
            check.file_system = visit.shelf.as_ref().and_then(|s| s.file_system());
            let plan = &found.plan;
            let all_there = plan.conflict.is_none()
                && plan.to_send.is_empty()
                && plan.missing.is_empty()
                && plan.damaged.is_empty()
                && !ours.chain.open_facts
                && visit.error.is_none();
            if all_there {
                check.mirrored_at = Some(now);
                let through = plan.present.keys().next_back().copied().unwrap_or(0);
                note_mirrored(vault, &visit.row.name, through, now)?;
            }
            let mut verified: Vec<u64> = visit.sent.iter().map(|(n, _)| n.number).collect();
            verified.extend(found.read.iter().filter_map(|(name, _)| {
                (plan.present.get(&name.number) == Some(name)).then_some(name.number)
            }));
            note_verified(vault, &visit.row.name, &verified, now)?;
        }
        check.damage = survey::replace_damage(
            check.damage.as_deref(),
            &["ahead", "forked", "shelf.json"],
            &damage,
        );
        catalogue.set_shelf_check(visit.row.id, &check)
    })
}

fn told(vault: &Vault, registry: &Registry, ours: &Ours, visit: &Visit) -> Result<MirroredShelf> {
    let stands = standing::standing(vault, registry, &visit.row)?;
    let mut notes = visit.notes.clone();
    let mut verified = stands.reels;
    if let Some(found) = &visit.survey {
        verified = found.plan.present.len() as u64;
        if !found.plan.unfit.is_empty() {
            notes.push(format!(
                "objects there that are no reels of this vault, whatever their names say: {}",
                survey::name_reels(&found.plan.unfit)
            ));
        }
        if !found.plan.found.is_empty() {
            notes.push(format!(
                "reels there that this vault has lost, repair fetches them: {}",
                survey::name_reels(&found.plan.found)
            ));
        }
    }
    Ok(MirroredShelf {
        name: visit.row.name.clone(),
        reels_sent: visit.sent.len() as u64,
        bytes_sent: visit.sent.iter().map(|(_, b)| b).sum(),
        reels_total: ours.chain.closed.len() as u64,
        verified,
        reached: visit.survey.is_some(),
        state: stands.state,
        reason: stands.reason,
        notes,
        error: visit.error.clone(),
        next: visit.next.clone(),
    })
}
