//! A disk that counts its calls, fails one of them, or loses its power at one.
//!
//! It passes everything on to the real disk and notes what no sync has made durable yet: per file what was written
//! since, and the entries (create, rename, remove) of every folder. When the power goes, it lays down copies of its
//! folder as a disk might have it afterwards ([`Fate`]); from then on every call fails. What goes past the door, which
//! is the catalogue, is taken as SQLite left it: its commits are durable by themselves.

use std::collections::{BTreeMap, BTreeSet};
use std::ffi::OsString;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard};

use farshelf::sys::disk::{Disk, DiskFile, FileKind, Meta, Privacy, RealDisk};
use farshelf::sys::entropy::Entropy;

/// What is lost or kept or torn in one piece.
pub const SECTOR: usize = 512;

/// Which calls are meant.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sort {
    /// Those that change something or sync it.
    Change,
    /// Those that only look.
    Look,
}

/// How a call fails.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum How {
    /// No room left (ENOSPC).
    Full,
    /// The medium fails (EIO).
    Broken,
    /// The file system became read-only (EROFS).
    ReadOnly,
    /// Half of the bytes are written, then there is no room; a call that writes nothing just fails.
    Short,
}

/// What happens at which call; the first is number 1.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Trouble {
    /// Nothing: calls are only counted.
    None,
    /// A call fails.
    Fails {
        sort: Sort,
        at: u64,
        how: How,
        /// Every later call of the sort fails, too.
        lasting: bool,
    },
    /// The power goes at this changing call. What it changed may be on the disk; what it synced is not yet.
    Cut { at: u64 },
}

/// What becomes of what was not durable when the power went.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fate {
    /// All of it is gone.
    Lost,
    /// All of it is there, as after a kill.
    Kept,
    /// Names are there, bytes are not: a renamed file is empty.
    NamesOnly,
    /// Bytes are there, names are not.
    BytesOnly,
    /// Each write is kept, lost or torn, each entry kept or lost.
    Mixed(u64),
}

/// Numbers that look random and repeat exactly.
#[derive(Debug, Clone)]
pub struct Dice(u64);

impl Dice {
    pub fn new(seed: u64) -> Dice {
        Dice(seed)
    }

    pub fn next(&mut self) -> u64 {
        // SplitMix64 (Steele, Lea and Flood 2014).
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    pub fn below(&mut self, n: u64) -> u64 {
        self.next() % n
    }

    pub fn coin(&mut self) -> bool {
        self.below(2) == 0
    }
}

/// Randomness that repeats exactly.
#[derive(Debug)]
pub struct SeededEntropy(Mutex<Dice>);

impl SeededEntropy {
    pub fn new(seed: u64) -> SeededEntropy {
        SeededEntropy(Mutex::new(Dice::new(seed)))
    }
}

impl Entropy for SeededEntropy {
    fn fill(&self, out: &mut [u8]) -> io::Result<()> {
        let mut dice = self.0.lock().unwrap();
        out.fill_with(|| dice.next() as u8);
        Ok(())
    }
}

/// The disk; clones are the same disk.
#[derive(Debug, Clone)]
pub struct StandIn(Arc<Mutex<State>>);

#[derive(Debug)]
struct State {
    /// What lies below is the disk; the rest of the world is passed on and never lost.
    root: PathBuf,
    /// Where removed files wait, by inode, for their removal to be undone.
    attic: PathBuf,
    trouble: Trouble,
    changes: u64,
    looks: u64,
    struck: bool,
    dead: bool,
    /// Where copies are laid down when the power goes.
    wanted: Vec<(Fate, PathBuf)>,
    files: BTreeMap<u64, Unsynced>,
    entries: Vec<Entry>,
}

/// A file with bytes that no sync has made durable.
#[derive(Debug)]
struct Unsynced {
    durable: Vec<u8>,
    since: Vec<Write>,
}

#[derive(Debug)]
enum Write {
    Bytes { at: u64, bytes: Vec<u8> },
    Length(u64),
}

/// A change of names that no sync of its folder has made durable.
#[derive(Debug, Clone)]
enum Entry {
    Folder(PathBuf),
    NoFolder(PathBuf),
    Created(PathBuf, u64),
    Removed(PathBuf, u64),
    Renamed {
        from: PathBuf,
        to: PathBuf,
        inode: u64,
        over: Option<u64>,
    },
}

#[derive(Debug, Clone, PartialEq)]
enum Thing {
    Folder,
    File(u64),
}

impl StandIn {
    /// A disk that is the folder `root`; `attic` is an empty folder beside it on the same file system.
    pub fn new(root: &Path, attic: &Path, trouble: Trouble) -> StandIn {
        StandIn(Arc::new(Mutex::new(State {
            root: root.to_path_buf(),
            attic: attic.to_path_buf(),
            trouble,
            changes: 0,
            looks: 0,
            struck: false,
            dead: false,
            wanted: Vec::new(),
            files: BTreeMap::new(),
            entries: Vec::new(),
        })))
    }

