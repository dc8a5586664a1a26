//! A vault that something went wrong with: every command says what, what was not harmed and what to do next.

mod common;

use common::*;
use farshelf::error::Kind;
use farshelf::ops;
use farshelf::sys::disk::Replace;
use farshelf::vault::Vault;

const DAY: i64 = 86_400;

fn vault_with_dumps(s: &Studio) {
    let vault = s.create();
    add_device(&vault, "organ");
    for n in 0..3u8 {
        let f = s.file(
            &format!("{n}.syx"),
            &dump(1, &[n; 50]),
            NOW - i64::from(9 - n) * DAY,
        );
        keep(&vault, &options("organ", vec![f]));
    }
}

fn open(s: &Studio) -> farshelf::error::Result<Vault> {
    Vault::open(&s.path("vault"), s.world())
}

fn all_there(s: &Studio) {
    let vault = s.open();
    let takes = ops::takes::history(&vault, &"organ".parse().unwrap())
        .unwrap()
        .takes;
    assert_eq!(takes.len(), 3);
    for take in takes {
        let mut out = Vec::new();
        let reference = format!("organ@{}", take.take.number());
        ops::recall::recall(&vault, &reference, "-".as_ref(), Replace::No, &mut out).unwrap();
        assert_eq!(farshelf::model::hash::Hash::of(&out), take.take.hash);
    }
}

fn sql(s: &Studio, statement: &str) {
    let conn = rusqlite::Connection::open(s.path("vault/catalogue.sqlite")).unwrap();
    conn.execute_batch(statement).unwrap();
}

fn refused(s: &Studio, kind: Kind, words: &str) {
    let e = open(s).unwrap_err();
    assert_eq!(e.kind, kind, "{}", e.fact());
    assert!(e.fact().contains(words), "{}", e.fact());
    assert!(e.next_step().text().is_some(), "{}", e.fact());
}

#[test]
fn a_newer_catalogue_is_refused_and_left_alone() {
    let s = Studio::new();
    vault_with_dumps(&s);
    let conn = rusqlite::Connection::open(s.path("vault/catalogue.sqlite")).unwrap();
    let version: i64 = conn
        .query_row("PRAGMA user_version", [], |r| r.get(0))
        .unwrap();
    drop(conn);
    sql(&s, "PRAGMA user_version = 99");
    refused(&s, Kind::NewerFormat, "newer farshelf (catalogue 99");
    sql(&s, &format!("PRAGMA user_version = {version}"));
    all_there(&s);
}

#[test]
fn a_newer_vault_and_a_newer_reel_are_refused_and_left_alone() {
    let s = Studio::new();
    vault_with_dumps(&s);
    let path = s.path("vault/farshelf.toml");
    let text = std::fs::read_to_string(&path).unwrap();
    std::fs::write(&path, text.replace("format = 1", "format = 2")).unwrap();
    refused(&s, Kind::NewerFormat, "format 2");
    std::fs::write(&path, &text).unwrap();

    let reel = s.path("vault/reels/000001.tar");
    let bytes = std::fs::read(&reel).unwrap();
    let at = bytes
        .windows(11)
        .position(|w| w == b"\"format\": 1")
        .unwrap()
        + 10;
    let mut newer = bytes.clone();
    newer[at] = b'2';
    std::fs::write(&reel, &newer).unwrap();
    std::fs::remove_file(s.path("vault/catalogue.sqlite")).unwrap();
    refused(
        &s,
        Kind::NewerFormat,
        "reel 1 was written by a newer farshelf (format 2",
    );
    assert_eq!(std::fs::read(&reel).unwrap(), newer, "nothing was changed");
    std::fs::write(&reel, &bytes).unwrap();
    all_there(&s);
}

