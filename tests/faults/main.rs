//! Disks that fail: what the library does then, and a short sample of `fault.sh` against the program itself.

#[path = "../common/mod.rs"]
mod common;
mod crash;
mod io_faults;
mod lab;
mod model;
mod stand_in;

use std::io;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Arc;

use common::{NOW, Studio, add_device, dump, keep, options};
use farshelf::error::Kind;
use farshelf::ops;
use farshelf::sys::World;
use farshelf::sys::disk::{Disk, DiskFile, Meta, Privacy, RealDisk};
use farshelf::vault::Vault;
use farshelf::vault::ledger::{Event, Log};
use stand_in::{How, Sort, StandIn, Trouble};

/// A disk without a free byte: what is there can be read.
#[derive(Debug)]
struct FullDisk;

fn full<T>() -> io::Result<T> {
    Err(io::Error::from(io::ErrorKind::StorageFull))
}

impl Disk for FullDisk {
    fn open(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        RealDisk.open(path)
    }
    fn open_write(&self, _: &Path) -> io::Result<Box<dyn DiskFile>> {
        full()
    }
    fn create_new(&self, _: &Path, _: Privacy) -> io::Result<Box<dyn DiskFile>> {
        full()
    }
    fn rename(&self, _: &Path, _: &Path) -> io::Result<()> {
        full()
    }
    fn rename_new(&self, _: &Path, _: &Path) -> io::Result<()> {
        full()
    }
    fn remove_file(&self, _: &Path) -> io::Result<()> {
        full()
    }
    fn remove_folder(&self, _: &Path) -> io::Result<()> {
        full()
    }
    fn create_folders(&self, _: &Path, _: Privacy) -> io::Result<()> {
        full()
    }
    fn sync_folder(&self, _: &Path) -> io::Result<()> {
        full()
    }
    fn list(&self, path: &Path) -> io::Result<Vec<std::ffi::OsString>> {
        RealDisk.list(path)
    }
    fn meta(&self, path: &Path) -> io::Result<Meta> {
        RealDisk.meta(path)
    }
    fn canonical(&self, path: &Path) -> io::Result<PathBuf> {
        RealDisk.canonical(path)
    }
    fn free_space(&self, _: &Path) -> io::Result<u64> {
        Ok(0)
    }
}

fn takes(vault: &Vault) -> usize {
    let device = "organ".parse().unwrap();
    ops::takes::history(vault, &device).unwrap().takes.len()
}

fn vault_with_a_take(s: &Studio) -> Vault {
    let vault = s.create();
    add_device(&vault, "organ");
    let file = s.file("a.syx", &dump(1, b"a"), NOW);
    keep(&vault, &options("organ", vec![file]));
    vault
}

#[test]
fn what_was_acknowledged_is_read_although_a_broken_tail_cannot_be_cut() {
    let s = Studio::new();
    drop(vault_with_a_take(&s));
    let reel = s.path("vault/reels/000001.tar");
    let whole = std::fs::read(&reel).unwrap();
    let torn = [&whole[..], &[7; 700]].concat();
    std::fs::write(&reel, &torn).unwrap();
    let world = World {
        disk: Arc::new(FullDisk),
        ..s.world()
    };
    let vault = Vault::open(&s.path("vault"), world).unwrap();
    assert_eq!(takes(&vault), 1);
    assert_eq!(vault.take_warnings().len(), 1);
    let e = vault.writer(common::WAIT).unwrap_err();
    assert_eq!(e.kind, Kind::Io, "{e:?}");
    drop(vault);
    assert_eq!(std::fs::read(&reel).unwrap(), torn);
    let vault = s.open();
    assert_eq!(takes(&vault), 1);
    assert_eq!(std::fs::read(&reel).unwrap(), whole);
}

#[test]
fn a_torn_reel_without_its_catalogue_is_told() {
    let s = Studio::new();
    drop(vault_with_a_take(&s));
    let reel = s.path("vault/reels/000001.tar");
    let whole = std::fs::read(&reel).unwrap();
    std::fs::write(&reel, &whole[..whole.len() - 700]).unwrap();
    std::fs::remove_file(s.path("vault/catalogue.sqlite")).unwrap();
    let warnings = s.open().take_warnings();
    assert_eq!(warnings.len(), 2, "{warnings:?}");
    assert!(
        warnings[1].starts_with("reel 1 is damaged, so takes may be missing: "),
        "{warnings:?}"
    );
}

/// A list is not named after its own bytes, so keeping the same again has to look into it.
#[test]
fn a_rotten_list_is_healed_by_keeping_the_same_again() {
    let s = Studio::new();
    let vault = s.create();
    add_device(&vault, "organ");
    let long = s.file("long.bin", &lab::noise(1, 1_300_000), NOW);
    s.file("card/1.bin", b"one", NOW);
    let card = common::options("organ", vec![s.path("card")]);
    let card = ops::keep::KeepOptions {
        as_one: true,
        ..card
    };
    let long = ops::keep::KeepOptions {
        reread: true,
        ..options("organ", vec![long])
    };
    for what in [&long, &card] {
        keep(&vault, what);
        let path = s.path("vault/reels/000001.tar");
        let mut reel = std::fs::read(&path).unwrap();
        let scan = farshelf::vault::reel::scan(&reel, 0);
        let list = scan.members.iter().rev().find_map(|m| match m.member {
            farshelf::vault::reel::Member::List { hash, .. } => Some((hash, m.data.start)),
            _ => None,
        });
        let (hash, at) = list.unwrap();
        reel[at] ^= 1;
        std::fs::write(&path, reel).unwrap();
        let pieces = farshelf::vault::pieces::Pieces::new(&vault);
        pieces.check(&hash).unwrap_err();
        let (totals, _) = keep(&vault, what);
        assert_eq!((totals.unchanged, totals.failed), (1, 0));
        farshelf::vault::pieces::Pieces::new(&vault)
            .check(&hash)
            .unwrap();
    }
}

