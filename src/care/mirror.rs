//! Bringing shelves up to date: look first, close the open reel, send what is not there, read it back, write it down.
//!
//! The writer's lock is held only while the reel is closed and while outcomes are recorded, never while bytes travel.
//! A copy is made once: where another shelf on this computer holds a reel whole, its object is copied as it is.

use std::collections::{BTreeMap, BTreeSet};
use std::io::{Read, Write};
use std::path::Path;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Condvar, Mutex, mpsc};
use std::time::Duration;

use crate::care::progress::{Progress, Silent};
use crate::care::standing::{self, MISSING, ShelfState};
use crate::care::survey::{self, Known, Ours, Presence, Survey, Verdict};
use crate::error::{Error, Kind, Next, Result};
use crate::model::hash::Hash;
use crate::shelf::cipher::{SealError, seal};
use crate::shelf::copying::Copying;
use crate::shelf::name::{MacWriter, ReelName};
use crate::shelf::net::Rate;
use crate::shelf::plan::Conflict;
use crate::shelf::registry::{HOST, Registry};
use crate::shelf::{Part, Shelf, reading_error};
use crate::sys::clock::{day, rfc3339};
use crate::sys::disk::{FileReader, Replace};
use crate::sys::lock::{self, WriterLock};
use crate::vault::Vault;
use crate::vault::catalogue::{ShelfReel, ShelfRow};
use crate::vault::ledger::{self, Event};
use crate::vault::reel::file_name;

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

/// Bytes of reels that may be on their way to a distant shelf at once: an upload lies in memory until it has arrived.
const IN_FLIGHT: u64 = 112 << 20;
/// What a shelf's damage is called when its copy of a reel does not fit its name.
pub const ROTTED: &str = "its bytes are not those that were sent";

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

/// A reel to be put on a shelf.
#[derive(Debug, Clone)]
pub struct Job {
    /// Its number.
    pub number: u64,
    /// BLAKE3 of the closed reel.
    pub hash: Hash,
    /// Its length.
    pub bytes: u64,
}

/// Why a reel was not put on a shelf.
#[derive(Debug)]
pub enum NotSent {
    /// The local reel is not the one that was closed, and no other shelf has it whole.
    Local(String),
    /// The shelf failed.
    Shelf(Error),
}

/// What putting reels on shelves needs.
#[derive(Debug)]
pub struct Sender<'v> {
    /// The folder of the local reels.
    pub reels: &'v Path,
    /// The disk of the vault.
    pub disk: &'v dyn crate::sys::disk::Disk,
    /// The vault's id.
    pub vault_id: &'v str,
    /// Recipient and name key.
    pub copying: &'v Copying,
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
    let sources = sources(vault, registry, &visit.row.name, Reaching::NearOnly)?;
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
    Ok(())
}

/// How far a mirror has come with one shelf. Each byte travels twice: there, and back to be checked.
struct Travel {
    progress: Arc<dyn Progress>,
    moved: AtomicU64,
    /// Plain bytes in all; plain bytes and sealed bytes of the reels that have arrived.
    told: Mutex<(u64, u64, u64)>,
}

impl Travel {
    fn begin(shelf: &str, jobs: &[Job], progress: Arc<dyn Progress>) -> Arc<Travel> {
        let all: u64 = jobs.iter().map(|j| j.bytes).sum();
        progress.begins(shelf, all * 2);
        Arc::new(Travel {
            progress,
            moved: AtomicU64::new(0),
            told: Mutex::new((all, 0, 0)),
        })
    }

    fn moved(&self, bytes: u64) {
        let at = self.moved.fetch_add(bytes, Ordering::Relaxed) + bytes;
        self.progress.at(at);
    }

    /// A reel has arrived: how far the others will shrink is guessed from those before them.
    fn arrived(&self, job: &Job, sealed: u64) {
        let Ok(mut told) = self.told.lock() else {
            return;
        };
        told.1 += job.bytes;
        told.2 += sealed;
        let ratio = told.2 as f64 / told.1.max(1) as f64;
        let all = told.2 as f64 + told.0.saturating_sub(told.1) as f64 * ratio;
        self.progress.expects((all * 2.0) as u64);
        // A folder tells nothing on the way.
        let at = self.moved.fetch_max(told.2 * 2, Ordering::Relaxed);
        self.progress.at(at.max(told.2 * 2));
    }
}

