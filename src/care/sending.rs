//! Putting reels on a shelf: copied from another shelf or sealed anew, some side by side, each read back.

use std::collections::BTreeMap;
use std::io::{Read, Write};
use std::path::Path;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Condvar, Mutex, mpsc};

use crate::care::progress::Progress;
use crate::care::standing;
use crate::care::survey::{self, Presence, Verdict};
use crate::error::{Error, Kind, Result};
use crate::model::hash::Hash;
use crate::shelf::cipher::{SealError, seal};
use crate::shelf::copying::Copying;
use crate::shelf::name::{MacWriter, ReelName};
use crate::shelf::registry::Registry;
use crate::shelf::{Part, Shelf, reading_error};
use crate::sys::disk::{FileReader, Replace};
use crate::vault::Vault;
use crate::vault::reel::file_name;

/// Bytes of reels that may be on their way to a distant shelf at once: an upload lies in memory until it has arrived.
const IN_FLIGHT: u64 = 112 << 20;

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

/// How far a mirror has come with one shelf. Each byte travels twice: there, and back to be checked.
pub(super) struct Travel {
    progress: Arc<dyn Progress>,
    moved: AtomicU64,
    /// Plain bytes in all; plain bytes and sealed bytes of the reels that have arrived.
    told: Mutex<(u64, u64, u64)>,
}

impl Travel {
    pub(super) fn begin(shelf: &str, jobs: &[Job], progress: Arc<dyn Progress>) -> Arc<Travel> {
        let all: u64 = jobs.iter().map(|j| j.bytes).sum();
        progress.begins(shelf, all * 2);
        Arc::new(Travel {
            progress,
            moved: AtomicU64::new(0),
            told: Mutex::new((all, 0, 0)),
        })
    }

    pub(super) fn moved(&self, bytes: u64) {
        let at = self.moved.fetch_add(bytes, Ordering::Relaxed) + bytes;
        self.progress.at(at);
    }

    /// A reel has arrived: how far the others will shrink is guessed from those before them.
    pub(super) fn arrived(&self, job: &Job, sealed: u64) {
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
pub(super) fn in_parallel<'s>(
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