    /// Lays down a copy of this fate in `to` when the power goes.
    pub fn want(&self, fate: Fate, to: PathBuf) {
        self.state().wanted.push((fate, to));
    }

    /// Cuts the power now, unless it went before.
    pub fn cut(&self) {
        let mut state = self.state();
        if !state.dead {
            state.die();
        }
    }

    /// True until the power goes: what is told afterwards was told by nobody.
    pub fn alive(&self) -> bool {
        !self.state().dead
    }

    /// True if what was asked for happened.
    pub fn struck(&self) -> bool {
        self.state().struck
    }

    /// Calls so far.
    pub fn calls(&self, sort: Sort) -> u64 {
        match sort {
            Sort::Change => self.state().changes,
            Sort::Look => self.state().looks,
        }
    }

    fn state(&self) -> MutexGuard<'_, State> {
        self.0.lock().unwrap()
    }

    fn look<T>(&self, work: impl FnOnce() -> io::Result<T>) -> io::Result<T> {
        self.state().look()?;
        work()
    }

    fn file(&self, inner: Box<dyn DiskFile>) -> io::Result<Box<dyn DiskFile>> {
        let inode = inner.meta()?.inode;
        Ok(Box::new(StandInFile {
            inner,
            disk: self.clone(),
            inode,
            failed: false,
        }))
    }
}

fn dead<T>() -> io::Result<T> {
    Err(io::Error::other("the power is gone"))
}

impl State {
    fn error(how: How) -> io::Error {
        match how {
            How::Full | How::Short => io::Error::from_raw_os_error(28),
            How::Broken => io::Error::from_raw_os_error(5),
            How::ReadOnly => io::Error::from_raw_os_error(30),
        }
    }

    fn fails(&mut self, wanted: Sort, number: u64) -> Option<How> {
        let Trouble::Fails {
            sort,
            at,
            how,
            lasting,
        } = self.trouble
        else {
            return None;
        };
        let hit = sort == wanted && (number == at || lasting && number > at);
        self.struck |= hit;
        hit.then_some(how)
    }

    fn look(&mut self) -> io::Result<()> {
        if self.dead {
            return dead();
        }
        self.looks += 1;
        match self.fails(Sort::Look, self.looks) {
            Some(how) => Err(State::error(how)),
            None => Ok(()),
        }
    }

    /// Before a change: how it fails, if it does.
    fn change(&mut self) -> io::Result<Option<How>> {
        if self.dead {
            return dead();
        }
        self.changes += 1;
        Ok(self.fails(Sort::Change, self.changes))
    }

    /// After a change was made, or before a sync takes effect: whether the power goes now.
    fn go_on(&mut self) -> io::Result<()> {
        if matches!(self.trouble, Trouble::Cut { at } if at == self.changes) {
            self.struck = true;
            self.die();
            return dead();
        }
        Ok(())
    }

    fn die(&mut self) {
        self.dead = true;
        for (fate, to) in std::mem::take(&mut self.wanted) {
            self.lay_down(fate, &to).unwrap();
        }
    }

    fn is_ours(&self, path: &Path) -> bool {
        path.starts_with(&self.root)
    }

    fn note(&mut self, path: &Path, entry: Entry) {
        if self.is_ours(path) {
            self.entries.push(entry);
        }
    }

