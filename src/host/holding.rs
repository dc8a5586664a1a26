//! What a host holds for one guest: the objects, what was recorded of them, the room they take and may take.

use std::collections::{BTreeMap, HashSet};
use std::io;
use std::ops::Bound;
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};

use sha2::{Digest, Sha256};

use super::checks::{Check, Verdict};
use super::digest::Hashes;
use super::draft::Draft;
use super::folder::HostFolder;
use super::journal::{self, Durable, Journal};
use super::key;
use super::seen::Record;
use crate::error::{Error, Result};
use crate::lending::Report;
use crate::model::ids::GuestName;
use crate::sys::clock::rfc3339;
use crate::sys::disk::{self, Disk, DiskFile, FileKind, Replace};

/// A disk is never filled further than this, or than a hundredth of it, whichever is more.
const DISK_RESERVE: u64 = 256 << 20;
/// What an object counts for at least: an empty one takes room on the disk and in memory too.
const LEAST: u64 = 4096;
/// An object that is sent again within so many seconds of its last check is not noted as checked once more.
const SAME_AGAIN: i64 = 3600;
/// Objects that are held for one guest at most; a vault of a lifetime has a tenth of them.
const OBJECTS: usize = 1_000_000;

/// What `bytes` count for against a quota.
fn charge(bytes: u64) -> u64 {
    bytes.max(LEAST)
}

/// An object's file as it lies there.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Present {
    /// Its length.
    pub(super) bytes: u64,
    /// When it was last changed, unix seconds.
    pub(super) modified: i64,
}

/// All that is known of one object.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Entry {
    /// Its file, if it is there.
    pub(super) present: Option<Present>,
    /// What was recorded when it came.
    pub(super) record: Option<Record>,
    /// What reading it again found.
    pub(super) check: Option<Check>,
}

impl Entry {
    /// True if it appeared here once and is not there now.
    pub(super) fn is_gone(&self) -> bool {
        self.present.is_none() && self.record.is_some() && self.check.is_some()
    }

    /// True if the owner and the guest have to know about it.
    pub(super) fn is_bad(&self) -> bool {
        match (&self.present, &self.record) {
            (None, _) => self.is_gone(),
            (Some(present), Some(record)) if present.bytes != record.bytes => true,
            (Some(_), _) => self.check.is_some_and(|c| c.verdict == Verdict::Damaged),
        }
    }

    /// When it was last read again.
    pub(super) fn checked_at(&self) -> Option<i64> {
        self.check
            .filter(|c| c.verdict != Verdict::There)
            .map(|c| c.at)
    }

    /// The ETag it is served with.
    pub(super) fn etag(&self) -> String {
        match (&self.record, &self.present) {
            (Some(record), _) => record.etag(),
            // Nothing was recorded yet of what the owner put here by hand.
            (None, Some(p)) => format!("{:016x}{:016x}-1", p.bytes, p.modified),
            (None, None) => "none-1".to_string(),
        }
    }
}

/// What a guest's upload is refused for.
#[derive(Debug)]
pub(super) enum Refusal {
    /// It asked for the object not to be there, and it is.
    Exists,
    /// Other bytes are there under this name.
    OnlyAdds,
    /// It would hold more than it may: the limit and what it holds and is sending.
    Quota(u64, u64),
    /// It would hold more objects than this.
    TooMany(usize),
    /// The same object is being sent already, and there is no room for it twice.
    Busy,
    /// The guest is none any more.
    Ended,
    /// The host's disk is nearly full.
    DiskNearlyFull,
    /// The host's disk failed.
    Io(io::Error),
}

impl From<io::Error> for Refusal {
    fn from(e: io::Error) -> Refusal {
        match e.kind() {
            io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => Refusal::DiskNearlyFull,
            _ => Refusal::Io(e),
        }
    }
}

/// What came of an upload.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Arrival {
    /// A new object.
    New,
    /// It was there, whole; nothing was changed.
    Same,
    /// It was there and damaged, or gone; it is whole again.
    Healed,
}

/// Bytes promised to uploads of all guests on one disk.
#[derive(Debug)]
pub(super) struct Room {
    disk: Arc<dyn Disk>,
    root: PathBuf,
    promised: Mutex<u64>,
}

impl Room {
    /// The room on the disk of this host.
    pub(super) fn new(host: &HostFolder) -> Arc<Room> {
        Arc::new(Room {
            disk: host.world.disk.clone(),
            root: host.root.clone(),
            promised: Mutex::new(0),
        })
    }

