//! Rebuilding the catalogue from reels that somebody lost, copied, lengthened or invented lines in.

mod common;

use common::*;
use farshelf::care::fixity::{FixityOptions, fixity};
use farshelf::care::repair::{Look, repair};
use farshelf::error::{Kind, Result};
use farshelf::model::hash::Hash;
use farshelf::ops;
use farshelf::sys::disk::Replace;
use farshelf::vault::Vault;
use farshelf::vault::ledger::{self, Event};
use farshelf::vault::reel::{self, Member};
use farshelf::vault::reindex::Rebuilt;

/// A vault with one take in each of `reels` closed reels and one in an open reel; nobody holds it open.
fn vault_of_reels(s: &Studio, reels: u8) {
    let vault = s.create();
    add_device(&vault, "organ");
    let id = "organ".parse().unwrap();
    for n in 0..=reels {
        keep_one(s, &vault, n);
        ops::devices::log(
            &vault,
            &id,
            "note",
            Some("2026"),
            &format!("line {n}"),
            WAIT,
        )
        .unwrap();
        if n < reels {
            vault.writer(WAIT).unwrap().close_reel().unwrap();
        }
    }
}

fn keep_one(s: &Studio, vault: &Vault, n: u8) {
    let file = s.file(&format!("{n}.syx"), &dump(1, &[n; 50]), NOW + i64::from(n));
    let (totals, _) = keep(vault, &options("organ", vec![file]));
    assert_eq!(totals.failed, 0);
}

fn reindex(s: &Studio) -> Result<(Vault, Rebuilt)> {
    Vault::reindex(&s.path("vault"), s.world(), WAIT)
}

fn without_catalogue(s: &Studio) {
    for suffix in ["", "-wal", "-shm"] {
        let _ = std::fs::remove_file(s.path(&format!("vault/catalogue.sqlite{suffix}")));
    }
}

/// The takes that come back byte for byte.
fn good_takes(vault: &Vault) -> usize {
    let history = ops::takes::history(vault, &"organ".parse().unwrap()).unwrap();
    history
        .takes
        .iter()
        .filter(|view| {
            let mut out = Vec::new();
            let reference = format!("organ@{}", view.take.number());
            let recalled = ops::recall::recall(
                vault,
                &reference,
                "-".as_ref(),
                Replace::No,
                &ops::recall::Altered::default(),
                &mut out,
            );
            recalled.is_ok() && Hash::of(&out) == view.take.hash
        })
        .count()
}

fn log_lines(vault: &Vault) -> usize {
    let device = ops::devices::show(vault, &"organ".parse().unwrap()).unwrap();
    device.log.len()
}

/// The reels that health, fixity and repair each say something about.
fn told(vault: &Vault) -> [Vec<u64>; 3] {
    let health = ops::health::health(vault).unwrap().0;
    let found = fixity(vault, &FixityOptions::default(), WAIT).unwrap();
    let mended = repair(vault, None, Look::AsRecorded, WAIT).unwrap();
    [
        health.problems.iter().map(|p| p.reel).collect(),
        found.damaged.iter().filter_map(|d| d.reel).collect(),
        mended.unrepairable.iter().filter_map(|u| u.reel).collect(),
    ]
}

#[test]
fn a_reel_lost_with_the_catalogue_is_named_by_health_fixity_and_repair() {
    let s = Studio::new();
    vault_of_reels(&s, 2);
    assert_eq!(told(&s.open()), [const { Vec::<u64>::new() }; 3]);
    std::fs::remove_file(s.path("vault/reels/000001.tar")).unwrap();
    without_catalogue(&s);
    let vault = s.open();
    assert_eq!(told(&vault), [vec![1], vec![1], vec![1]]);
    assert!(!ops::health::health(&vault).unwrap().0.good);
}

#[test]
fn the_last_reel_lost_is_named_also_when_the_vault_goes_on_without_it() {
    let s = Studio::new();
    vault_of_reels(&s, 1);
    std::fs::remove_file(s.path("vault/reels/000002.tar")).unwrap();
    let (vault, rebuilt) = reindex(&s).unwrap();
    assert_eq!(rebuilt.lost.len(), 1);
    assert_eq!(told(&vault), [vec![2], vec![2], vec![2]]);
    keep_one(&s, &vault, 7);
    assert_eq!(told(&vault), [vec![2], vec![2], vec![2]]);
    drop(vault);
    without_catalogue(&s);
    assert_eq!(told(&s.open()), [vec![2], vec![2], vec![2]]);
}

