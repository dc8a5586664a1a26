//! Damage of every kind to a vault and its shelves: fixity names it, repair mends it, nothing spreads.

#[path = "../common/vaults.rs"]
mod common;
#[path = "../common/points.rs"]
mod points;

mod bed;
mod every_point;

use std::fs;
use std::path::{Path, PathBuf};

use common::{Studio, WAIT, cut, dump, files, flip, keep, mirror, takes};
use farshelf::ops::fixity::{FixityOptions, FixityReport, fixity};
use farshelf::ops::repair::{Look, RepairReport};
use farshelf::vault::Vault;

fn check(vault: &Vault) -> FixityReport {
    fixity(vault, &FixityOptions::default(), WAIT).unwrap()
}

fn repair(studio: &Studio, vault: Vault) -> (Vault, RepairReport) {
    farshelf::ops::repair::repair(vault, Some(&studio.identity), Look::Everywhere, WAIT).unwrap()
}

/// Does `harm`, then sees that fixity finds damage at `place` (and reel) and that repair mends it for good.
fn found_and_mended(what: &str, place: &str, reel: Option<u64>, harm: impl FnOnce(&Studio)) {
    let studio = Studio::new();
    let vault = studio.three_reels(&["barn", "loft"]);
    let before = takes(&vault);
    assert_eq!(before.len(), 6);
    assert!(check(&vault).good(), "{what}");
    harm(&studio);
    let report = check(&vault);
    assert!(
        report
            .damaged
            .iter()
            .any(|d| d.place == place && (reel.is_none() || d.reel == reel)),
        "{what}: {report:?}"
    );
    assert!(
        report.damaged.iter().all(|d| d.place == place),
        "{what}: {report:?}"
    );
    let (vault, repaired) = repair(&studio, vault);
    assert!(
        repaired.repaired.iter().any(|r| r.place == place),
        "{what}: {repaired:?}"
    );
    assert_eq!(repaired.unrepairable, [], "{what}");
    assert_eq!(repaired.lost_takes, [], "{what}");
    let after = check(&vault);
    assert!(after.good() && after.complete, "{what}: {after:?}");
    assert_eq!(takes(&vault), before, "{what}");
    let (_, nothing) = repair(&studio, vault);
    assert_eq!(nothing.repaired, [], "{what}");
}

fn at(studio: &Studio, shelf: &str, index: usize) -> PathBuf {
    studio.objects(shelf)[index].clone()
}

fn swap(a: &Path, b: &Path) {
    let bytes = fs::read(a).unwrap();
    fs::copy(b, a).unwrap();
    fs::write(b, bytes).unwrap();
}

#[test]
fn damaged_objects_at_a_shelf() {
    for index in 0..3 {
        let reel = Some(index as u64 + 1);
        for byte in [0, 30, 150, 250, 1000, 3000, usize::MAX] {
            found_and_mended(&format!("object {index} byte {byte}"), "barn", reel, |s| {
                flip(&at(s, "barn", index), byte);
            });
        }
        found_and_mended("cut", "barn", reel, |s| cut(&at(s, "barn", index)));
        found_and_mended("emptied", "loft", reel, |s| {
            fs::write(at(s, "loft", index), "").unwrap()
        });
        found_and_mended("removed", "loft", reel, |s| {
            fs::remove_file(at(s, "loft", index)).unwrap()
        });
        found_and_mended("grown", "loft", reel, |s| {
            let path = at(s, "loft", index);
            let mut bytes = fs::read(&path).unwrap();
            bytes.push(0);
            fs::write(path, bytes).unwrap();
        });
    }
    found_and_mended("swapped", "barn", Some(3), |s| {
        swap(&at(s, "barn", 0), &at(s, "barn", 2))
    });
    found_and_mended("a link", "barn", Some(2), |s| {
        let path = at(s, "barn", 1);
        fs::remove_file(&path).unwrap();
        std::os::unix::fs::symlink("/dev/zero", path).unwrap();
    });
    found_and_mended("huge", "barn", Some(2), |s| {
        let file = fs::OpenOptions::new()
            .write(true)
            .open(at(s, "barn", 1))
            .unwrap();
        file.set_len(1 << 36).unwrap();
    });
    found_and_mended("all of it", "barn", None, |s| {
        for file in s.objects("barn") {
            fs::remove_file(file).unwrap();
        }
        fs::remove_dir(s.path("barn/reels")).unwrap();
    });
}