    fn promised(&self) -> MutexGuard<'_, u64> {
        self.promised.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Promises `bytes` if the disk stays as free as it should with them and all that was promised before. What is
    /// refused is never counted, not even for a moment.
    fn take(&self, bytes: u64) -> std::result::Result<(), Refusal> {
        let total = disk::total_space(&self.root).unwrap_or(0);
        let free = self.disk.free_space(&self.root)?;
        let reserve = DISK_RESERVE.max(total / 100);
        let mut promised = self.promised();
        let all = promised.saturating_add(bytes);
        if free < all || free - all < reserve {
            return Err(Refusal::DiskNearlyFull);
        }
        *promised = all;
        Ok(())
    }
}

/// Room promised to an upload; dropping it gives the room back.
#[derive(Debug)]
pub(super) struct Promised {
    holding: Arc<Holding>,
    bytes: u64,
    /// What of it counts against the guest's quota; none for bytes that take the place of others.
    charged: u64,
    /// The object that is sent again.
    again: Option<String>,
}

impl Drop for Promised {
    fn drop(&mut self) {
        *self.holding.room.promised() -= self.bytes;
        let mut state = self.holding.lock();
        state.promised -= self.charged;
        if let Some(key) = &self.again {
            state.again.remove(key);
        }
    }
}

#[derive(Debug, Default)]
struct State {
    entries: BTreeMap<String, Entry>,
    held: u64,
    /// What the objects held count for.
    charged: u64,
    promised: u64,
    /// Keys of objects that are here and are being sent again, beyond the quota.
    again: HashSet<String>,
    /// Keys that somebody is bringing or judging right now.
    claims: HashSet<String>,
    /// How the folders looked when they were last read.
    stamps: Vec<Option<(i128, u64)>>,
    by_hand: Option<(i128, u64)>,
}

/// What a host holds for one guest.
#[derive(Debug)]
pub(super) struct Holding {
    host: HostFolder,
    /// The guest.
    pub(super) name: GuestName,
    /// The folder of its shelf.
    pub(super) shelf: PathBuf,
    room: Arc<Room>,
    state: Mutex<State>,
    unclaimed: Condvar,
    seen: Mutex<Journal>,
    checks: Mutex<Journal>,
    ended: AtomicBool,
    limit: usize,
}

/// An object that was opened for reading.
#[derive(Debug)]
pub(super) struct Opened {
    /// The file; cached pages were dropped.
    pub(super) file: Box<dyn DiskFile>,
    /// What is known of it; `present` is as the open file is.
    pub(super) entry: Entry,
    /// Its length.
    pub(super) bytes: u64,
}

struct Claim<'h> {
    holding: &'h Holding,
    key: &'h str,
}

impl Drop for Claim<'_> {
    fn drop(&mut self) {
        self.holding.lock().claims.remove(self.key);
        self.holding.unclaimed.notify_all();
    }
}

impl Holding {
    /// Reads what the host holds for a guest.
    ///
    /// # Errors
    /// `Io`.
    pub(super) fn open(host: &HostFolder, name: &GuestName) -> Result<Holding> {
        Holding::open_in(host, name, Room::new(host))
    }

    /// The same, on a disk that others take room of.
    ///
    /// # Errors
    /// `Io`.
    pub(super) fn open_in(host: &HostFolder, name: &GuestName, room: Arc<Room>) -> Result<Holding> {
        let disk = &host.world.disk;
        let holding = Holding {
            shelf: host.shelf(name),
            room,
            state: Mutex::default(),
            unclaimed: Condvar::new(),
            seen: Mutex::new(Journal::new(disk.clone(), host.seen(name))),
            checks: Mutex::new(Journal::new(disk.clone(), host.checks(name))),
            ended: AtomicBool::new(false),
            limit: OBJECTS,
            name: name.clone(),
            host: host.clone(),
        };
        let read = |path: PathBuf| {
            journal::lines(disk.as_ref(), &path)
                .map_err(|e| Error::io(format!("cannot read {}", path.display()), e))
        };
        let seen = read(host.seen(name))?;
        let checks = read(host.checks(name))?;
        {
            let mut state = holding.lock();
            for (key, record) in seen.iter().filter_map(|l| Record::read(l)) {
                state.entries.entry(key).or_default().record = Some(record);
            }
            for (key, check) in checks.iter().filter_map(|l| Check::read(l)) {
                state.entries.entry(key).or_default().check = Some(check);
            }
        }
        holding
            .refresh()
            .map_err(|e| Error::io(format!("cannot list {}", holding.shelf.display()), e))?;
        Ok(holding)
    }