    fn renamed(
        &mut self,
        from: &Path,
        to: &Path,
        over: Option<u64>,
        result: io::Result<()>,
    ) -> io::Result<()> {
        if result.is_ok() {
            let entry = Entry::Renamed {
                from: from.to_path_buf(),
                to: to.to_path_buf(),
                inode: RealDisk.meta(to)?.inode,
                over,
            };
            self.note(to, entry);
        }
        self.go_on()?;
        result
    }

    /// Keeps a file's bytes for the case that its removal is lost.
    fn shelter(&self, path: &Path) -> Option<u64> {
        let inode = RealDisk.meta(path).ok()?.inode;
        // It may lie there already under another of its names.
        let _ = fs::hard_link(path, self.attic.join(inode.to_string()));
        Some(inode)
    }

    fn write(&mut self, inode: u64, file: &dyn DiskFile, write: Write) -> io::Result<()> {
        if let std::collections::btree_map::Entry::Vacant(entry) = self.files.entry(inode) {
            let mut durable = vec![0; file.meta()?.size as usize];
            file.read_at(&mut durable, 0)?;
            entry.insert(Unsynced {
                durable,
                since: Vec::new(),
            });
        }
        if let Some(unsynced) = self.files.get_mut(&inode) {
            unsynced.since.push(write);
        }
        Ok(())
    }

    /// The folder's entries are durable from here on. A file that came from another folder is no longer lost if
    /// either of the two was synced, for no file system forgets it altogether; its old name may be there as well.
    fn folder_is_durable(&mut self, folder: &Path) {
        let lies_here = |p: &Path| p.parent() == Some(folder);
        let mut left = Vec::new();
        for entry in std::mem::take(&mut self.entries) {
            match &entry {
                Entry::Renamed {
                    from, to, inode, ..
                } if lies_here(to) && !lies_here(from) => {
                    left.push(Entry::Removed(from.clone(), *inode));
                }
                Entry::Renamed { from, to, .. } if lies_here(from) || lies_here(to) => {}
                Entry::Folder(p)
                | Entry::NoFolder(p)
                | Entry::Created(p, _)
                | Entry::Removed(p, _)
                    if lies_here(p) => {}
                _ => left.push(entry),
            }
        }
        self.entries = left;
    }

    fn lay_down(&self, fate: Fate, to: &Path) -> io::Result<()> {
        let mut dice = Dice::new(match fate {
            Fate::Mixed(seed) => seed,
            _ => 0,
        });
        let mut sources: BTreeMap<u64, PathBuf> = BTreeMap::new();
        for name in RealDisk.list(&self.attic)? {
            if let Some(inode) = name.to_str().and_then(|n| n.parse().ok()) {
                sources.insert(inode, self.attic.join(name));
            }
        }
        let mut tree = BTreeMap::new();
        walk(&self.root, &mut tree, &mut sources)?;
        for entry in self.entries.iter().rev() {
            entry.undo(&mut tree);
        }
        // Most file systems keep changes of names in order, so that a beginning of them is there; some do not.
        let in_order = dice.coin();
        let first = dice.below(self.entries.len() as u64 + 1) as usize;
        for (index, entry) in self.entries.iter().enumerate() {
            let kept = match fate {
                Fate::Lost | Fate::BytesOnly => false,
                Fate::Kept | Fate::NamesOnly => true,
                Fate::Mixed(_) if in_order => index < first,
                Fate::Mixed(_) => dice.coin(),
            };
            if kept {
                entry.redo(&mut tree);
            }
        }
        fs::create_dir_all(to)?;
        let folders: BTreeSet<PathBuf> = tree
            .iter()
            .filter(|(_, t)| **t == Thing::Folder)
            .map(|(p, _)| p.clone())
            .collect();
        // Sorted, so that a folder comes before what lies in it; what lies in a lost folder is lost with it.
        for (path, thing) in &tree {
            if path
                .ancestors()
                .skip(1)
                .take_while(|p| *p != self.root)
                .any(|p| !folders.contains(p))
            {
                continue;
            }
            let target = to.join(path.strip_prefix(&self.root).unwrap());
            match thing {
                Thing::Folder => fs::create_dir_all(target)?,
                Thing::File(inode) => match self.files.get(inode) {
                    Some(unsynced) => fs::write(target, unsynced.after(fate, &mut dice))?,
                    None => fs::copy(&sources[inode], target).map(|_| ())?,
                },
            }
        }
        Ok(())
    }
}