#[test]
fn damaged_small_files_at_a_shelf() {
    found_and_mended("README", "barn", None, |s| {
        flip(&s.path("barn/README.txt"), 3)
    });
    found_and_mended("no README", "barn", None, |s| {
        fs::remove_file(s.path("barn/README.txt")).unwrap();
    });
    for byte in [0, 14, 40, 100] {
        found_and_mended("shelf.json", "barn", None, |s| {
            flip(&s.path("barn/shelf.json"), byte)
        });
    }
    found_and_mended("no shelf.json", "barn", None, |s| {
        fs::remove_file(s.path("barn/shelf.json")).unwrap();
    });
}

#[test]
fn damaged_local_reels() {
    for (number, byte) in [
        (1, 0),
        (1, 600),
        (2, 1600),
        (2, 5200),
        (3, 9000),
        (3, usize::MAX),
    ] {
        found_and_mended(
            &format!("reel {number} byte {byte}"),
            "local",
            Some(number),
            |s| {
                flip(&s.vault().reel_path(number), byte);
            },
        );
    }
    let reel = |s: &Studio, n: usize| files(&s.path("vault/reels"))[n].clone();
    found_and_mended("cut", "local", Some(2), |s| cut(&reel(s, 1)));
    found_and_mended("removed in the middle", "local", Some(2), |s| {
        fs::remove_file(reel(s, 1)).unwrap();
    });
    found_and_mended("the last one removed", "local", Some(3), |s| {
        fs::remove_file(reel(s, 2)).unwrap();
    });
    found_and_mended("swapped", "local", Some(1), |s| {
        swap(&reel(s, 0), &reel(s, 1))
    });
    found_and_mended(
        "the first one removed, a stray folder left",
        "local",
        Some(1),
        |s| {
            fs::remove_file(reel(s, 0)).unwrap();
            fs::create_dir(reel(s, 0).with_extension("x")).unwrap();
        },
    );
}

#[test]
fn a_renamed_object_is_named_and_its_reel_mended() {
    let studio = Studio::new();
    let vault = studio.three_reels(&["barn", "loft"]);
    let first = at(&studio, "barn", 0);
    let name = first.file_name().unwrap().to_str().unwrap().to_string();
    fs::rename(
        &first,
        first.with_file_name(name.replacen("000001", "000007", 1)),
    )
    .unwrap();
    let report = check(&vault);
    assert!(
        report
            .damaged
            .iter()
            .any(|d| d.reel == Some(1) && d.detail.starts_with("missing"))
    );
    assert!(
        report
            .damaged
            .iter()
            .any(|d| d.reel == Some(7) && d.detail.starts_with("forged or renamed"))
    );
    let (vault, repaired) = repair(&studio, vault);
    assert_eq!(repaired.repaired.len(), 1);
    assert_eq!(repaired.unrepairable.len(), 1, "{repaired:?}");
    assert_eq!(check(&vault).damaged.len(), 1);
}