#[test]
fn a_reel_that_stands_there_twice_counts_once() {
    // The copy of a closed reel behind, of one between, and of the open one.
    for (from, to) in [(1, 4), (2, 1), (3, 4)] {
        let s = Studio::new();
        vault_of_reels(&s, 2);
        let file = |n: u64| s.path(&format!("vault/reels/{}", reel::file_name(n)));
        let overwritten = std::fs::read(file(to)).is_ok();
        std::fs::copy(file(from), file(to)).unwrap();
        without_catalogue(&s);
        let (vault, rebuilt) = reindex(&s).unwrap();
        let all = if overwritten { 2 } else { 3 };
        assert_eq!(rebuilt.set_aside, [to], "{from} to {to}");
        assert_eq!((good_takes(&vault), log_lines(&vault)), (all, all));
        assert_eq!(
            std::fs::read_dir(s.path("vault/incoming")).unwrap().count(),
            1
        );
        keep_one(&s, &vault, 7);
        assert_eq!(good_takes(&vault), all + 1);
        drop(vault);
        let (_, again) = reindex(&s).unwrap();
        assert_eq!((again.set_aside.len(), again.lost.len()), (0, 0));
    }
}

#[test]
fn batches_read_once_are_not_entered_again() {
    let s = Studio::new();
    vault_of_reels(&s, 1);
    // A dump in the right one has rotted, so the copy is not simply a repeat: both are read.
    let right = s.path("vault/reels/000001.tar");
    std::fs::copy(&right, s.path("vault/reels/000003.tar")).unwrap();
    let mut bytes = std::fs::read(&right).unwrap();
    let body = dump(1, &[0; 50]);
    let at = bytes.windows(body.len()).position(|w| w == body).unwrap();
    bytes[at + 20] ^= 1;
    std::fs::write(&right, &bytes).unwrap();
    without_catalogue(&s);
    let (vault, _) = reindex(&s).unwrap();
    assert_eq!((good_takes(&vault), log_lines(&vault)), (2, 2));
}

#[test]
fn a_reel_with_a_long_tail_of_something_else_still_gives_its_takes() {
    for (number, closed) in [(1, true), (2, false)] {
        for catalogue in [true, false] {
            let s = Studio::new();
            vault_of_reels(&s, 1);
            let file = s.path(&format!("vault/reels/{}", reel::file_name(number)));
            let whole = std::fs::read(&file).unwrap();
            let mut long = whole.clone();
            long.resize(reel::LARGEST_REEL_BYTES as usize + 5000, 0x55);
            std::fs::write(&file, &long).unwrap();
            if !catalogue {
                without_catalogue(&s);
            }
            let vault = s.open();
            assert_eq!(good_takes(&vault), 2, "reel {number}, {catalogue}");
            keep_one(&s, &vault, 7);
            assert_eq!(good_takes(&vault), 3, "reel {number}, {catalogue}");
            let cut = !closed && catalogue;
            let expected = if cut { vec![] } else { vec![number] };
            assert_eq!(told(&vault)[1], expected, "reel {number}, {catalogue}");
            assert_eq!(good_takes(&vault), 3, "reel {number}, {catalogue}");
            let now = std::fs::read(&file).unwrap();
            assert!(if cut {
                now.starts_with(&whole)
            } else {
                now == long
            });
        }
    }
}

/// Rewrites the ledger members of a reel, with right names for what they hold then.
fn rewrite_ledger(s: &Studio, number: u64, change: impl Fn(&str) -> String) {
    let path = s.path(&format!("vault/reels/{}", reel::file_name(number)));
    let bytes = std::fs::read(&path).unwrap();
    let scan = reel::scan(&bytes, 0);
    let mut out: Vec<u8> = Vec::new();
    for found in &scan.members {
        let data = &bytes[found.data.clone()];
        if let Member::Ledger { first, last, .. } = found.member {
            let text = change(std::str::from_utf8(data).unwrap());
            append(
                &mut out,
                &Member::ledger(first, last, text.as_bytes()),
                text.as_bytes(),
            );
        } else {
            append(&mut out, &found.member, data);
        }
    }
    out.extend(&bytes[scan.end as usize..]);
    std::fs::write(&path, out).unwrap();
}

fn append(reel: &mut Vec<u8>, member: &Member, data: &[u8]) {
    reel.extend(reel::header(&member.to_string(), data.len() as u64).unwrap());
    reel.extend(data);
    reel.resize(reel::padded(reel.len() as u64) as usize, 0);
}

#[test]
fn a_ledger_line_that_makes_no_sense_is_told_and_the_others_count() {
    for number in [1, 2] {
        let s = Studio::new();
        vault_of_reels(&s, 1);
        rewrite_ledger(&s, number, |text| {
            text.replace("\"blake3\":\"", "\"blake3\":\"no hash ")
        });
        without_catalogue(&s);
        let (vault, rebuilt) = reindex(&s).unwrap();
        assert_eq!(good_takes(&vault), 1);
        assert_eq!(rebuilt.damaged.len(), 1);
        assert_eq!(rebuilt.damaged[0].0, number);
        assert!(
            rebuilt.damaged[0]
                .1
                .contains("of the ledger makes no sense")
        );
        keep_one(&s, &vault, number as u8 - 1);
        assert_eq!(good_takes(&vault), 2);
    }
}