/// Room in memory for reels on their way; who finds none waits.
struct Room {
    free: Mutex<u64>,
    freed: Condvar,
}

impl Room {
    /// Runs `work` once there is room for `bytes`; more than there is room for at all waits for all of it.
    fn with<T>(&self, bytes: u64, work: impl FnOnce() -> T) -> T {
        let bytes = bytes.min(IN_FLIGHT);
        // A poisoned lock means that another worker panicked: then nobody waits.
        if let Ok(mut free) = self.free.lock() {
            while *free < bytes {
                match self.freed.wait(free) {
                    Ok(again) => free = again,
                    Err(_) => return work(),
                }
            }
            *free -= bytes;
        }
        let done = work();
        if let Ok(mut free) = self.free.lock() {
            *free += bytes;
        }
        self.freed.notify_all();
        done
    }
}

/// Which shelves copies are taken from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reaching {
    /// Those that cost no network: sealing anew costs less than fetching from far away.
    NearOnly,
    /// All.
    All,
}

/// A shelf that copies may be taken from.
#[derive(Debug)]
pub struct Source {
    /// Its name.
    pub name: String,
    /// The shelf.
    pub shelf: Box<dyn Shelf>,
    /// Objects that were found right when last read, by number. They are checked again on the way.
    pub objects: BTreeMap<u64, ReelName>,
}

/// The shelves that are there, but for the one called `but`.
///
/// # Errors
/// As the catalogue's.
pub fn sources(
    vault: &Vault,
    registry: &Registry,
    but: &str,
    reaching: Reaching,
) -> Result<Vec<Source>> {
    let mut sources = Vec::new();
    for row in vault.catalogue().shelves()? {
        let Some(reach) = registry.get(&row.name).filter(|_| row.name != but) else {
            continue;
        };
        if reaching == Reaching::NearOnly && !reach.is_near() {
            continue;
        }
        // One that cannot be opened now is none to take from.
        let Ok(shelf) = reach.open(vault.world()) else {
            continue;
        };
        if !matches!(
            survey::presence(vault, &row, shelf.as_ref()),
            Presence::There
        ) {
            continue;
        }
        let objects = vault
            .catalogue()
            .shelf_reels(row.id)?
            .into_iter()
            .filter(|r| r.verified_at.is_some() && r.damage.is_none())
            .filter_map(|r| Some((r.reel, r.object.parse().ok()?)))
            .collect();
        sources.push(Source {
            name: row.name,
            shelf,
            objects,
        });
    }
    Ok(sources)
}

type Outcome = std::result::Result<(ReelName, u64), NotSent>;

/// Puts the reels of `jobs` on `shelf`, some side by side; `done` is called on this thread for each that arrived.
fn in_parallel<'s>(
    sender: &Sender<'_>,
    shelf: &dyn Shelf,
    sources: impl Fn(&Job) -> &'s [Source] + Sync,
    jobs: &[Job],
    mut done: impl FnMut(&Job, ReelName, u64) -> Result<()>,
) -> Result<Vec<Outcome>> {
    let queue = Mutex::new(jobs.iter());
    let stop = AtomicBool::new(false);
    let room = Room {
        free: Mutex::new(IN_FLIGHT),
        freed: Condvar::new(),
    };
    std::thread::scope(|scope| {
        let (tell, told) = mpsc::channel::<(&Job, Outcome)>();
        for _ in 0..shelf.side_by_side().min(jobs.len()) {
            let tell = tell.clone();
            let (queue, stop, room, sources) = (&queue, &stop, &room, &sources);
            scope.spawn(move || {
                while !stop.load(Ordering::Relaxed) {
                    // A poisoned queue means that the other worker panicked: this one ends too.
                    let Some(job) = queue.lock().ok().and_then(|mut q| q.next()) else {
                        break;
                    };
                    let send = || sender.send(shelf, sources(job), job, Replace::No);
                    let outcome = match shelf.is_near() {
                        true => send(),
                        false => room.with(job.bytes, send),
                    };
                    if matches!(outcome, Err(NotSent::Shelf(_))) {
                        stop.store(true, Ordering::Relaxed);
                    }
                    if tell.send((job, outcome)).is_err() {
                        break;
                    }
                }
            });
        }
        drop(tell);
        let mut outcomes = Vec::new();
        let mut failed = None;
        for (job, outcome) in told {
            if let (Ok((name, bytes)), None) = (&outcome, &failed)
                && let Err(e) = done(job, *name, *bytes)
            {
                stop.store(true, Ordering::Relaxed);
                failed = Some(e);
            }
            outcomes.push(outcome);
        }
        match failed {
            Some(e) => Err(e),
            None => Ok(outcomes),
        }
    })
}

