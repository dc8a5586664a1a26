//! Facts whose ledger lines rot before any copy was made: the catalogue still knows them, and repair tells them again.

mod common;

use common::*;
use farshelf::care::fixity::{FixityOptions, fixity};
use farshelf::care::repair::{Look, RepairReport};
use farshelf::model::ids::DeviceId;
use farshelf::ops;
use farshelf::ops::takes::Labelling;
use farshelf::vault::Vault;

const DAY: i64 = 86_400;

fn organ() -> DeviceId {
    "organ".parse().unwrap()
}

/// Keeps the same three dumps, whatever is kept already.
fn keep_all(s: &Studio, vault: &Vault) {
    let files = (0..3u8)
        .map(|n| {
            let bytes = dump(1, &[n; 40]);
            s.file(&format!("{n}.syx"), &bytes, NOW - i64::from(9 - n) * DAY)
        })
        .collect();
    let mut options = options("organ", files);
    options.reread = true;
    let (totals, _) = keep(vault, &options);
    assert_eq!(totals.failed, 0);
}

/// A vault of one open reel with facts of every kind; nobody holds it open.
fn vault_with_facts(s: &Studio) {
    let vault = s.create();
    add_device(&vault, "organ");
    keep_all(s, &vault);
    // A further sighting, a corrected date, a label, a person's word, a line of the logbook.
    let again = s.file("0 again.syx", &dump(1, &[0; 40]), NOW - 30 * DAY);
    keep(&vault, &options("organ", vec![again]));
    let dated = Labelling {
        date: Some("2026-05-27".parse().unwrap()),
        ..Labelling::default()
    };
    ops::takes::label(&vault, "organ@3", &dated, WAIT).unwrap();
    let named = Labelling {
        text: Some("before the tour".into()),
        ..Labelling::default()
    };
    ops::takes::label(&vault, "organ@2", &named, WAIT).unwrap();
    ops::takes::vouch(&vault, "organ@2", "it plays", WAIT).unwrap();
    ops::devices::log(
        &vault,
        &organ(),
        "battery",
        Some("2026-02"),
        "new cell",
        WAIT,
    )
    .unwrap();
}

/// All that is known of the device, in an order of its own.
fn known(vault: &Vault) -> Vec<String> {
    let catalogue = vault.catalogue();
    let device = ops::devices::show(vault, &organ()).unwrap();
    let mut out = vec![format!("{:?} {:?}", device.device.record, device.log)];
    for section in device.sections {
        out.push(format!("{:?}", section.record));
    }
    for view in ops::takes::history(vault, &organ()).unwrap().takes {
        let take = view.take;
        let mut sightings: Vec<String> = catalogue
            .sightings_of_take(take.id)
            .unwrap()
            .into_iter()
            .map(|s| {
                format!(
                    "{} {} {} {} {:?}",
                    s.date, s.by, s.counts, s.corrected, s.origin
                )
            })
            .collect();
        sightings.sort();
        out.push(format!(
            "{} {} {} {:?} {} {} {} {:?} {:?} {sightings:?}",
            take.number(),
            take.section_name,
            take.date,
            take.dated_by,
            take.hash,
            take.evidence,
            take.vouched,
            view.labels,
            catalogue.vouches_of_take(take.id).unwrap(),
        ));
    }
    out
}

fn repair(vault: Vault) -> (Vault, RepairReport) {
    ops::repair::repair(vault, None, Look::Everywhere, WAIT).unwrap()
}

/// Nothing is wrong, and the reels alone tell all that was known before.
fn all_is_well_and_stands_in_the_reels(s: &Studio, before: &[String], what: &str) {
    let vault = s.open();
    assert_eq!(known(&vault), before, "{what}: live");
    let found = fixity(&vault, &FixityOptions::default(), WAIT).unwrap();
    assert!(found.good(), "{what}: {found:?}");
    let health = ops::health::health(&vault).unwrap().0;
    assert_eq!((health.problems, health.lost), (vec![], vec![]), "{what}");
    drop(vault);
    for suffix in ["", "-wal", "-shm"] {
        let _ = std::fs::remove_file(s.path(&format!("vault/catalogue.sqlite{suffix}")));
    }
    let (vault, rebuilt) = Vault::reindex(&s.path("vault"), s.world(), WAIT).unwrap();
    assert_eq!(known(&vault), before, "{what}: from the reels");
    assert_eq!((rebuilt.damaged, rebuilt.lost), (vec![], vec![]), "{what}");
}

fn copy_folder(from: &std::path::Path, to: &std::path::Path) {
    std::fs::create_dir_all(to).unwrap();
    for entry in std::fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        if entry.file_type().unwrap().is_dir() {
            copy_folder(&entry.path(), &to.join(entry.file_name()));
        } else {
            std::fs::copy(entry.path(), to.join(entry.file_name())).unwrap();
        }
    }
}

#[test]
fn every_byte_of_an_open_reel_may_rot_and_repair_and_the_same_dumps_make_it_good() {
    let s = Studio::new();
    vault_with_facts(&s);
    let before = known(&s.open());
    copy_folder(&s.path("vault"), &s.path("spare"));
    let length = std::fs::metadata(s.path("vault/reels/000001.tar"))
        .unwrap()
        .len() as usize;
    // A prime step visits headers, pieces, rows and ledger lines alike.
    for at in (0..length).step_by(401) {
        std::fs::remove_dir_all(s.path("vault")).unwrap();
        copy_folder(&s.path("spare"), &s.path("vault"));
        let reel = s.path("vault/reels/000001.tar");
        let mut bytes = std::fs::read(&reel).unwrap();
        bytes[at] ^= 0x10;
        std::fs::write(&reel, bytes).unwrap();
        let (vault, report) = repair(s.open());
        if !report.unrepairable.is_empty() {
            assert!(
                report.unrepairable[0]
                    .detail
                    .contains("keep the takes named again")
            );
            assert_eq!(report.lost_takes.len(), 1, "byte {at}: {report:?}");
        }
        keep_all(&s, &vault);
        let (vault, report) = repair(vault);
        assert_eq!(report.unrepairable, [], "byte {at}");
        drop(vault);
        all_is_well_and_stands_in_the_reels(&s, &before, &format!("byte {at}"));
    }
}

#[test]
fn an_open_reel_that_is_gone_is_made_good_by_repair_and_the_same_dumps() {
    let s = Studio::new();
    vault_with_facts(&s);
    let before = known(&s.open());
    std::fs::remove_file(s.path("vault/reels/000001.tar")).unwrap();
    let (vault, report) = repair(s.open());
    assert_eq!(report.lost_takes.len(), 3);
    assert_eq!(report.unrepairable.len(), 1);
    keep_all(&s, &vault);
    let (vault, report) = repair(vault);
    assert_eq!((report.repaired, report.unrepairable), (vec![], vec![]));
    drop(vault);
    all_is_well_and_stands_in_the_reels(&s, &before, "gone");
}

#[test]
fn facts_told_twice_count_once() {
    let s = Studio::new();
    vault_with_facts(&s);
    let before = known(&s.open());
    assert!(s.open().retell(1, WAIT).unwrap());
    assert!(!s.open().retell(1, WAIT).unwrap());
    all_is_well_and_stands_in_the_reels(&s, &before, "retold");
}
