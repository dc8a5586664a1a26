//! The local store: reels, ledger and catalogue in one folder.
//!
//! Invariants kept here: bytes that arrived are kept exactly (I1), a piece's name is its BLAKE3 and every read checks
//! it (I2), nothing is acknowledged before reel and catalogue are on the disk in that order (I3), the catalogue can
//! be rebuilt from the reels (I4). Nothing here knows of keys or networks.
#![doc = include_str!("FORMAT.md")]

pub mod catalogue;
pub mod judge;
pub mod keeping;
pub mod ledger;
pub mod pieces;
pub mod recover;
pub mod reel;
pub mod reindex;
pub mod retell;
pub mod settings;
pub mod tsv;
pub mod writer;

use std::cell::{OnceCell, RefCell};
use std::io::Read;
use std::path::{Path, PathBuf};
use std::time::Duration;

use crate::error::{Error, Kind, Next, Result};
use crate::model::hash::Hash;
use crate::model::place::Place;
use crate::sys::World;
use crate::sys::disk::{self, Privacy, Replace};
use crate::sys::{entropy, lock};
use catalogue::Catalogue;
use settings::Settings;
use writer::{HashSoFar, Writer};

/// An open vault.
#[derive(Debug)]
pub struct Vault {
    dir: PathBuf,
    world: World,
    settings: Settings,
    catalogue: Catalogue,
    writer_id: OnceCell<String>,
    warnings: RefCell<Vec<String>>,
    hash_so_far: RefCell<Option<HashSoFar>>,
}

impl Vault {
    /// Makes a new vault in `dir`, which may not hold one. Its key is written before, by the caller.
    ///
    /// # Errors
    /// `AlreadyThere` if there is one; `Io`.
    pub fn create(dir: &Path, place: Option<&Place>, id: String, world: World) -> Result<Vault> {
        let disk = world.disk.as_ref();
        if disk::exists(disk, &dir.join(settings::FILE)) {
            return Err(already(dir));
        }
        for folder in ["reels", "incoming", "keys"] {
            let path = dir.join(folder);
            disk.create_folders(&path, Privacy::Owner)
                .map_err(|e| Error::io(format!("cannot create {}", path.display()), e))?;
        }
        // Before farshelf.toml: where that is, all of a vault is.
        disk.sync_folder(dir)
            .map_err(|e| Error::io(format!("cannot bring {} to the disk", dir.display()), e))?;
        let path = dir.join(catalogue::FILE);
        // Left by an interrupted `create`: without farshelf.toml there was no vault yet.
        let reels = disk.list(&dir.join("reels")).unwrap_or_default();
        if reels.is_empty() {
            remove_catalogue(disk, &path)?;
        } else {
            return Err(Error::new(
                Kind::AlreadyThere,
                format!(
                    "{} holds reels but no {}; nothing was changed",
                    dir.display(),
                    settings::FILE
                ),
            )
            .next(Next::say(
                "put the file back, or rebuild the vault into an empty folder with rescue",
            )));
        }
        Catalogue::create(&path)?;
        let settings = Settings::new(id, place);
        settings.write(disk, dir, Replace::No)?;
        Vault::open(dir, world)
    }

    /// Opens the vault in `dir`. What a crash left behind is put right on the way if nobody else is writing.
    ///
    /// # Errors
    /// `NotFound`, `NewerFormat`, `Damaged`, `Busy` (only while the catalogue has to be rebuilt), `Io`.
    pub fn open(dir: &Path, world: World) -> Result<Vault> {
        let settings = Settings::read(world.disk.as_ref(), dir)?;
        must_be_its_reels(world.disk.as_ref(), dir, &settings)?;
        Vault::open_with(dir, world, settings)
    }