impl Sender<'_> {
    /// Puts one reel on `shelf`: copied from the first of `sources` that has it whole, else sealed anew from the local
    /// reel; read back afterwards. Gives its name there and its bytes.
    ///
    /// # Errors
    /// [`NotSent`].
    pub fn send(
        &self,
        shelf: &dyn Shelf,
        sources: &[Source],
        job: &Job,
        replace: Replace,
    ) -> Outcome {
        let tag = self.copying.name_key.tag(&job.hash.0);
        for source in sources {
            let Some(name) = source.objects.get(&job.number).filter(|n| n.tag == tag) else {
                continue;
            };
            if let Some(bytes) = self.copy(source.shelf.as_ref(), shelf, name, replace)? {
                return self.read_back(shelf, name, bytes);
            }
        }
        let (name, bytes) = self.seal_anew(shelf, job, replace)?;
        self.read_back(shelf, &name, bytes)
    }

    /// Copies an object as it is; `None` if the source turned out not to be whole.
    fn copy(
        &self,
        source: &dyn Shelf,
        shelf: &dyn Shelf,
        name: &ReelName,
        replace: Replace,
    ) -> std::result::Result<Option<u64>, NotSent> {
        let path = Part::Reels.path(&name.to_string());
        let Ok(object) = source.read(&path) else {
            return Ok(None);
        };
        let mut object = object.take(survey::LONGEST_OBJECT);
        let upload = shelf.begin().map_err(NotSent::Shelf)?;
        let hasher = self
            .copying
            .name_key
            .mac(self.vault_id, name.number, &name.tag);
        let mut out = MacWriter::new(upload, hasher);
        let mut buffer = vec![0u8; 1 << 20];
        loop {
            let n = match object.read(&mut buffer) {
                Ok(0) => break,
                Ok(n) => n,
                Err(_) => return Ok(None),
            };
            out.write_all(&buffer[..n])
                .map_err(|e| self.failed(shelf, e))?;
        }
        let (upload, mac, bytes) = out.finish();
        if !mac.matches(&name.mac) {
            return Ok(None);
        }
        upload.publish(&path, replace).or_else(already_there)?;
        Ok(Some(bytes))
    }

    fn seal_anew(
        &self,
        shelf: &dyn Shelf,
        job: &Job,
        replace: Replace,
    ) -> std::result::Result<(ReelName, u64), NotSent> {
        let local = |what: String| {
            NotSent::Local(format!(
                "reel {} was not sent: the local one {what}",
                job.number
            ))
        };
        let path = self.reels.join(file_name(job.number));
        let file = self
            .disk
            .open(&path)
            .map_err(|e| local(format!("cannot be read: {e}")))?;
        file.drop_cached();
        let mut upload = shelf.begin().map_err(NotSent::Shelf)?;
        let sealed = seal(
            FileReader::new(file.as_ref()),
            &self.copying.recipient,
            &self.copying.name_key,
            self.vault_id,
            job.number,
            &job.hash.0,
            &mut upload,
        )
        .map_err(|e| match e {
            SealError::Read(e) => local(format!("cannot be read: {e}")),
            SealError::PlainChanged { .. } => local("is damaged".to_string()),
            SealError::Write(e) => self.failed(shelf, e),
            SealError::Encrypt(_) => NotSent::Shelf(
                Error::new(Kind::Bug, "the encryption could not be set up").because(e),
            ),
        })?;
        // No other object has this name: if it is there already, our own answer was lost on the way.
        upload
            .publish(&Part::Reels.path(&sealed.name.to_string()), replace)
            .or_else(already_there)?;
        Ok((sealed.name, sealed.sealed_bytes))
    }

    fn read_back(&self, shelf: &dyn Shelf, name: &ReelName, bytes: u64) -> Outcome {
        // I6: a copy counts only after this vault read it back.
        match survey::read_and_check(shelf, name, self.vault_id, &self.copying.name_key) {
            Ok(Verdict::Good) => Ok((*name, bytes)),
            Ok(Verdict::Bad) => Err(NotSent::Shelf(Error::new(
                Kind::Damaged,
                format!(
                    "reel {} was written to {} and did not read back as it was sent",
                    name.number,
                    shelf.location()
                ),
            ))),
            Err(e) => Err(NotSent::Shelf(e)),
            Ok(Verdict::Unreadable(why)) => Err(NotSent::Shelf(Error::new(
                Kind::Io,
                format!(
                    "reel {} was written to {} but {why}",
                    name.number,
                    shelf.location()
                ),
            ))),
        }
    }

    fn failed(&self, shelf: &dyn Shelf, e: std::io::Error) -> NotSent {
        NotSent::Shelf(reading_error(
            format!("cannot write to {}", shelf.location()),
            e,
        ))
    }
}