/// The files and folders below `folder`. SQLite's shared memory does not outlive the power.
fn walk(
    folder: &Path,
    tree: &mut BTreeMap<PathBuf, Thing>,
    sources: &mut BTreeMap<u64, PathBuf>,
) -> io::Result<()> {
    for name in RealDisk.list(folder)? {
        let path = folder.join(&name);
        let meta = RealDisk.meta(&path)?;
        if meta.kind == FileKind::Folder {
            tree.insert(path.clone(), Thing::Folder);
            walk(&path, tree, sources)?;
        } else if !name.to_string_lossy().ends_with("-shm") {
            tree.insert(path.clone(), Thing::File(meta.inode));
            sources.insert(meta.inode, path);
        }
    }
    Ok(())
}

impl Entry {
    fn undo(&self, tree: &mut BTreeMap<PathBuf, Thing>) {
        match self {
            Entry::Folder(path) | Entry::Created(path, _) => {
                tree.remove(path);
            }
            Entry::NoFolder(path) => {
                tree.insert(path.clone(), Thing::Folder);
            }
            Entry::Removed(path, inode) => {
                tree.insert(path.clone(), Thing::File(*inode));
            }
            Entry::Renamed {
                from,
                to,
                inode,
                over,
            } => {
                tree.remove(to);
                if let Some(over) = over {
                    tree.insert(to.clone(), Thing::File(*over));
                }
                tree.insert(from.clone(), Thing::File(*inode));
            }
        }
    }

    /// Others of the same names may have been lost before it.
    fn redo(&self, tree: &mut BTreeMap<PathBuf, Thing>) {
        match self {
            Entry::Folder(path) => {
                tree.insert(path.clone(), Thing::Folder);
            }
            Entry::Created(path, inode) => {
                tree.insert(path.clone(), Thing::File(*inode));
            }
            Entry::NoFolder(path) => {
                tree.remove(path);
            }
            Entry::Removed(path, inode) => {
                if tree.get(path) == Some(&Thing::File(*inode)) {
                    tree.remove(path);
                }
            }
            Entry::Renamed {
                from, to, inode, ..
            } => {
                if tree.get(from) == Some(&Thing::File(*inode)) {
                    tree.remove(from);
                }
                tree.insert(to.clone(), Thing::File(*inode));
            }
        }
    }
}

impl Unsynced {
    fn after(&self, fate: Fate, dice: &mut Dice) -> Vec<u8> {
        let mut out = self.durable.clone();
        for write in &self.since {
            let kept = match fate {
                Fate::Lost | Fate::NamesOnly => 0,
                Fate::Kept | Fate::BytesOnly => 2,
                Fate::Mixed(_) => dice.below(3),
            };
            match write {
                Write::Length(length) if kept > 0 => out.resize(*length as usize, 0),
                Write::Bytes { at, bytes } if kept > 0 => {
                    let at = *at as usize;
                    if out.len() < at {
                        out.resize(at, 0);
                    }
                    // A torn write may have made the file as long as it should be, or not.
                    if kept == 1 && dice.coin() {
                        out.resize(out.len().max(at + bytes.len()), 0);
                    }
                    let sectors = bytes.len().div_ceil(SECTOR) as u64;
                    let (one, way) = (dice.below(sectors.max(1)), dice.below(3));
                    for (index, sector) in bytes.chunks(SECTOR).enumerate() {
                        let missing = kept == 1
                            && match way {
                                0 => dice.coin(),
                                // Hardest to notice: a single one.
                                1 => index as u64 == one,
                                _ => index as u64 >= one,
                            };
                        if missing {
                            continue;
                        }
                        let start = at + index * SECTOR;
                        out.resize(out.len().max(start + sector.len()), 0);
                        out[start..start + sector.len()].copy_from_slice(sector);
                        // What the sector held before it was this file's.
                        if kept == 1 && way == 0 && dice.below(4) == 0 {
                            let old = dice.next() as u8;
                            out[start..start + sector.len()].fill(old);
                        }
                    }
                }
                _ => {}
            }
        }
        out
    }
}