    fn lock(&self) -> MutexGuard<'_, State> {
        // Every change of the state is one statement, so it is whole even after a panic elsewhere.
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn disk(&self) -> &Arc<dyn Disk> {
        &self.host.world.disk
    }

    /// The disk, for those who keep it.
    pub(super) fn shared_disk(&self) -> Arc<dyn Disk> {
        self.disk().clone()
    }

    fn stamp(&self, path: &std::path::Path) -> Option<(i128, u64)> {
        let meta = self.disk().meta(path).ok()?;
        let size = if meta.kind == FileKind::File {
            meta.size
        } else {
            0
        };
        Some((meta.mtime_ns, size))
    }

    fn stamps(&self) -> Vec<Option<(i128, u64)>> {
        let names = key::PARTS.iter().chain(&key::TOP);
        names.map(|n| self.stamp(&self.shelf.join(n))).collect()
    }

    /// Looks at the folders again if somebody changed them behind the host's back.
    ///
    /// # Errors
    /// Of listing.
    pub(super) fn refresh(&self) -> io::Result<()> {
        let by_hand = self.host.checks_by_hand(&self.name);
        let stamp = self.stamp(&by_hand);
        if stamp.is_some() && stamp != self.lock().by_hand {
            let lines = journal::lines(self.disk().as_ref(), &by_hand)?;
            let mut state = self.lock();
            for (key, check) in lines.iter().filter_map(|l| Check::read(l)) {
                let entry = state.entries.entry(key).or_default();
                if entry.check.is_none_or(|c| c.at <= check.at) {
                    entry.check = Some(check);
                }
            }
            state.by_hand = stamp;
        }
        // Read before the folders are, so that a change in between is seen the next time.
        let stamps = self.stamps();
        if self.lock().stamps == stamps {
            return Ok(());
        }
        let mut found: BTreeMap<String, Present> = BTreeMap::new();
        let mut look = |key: String| {
            if !key::valid(&key) {
                return;
            }
            if let Ok(meta) = self.disk().meta(&key::path(&self.shelf, &key))
                && meta.kind == FileKind::File
            {
                found.insert(key, present_of(&meta));
            }
        };
        for name in key::TOP {
            look(name.to_string());
        }
        for part in key::PARTS {
            let names = match self.disk().list(&self.shelf.join(part)) {
                Err(e) if e.kind() == io::ErrorKind::NotFound => Vec::new(),
                names => names?,
            };
            for name in names.iter().filter_map(|n| n.to_str()) {
                look(format!("{part}/{name}"));
            }
        }
        let mut state = self.lock();
        state.stamps = stamps;
        for (key, entry) in &mut state.entries {
            let was = entry.present;
            entry.present = found.remove(key).or_else(|| {
                // It may have appeared while the folders were being read.
                was?;
                let meta = self.disk().meta(&key::path(&self.shelf, key)).ok()?;
                (meta.kind == FileKind::File).then(|| present_of(&meta))
            });
        }
        for (key, present) in found {
            state.entries.entry(key).or_default().present = Some(present);
        }
        let (mut held, mut charged) = (0, 0);
        for present in state.entries.values().filter_map(|e| e.present) {
            held += present.bytes;
            charged += charge(present.bytes);
        }
        (state.held, state.charged) = (held, charged);
        Ok(())
    }

    /// What is known of an object.
    pub(super) fn entry(&self, key: &str) -> Entry {
        self.lock().entries.get(key).copied().unwrap_or_default()
    }

    /// Calls `take` for each object that is there, from `from` on in the order of bytes, until it returns false.
    pub(super) fn walk(&self, from: &str, mut take: impl FnMut(&str, &Entry) -> bool) {
        let state = self.lock();
        for (key, entry) in state
            .entries
            .range::<str, _>((Bound::Included(from), Bound::Unbounded))
        {
            if entry.present.is_some() && !take(key, entry) {
                break;
            }
        }
    }

    /// Everything that is known of any object, by key.
    pub(super) fn entries(&self) -> Vec<(String, Entry)> {
        let state = self.lock();
        state.entries.iter().map(|(k, e)| (k.clone(), *e)).collect()
    }

