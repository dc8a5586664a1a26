//! A vault that something went wrong with: every command says what, what was not harmed and what to do next.

mod common;

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use common::*;
use farshelf::error::Kind;
use farshelf::model::hash::Hash;
use farshelf::ops;
use farshelf::ops::keep::Status;
use farshelf::sys::disk::Replace;
use farshelf::vault::Vault;
use farshelf::vault::catalogue::Form;
use farshelf::vault::ledger::{self, Event};

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
        ops::recall::recall(
            &vault,
            &reference,
            "-".as_ref(),
            Replace::No,
            &ops::recall::Altered::default(),
            &mut out,
        )
        .unwrap();
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
fn a_wrong_maker_in_the_settings_is_named_with_what_is_allowed() {
    let s = Studio::new();
    vault_with_dumps(&s);
    let path = s.path("vault/farshelf.toml");
    let text = std::fs::read_to_string(&path).unwrap();
    let check = |lines: &str, words: &[&str]| {
        std::fs::write(&path, format!("{text}\n[makers]\n{lines}\n")).unwrap();
        for words in words {
            refused(&s, Kind::BadInput, words);
        }
    };
    let allowed = "an ID is one byte from 01 to 7";
    let mine = "\"00 21 7F\" = \"my workshop\"";
    for key in ["00 21", "00", "43 10", "80", "0x43", "acme", ""] {
        let line = format!("\"{key}\" = \"mine\"");
        check(
            &format!("{mine}\n{line}"),
            &[
                &format!(", {line}: \"{key}\" in [makers] is no maker ID"),
                allowed,
            ],
        );
    }
    check(
        "7E = \"all\"",
        &["7E = \"all\": \"7E\" in [makers] is no maker's", allowed],
    );
    let name = "a name has 1 to 100 characters";
    for value in ["", "  ", "a\\u0007b", &"long".repeat(26)] {
        let line = format!("43 = \"{value}\"");
        check(
            &format!("{mine}\n{line}"),
            &[&format!(", {line}: the name of \"43\" in [makers]"), name],
        );
    }
    check("43 = 7", &[", 43 = 7: "]);
    check(
        "\"00 21 7f\" = \"one\"\n\"00 21 7F\" = \"two\"",
        &["00 21 7F stands twice in [makers]"],
    );
    let many: String = (0..1001)
        .map(|n| format!("\"00 {:02X} {:02X}\" = \"n\"\n", n / 128, n % 128))
        .collect();
    check(&many, &["[makers] holds more than 1000 names"]);
    std::fs::write(&path, text.replace("[asked]", "makers = 3\n[asked]")).unwrap();
    refused(&s, Kind::BadInput, "names by maker ID");
    std::fs::write(
        &path,
        format!("{text}\n[makers]\n\"00 21 7f\" = \" my workshop \"\n7D = \"me\"\n"),
    )
    .unwrap();
    let names = s.open().settings().names();
    for (id, name) in [
        ("00 21 7F", Some("my workshop")),
        ("7D", Some("me")),
        ("00 21 7E", None),
        ("41", Some("Roland Corporation")),
    ] {
        assert_eq!(names.of(&id.parse().unwrap()), name, "{id}");
    }
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

/// Records a take as a ledger that somebody else wrote could hold it.
fn foreign_take(vault: &Vault, device: &str, number: u32, section: &str, key: &str, form: Form) {
    let body = format!("bytes of {number}").into_bytes();
    let mut writer = vault.writer(WAIT).unwrap();
    let mut hash = Hash::of(&body);
    writer.put_piece(Form::Whole, hash, &body).unwrap();
    if form == Form::Folder {
        let text = format!("{hash}  inside.wav\n");
        hash = Hash::of(text.as_bytes());
        writer.put_list(Form::Folder, hash, &text).unwrap();
    }
    let take = ledger::Take {
        device: device.to_string(),
        take: number,
        section: Some(section.to_string()),
        by_hand: false,
        key: key.to_string(),
        blake3: hash.to_string(),
        content: None,
        bytes: body.len() as u64,
        messages: 0,
        doubtful: false,
        evidence: "none".to_string(),
        findings: Vec::new(),
        reading: 0,
        sysex_number: None,
        patches: 0,
        date: "2026-01-01".to_string(),
        by: "given".to_string(),
        origin: ledger::Origin {
            via: "file".to_string(),
            name: "../../up".to_string(),
            ..ledger::Origin::default()
        },
    };
    writer.record(&Event::Take(take)).unwrap();
    writer.commit().unwrap();
}

/// Every file and folder below `dir`, but not those of the vault and its writer.
fn tree(dir: &Path, s: &Studio, out: &mut BTreeSet<PathBuf>) {
    for entry in std::fs::read_dir(dir).unwrap() {
        let path = entry.unwrap().path();
        if path == s.path("vault") || path == s.path("state") {
            continue;
        }
        if path.is_dir() {
            tree(&path, s, out);
        }
        out.insert(path);
    }
}

#[test]
fn no_name_in_a_ledger_leads_a_recall_out_of_its_folder() {
    let s = Studio::new();
    let vault = s.create();
    let absolute = s.path("absolute").display().to_string();
    let named = [
        ("../../up", "syx"),
        ("../up", "*./../../up"),
        (&absolute, "*.wav"),
        ("a/../../../up", "*.wav"),
        ("..", "syx"),
        ("fine", "*./../../up"),
    ];
    let mut number = 0;
    for (section, key) in named {
        for form in [Form::Whole, Form::Folder] {
            number += 1;
            // Two takes of one section would be one state.
            let section = match form {
                Form::Folder => format!("{section}/../folder-up"),
                _ => section.to_string(),
            };
            foreign_take(&vault, "organ", number, &section, key, form);
        }
    }
    let to = s.path("deep/er/to");
    std::fs::create_dir_all(&to).unwrap();
    let mut before = BTreeSet::new();
    tree(s.dir.path(), &s, &mut before);
    let mut references: Vec<String> = (1..=number).map(|n| format!("organ@{n}")).collect();
    references.push("organ".to_string());
    for reference in references {
        for target in [to.clone(), to.join("new")] {
            let mut sink = Vec::new();
            let result = ops::recall::recall(
                &vault,
                &reference,
                &target,
                Replace::No,
                &ops::recall::Altered::default(),
                &mut sink,
            );
            let mut after = BTreeSet::new();
            tree(s.dir.path(), &s, &mut after);
            let new: Vec<_> = after.difference(&before).collect();
            assert!(
                new.iter().all(|p| p.starts_with(&to)),
                "{reference}: {new:?}"
            );
            result.unwrap_or_else(|e| panic!("{reference}: {}", e.fact()));
            assert!(!new.is_empty(), "{reference}");
            std::fs::remove_dir_all(&to).unwrap();
            std::fs::create_dir_all(&to).unwrap();
        }
    }
}

#[test]
fn a_device_without_an_id_in_another_vault_stops_no_other_device() {
    let s = Studio::new();
    let other = s.create();
    foreign_take(&other, "No Id!", 1, "all", "*.img", Form::Whole);
    foreign_take(&other, "No Id!", 2, "more", "*.img", Form::Whole);
    foreign_take(&other, "organ", 1, "all", "*.img", Form::Whole);
    foreign_take(&other, "organ", 2, "../up", "*.bin", Form::Whole);
    drop(other);
    let place = "loft".parse().unwrap();
    let second = ops::create::create(&s.path("second"), Some(&place), &s.world()).unwrap();
    let mut failed = Vec::new();
    let totals = ops::bring::bring(&second, &s.path("vault"), WAIT, &mut |r| {
        if r.status == Status::Failed {
            let e = r.error.as_ref().unwrap();
            failed.push((r.source.clone(), e.fact(), e.next_step().text()));
        }
        Ok(())
    })
    .unwrap();
    assert_eq!((totals.kept, totals.failed), (2, 2));
    for (at, (source, fact, next)) in failed.iter().enumerate() {
        assert!(source.ends_with(&format!("No Id!@{}", at + 1)), "{source}");
        assert!(fact.contains("No Id!"), "{fact}");
        assert!(next.is_some());
    }
    let devices = ops::devices::list(&second).unwrap();
    assert_eq!(devices.len(), 1);
    // A section without a name is none: what lies there is kept loose.
    let sections: Vec<_> = devices[0].sections.iter().map(|s| &s.name).collect();
    assert_eq!(sections, ["all"]);
}