/// An open file of the stand-in; after a failed write or sync it refuses further work, as the real one does.
#[derive(Debug)]
struct StandInFile {
    inner: Box<dyn DiskFile>,
    disk: StandIn,
    inode: u64,
    failed: bool,
}

impl StandInFile {
    fn latch(&mut self) -> io::Result<()> {
        match self.failed {
            true => Err(io::Error::other("an earlier write to this file failed")),
            false => Ok(()),
        }
    }

    fn fail(&mut self, how: How) -> io::Result<()> {
        self.failed = true;
        Err(State::error(how))
    }
}

impl DiskFile for StandInFile {
    fn read_at(&self, buf: &mut [u8], offset: u64) -> io::Result<usize> {
        self.disk.look(|| self.inner.read_at(buf, offset))
    }

    fn write_at(&mut self, bytes: &[u8], offset: u64) -> io::Result<()> {
        self.latch()?;
        let disk = self.disk.clone();
        let mut state = disk.state();
        let how = state.change()?;
        let bytes = match how {
            None => bytes,
            Some(How::Short) => &bytes[..bytes.len() / 2],
            Some(how) => return self.fail(how),
        };
        let write = Write::Bytes {
            at: offset,
            bytes: bytes.to_vec(),
        };
        state.write(self.inode, self.inner.as_ref(), write)?;
        self.inner.write_at(bytes, offset)?;
        match how {
            Some(how) => self.fail(how),
            None => state.go_on(),
        }
    }

    fn set_len(&mut self, len: u64) -> io::Result<()> {
        self.latch()?;
        let disk = self.disk.clone();
        let mut state = disk.state();
        if let Some(how) = state.change()? {
            return self.fail(how);
        }
        state.write(self.inode, self.inner.as_ref(), Write::Length(len))?;
        self.inner.set_len(len)?;
        state.go_on()
    }

    fn sync(&mut self) -> io::Result<()> {
        self.latch()?;
        let disk = self.disk.clone();
        let mut state = disk.state();
        let how = state.change()?;
        state.go_on()?;
        let unsynced = state.files.remove(&self.inode);
        let Some(how) = how else { return Ok(()) };
        // The system may forget what it could not bring to the disk, and say so only once.
        if let Some(unsynced) = unsynced {
            self.inner.set_len(0)?;
            self.inner.write_at(&unsynced.durable, 0)?;
        }
        self.fail(how)
    }

    fn meta(&self) -> io::Result<Meta> {
        self.disk.look(|| self.inner.meta())
    }

    fn set_modified(&mut self, seconds: i64) -> io::Result<()> {
        self.latch()?;
        let disk = self.disk.clone();
        let mut state = disk.state();
        if let Some(how) = state.change()? {
            return self.fail(how);
        }
        self.inner.set_modified(seconds)?;
        state.go_on()
    }

    fn drop_cached(&self) {
        self.inner.drop_cached();
    }
}

impl Disk for StandIn {
    fn open(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        self.look(|| RealDisk.open(path)).and_then(|f| self.file(f))
    }

    fn open_write(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        let mut state = self.state();
        if let Some(how) = state.change()? {
            return Err(State::error(how));
        }
        state.go_on()?;
        RealDisk.open_write(path).and_then(|f| self.file(f))
    }