#[test]
fn an_invented_line_number_does_not_begin_the_count_again() {
    let s = Studio::new();
    vault_of_reels(&s, 0);
    let path = s.path("vault/reels/000001.tar");
    let mut bytes = std::fs::read(&path).unwrap();
    let batch = Event::Batch(ledger::Batch {
        at: "2026-06-01T12:00:00Z".into(),
        program: "none".into(),
        from: bytes.len() as u64,
        check: Hash::of(b"").to_string(),
    });
    let mut text = Vec::new();
    ledger::write_line(u64::MAX, &batch, &mut text).unwrap();
    append(
        &mut bytes,
        &Member::ledger(u64::MAX, u64::MAX, &text),
        &text,
    );
    std::fs::write(&path, &bytes).unwrap();
    without_catalogue(&s);
    let vault = s.open();
    assert_eq!(good_takes(&vault), 1);
    keep_one(&s, &vault, 7);
    drop(vault);
    without_catalogue(&s);
    let vault = s.open();
    assert_eq!(good_takes(&vault), 2);
    let line = vault.catalogue().mark().unwrap().line;
    assert!(line < 1000, "{line}");
}

fn take(device: &str, number: u32, section: &str, bytes: &[u8], date: &str) -> ledger::Take {
    ledger::Take {
        device: device.into(),
        take: number,
        section: Some(section.into()),
        by_hand: false,
        key: "7d".into(),
        blake3: Hash::of(bytes).to_string(),
        content: None,
        bytes: bytes.len() as u64,
        messages: 0,
        doubtful: false,
        evidence: "none".into(),
        findings: Vec::new(),
        reading: 0,
        sysex_number: None,
        patches: 0,
        date: date.into(),
        by: "given".into(),
        origin: ledger::Origin::default(),
    }
}

#[test]
fn numbers_are_never_given_again_when_they_are_used_up() {
    let s = Studio::new();
    vault_of_reels(&s, 0);
    let vault = s.open();
    let take = take("organ", u32::MAX, "all", &dump(1, &[0; 50]), "1999");
    let mut writer = vault.writer(WAIT).unwrap();
    writer.record(&Event::Take(take)).unwrap();
    writer.commit().unwrap();
    drop(writer);
    let file = s.file("new.syx", &dump(1, b"new"), NOW);
    let e = ops::keep::keep(
        &vault,
        &options("organ", vec![file]),
        &mut &b""[..],
        &mut |_| Ok(()),
    )
    .unwrap_err();
    assert_eq!(e.kind, Kind::Refused, "{}", e.fact());
    assert_eq!(good_takes(&vault), 2);

    // A reel of another line with the highest number would leave none for ours.
    let accept = Event::Accept(ledger::Accept {
        reels: vec![(u64::MAX, "ab".into())],
    });
    let e = vault.writer(WAIT).unwrap().record(&accept).unwrap_err();
    assert_eq!(e.kind, Kind::BadInput);
}

#[test]
fn invented_ranges_of_verified_reels_end_soon() {
    let s = Studio::new();
    vault_of_reels(&s, 0);
    let vault = s.open();
    let shelf = ledger::Shelf {
        shelf: "barn".into(),
        shelf_id: "0".into(),
        kind: "folder".into(),
        location: "/mnt".into(),
        place: "barn".into(),
        every_days: 7,
        separate: false,
        honours: Default::default(),
        dropped: false,
        more: Default::default(),
    };
    let verified = ledger::Verified {
        shelf: "barn".into(),
        when: "2026-06-01T12:00:00Z".into(),
        reels: vec![(1, u64::MAX); 3],
    };
    let mut writer = vault.writer(WAIT).unwrap();
    writer.record(&Event::Shelf(shelf)).unwrap();
    writer.record(&Event::Verified(verified)).unwrap();
    let row = vault.catalogue().shelves().unwrap().remove(0);
    assert_eq!(
        vault.catalogue().shelf_reels(row.id).unwrap().len(),
        100_000
    );
}

#[test]
fn rows_for_the_shell_have_eight_columns_whatever_a_ledger_says() {
    let s = Studio::new();
    vault_of_reels(&s, 0);
    let vault = s.open();
    let take = take("or\tgan", 1, "al\nl", b"", "19\t99");
    let mut writer = vault.writer(WAIT).unwrap();
    writer.record(&Event::Take(take)).unwrap();
    writer.commit().unwrap();
    let bytes = vault.read_reel(1).unwrap();
    let mut rows = 0;
    for found in reel::scan(&bytes, 0).members {
        if matches!(found.member, Member::Takes { .. }) {
            let table = std::str::from_utf8(&bytes[found.data]).unwrap();
            for row in table.lines() {
                assert_eq!(row.split('\t').count(), 8, "{row}");
                rows += 1;
            }
        }
    }
    assert_eq!(rows, 2);
}
