//! Small vaults with a few takes, their keys and shelves, on the real disk.
#![allow(dead_code)]

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use farshelf::model::hash::Hash;
use farshelf::model::place::Place;
use farshelf::ops;
use farshelf::shelf::cipher::{ExposeSecret, Identity};
use farshelf::shelf::copying::Copying;
use farshelf::sys::World;
use farshelf::sys::clock::FixedClock;
use farshelf::vault::Vault;
use farshelf::vault::catalogue::Form;
use farshelf::vault::ledger::{Event, Origin, Take};

pub const WAIT: Duration = Duration::from_secs(5);
/// 2026-10-25T12:00:00Z.
pub const START: i64 = 1_792_929_600;
pub const DAY: i64 = 86_400;

/// One computer with its vault and shelves under one temporary folder.
pub struct Studio {
    pub temp: tempfile::TempDir,
    pub clock: Arc<FixedClock>,
    pub world: World,
    pub identity: Identity,
}

pub fn place(text: &str) -> Place {
    text.parse().unwrap()
}

impl Studio {
    pub fn new() -> Studio {
        Studio::within(tempfile::tempdir().unwrap())
    }

    /// One that lies in memory where the system has such a folder: for tests that write thousands of times.
    pub fn in_memory() -> Studio {
        let memory = Path::new("/dev/shm");
        Studio::within(if memory.is_dir() {
            tempfile::tempdir_in(memory).unwrap()
        } else {
            tempfile::tempdir().unwrap()
        })
    }

    fn within(temp: tempfile::TempDir) -> Studio {
        let clock = Arc::new(FixedClock::at(START));
        let world = World {
            clock: clock.clone(),
            zone: jiff::tz::TimeZone::UTC,
            computer: "desk".to_string(),
            state_dir: Some(temp.path().join("state")),
            ..World::real()
        };
        let studio = Studio {
            identity: Identity::generate(),
            temp,
            clock,
            world,
        };
        studio.create("vault", "0123456789abcdef0123456789abcdef");
        studio
    }

    pub fn create(&self, name: &str, id: &str) -> Vault {
        let dir = self.path(name);
        let vault = Vault::create(
            &dir,
            Some(&place("studio")),
            id.to_string(),
            self.world.clone(),
        );
        Copying::of(&self.identity)
            .write(self.world.disk.as_ref(), &dir)
            .unwrap();
        vault.unwrap()
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.temp.path().join(name)
    }

    pub fn vault(&self) -> Vault {
        self.open("vault")
    }

    pub fn open(&self, name: &str) -> Vault {
        Vault::open(&self.path(name), self.world.clone()).unwrap()
    }

    /// The same folders as another computer would see them.
    pub fn elsewhere(&self) -> World {
        World {
            computer: "laptop".to_string(),
            state_dir: Some(self.path("other-state")),
            ..self.world.clone()
        }
    }

    pub fn later(&self, days: i64) {
        use farshelf::sys::clock::Clock;
        self.clock.set(self.clock.now().as_second() + days * DAY);
    }

    pub fn add(&self, vault: &Vault, name: &str) -> ops::shelf::Added {
        let options = ops::shelf::AddOptions {
            name: name.to_string(),
            location: self.path(name).display().to_string(),
            way: Default::default(),
            place: Some(place("barn")),
            every_days: None,
            separate: true,
        };
        ops::shelf::add(vault, &options, WAIT).unwrap()
    }

    /// A vault of three reels with two takes each, mirrored to the shelves named.
    pub fn three_reels(&self, shelves: &[&str]) -> Vault {
        let vault = self.vault();
        for name in shelves {
            self.add(&vault, name);
        }
        for n in 0..3u32 {
            keep(&vault, "organ", 2 * n + 1, &dump(2 * n + 1));
            keep(&vault, "organ", 2 * n + 2, &dump(2 * n + 2));
            mirror(&vault);
            self.later(1);
        }
        vault
    }

    pub fn key_line(&self) -> String {
        self.identity.line().expose_secret().to_string()
    }

    pub fn objects(&self, shelf: &str) -> Vec<PathBuf> {
        files(&self.path(shelf).join("reels"))
    }
}

/// The files of a folder, sorted.
pub fn files(folder: &Path) -> Vec<PathBuf> {
    let mut all: Vec<PathBuf> = std::fs::read_dir(folder)
        .unwrap()
        .map(|e| e.unwrap().path())
        .collect();
    all.sort();
    all
}

/// Bytes of a dump that do not pack away to nothing.
pub fn dump(n: u32) -> Vec<u8> {
    let mut out = vec![0u8; 3000];
    blake3::Hasher::new()
        .update(&n.to_be_bytes())
        .finalize_xof()
        .fill(&mut out);
    out
}

pub fn keep(vault: &Vault, device: &str, take: u32, bytes: &[u8]) {
    let mut writer = vault.writer(WAIT).unwrap();
    let hash = Hash::of(bytes);
    writer.put_piece(Form::Whole, hash, bytes).unwrap();
    writer
        .record(&take_event(device, take, hash, bytes.len() as u64))
        .unwrap();
    writer.commit().unwrap();
}

/// The ledger event of a take whose piece or list is named `hash`.
pub fn take_event(device: &str, take: u32, hash: Hash, bytes: u64) -> Event {
    Event::Take(Take {
        device: device.to_string(),
        take,
        section: Some("all".to_string()),
        by_hand: false,
        key: "syx".to_string(),
        blake3: hash.to_string(),
        content: None,
        bytes,
        messages: 1,
        doubtful: false,
        evidence: "none".to_string(),
        findings: Vec::new(),
        reading: 0,
        sysex_number: None,
        patches: 0,
        date: format!("2020-01-{:02}", take.min(28)),
        by: "given".to_string(),
        origin: Origin {
            via: "file".to_string(),
            name: format!("{take}.syx"),
            ..Origin::default()
        },
    })
}

pub fn mirror(vault: &Vault) -> ops::mirror::MirrorReport {
    ops::mirror::mirror(vault, &ops::mirror::MirrorOptions::of(&[]), WAIT).unwrap()
}

/// Every take of the vault, its bytes checked: device, number, hash.
pub fn takes(vault: &Vault) -> Vec<(String, u32, Hash)> {
    let pieces = farshelf::vault::pieces::Pieces::new(vault);
    let mut all = Vec::new();
    vault
        .catalogue()
        .each_take(|t| {
            if pieces.check(&t.hash).is_ok() {
                let device = vault.catalogue().device_name(t.device())?;
                all.push((device, t.number(), t.hash));
            }
            Ok(())
        })
        .unwrap();
    all
}

pub fn flip(path: &Path, at: usize) {
    let mut bytes = std::fs::read(path).unwrap();
    let at = at.min(bytes.len() - 1);
    bytes[at] ^= 0x10;
    std::fs::write(path, bytes).unwrap();
}

pub fn cut(path: &Path) {
    let bytes = std::fs::read(path).unwrap();
    std::fs::write(path, &bytes[..bytes.len() / 2]).unwrap();
}

pub fn copy_folder(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).unwrap();
    for file in files(from) {
        let target = to.join(file.file_name().unwrap());
        if file.is_dir() {
            copy_folder(&file, &target);
        } else {
            std::fs::copy(&file, &target).unwrap();
        }
    }
}