    fn create_new(&self, path: &Path, privacy: Privacy) -> io::Result<Box<dyn DiskFile>> {
        let mut state = self.state();
        if let Some(how) = state.change()? {
            return Err(State::error(how));
        }
        let file = RealDisk.create_new(path, privacy);
        if let Ok(file) = &file {
            let inode = file.meta()?.inode;
            state.note(path, Entry::Created(path.to_path_buf(), inode));
        }
        state.go_on()?;
        file.and_then(|f| self.file(f))
    }

    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        let mut state = self.state();
        if let Some(how) = state.change()? {
            return Err(State::error(how));
        }
        let over = state.shelter(to);
        let result = RealDisk.rename(from, to);
        state.renamed(from, to, over, result)
    }

    fn rename_new(&self, from: &Path, to: &Path) -> io::Result<()> {
        let mut state = self.state();
        if let Some(how) = state.change()? {
            return Err(State::error(how));
        }
        let result = RealDisk.rename_new(from, to);
        state.renamed(from, to, None, result)
    }

    fn remove_file(&self, path: &Path) -> io::Result<()> {
        let mut state = self.state();
        if let Some(how) = state.change()? {
            return Err(State::error(how));
        }
        let inode = state.shelter(path);
        let result = RealDisk.remove_file(path);
        if let (Some(inode), Ok(())) = (inode, &result) {
            state.note(path, Entry::Removed(path.to_path_buf(), inode));
        }
        state.go_on()?;
        result
    }

    fn remove_folder(&self, path: &Path) -> io::Result<()> {
        let mut state = self.state();
        if let Some(how) = state.change()? {
            return Err(State::error(how));
        }
        let result = RealDisk.remove_folder(path);
        if result.is_ok() {
            state.note(path, Entry::NoFolder(path.to_path_buf()));
        }
        state.go_on()?;
        result
    }

    fn create_folders(&self, path: &Path, privacy: Privacy) -> io::Result<()> {
        let mut state = self.state();
        if let Some(how) = state.change()? {
            return Err(State::error(how));
        }
        let new: Vec<PathBuf> = path
            .ancestors()
            .take_while(|p| !p.exists())
            .map(Path::to_path_buf)
            .collect();
        let result = RealDisk.create_folders(path, privacy);
        for folder in new.into_iter().rev().filter(|p| p.exists()) {
            state.note(path, Entry::Folder(folder));
        }
        state.go_on()?;
        result
    }

    fn sync_folder(&self, path: &Path) -> io::Result<()> {
        let mut state = self.state();
        if let Some(how) = state.change()? {
            return Err(State::error(how));
        }
        state.go_on()?;
        RealDisk.meta(path)?;
        state.folder_is_durable(path);
        Ok(())
    }

    fn list(&self, path: &Path) -> io::Result<Vec<OsString>> {
        self.look(|| RealDisk.list(path))
    }

    fn meta(&self, path: &Path) -> io::Result<Meta> {
        self.look(|| RealDisk.meta(path))
    }

    fn canonical(&self, path: &Path) -> io::Result<PathBuf> {
        self.look(|| RealDisk.canonical(path))
    }

    fn free_space(&self, path: &Path) -> io::Result<u64> {
        self.look(|| RealDisk.free_space(path))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Runs `work` on a disk that holds `old` (durable) and gives what each fate leaves of `a` and `b`.
    fn left(fate: Fate, work: impl FnOnce(&StandIn, &Path)) -> Vec<(String, Vec<u8>)> {
        let temp = tempfile::tempdir().unwrap();
        let (root, attic, after) = (
            temp.path().join("disk"),
            temp.path().join("attic"),
            temp.path().join("after"),
        );
        fs::create_dir_all(&root).unwrap();
        fs::create_dir_all(&attic).unwrap();
        fs::write(root.join("old"), b"old").unwrap();
        let disk = StandIn::new(&root, &attic, Trouble::None);
        disk.want(fate, after.clone());
        work(&disk, &root);
        disk.cut();
        assert!(disk.list(&root).is_err());
        RealDisk
            .list(&after)
            .unwrap()
            .into_iter()
            .map(|n| {
                (
                    n.to_string_lossy().into_owned(),
                    fs::read(after.join(n)).unwrap(),
                )
            })
            .collect()
    }

    fn check(
        work: impl Fn(&StandIn, &Path) + Copy,
        lost: &[(&str, &[u8])],
        names: &[(&str, &[u8])],
        kept: &[(&str, &[u8])],
    ) {
        for (fate, expected) in [
            (Fate::Lost, lost),
            (Fate::NamesOnly, names),
            (Fate::Kept, kept),
        ] {
            let found = left(fate, work);
            let found: Vec<(&str, &[u8])> = found
                .iter()
                .map(|(n, b)| (n.as_str(), b.as_slice()))
                .collect();
            assert_eq!(found, expected, "{fate:?}");
        }
    }

    const OLD: (&str, &[u8]) = ("old", b"old");

    #[test]
    fn what_is_not_synced_can_be_lost() {
        let new = |d: &StandIn, root: &Path| {
            let mut f = d.create_new(&root.join("new"), Privacy::Shared).unwrap();
            f.write_at(b"new", 0).unwrap();
        };
        check(new, &[OLD], &[("new", b""), OLD], &[("new", b"new"), OLD]);
        check(
            |d, root| d.rename(&root.join("old"), &root.join("b")).unwrap(),
            &[OLD],
            &[("b", b"old")],
            &[("b", b"old")],
        );
        check(
            |d, root| d.remove_file(&root.join("old")).unwrap(),
            &[OLD],
            &[],
            &[],
        );
        // A new file takes the place of the old one without having been synced.
        check(
            |d, root| {
                new(d, root);
                d.rename(&root.join("new"), &root.join("old")).unwrap();
            },
            &[OLD],
            &[("old", b"")],
            &[("old", b"new")],
        );
    }

    #[test]
    fn what_is_synced_stays() {
        let all: &[(&str, &[u8])] = &[("new", b"new"), OLD];
        check(
            |d, root| {
                let mut f = d.create_new(&root.join("new"), Privacy::Shared).unwrap();
                f.write_at(b"new", 0).unwrap();
                f.sync().unwrap();
                d.sync_folder(root).unwrap();
            },
            all,
            all,
            all,
        );
        check(
            |d, root| {
                let mut f = d.open_write(&root.join("old")).unwrap();
                f.write_at(b"NEW!", 0).unwrap();
                f.sync().unwrap();
                f.set_len(2).unwrap();
            },
            &[("old", b"NEW!")],
            &[("old", b"NEW!")],
            &[("old", b"NE")],
        );
    }

    #[test]
    fn a_torn_write_keeps_some_sectors() {
        let mut seen = BTreeSet::new();
        for seed in 0..60 {
            let files = left(Fate::Mixed(seed), |d, root| {
                let mut f = d.open_write(&root.join("old")).unwrap();
                f.write_at(&[7; 4 * SECTOR], 0).unwrap();
            });
            let bytes = &files[0].1;
            let sevens = bytes.iter().filter(|b| **b == 7).count();
            seen.insert(sevens);
            assert!(sevens % SECTOR == 0, "{sevens}");
        }
        assert!(seen.len() > 3, "{seen:?}");
    }

    #[test]
    fn a_call_fails_once_or_from_there_on() {
        for (lasting, expected) in [(false, [true, false, true]), (true, [true, false, false])] {
            let temp = tempfile::tempdir().unwrap();
            let trouble = Trouble::Fails {
                sort: Sort::Look,
                at: 2,
                how: How::Broken,
                lasting,
            };
            let disk = StandIn::new(temp.path(), temp.path(), trouble);
            let went = [0; 3].map(|_| disk.list(temp.path()).is_ok());
            assert_eq!(went, expected);
            assert!(disk.struck());
            assert_eq!((disk.calls(Sort::Look), disk.calls(Sort::Change)), (3, 0));
        }
    }

    #[test]
    fn a_failed_sync_forgets_what_was_written() {
        let temp = tempfile::tempdir().unwrap();
        let trouble = Trouble::Fails {
            sort: Sort::Change,
            at: 3,
            how: How::Broken,
            lasting: false,
        };
        let disk = StandIn::new(temp.path(), temp.path(), trouble);
        let path = temp.path().join("a");
        let mut file = disk.create_new(&path, Privacy::Shared).unwrap();
        file.write_at(b"abcd", 0).unwrap();
        assert!(file.sync().is_err());
        assert_eq!(fs::read(&path).unwrap(), b"");
    }

    #[test]
    fn a_short_write_leaves_its_first_half_and_a_file_that_refuses() {
        let temp = tempfile::tempdir().unwrap();
        let trouble = Trouble::Fails {
            sort: Sort::Change,
            at: 2,
            how: How::Short,
            lasting: false,
        };
        let disk = StandIn::new(temp.path(), temp.path(), trouble);
        let path = temp.path().join("a");
        let mut file = disk.create_new(&path, Privacy::Shared).unwrap();
        let e = file.write_at(b"abcd", 0).unwrap_err();
        assert_eq!(e.kind(), io::ErrorKind::StorageFull);
        assert!(file.write_at(b"ef", 4).is_err());
        assert!(file.sync().is_err());
        assert_eq!(fs::read(&path).unwrap(), b"ab");
    }
}