#[test]
fn a_catalogue_of_garbage_is_named_and_reindex_builds_it_again() {
    let s = Studio::new();
    vault_with_dumps(&s);
    for suffix in ["-wal", "-shm"] {
        let _ = std::fs::remove_file(s.path(&format!("vault/catalogue.sqlite{suffix}")));
    }
    std::fs::write(
        s.path("vault/catalogue.sqlite"),
        b"this is no database at all, whatever its name says",
    )
    .unwrap();
    refused(&s, Kind::Damaged, "catalogue");
    let (_, rebuilt) = Vault::reindex(&s.path("vault"), s.world(), WAIT).unwrap();
    assert_eq!(
        (rebuilt.takes, rebuilt.damaged.len(), rebuilt.lost.len()),
        (3, 0, 0)
    );
    all_there(&s);
}

#[test]
fn settings_that_make_no_sense_are_named_with_their_line() {
    let s = Studio::new();
    vault_with_dumps(&s);
    let path = s.path("vault/farshelf.toml");
    let text = std::fs::read_to_string(&path).unwrap();
    std::fs::write(&path, text.replace("copies = 3", "copies = \"many\"")).unwrap();
    refused(&s, Kind::BadInput, "copies = \"many\"");
    std::fs::write(&path, text.replace("place = \"studio\"", "place = \"\"")).unwrap();
    refused(&s, Kind::BadInput, "place");
    std::fs::write(&path, &text).unwrap();
    all_there(&s);
}

#[test]
fn what_a_person_changes_in_the_settings_becomes_a_fact() {
    let s = Studio::new();
    vault_with_dumps(&s);
    let path = s.path("vault/farshelf.toml");
    let text = std::fs::read_to_string(&path).unwrap();
    std::fs::write(&path, text.replace("copies = 3", "copies = 2")).unwrap();
    keep(
        &s.open(),
        &options("organ", vec![s.file("late.syx", &dump(1, b"late"), NOW)]),
    );
    std::fs::remove_file(s.path("vault/catalogue.sqlite")).unwrap();
    assert_eq!(s.open().catalogue().settings().unwrap().unwrap().copies, 2);
}

#[test]
fn no_vault_is_no_panic() {
    let s = Studio::new();
    refused(&s, Kind::NotFound, "there is no vault in");
    std::fs::write(s.path("vault"), b"a file").unwrap();
    refused(&s, Kind::NotFound, "there is no vault in");
}

#[test]
fn every_byte_of_an_open_reel_may_flip_and_nothing_acknowledged_is_cut_off() {
    let s = Studio::new();
    vault_with_dumps(&s);
    let reel = s.path("vault/reels/000001.tar");
    let whole = std::fs::read(&reel).unwrap();
    let catalogue = std::fs::read(s.path("vault/catalogue.sqlite")).unwrap();
    // A prime step visits headers, pieces, rows and ledger lines alike.
    for at in (0..whole.len()).step_by(97) {
        for without_catalogue in [false, true] {
            let mut bad = whole.clone();
            bad[at] ^= 0x20;
            // Behind it lies what a crash left: it must not tempt anybody to cut further back.
            bad.extend([0x55; 300]);
            std::fs::write(&reel, &bad).unwrap();
            for suffix in ["", "-wal", "-shm"] {
                let _ = std::fs::remove_file(s.path(&format!("vault/catalogue.sqlite{suffix}")));
            }
            if !without_catalogue {
                std::fs::write(s.path("vault/catalogue.sqlite"), &catalogue).unwrap();
            }
            let vault = s.open();
            let now = std::fs::read(&reel).unwrap();
            assert!(now.len() >= whole.len(), "byte {at}: something was cut off");
            assert_eq!(
                now[..whole.len()],
                bad[..whole.len()],
                "byte {at}: something was changed"
            );
            // And keeping goes on.
            let (totals, _) = keep(
                &vault,
                &options("organ", vec![s.file("late.syx", &dump(1, b"late"), NOW)]),
            );
            assert_eq!(totals.failed, 0, "byte {at}");
            drop(vault);
            let _ = std::fs::remove_file(s.path("vault/reels/000002.tar"));
        }
    }
}