    /// Opens an object for reading; none if it is not there.
    ///
    /// # Errors
    /// Of opening.
    pub(super) fn open_object(&self, key: &str) -> io::Result<Option<Opened>> {
        let path = key::path(&self.shelf, key);
        // A link could lead anywhere, a pipe would wait for ever.
        match self.disk().meta(&path) {
            Ok(meta) if meta.kind == FileKind::File => {}
            Ok(_) => return Ok(None),
            Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(None),
            Err(e) => return Err(e),
        }
        let file = match self.disk().open(&path) {
            Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(None),
            file => file?,
        };
        file.drop_cached();
        let meta = file.meta()?;
        let mut entry = self.entry(key);
        entry.present = Some(present_of(&meta));
        Ok(Some(Opened {
            bytes: meta.size,
            entry,
            file,
        }))
    }

    /// Reads an object from the medium and gives its length and SHA-256; none if it is not there.
    ///
    /// # Errors
    /// Of reading.
    pub(super) fn rehash(&self, key: &str) -> io::Result<Option<(u64, [u8; 32])>> {
        let Some(opened) = self.open_object(key)? else {
            return Ok(None);
        };
        let hashed = hash(opened.file.as_ref())?;
        opened.file.drop_cached();
        Ok(Some(hashed))
    }

    /// Judges an upload before its body is read, and promises it room.
    ///
    /// # Errors
    /// A [`Refusal`].
    pub(super) fn promise(
        self: &Arc<Self>,
        key: &str,
        bytes: u64,
        sha256: Option<[u8; 32]>,
        absent_only: bool,
        quota: Option<u64>,
    ) -> std::result::Result<Promised, Refusal> {
        self.refresh()?;
        let entry = self.entry(key);
        if entry.present.is_some() && absent_only {
            return Err(Refusal::Exists);
        }
        let known = entry.present.is_some() || entry.is_gone();
        let length = match (&entry.record, &entry.present) {
            (Some(record), _) => Some(record.bytes),
            // Put here by hand, and nobody has read it yet.
            (None, present) => present.map(|p| p.bytes),
        };
        if known {
            let recorded = entry.record.map(|r| r.hashes.sha256);
            let other = sha256.is_some_and(|s| recorded.is_some_and(|r| r != s));
            if other || length.is_some_and(|l| l != bytes) {
                return Err(Refusal::OnlyAdds);
            }
        } else if self.is_full_for(key) {
            return Err(Refusal::TooMany(self.limit));
        }
        self.promise_what(bytes, known.then_some(key), quota)
    }

    /// Promises room for bytes of no certain object; unless they `count`, for the disk only.
    ///
    /// # Errors
    /// A [`Refusal`].
    pub(super) fn promise_room(
        self: &Arc<Self>,
        bytes: u64,
        counts: bool,
        quota: Option<u64>,
    ) -> std::result::Result<Promised, Refusal> {
        if counts {
            return self.promise_what(bytes, None, quota);
        }
        self.room.take(bytes)?;
        Ok(Promised {
            holding: self.clone(),
            bytes,
            charged: 0,
            again: None,
        })
    }

    /// Room for something new, or for the object `again` that is here already. That one needs no quota, but only once
    /// at a time: sent sixteen times at once it would take sixteen times its room.
    fn promise_what(
        self: &Arc<Self>,
        bytes: u64,
        again: Option<&str>,
        quota: Option<u64>,
    ) -> std::result::Result<Promised, Refusal> {
        let mut state = self.lock();
        let first = again.filter(|key| !state.again.contains(*key));
        let charged = if first.is_some() { 0 } else { charge(bytes) };
        let used = state.charged.saturating_add(state.promised);
        if let Some(quota) = quota
            && charged > 0
            && used.saturating_add(charged) > quota
        {
            return Err(match again {
                Some(_) => Refusal::Busy,
                None => Refusal::Quota(quota, used),
            });
        }
        self.room.take(bytes)?;
        state.promised += charged;
        let again = first.map(str::to_string);
        state.again.extend(again.clone());
        drop(state);
        Ok(Promised {
            holding: self.clone(),
            bytes,
            charged,
            again,
        })
    }

    /// True if there is no room for one more name.
    fn is_full_for(&self, key: &str) -> bool {
        let state = self.lock();
        state.entries.len() >= self.limit && !state.entries.contains_key(key)
    }