#[test]
fn without_the_key_shelves_are_mended_and_local_reels_wait() {
    let studio = Studio::new();
    let vault = studio.three_reels(&["barn", "loft"]);
    flip(&vault.reel_path(2), 1700);
    flip(&at(&studio, "loft", 0), 700);
    let (vault, report) =
        farshelf::ops::repair::repair(vault, None, Look::Everywhere, WAIT).unwrap();
    assert!(report.key_needed);
    assert_eq!(report.repaired.len(), 1);
    assert_eq!(
        (
            report.repaired[0].place.as_str(),
            report.repaired[0].from.as_str()
        ),
        ("loft", "barn")
    );
    assert_eq!(report.unrepairable.len(), 1);
    // The damaged holding is known, so that keeping the same dump again stores it anew.
    assert_eq!(vault.catalogue().damaged_pieces().unwrap().len(), 1);
    let (vault, report) = repair(&studio, vault);
    assert_eq!(report.repaired.len(), 1);
    assert!(vault.catalogue().damaged_pieces().unwrap().is_empty());
}

#[test]
fn what_is_damaged_everywhere_is_named_with_its_takes() {
    let studio = Studio::new();
    let vault = studio.three_reels(&["barn"]);
    flip(&vault.reel_path(2), 1700);
    flip(&at(&studio, "barn", 1), 900);
    let (vault, report) = repair(&studio, vault);
    assert_eq!(report.repaired, []);
    assert_eq!(report.lost_takes, [("organ".to_string(), 3)]);
    let places: Vec<_> = report
        .unrepairable
        .iter()
        .map(|u| (u.place.as_str(), u.reel))
        .collect();
    assert_eq!(places, [("local", Some(2)), ("barn", Some(2))]);
    assert_eq!(takes(&vault).len(), 5);
}

#[test]
fn a_damaged_open_reel_is_found_closed_as_it_stands_and_healed_by_keeping_again() {
    let studio = Studio::new();
    let vault = studio.three_reels(&["barn"]);
    keep(&vault, "organ", 7, &dump(7));
    keep(&vault, "organ", 8, &dump(8));
    flip(&vault.reel_path(4), 1700);
    let report = check(&vault);
    assert_eq!(report.damaged.len(), 1);
    assert_eq!(report.damaged[0].reel, Some(4));
    let (vault, report) = repair(&studio, vault);
    assert_eq!(report.lost_takes, [("organ".to_string(), 7)]);
    assert!(vault.catalogue().mark().unwrap().closed);
    let mut writer = vault.writer(WAIT).unwrap();
    let hash = farshelf::model::hash::Hash::of(&dump(7));
    let stored = writer
        .put_piece(farshelf::vault::catalogue::Form::Whole, hash, &dump(7))
        .unwrap();
    writer.commit().unwrap();
    drop(writer);
    assert!(stored);
    assert_eq!(takes(&vault).len(), 8);
    assert!(check(&vault).good(), "{:?}", check(&vault));
    mirror(&vault);
    assert!(check(&vault).good());
}

#[test]
fn an_unreadable_file_is_damage_and_never_a_crash() {
    let studio = Studio::new();
    let vault = studio.three_reels(&["barn"]);
    let path = vault.reel_path(1);
    fs::remove_file(&path).unwrap();
    fs::create_dir(&path).unwrap();
    let report = check(&vault);
    assert_eq!(report.damaged.len(), 1);
    assert!(
        report.damaged[0].detail.contains("cannot be read"),
        "{report:?}"
    );
    assert_eq!(vault.catalogue().damaged_pieces().unwrap().len(), 2);
}

#[test]
fn a_budget_reads_what_was_not_read_for_longest() {
    let studio = Studio::new();
    let vault = studio.three_reels(&["barn"]);
    studio.later(1);
    let options = |budget| FixityOptions {
        budget,
        ..FixityOptions::default()
    };
    let mut seen = 0;
    for _ in 0..6 {
        let part = fixity(&vault, &options(Some(1)), WAIT).unwrap();
        assert!(!part.complete || part.checked_reels == 6);
        assert_eq!(part.checked_reels, 1);
        assert!(part.good());
        seen += 1;
        studio.later(1);
    }
    assert_eq!(seen, 6);
    let now = vault.world().now();
    let oldest = (1..=3)
        .map(|n| {
            vault
                .catalogue()
                .reel_check(n)
                .unwrap()
                .verified_at
                .unwrap()
        })
        .chain(
            farshelf::ops::shelf::show(&vault, "barn")
                .unwrap()
                .reels
                .iter()
                .map(|r| r.verified_at.unwrap()),
        )
        .min()
        .unwrap();
    assert_eq!(
        oldest,
        now - 6 * common::DAY,
        "each copy was read exactly once"
    );
    assert!(fixity(&vault, &options(None), WAIT).unwrap().complete);
}