    /// Opens a vault whose farshelf.toml is not written yet: nobody else takes it for a vault before.
    pub(crate) fn open_with(dir: &Path, world: World, settings: Settings) -> Result<Vault> {
        let path = dir.join(catalogue::FILE);
        let mut warnings = Vec::new();
        if !disk::exists(world.disk.as_ref(), &path) {
            let _lock = lock::acquire(
                &dir.join(LOCK),
                Duration::from_secs(10),
                world.clock.as_ref(),
            )?;
            if !disk::exists(world.disk.as_ref(), &path) {
                let rebuilt = reindex::rebuild(dir, &world, &settings)?;
                warnings
                    .push("the catalogue was missing; it was rebuilt from the reels".to_string());
                warnings.extend(rebuilt.damaged.iter().map(|(number, damage)| {
                    format!(
                        "reel {number} is damaged, so takes may be missing: {damage}; look for them in the copies: farshelf repair"
                    )
                }));
            }
        }
        let catalogue = Catalogue::open(&path)?;
        let vault = Vault {
            dir: dir.to_path_buf(),
            world,
            settings,
            catalogue,
            writer_id: OnceCell::new(),
            warnings: RefCell::new(warnings),
            hash_so_far: RefCell::new(None),
        };
        if recover::tail_differs(&vault)? {
            // On a read-only disk, or while another process writes, readers use what the catalogue says.
            if let Ok(Some(_lock)) = lock::try_acquire(&dir.join(LOCK)) {
                match recover::repair_tail(&vault) {
                    // So on a full disk: all that was acknowledged can be read, and the next writer tries again.
                    Err(e) if e.kind == Kind::Io => vault.warn(format!(
                        "what a broken-off command left cannot be put right yet: {}",
                        e.fact()
                    )),
                    other => other?,
                }
            }
        }
        Ok(vault)
    }