    /// The guest is none any more: nothing appears from here on.
    pub(super) fn end(&self) {
        self.ended.store(true, Ordering::Relaxed);
    }

    fn claim<'h>(&'h self, key: &'h str) -> Claim<'h> {
        let mut state = self.lock();
        while !state.claims.insert(key.to_string()) {
            state = self
                .unclaimed
                .wait(state)
                .unwrap_or_else(PoisonError::into_inner);
        }
        Claim { holding: self, key }
    }

    /// Lets a received object appear; its bytes are on stable storage and agree with `hashes`.
    ///
    /// # Errors
    /// A [`Refusal`]; what is there under this name is then as it was.
    pub(super) fn publish(
        &self,
        draft: Draft,
        key: &str,
        hashes: Hashes,
        absent_only: bool,
    ) -> std::result::Result<(Arrival, Record), Refusal> {
        // Of several who bring the same object, one is first and the others look at what it brought.
        let _claim = self.claim(key);
        if self.ended.load(Ordering::Relaxed) {
            return Err(Refusal::Ended);
        }
        let target = key::path(&self.shelf, key);
        let now = self.host.world.now();
        let new = Record {
            bytes: draft.bytes,
            hashes,
            at: now,
        };
        let present = self.disk().meta(&target).is_ok();
        if present && absent_only {
            return Err(Refusal::Exists);
        }
        let mut entry = self.entry(key);
        if present && entry.record.is_none() {
            // Put here by hand: what it is now is what it is held to from now on.
            entry.record = self.record_now(key)?;
        }
        let Some(old) = entry.record.filter(|_| present || entry.is_gone()) else {
            if self.is_full_for(key) {
                return Err(Refusal::TooMany(self.limit));
            }
            // Order: the record is on stable storage before the object can be seen.
            self.append_seen(key, &new)?;
            self.appear(draft, key, Replace::No, now)?;
            self.set_check(key, Verdict::There, now);
            return Ok((Arrival::New, new));
        };
        if old.hashes.sha256 != hashes.sha256 || old.bytes != draft.bytes {
            return Err(Refusal::OnlyAdds);
        }
        let stored = if present { self.rehash(key) } else { Ok(None) };
        if matches!(stored, Ok(Some((bytes, sha256))) if bytes == old.bytes && sha256 == old.hashes.sha256)
        {
            // Sending the same over and over must not make the journal grow.
            let fresh = |c: Check| c.verdict == Verdict::Good && now - c.at < SAME_AGAIN;
            if !entry.check.is_some_and(fresh) {
                self.set_check(key, Verdict::Good, now);
            }
            return Ok((Arrival::Same, old));
        }
        self.appear(draft, key, Replace::Yes, now)?;
        self.set_check(key, Verdict::Good, now);
        Ok((Arrival::Healed, old))
    }

    fn appear(&self, draft: Draft, key: &str, replace: Replace, now: i64) -> io::Result<()> {
        let target = key::path(&self.shelf, key);
        let folder = target.parent().unwrap_or(&self.shelf).to_path_buf();
        let bytes = draft.bytes;
        {
            let mut state = self.lock();
            let was = self.stamps();
            draft.appear(&target, replace)?;
            // Our own change of the folder is no reason to read it again; somebody else's is.
            if state.stamps == was {
                state.stamps = self.stamps();
            }
            let entry = state.entries.entry(key.to_string()).or_default();
            let before = entry.present.map(|p| p.bytes);
            entry.present = Some(Present {
                bytes,
                modified: now,
            });
            state.held = (state.held + bytes).saturating_sub(before.unwrap_or(0));
            state.charged =
                (state.charged + charge(bytes)).saturating_sub(before.map_or(0, charge));
        }
        self.disk().sync_folder(&folder)
    }

    fn append_seen(&self, key: &str, record: &Record) -> io::Result<()> {
        let mut seen = self.seen.lock().unwrap_or_else(PoisonError::into_inner);
        seen.append(&record.line(key), Durable::Yes)?;
        drop(seen);
        let mut state = self.lock();
        state.entries.entry(key.to_string()).or_default().record = Some(*record);
        Ok(())
    }