/// Two mirrors at once may send the same object: whoever comes second reads back what is there.
fn already_there(e: Error) -> std::result::Result<(), NotSent> {
    let same_name = std::error::Error::source(&e)
        .and_then(|s| s.downcast_ref::<std::io::Error>())
        .is_some_and(|s| s.kind() == std::io::ErrorKind::AlreadyExists);
    if same_name {
        Ok(())
    } else {
        Err(NotSent::Shelf(e))
    }
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

/// Copies the vault's further keys to a shelf: those that are not there, or with `Replace::Yes` also those that are
/// there with other bytes. Gives the names of those written.
///
/// # Errors
/// Of the shelf.
pub fn copy_keys(vault: &Vault, shelf: &dyn Shelf, replace: Replace) -> Result<Vec<String>> {
    let mut written = Vec::new();
    let there: Vec<String> = shelf
        .list(Part::Keys)?
        .into_iter()
        .map(|o| o.name)
        .collect();
    for name in standing::key_files(vault) {
        let path = Part::Keys.path(&name);
        let Some(bytes) = standing::key_file(vault, &name) else {
            continue;
        };
        let is_there = there.contains(&name);
        let right = is_there
            && (replace == Replace::No
                || matches!(shelf.read_small(&path, 1 << 16), Ok(Some(found)) if found == bytes));
        if right {
            continue;
        }
        put_small(shelf, &path, &bytes, replace)?;
        written.push(name);
    }
    Ok(written)
}

/// Writes a small object whole and reads it back.
///
/// # Errors
/// Of the shelf; `Damaged` if it does not read back.
pub fn put_small(shelf: &dyn Shelf, path: &str, bytes: &[u8], replace: Replace) -> Result<()> {
    let fail = |e| reading_error(format!("cannot write {path} to {}", shelf.location()), e);
    let mut upload = shelf.begin()?;
    upload.write_all(bytes).map_err(fail)?;
    upload.publish(path, replace)?;
    match shelf.read_small(path, bytes.len() as u64) {
        Ok(Some(found)) if found == bytes => Ok(()),
        _ => Err(Error::new(
            Kind::Damaged,
            format!(
                "{path} was written to {} and did not read back",
                shelf.location()
            ),
        )),
    }
}

/// Writes down one reel that arrived and was read back.
///
/// # Errors
/// `Busy`, `Io`.
pub fn record_reel(
    vault: &Vault,
    row: &ShelfRow,
    name: &ReelName,
    bytes: u64,
    wait: Duration,
) -> Result<()> {
    let now = vault.world().now();
    let _lock = vault.lock(wait)?;
    vault.catalogue().in_transaction(|catalogue| {
        catalogue.set_shelf_reel(
            row.id,
            &ShelfReel {
                reel: name.number,
                object: name.to_string(),
                bytes,
                mirrored_at: Some(now),
                verified_at: Some(now),
                damage: None,
            },
        )
    })
}

/// Writes down what was seen of a shelf's reels: those read and found right, and those that are damaged or gone.
/// The caller holds the lock and a transaction.
///
/// # Errors
/// As the catalogue's.
pub fn record_survey(vault: &Vault, ours: &Ours, row: &ShelfRow, found: &Survey) -> Result<()> {
    let now = vault.world().now();
    let catalogue = vault.catalogue();
    let rows = catalogue.shelf_reels(row.id)?;
    let before = |number| rows.iter().find(|r| r.reel == number).cloned();
    let unfit = found.plan.unfit.iter();
    let unfit = unfit.filter_map(|n| Some((n.to_string(), *found.bytes.get(n)?)));
    catalogue.set_shelf_unfit(row.id, &unfit.collect())?;
    for (name, bytes) in &found.read {
        let is_ours = found.plan.present.get(&name.number) == Some(name);
        if is_ours && ours.hashes.contains_key(&name.number) {
            let earlier = before(name.number).and_then(|r| r.mirrored_at);
            catalogue.set_shelf_reel(
                row.id,
                &ShelfReel {
                    reel: name.number,
                    object: name.to_string(),
                    bytes: *bytes,
                    mirrored_at: earlier.or(Some(now)),
                    verified_at: Some(now),
                    damage: None,
                },
            )?;
        }
    }
    let blame = |number: u64, what: &str, object: Option<&ReelName>| {
        let mut reel = before(number).unwrap_or(ShelfReel {
            reel: number,
            object: object.map(|n| n.to_string()).unwrap_or_default(),
            bytes: 0,
            mirrored_at: None,
            verified_at: None,
            damage: None,
        });
        reel.damage = Some(what.to_string());
        catalogue.set_shelf_reel(row.id, &reel)
    };
    for (number, object) in &found.plan.damaged {
        let why = found.unreadable.iter().find(|(n, _)| n == object);
        blame(*number, why.map_or(ROTTED, |(_, w)| w), Some(object))?;
    }
    for number in &found.plan.missing {
        blame(*number, MISSING, None)?;
    }
    Ok(())
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

fn note_mirrored(vault: &Vault, shelf: &str, through: u64, now: i64) -> Result<()> {
    let event = Event::Mirrored(ledger::Mirrored {
        shelf: shelf.to_string(),
        when: rfc3339(now),
        through,
    });
    let subject = format!("mirrored/{shelf}/{}", day(now, &vault.world().zone));
    vault.catalogue().put_note(&subject, &line(&event)?)
}

/// Keeps the note that reels were read back at a shelf; one of the same day takes in the one before.
///
/// # Errors
/// As the catalogue's.
pub fn note_verified(vault: &Vault, shelf: &str, reels: &[u64], now: i64) -> Result<()> {
    let subject = format!("verified/{shelf}/{}", day(now, &vault.world().zone));
    let mut all: Vec<(u64, u64)> = reels.iter().map(|n| (*n, *n)).collect();
    if all.is_empty() {
        return Ok(());
    }
    let waiting = vault.catalogue().note(&subject)?;
    if let Some(Event::Verified(before)) =
        waiting.and_then(|text| serde_json::from_str::<Event>(&text).ok())
    {
        all.extend(before.reels);
    }
    let event = Event::Verified(ledger::Verified {
        shelf: shelf.to_string(),
        when: rfc3339(now),
        reels: merged(all),
    });
    vault.catalogue().put_note(&subject, &line(&event)?)
}

fn line(event: &Event) -> Result<String> {
    serde_json::to_string(event)
        .map_err(|e| Error::new(Kind::Bug, "a note cannot be written").because(e))
}

/// Unbroken runs out of runs that may touch or overlap.
fn merged(mut runs: Vec<(u64, u64)>) -> Vec<(u64, u64)> {
    runs.sort_unstable();
    let mut out: Vec<(u64, u64)> = Vec::new();
    for (first, last) in runs {
        match out.last_mut() {
            Some(run) if first <= run.1.saturating_add(1) => run.1 = run.1.max(last),
            _ => out.push((first, last)),
        }
    }
    out
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

#[cfg(test)]
mod tests {
    use super::merged;

    #[test]
    fn runs_are_merged() {
        assert_eq!(
            merged(vec![(3, 3), (1, 1), (2, 2), (7, 9), (8, 8)]),
            [(1, 3), (7, 9)]
        );
        assert_eq!(merged(vec![]), []);
    }
}