#[test]
fn a_shelf_that_is_away_is_skipped_and_named_ones_are_the_only_ones() {
    let studio = Studio::new();
    let vault = studio.three_reels(&["barn", "loft"]);
    fs::rename(studio.path("loft"), studio.path("gone")).unwrap();
    let report = check(&vault);
    assert_eq!((report.skipped.len(), report.checked_reels), (1, 6));
    let local = FixityOptions {
        local: true,
        ..FixityOptions::default()
    };
    assert_eq!(fixity(&vault, &local, WAIT).unwrap().checked_reels, 3);
    let named = FixityOptions {
        shelves: vec!["loft".into()],
        ..FixityOptions::default()
    };
    assert!(!fixity(&vault, &named, WAIT).unwrap().complete);
}

#[test]
fn what_rots_before_its_reel_is_closed_counts_as_a_copy_nowhere() {
    let studio = Studio::new();
    let vault = studio.vault();
    studio.add(&vault, "barn");
    keep(&vault, "organ", 1, &dump(1));
    let open = vault.catalogue().mark().unwrap();
    let take = vault.catalogue().takes_of_device(1).unwrap().remove(0);
    let holding = vault.catalogue().holding(&take.hash).unwrap().unwrap();
    flip(&vault.reel_path(open.reel), holding.at as usize + 7);
    drop(vault);
    // The next run closes the reel for the mirror; the copy at the shelf has the same rot, and says nothing of it.
    let vault = studio.vault();
    mirror(&vault);
    let (health, _) = farshelf::ops::health::health(&vault).unwrap();
    assert_eq!(health.lost.len(), 1, "{health:#?}");
    assert!(
        farshelf::care::copies::copies_of_take(&vault, &take)
            .unwrap()
            .is_empty()
    );
    // Keeping the same dump again heals it.
    let mut writer = vault.writer(WAIT).unwrap();
    assert!(
        writer
            .put_piece(farshelf::vault::catalogue::Form::Whole, take.hash, &dump(1))
            .unwrap()
    );
    writer.commit().unwrap();
    drop(writer);
    let (health, _) = farshelf::ops::health::health(&vault).unwrap();
    assert_eq!(health.lost.len(), 0);
}

#[test]
fn a_reel_that_is_gone_with_its_shelves_unknown_is_named_and_comes_back() {
    let studio = Studio::new();
    let vault = studio.three_reels(&["barn"]);
    let before = takes(&vault);
    fs::remove_file(vault.reel_path(1)).unwrap();
    let (vault, _) = Vault::reindex(vault.dir(), studio.elsewhere(), WAIT).unwrap();
    fs::rename(studio.path("barn"), studio.path("away")).unwrap();
    let (vault, report) = repair(&studio, vault);
    let named: Vec<_> = report
        .unrepairable
        .iter()
        .map(|u| (u.place.as_str(), u.reel))
        .collect();
    assert!(named.contains(&("local", Some(1))), "{named:?}");
    assert_ne!(takes(&vault), before);
    fs::rename(studio.path("away"), studio.path("barn")).unwrap();
    if vault.catalogue().shelves().unwrap().is_empty() {
        studio.add(&vault, "barn");
    }
    let (vault, _) = repair(&studio, vault);
    assert_eq!(takes(&vault), before);
}