    /// Hashes an object that nothing was recorded of, and records it; none if it is not there.
    ///
    /// # Errors
    /// Of reading or writing.
    pub(super) fn record_now(&self, key: &str) -> io::Result<Option<Record>> {
        let Some((bytes, sha256)) = self.rehash(key)? else {
            return Ok(None);
        };
        let record = Record {
            bytes,
            hashes: Hashes { sha256, md5: None },
            at: self.host.world.now(),
        };
        self.append_seen(key, &record)?;
        Ok(Some(record))
    }

    /// Notes what was found of an object.
    pub(super) fn set_check(&self, key: &str, verdict: Verdict, at: i64) {
        let before = self.entry(key).check;
        // Within one second too, the later word has the later time: another process may have had the earlier one.
        let changed = before.filter(|c| c.verdict != verdict);
        let at = changed.map_or(at, |c| at.max(c.at + 1));
        let check = Check { verdict, at };
        let mut checks = self.checks.lock().unwrap_or_else(PoisonError::into_inner);
        // If this line is lost, the object is read again sooner.
        let _ = checks.append(&check.line(key), Durable::No);
        drop(checks);
        let mut state = self.lock();
        state.entries.entry(key.to_string()).or_default().check = Some(check);
    }

    /// What a guest that may hold `quota` bytes is told about its objects.
    pub(super) fn report(&self, quota: Option<u64>) -> Report {
        // An unreadable folder shows in the objects that are then gone.
        let _ = self.refresh();
        let state = self.lock();
        let present = || state.entries.values().filter(|e| e.present.is_some());
        let oldest = present()
            .map(Entry::checked_at)
            .collect::<Option<Vec<i64>>>()
            .and_then(|all| all.into_iter().min());
        Report {
            checked_at: oldest.map(rfc3339),
            objects: present().count() as u64,
            bytes: state.held,
            quota,
            damaged: state
                .entries
                .iter()
                .filter(|(_, e)| e.is_bad())
                .map(|(key, _)| key.clone())
                .collect(),
        }
    }

    /// Bytes held.
    pub(super) fn held(&self) -> u64 {
        self.lock().held
    }

    /// The time now, unix seconds.
    pub(super) fn now(&self) -> i64 {
        self.host.world.now()
    }

    /// When the newest object came, unix seconds.
    pub(super) fn last_came(&self) -> Option<i64> {
        let state = self.lock();
        let there = state.entries.values().filter(|e| e.present.is_some());
        there.filter_map(|e| e.record).map(|r| r.at).max()
    }
}

fn present_of(meta: &disk::Meta) -> Present {
    Present {
        bytes: meta.size,
        modified: (meta.mtime_ns / 1_000_000_000) as i64,
    }
}