#[test]
fn a_newer_catalogue_is_not_replaced_by_rebuilding_it() {
    let s = Studio::new();
    drop(vault_with_a_take(&s));
    let path = s.path("vault/catalogue.sqlite");
    let conn = rusqlite::Connection::open(&path).unwrap();
    conn.execute_batch("PRAGMA user_version = 99").unwrap();
    drop(conn);
    let before = std::fs::read(&path).unwrap();
    let e = Vault::reindex(&s.path("vault"), s.world(), common::WAIT).unwrap_err();
    assert_eq!(e.kind, Kind::NewerFormat, "{e:?}");
    assert_eq!(std::fs::read(&path).unwrap(), before);
}

#[test]
fn settings_that_make_no_sense_are_told_in_one_line() {
    let s = Studio::new();
    drop(vault_with_a_take(&s));
    let path = s.path("vault/farshelf.toml");
    let text = std::fs::read_to_string(&path).unwrap();
    let check = |text: &str, expected: &str| {
        std::fs::write(&path, text).unwrap();
        let e = Vault::open(&s.path("vault"), s.world()).unwrap_err();
        assert_eq!(e.kind, Kind::BadInput);
        assert!(e.fact().contains(expected), "{}", e.fact());
        assert!(!e.fact().contains('\n'), "{}", e.fact());
    };
    check("nonsense\n", "line 1, nonsense: ");
    check("", "missing field `format`");
    let number = text.lines().position(|l| l == "copies = 3").unwrap() + 1;
    check(
        &text.replace("copies = 3", "copies = -1"),
        &format!("line {number}, copies = -1: invalid value"),
    );
}

#[test]
fn an_id_that_is_not_that_of_the_reels_is_refused() {
    let s = Studio::new();
    let id = vault_with_a_take(&s).id().to_string();
    let path = s.path("vault/farshelf.toml");
    let text = std::fs::read_to_string(&path).unwrap();
    std::fs::write(&path, text.replace(&id, &"0".repeat(32))).unwrap();
    let expected = format!("write vault = \"{id}\" there");
    for e in [
        Vault::open(&s.path("vault"), s.world()).unwrap_err(),
        Vault::reindex(&s.path("vault"), s.world(), common::WAIT).unwrap_err(),
    ] {
        assert_eq!(e.kind, Kind::BadInput, "{e:?}");
        assert_eq!(e.next_step().text(), Some(expected.clone()));
    }
    std::fs::write(&path, text).unwrap();
    assert_eq!(takes(&s.open()), 1);
}

#[test]
fn others_read_what_was_committed_while_a_writer_is_at_work() {
    let s = Studio::new();
    let vault = vault_with_a_take(&s);
    let other = s.open();
    let mut writer = vault.writer(common::WAIT).unwrap();
    let long = "x".repeat(2000);
    // More than SQLite's cache holds: it must not take the file for that.
    for _ in 0..12_000 {
        let log = Log {
            device: "organ".into(),
            kind: "note".into(),
            date: "2026".into(),
            text: long.clone(),
        };
        writer.record(&Event::Log(log)).unwrap();
    }
    assert_eq!(takes(&other), 1);
}

#[test]
fn a_rebuilding_that_is_cut_off_anywhere_forgets_no_lost_take() {
    for at in 1.. {
        let s = Studio::new();
        drop(vault_with_a_take(&s));
        std::fs::remove_file(s.path("vault/reels/000001.tar")).unwrap();
        let fails = Trouble::Fails {
            sort: Sort::Change,
            at,
            how: How::Broken,
            lasting: true,
        };
        let disk = StandIn::new(&s.path("vault"), &s.path("attic"), fails);
        let rebuild = |disk: Arc<dyn Disk>| {
            let world = World { disk, ..s.world() };
            Vault::reindex(&s.path("vault"), world, common::WAIT).map(|(_, rebuilt)| rebuilt)
        };
        let first = rebuild(Arc::new(disk.clone()));
        if !disk.struck() {
            assert_eq!(first.unwrap().lost.len(), 1);
            assert!(at > 2, "nothing was hurt");
            return;
        }
        let told = first.or_else(|_| rebuild(Arc::new(RealDisk))).unwrap();
        assert_eq!(told.lost.len(), 1, "cut off at change {at}");
    }
}

#[test]
fn a_short_sample_of_kills_full_disks_and_power_cuts_loses_nothing() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/faults");
    let output = Command::new("bash")
        .arg(folder.join("fault.sh"))
        .args(["-S", "-b", env!("CARGO_BIN_EXE_farshelf")])
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stdout);
    for line in said.lines().filter(|l| l.starts_with("not run")) {
        // Past the test harness, which swallows what passing tests print.
        let _ = io::Write::write_all(&mut io::stderr(), format!("{line}\n").as_bytes());
    }
    assert!(output.status.success(), "{said}");
}