    /// Takes the writer's lock, waiting at most `wait`, and puts right what a crash left behind.
    ///
    /// # Errors
    /// `Busy` naming the holder; `Io`.
    pub fn writer(&self, wait: Duration) -> Result<Writer<'_>> {
        self.refuse_if_read_only()?;
        let lock = lock::acquire(&self.dir.join(LOCK), wait, self.world.clock.as_ref())?;
        if recover::tail_differs(self)? {
            recover::repair_tail(self)?;
        }
        Writer::begin(self, lock)
    }

    fn refuse_if_read_only(&self) -> Result<()> {
        if !self.catalogue.is_read_only()? {
            return Ok(());
        }
        // SQLite itself needs a little room beside its file.
        const LITTLE: u64 = 512 << 10;
        let full = self
            .world
            .disk
            .free_space(&self.dir)
            .is_ok_and(|free| free < LITTLE);
        let (fact, next) = match full {
            true => (
                "there is no room left on the vault's disk",
                "make room there and run the same command again",
            ),
            false => (
                "the vault's folder cannot be written to",
                "make it writable and run the same command again",
            ),
        };
        Err(Error::new(Kind::Io, format!("{fact}; nothing was changed")).next(Next::say(next)))
    }

    /// Takes the writer's lock without beginning to write: for repairs of closed reels.
    ///
    /// # Errors
    /// As [`Vault::writer`].
    pub fn lock(&self, wait: Duration) -> Result<lock::WriterLock> {
        lock::acquire(&self.dir.join(LOCK), wait, self.world.clock.as_ref())
    }

    /// The vault's folder.
    pub fn dir(&self) -> &Path {
        &self.dir
    }

    /// The folder of its reels.
    pub fn reels_dir(&self) -> PathBuf {
        self.dir.join("reels")
    }

    /// The file of a reel.
    pub fn reel_path(&self, number: u64) -> PathBuf {
        self.reels_dir().join(reel::file_name(number))
    }

    /// The bytes of a reel's file, at most [`reel::LARGEST_REEL_BYTES`]: what lies behind those is none of ours.
    ///
    /// # Errors
    /// As the disk's.
    pub fn read_reel(&self, number: u64) -> std::io::Result<Vec<u8>> {
        let file = self.world.disk.open(&self.reel_path(number))?;
        let mut bytes = Vec::new();
        disk::FileReader::new(file.as_ref())
            .take(reel::LARGEST_REEL_BYTES)
            .read_to_end(&mut bytes)?;
        Ok(bytes)
    }

    /// The outside world as this vault sees it.
    pub fn world(&self) -> &World {
        &self.world
    }

    /// What it says in farshelf.toml.
    pub fn settings(&self) -> &Settings {
        &self.settings
    }

    /// The vault's id.
    pub fn id(&self) -> &str {
        &self.settings.vault
    }

    /// Its catalogue.
    pub fn catalogue(&self) -> &Catalogue {
        &self.catalogue
    }

    /// Things worth telling the person that stopped nothing.
    pub fn take_warnings(&self) -> Vec<String> {
        std::mem::take(&mut self.warnings.borrow_mut())
    }

    /// Adds something worth telling.
    pub fn warn(&self, text: impl Into<String>) {
        self.warnings.borrow_mut().push(text.into());
    }

    /// Keeps the hash of the open reel for the next writer of this process.
    pub(in crate::vault) fn keep_hash_so_far(&self, hash: HashSoFar) {
        self.hash_so_far.replace(Some(hash));
    }

    /// The hash over the first `end` bytes of `reel`, if this process wrote them all.
    pub(in crate::vault) fn take_hash_so_far(&self, reel: u64, end: u64) -> Option<blake3::Hasher> {
        self.hash_so_far.take()?.over(reel, end)
    }

    /// The numbers of the reel files on disk, ascending.
    ///
    /// # Errors
    /// `Io`.
    pub fn reel_numbers(&self) -> Result<Vec<u64>> {
        reel_numbers(self.world.disk.as_ref(), &self.reels_dir())
    }

    /// The number of the next reel: past ours and past every accepted one of another line.
    ///
    /// # Errors
    /// As the catalogue's.
    pub fn next_reel_number(&self, last: u64) -> Result<u64> {
        let foreign = self
            .catalogue
            .foreign_reels()?
            .iter()
            .map(|(n, _)| *n)
            .max()
            .unwrap_or(0);
        Ok(last.max(foreign) + 1)
    }

    /// Records that reels of other lines may stand beside ours. They are known before the reel is begun that says
    /// so: its own number is past theirs already.
    ///
    /// # Errors
    /// `Busy`, `Io`.
    pub fn accept_reels(&self, reels: Vec<(u64, String)>, wait: Duration) -> Result<()> {
        let event = ledger::Event::Accept(ledger::Accept { reels });
        let lock = lock::acquire(&self.dir.join(LOCK), wait, self.world.clock.as_ref())?;
        if recover::tail_differs(self)? {
            recover::repair_tail(self)?;
        }
        let line = self.catalogue.mark()?.line;
        let place = catalogue::Where {
            line,
            reel: 0,
            at: self.world.now(),
        };
        self.catalogue
            .in_transaction(|c| c.apply(&event, place, &mut catalogue::Dirty::default()))?;
        let mut writer = Writer::begin(self, lock)?;
        writer.record(&event)?;
        writer.commit()
    }

    /// The id by which this computer writes to this folder. It lies outside the vault's folder, so that a copied
    /// folder that wakes up elsewhere gets another one.
    ///
    /// # Errors
    /// `Io` if no random bytes are to be had.
    pub fn writer_id(&self) -> Result<String> {
        if let Some(id) = self.writer_id.get() {
            return Ok(id.clone());
        }
        let id = match self.stored_writer_id() {
            Ok(id) => id,
            Err(e) => {
                let last = self.catalogue.mark()?.reel;
                let id = match self.catalogue.reel(last)? {
                    Some(reel) => reel.writer,
                    None => entropy::identifier(self.world.entropy.as_ref())?,
                };
                self.warn(format!(
                    "this computer cannot remember which vaults it writes to ({}); if this folder is ever copied and used in two places, the two cannot be told apart",
                    e.fact()
                ));
                id
            }
        };
        Ok(self.writer_id.get_or_init(|| id).clone())
    }

    fn stored_writer_id(&self) -> Result<String> {
        let disk = self.world.disk.as_ref();
        let state = self.world.state_dir.as_ref().ok_or_else(|| {
            Error::new(
                Kind::NotFound,
                "there is no folder for such things on this system",
            )
        })?;
        let folder = state.join("writers");
        let here = disk
            .canonical(&self.dir)
            .map_err(|e| Error::io(format!("cannot find {}", self.dir.display()), e))?;
        let here = Hash::of(here.as_os_str().as_encoded_bytes());
        let path = folder.join(format!("{}-{here:.16}", self.id()));
        match disk::read_text(disk, &path, 1000) {
            Ok(text) if !text.trim().is_empty() => return Ok(text.trim().to_string()),
            Ok(_) => {}
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => {}
            Err(e) => return Err(Error::io(format!("cannot read {}", path.display()), e)),
        }
        disk.create_folders(&folder, Privacy::Owner)
            .map_err(|e| Error::io(format!("cannot create {}", folder.display()), e))?;
        let id = entropy::identifier(self.world.entropy.as_ref())?;
        disk::publish(
            disk,
            &path,
            format!("{id}\n").as_bytes(),
            Privacy::Owner,
            Replace::Yes,
        )?;
        Ok(id)
    }
}