/// The length and SHA-256 of an open file.
///
/// # Errors
/// Of reading.
pub(super) fn hash(file: &dyn DiskFile) -> io::Result<(u64, [u8; 32])> {
    let mut hasher = Sha256::new();
    let mut buffer = vec![0u8; 256 << 10];
    let mut offset = 0;
    loop {
        match file.read_at(&mut buffer, offset)? {
            0 => return Ok((offset, hasher.finalize().into())),
            n => {
                hasher.update(&buffer[..n]);
                offset += n as u64;
            }
        }
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::host::folder::InitOptions;
    use crate::host::guests::make_uninvited;
    use crate::host::house::tests::world;

    pub(in crate::host) fn host(dir: &std::path::Path) -> (HostFolder, GuestName) {
        let options = InitOptions::default();
        let host = HostFolder::init(&world(dir), &dir.join("h"), &options).unwrap();
        let name: GuestName = "lena".parse().unwrap();
        make_uninvited(&host, &name).unwrap();
        (host, name)
    }

    fn draft(holding: &Holding, bytes: &[u8]) -> (Draft, Hashes) {
        let mut draft = Draft::new(holding.shared_disk(), &holding.shelf).unwrap();
        draft.write(bytes).unwrap();
        draft.sync().unwrap();
        let sha256 = Sha256::digest(bytes).into();
        (draft, Hashes { sha256, md5: None })
    }

    pub(in crate::host) fn put(holding: &Holding, key: &str, bytes: &[u8]) -> Option<Arrival> {
        let (draft, hashes) = draft(holding, bytes);
        match holding.publish(draft, key, hashes, false) {
            Ok((arrival, _)) => Some(arrival),
            Err(Refusal::OnlyAdds) => None,
            Err(e) => panic!("{e:?}"),
        }
    }

    #[test]
    fn a_record_without_an_object_is_no_damage_and_binds_nobody() {
        let dir = tempfile::tempdir().unwrap();
        let (host, name) = host(dir.path());
        let open = || Arc::new(Holding::open(&host, &name).unwrap());
        // Stopped between the record and the object.
        let (_, hashes) = draft(&open(), b"one");
        let record = Record {
            bytes: 3,
            hashes,
            at: 1,
        };
        open().append_seen("reels/a", &record).unwrap();
        let holding = open();
        assert_eq!(holding.report(None).damaged, [""; 0]);
        assert_eq!(put(&holding, "reels/a", b"two"), Some(Arrival::New));
        assert_eq!(put(&open(), "reels/a", b"one"), None);
        assert_eq!(put(&open(), "reels/a", b"two"), Some(Arrival::Same));
        // Once it was there, its absence is damage.
        std::fs::remove_file(key::path(&holding.shelf, "reels/a")).unwrap();
        assert_eq!(open().report(None).damaged, ["reels/a"]);
        assert_eq!(holding.report(None).damaged, ["reels/a"]);
        assert_eq!(put(&holding, "reels/a", b"one"), None);
        assert_eq!(put(&holding, "reels/a", b"two"), Some(Arrival::Healed));
        assert_eq!(holding.report(None).damaged, [""; 0]);
        assert_eq!(open().report(None).damaged, [""; 0]);
    }

    #[test]
    fn room_is_promised_once_and_given_back() {
        let dir = tempfile::tempdir().unwrap();
        let (host, name) = host(dir.path());
        let holding = Arc::new(Holding::open(&host, &name).unwrap());
        let ask = |bytes| holding.promise("reels/a", bytes, None, false, Some(100_000));
        let first = ask(60_000).unwrap();
        assert!(matches!(ask(40_001), Err(Refusal::Quota(100_000, 60_000))));
        let second = ask(40_000).unwrap();
        drop(first);
        assert!(ask(60_001).is_err());
        drop(second);
        drop(ask(100_000).unwrap());
        // More than any disk has.
        let much = holding.promise("reels/a", 1 << 60, None, false, None);
        assert!(matches!(much, Err(Refusal::DiskNearlyFull)));
        assert_eq!(*holding.room.promised(), 0);
        assert_eq!(holding.lock().promised, 0);
    }

    #[test]
    fn the_same_over_and_over_leaves_one_line() {
        let dir = tempfile::tempdir().unwrap();
        let (host, name) = host(dir.path());
        let holding = Arc::new(Holding::open(&host, &name).unwrap());
        put(&holding, "reels/a", b"abc").unwrap();
        let lines = || {
            std::fs::read_to_string(host.checks(&name))
                .unwrap()
                .lines()
                .count()
        };
        for _ in 0..5 {
            assert_eq!(put(&holding, "reels/a", b"abc"), Some(Arrival::Same));
        }
        // That it appeared, and that it was read again.
        assert_eq!(lines(), 2);
    }

    #[test]
    fn a_guest_holds_so_many_objects_and_no_more() {
        let dir = tempfile::tempdir().unwrap();
        let (host, name) = host(dir.path());
        let mut holding = Holding::open(&host, &name).unwrap();
        holding.limit = 2;
        let holding = Arc::new(holding);
        put(&holding, "reels/a", b"abc").unwrap();
        put(&holding, "reels/b", b"abc").unwrap();
        let ask = |key| holding.promise(key, 3, None, false, None);
        assert!(matches!(ask("reels/c"), Err(Refusal::TooMany(2))));
        // One that was promised before the last place was taken.
        let (late, hashes) = draft(&holding, b"abc");
        let late = holding.publish(late, "reels/c", hashes, false);
        assert!(matches!(late, Err(Refusal::TooMany(2))));
        assert!(ask("reels/a").is_ok());
        assert_eq!(put(&holding, "reels/a", b"abc"), Some(Arrival::Same));
    }

    #[test]
    fn what_the_owner_puts_there_by_hand_is_held_to_what_it_is() {
        let dir = tempfile::tempdir().unwrap();
        let (host, name) = host(dir.path());
        let holding = Arc::new(Holding::open(&host, &name).unwrap());
        std::fs::write(holding.shelf.join("reels/a"), b"abc").unwrap();
        assert_eq!(holding.report(None).objects, 1);
        assert_eq!(put(&holding, "reels/a", b"abX"), None);
        assert_eq!(put(&holding, "reels/a", b"abc"), Some(Arrival::Same));
    }
}