/// The lock's file name inside a vault.
const LOCK: &str = ".lock";

/// Refuses a farshelf.toml whose id is not that of the reels beside it: what was written under it would belong to
/// no vault.
pub(crate) fn must_be_its_reels(
    disk: &dyn disk::Disk,
    dir: &Path,
    settings: &Settings,
) -> Result<()> {
    let folder = dir.join("reels");
    let numbers = reel_numbers(disk, &folder).unwrap_or_default();
    let mut other = None;
    // One that is damaged or came from elsewhere says nothing about the rest.
    for number in numbers.first().into_iter().chain(numbers.last()) {
        match vault_of_reel(disk, &folder.join(reel::file_name(*number)), *number) {
            Some(id) if id == settings.vault => return Ok(()),
            Some(id) => other = Some(id),
            None => {}
        }
    }
    let Some(id) = other else { return Ok(()) };
    Err(Error::new(
        Kind::BadInput,
        format!(
            "{} gives the vault the id {}, but its reels are of the vault {id}; nothing was changed",
            dir.join(settings::FILE).display(),
            settings.vault
        ),
    )
    .next(Next::say(format!("write vault = \"{id}\" there"))))
}

/// The vault's id in a reel's first member, if that reads whole.
fn vault_of_reel(disk: &dyn disk::Disk, path: &Path, number: u64) -> Option<String> {
    let file = disk.open(path).ok()?;
    let mut start = Vec::new();
    disk::FileReader::new(file.as_ref())
        .take(64 << 10)
        .read_to_end(&mut start)
        .ok()?;
    let scan = reel::scan(&start, 0);
    let first = scan.members.first()?;
    if first.member != reel::Member::Reel(number) {
        return None;
    }
    let about: writer::ReelJson = serde_json::from_slice(&start[first.data.clone()]).ok()?;
    Some(about.vault)
}

/// The numbers of the reel files in `folder`, ascending; other files are ignored.
pub(crate) fn reel_numbers(disk: &dyn disk::Disk, folder: &Path) -> Result<Vec<u64>> {
    let names = disk
        .list(folder)
        .map_err(|e| Error::io(format!("cannot list {}", folder.display()), e))?;
    let mut numbers: Vec<u64> = names
        .iter()
        .filter_map(|n| reel::number_of(n.to_str()?))
        .collect();
    numbers.sort_unstable();
    Ok(numbers)
}

/// Removes a catalogue with what SQLite keeps beside it.
pub(crate) fn remove_catalogue(disk: &dyn disk::Disk, path: &Path) -> Result<()> {
    remove_if_there(disk, path)?;
    remove_beside_catalogue(disk, path)
}

/// Removes what SQLite keeps beside a catalogue, which would be taken for that of the next one of its name.
pub(crate) fn remove_beside_catalogue(disk: &dyn disk::Disk, path: &Path) -> Result<()> {
    remove_if_there(disk, &catalogue::wal(path))?;
    remove_if_there(disk, &path.with_extension("sqlite-shm"))
}

fn remove_if_there(disk: &dyn disk::Disk, path: &Path) -> Result<()> {
    match disk.remove_file(path) {
        Err(e) if e.kind() != std::io::ErrorKind::NotFound => {
            Err(Error::io(format!("cannot remove {}", path.display()), e))
        }
        _ => Ok(()),
    }
}

/// The refusal to make a second vault where one is.
pub fn already(dir: &Path) -> Error {
    Error::new(
        Kind::AlreadyThere,
        format!(
            "there is a vault in {} already; it was left alone",
            dir.display()
        ),
    )
    .next(Next::run("see how it is", "health"))
}
