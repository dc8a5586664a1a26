//! The promises of shelves: what is sent, what is found damaged, what stops an upload, what is mended.

#[path = "common/vaults.rs"]
mod common;

use std::fs;

use common::{DAY, START, Studio, WAIT, copy_folder, keep, mirror, place, takes};
use farshelf::care::standing::ShelfState;
use farshelf::error::Kind;
use farshelf::ops;
use farshelf::ops::shelf::AddOptions;

fn state(vault: &farshelf::vault::Vault, name: &str) -> (ShelfState, String) {
    let shelf = ops::shelf::show(vault, name).unwrap().shelf;
    (shelf.state, shelf.reason.unwrap_or_default())
}

#[test]
fn a_mirror_sends_everything_once_and_the_second_one_nothing() {
    let studio = Studio::new();
    let vault = studio.vault();
    studio.add(&vault, "barn");
    studio.add(&vault, "loft");
    keep(&vault, "organ", 1, &common::dump(1));
    assert_eq!(
        state(&vault, "barn"),
        (ShelfState::Behind, "behind by 1 take".into())
    );
    let report = mirror(&vault);
    assert_eq!(report.shelves.len(), 2);
    for shelf in &report.shelves {
        assert_eq!(
            (
                shelf.reels_sent,
                shelf.reels_total,
                shelf.verified,
                shelf.state
            ),
            (1, 1, 1, ShelfState::Good),
            "{shelf:?}"
        );
        assert_eq!(shelf.error, None);
    }
    // A copy is made once: both shelves hold the same object.
    assert_eq!(
        fs::read(&studio.objects("barn")[0]).unwrap(),
        fs::read(&studio.objects("loft")[0]).unwrap()
    );
    let again = mirror(&vault);
    assert!(
        again
            .shelves
            .iter()
            .all(|s| s.reels_sent == 0 && s.verified == 1)
    );
    let listed = ops::shelf::list(&vault).unwrap();
    assert_eq!(listed[0].mirrored_at, Some(START));
    assert!(listed[0].offsite && listed[0].bytes > 3000);
    assert_eq!(ops::shelf::show(&vault, "loft").unwrap().reels.len(), 1);
}

#[test]
fn notes_wait_for_the_next_facts_and_never_make_a_shelf_behind() {
    let studio = Studio::new();
    let vault = studio.three_reels(&["barn"]);
    assert_eq!(state(&vault, "barn").0, ShelfState::Good);
    assert_eq!(vault.reel_numbers().unwrap(), [1, 2, 3]);
    let notes = vault.catalogue().notes().unwrap();
    assert_eq!(notes.len(), 2, "{notes:?}");
    keep(&vault, "organ", 7, &common::dump(7));
    assert!(vault.catalogue().notes().unwrap().is_empty());
}

#[test]
fn leftover_drafts_and_stray_files_are_no_damage() {
    let studio = Studio::new();
    let vault = studio.three_reels(&["barn"]);
    let reels = studio.path("barn").join("reels");
    for name in [".unfinished-17-0-copy", ".DS_Store", "._x", "notes.txt"] {
        fs::write(reels.join(name), "half").unwrap();
    }
    let report = mirror(&vault);
    assert_eq!(
        (report.shelves[0].reels_sent, report.shelves[0].state),
        (0, ShelfState::Good)
    );
}

#[test]
fn an_unmounted_folder_is_away_after_its_time_and_never_written_to() {
    let studio = Studio::new();
    let vault = studio.three_reels(&["barn"]);
    let barn = studio.path("barn");
    fs::rename(&barn, studio.path("unmounted")).unwrap();
    fs::create_dir(&barn).unwrap();
    keep(&vault, "organ", 7, &common::dump(7));
    let report = mirror(&vault);
    assert_eq!(report.shelves[0].reels_sent, 0);
    assert_eq!(report.shelves[0].state, ShelfState::Behind);
    assert!(fs::read_dir(&barn).unwrap().next().is_none());
    studio.later(31);
    assert_eq!(state(&vault, "barn").0, ShelfState::Away);
    fs::remove_dir(&barn).unwrap();
    fs::rename(studio.path("unmounted"), &barn).unwrap();
    assert_eq!(mirror(&vault).shelves[0].state, ShelfState::Good);
}

#[test]
fn a_shelf_not_in_the_registry_is_away_at_once_and_taken_up_again() {
    let studio = Studio::new();
    let vault = studio.three_reels(&["barn"]);
    fs::remove_file(studio.path("vault").join("shelves.toml")).unwrap();
    assert_eq!(state(&vault, "barn").0, ShelfState::Away);
    let options = AddOptions {
        name: "barn".into(),
        location: studio.path("barn").display().to_string(),
        way: Default::default(),
        place: None,
        every_days: None,
        separate: false,
    };
    let added = ops::shelf::add(&vault, &options, WAIT).unwrap();
    assert!(added.taken_up);
    assert_eq!(
        (added.shelf.state, added.shelf.place.as_str()),
        (ShelfState::Good, "barn")
    );
    // Nothing new was said, so nothing was written.
    assert!(vault.catalogue().mark().unwrap().closed);
}

#[test]
fn a_shelf_that_moved_is_read_before_it_counts() {
    let studio = Studio::new();
    let vault = studio.three_reels(&["barn"]);
    copy_folder(&studio.path("barn"), &studio.path("new-disk"));
    common::flip(
        &studio
            .path("new-disk")
            .join("reels")
            .join(studio.objects("barn")[0].file_name().unwrap()),
        900,
    );
    let options = AddOptions {
        name: "barn".into(),
        location: studio.path("new-disk").display().to_string(),
        way: Default::default(),
        place: None,
        every_days: Some(7),
        separate: true,
    };
    ops::shelf::add(&vault, &options, WAIT).unwrap();
    let report = mirror(&vault);
    assert_eq!(report.shelves[0].state, ShelfState::Damaged, "{report:?}");
    assert_eq!(
        report.shelves[0].verified, 3,
        "two old reels and the one with the new location"
    );
}

#[test]
fn what_cannot_be_a_shelf_is_refused_with_the_reason() {
    let studio = Studio::new();
    let vault = studio.three_reels(&["barn"]);
    let other = studio.create("other", "ffffffffffffffffffffffffffffffff");
    let check =
        |vault: &farshelf::vault::Vault, name: &str, location: &str, kind: Kind, says: &str| {
            let options = AddOptions {
                name: name.into(),
                location: studio.path(location).display().to_string(),
                way: Default::default(),
                place: Some(place("x")),
                every_days: None,
                separate: false,
            };
            let error = ops::shelf::add(vault, &options, WAIT).unwrap_err();
            assert_eq!(error.kind, kind, "{name} {location}");
            assert!(error.fact().contains(says), "{} lacks {says}", error.fact());
        };
    fs::create_dir(studio.path("music")).unwrap();
    fs::write(studio.path("music").join("song.txt"), "la").unwrap();
    check(&vault, "local", "a", Kind::BadInput, "meaning of its own");
    check(&vault, "12", "a", Kind::BadInput, "number");
    check(
        &vault,
        "inner",
        "vault/copies",
        Kind::Refused,
        "inside the vault",
    );
    check(
        &vault,
        "music",
        "music",
        Kind::Refused,
        "other things (song.txt)",
    );
    check(
        &vault,
        "barn",
        "elsewhere",
        Kind::AlreadyThere,
        "barn already",
    );
    check(
        &vault,
        "barn2",
        "barn",
        Kind::Refused,
        "the shelf barn already",
    );
    check(&other, "barn", "barn", Kind::Refused, "another vault");
    assert!(!studio.path("elsewhere").exists() && !studio.path("a").exists());
}

#[test]
fn a_dropped_shelf_keeps_its_files_and_its_name_is_free_again() {
    let studio = Studio::new();
    let vault = studio.three_reels(&["barn"]);
    let dropped = ops::shelf::drop_shelf(&vault, "barn", WAIT).unwrap();
    assert!(dropped.location.ends_with("barn"));
    assert_eq!(studio.objects("barn").len(), 3);
    assert!(ops::shelf::list(&vault).unwrap().is_empty());
    let options = AddOptions {
        name: "barn".into(),
        location: studio.path("second").display().to_string(),
        way: Default::default(),
        place: Some(place("loft")),
        every_days: None,
        separate: true,
    };
    ops::shelf::add(&vault, &options, WAIT).unwrap();
    assert_eq!(state(&vault, "barn").0, ShelfState::Behind);
    assert_eq!(mirror(&vault).shelves[0].reels_sent, 4);
}

#[test]
fn a_locally_damaged_reel_is_not_sent_but_copied_from_a_shelf_that_has_it() {
    let studio = Studio::new();
    let vault = studio.three_reels(&["barn"]);
    common::flip(&vault.reel_path(2), 2000);
    studio.add(&vault, "loft");
    let report = ops::mirror::mirror(
        &vault,
        &ops::mirror::MirrorOptions::of(&["loft".to_string(), "barn".to_string()]),
        WAIT,
    )
    .unwrap();
    assert_eq!(
        (report.shelves[0].reels_sent, report.shelves[0].state),
        (4, ShelfState::Good)
    );
    // With no good copy within reach the damage is named and the rest travels.
    for name in ["loft", "barn"] {
        ops::shelf::drop_shelf(&vault, name, WAIT).unwrap();
    }
    studio.add(&vault, "alone");
    let report = mirror(&vault);
    let shelf = &report.shelves[0];
    assert_eq!(
        (shelf.reels_sent, shelf.state),
        (4, ShelfState::Behind),
        "{shelf:?}"
    );
    assert!(
        shelf
            .notes
            .iter()
            .any(|n| n.contains("reel 2") && n.contains("damaged")),
        "{shelf:?}"
    );
    assert_eq!(takes(&vault).len(), 5);
}

#[test]
fn a_reel_once_verified_and_gone_is_reported_and_not_sent_silently() {
    let studio = Studio::new();
    let vault = studio.three_reels(&["barn"]);
    fs::remove_file(&studio.objects("barn")[1]).unwrap();
    let report = mirror(&vault);
    let shelf = &report.shelves[0];
    assert_eq!((shelf.reels_sent, shelf.state), (0, ShelfState::Damaged));
    assert!(
        shelf.reason.as_ref().unwrap().contains("missing: reel 2"),
        "{shelf:?}"
    );
    assert!(report.needs_attention() && !report.failed());
    assert_eq!(studio.objects("barn").len(), 2);
}

#[test]
fn a_further_key_makes_a_shelf_behind_until_it_is_copied() {
    let studio = Studio::new();
    let vault = studio.three_reels(&["barn"]);
    let bytes = b"an age file".to_vec();
    let name = farshelf::shelf::name::KeysName::of(1, &bytes).to_string();
    fs::write(studio.path("vault/keys").join(&name), &bytes).unwrap();
    assert_eq!(
        state(&vault, "barn"),
        (ShelfState::Behind, "a further key is not there yet".into())
    );
    assert_eq!(mirror(&vault).shelves[0].state, ShelfState::Good);
    assert_eq!(
        fs::read(studio.path("barn/keys").join(&name)).unwrap(),
        bytes
    );
}

#[test]
fn forged_and_renamed_objects_are_no_reels() {
    let studio = Studio::new();
    let vault = studio.three_reels(&["barn"]);
    let first = studio.objects("barn")[0].clone();
    let name = first.file_name().unwrap().to_str().unwrap().to_string();
    fs::copy(
        &first,
        first.with_file_name(name.replacen("000001", "000009", 1)),
    )
    .unwrap();
    let report = mirror(&vault);
    let shelf = &report.shelves[0];
    assert_eq!(shelf.state, ShelfState::Good, "{shelf:?}");
    assert!(
        shelf
            .notes
            .iter()
            .any(|n| n.contains("no reels of this vault")),
        "{shelf:?}"
    );
    assert_eq!(START % DAY, 43_200);
}

fn vault_copy(studio: &Studio, name: &str) -> farshelf::vault::Vault {
    farshelf::vault::Vault::open(&studio.path(name), studio.elsewhere()).unwrap()
}

fn repair(
    studio: &Studio,
    vault: farshelf::vault::Vault,
) -> (farshelf::vault::Vault, ops::repair::RepairReport) {
    ops::repair::repair(
        vault,
        Some(&studio.identity),
        ops::repair::Look::Everywhere,
        WAIT,
    )
    .unwrap()
}

#[test]
fn an_old_copy_of_the_vault_is_ahead_and_repair_catches_up() {
    let studio = Studio::new();
    let vault = studio.three_reels(&["barn", "loft"]);
    copy_folder(&studio.path("vault"), &studio.path("backup"));
    for n in 7..10 {
        keep(&vault, "organ", n, &common::dump(n));
        mirror(&vault);
    }
    let expected = takes(&vault);
    drop(vault);
    fs::remove_dir_all(studio.path("vault")).unwrap();
    fs::rename(studio.path("backup"), studio.path("vault")).unwrap();
    let vault = studio.vault();
    assert_eq!(takes(&vault).len(), 6);
    let objects = studio.objects("barn");
    for shelf in &mirror(&vault).shelves {
        assert_eq!(
            (shelf.state, shelf.reels_sent),
            (ShelfState::Damaged, 0),
            "{shelf:?}"
        );
        assert!(
            shelf.reason.as_ref().unwrap().starts_with("ahead: "),
            "{shelf:?}"
        );
    }
    assert_eq!(studio.objects("barn"), objects);
    let (vault, report) =
        ops::repair::repair(vault, None, ops::repair::Look::Everywhere, WAIT).unwrap();
    assert!(report.key_needed && report.repaired.is_empty());
    let (vault, report) = repair(&studio, vault);
    assert_eq!(report.repaired.len(), 3, "{report:?}");
    assert_eq!(report.unrepairable, []);
    assert_eq!(takes(&vault), expected);
    assert!(
        mirror(&vault)
            .shelves
            .iter()
            .all(|s| s.state == ShelfState::Good && s.reels_sent == 0)
    );
    keep(&vault, "organ", 10, &common::dump(10));
    assert!(
        mirror(&vault)
            .shelves
            .iter()
            .all(|s| s.state == ShelfState::Good && s.reels_sent == 1)
    );
    assert!(
        ops::fixity::fixity(&vault, &Default::default(), WAIT)
            .unwrap()
            .good()
    );
}

#[test]
fn an_old_copy_with_an_open_reel_catches_up_too() {
    let studio = Studio::new();
    let vault = studio.three_reels(&["barn"]);
    keep(&vault, "organ", 7, &common::dump(7));
    copy_folder(&studio.path("vault"), &studio.path("backup"));
    keep(&vault, "organ", 8, &common::dump(8));
    mirror(&vault);
    keep(&vault, "organ", 9, &common::dump(9));
    mirror(&vault);
    let expected = takes(&vault);
    drop(vault);
    fs::remove_dir_all(studio.path("vault")).unwrap();
    fs::rename(studio.path("backup"), studio.path("vault")).unwrap();
    let vault = studio.vault();
    let report = mirror(&vault);
    assert_eq!(report.shelves[0].state, ShelfState::Damaged);
    // The open reel was not closed: that would have made a fork.
    assert!(!vault.catalogue().mark().unwrap().closed);
    let (vault, report) = repair(&studio, vault);
    assert_eq!(report.unrepairable, [], "{report:?}");
    assert_eq!(takes(&vault), expected);
    assert_eq!(mirror(&vault).shelves[0].state, ShelfState::Good);
    assert!(
        ops::fixity::fixity(&vault, &Default::default(), WAIT)
            .unwrap()
            .good()
    );
}

#[test]
fn two_computers_with_one_vault_are_told_and_nothing_is_overwritten() {
    for first_mirrors_first in [true, false] {
        for with_open_reel in [true, false] {
            let studio = Studio::new();
            let desk = studio.three_reels(&["barn"]);
            if with_open_reel {
                keep(&desk, "organ", 7, &common::dump(7));
            }
            copy_folder(&studio.path("vault"), &studio.path("copy"));
            let laptop = vault_copy(&studio, "copy");
            keep(&desk, "organ", 8, &common::dump(8));
            keep(&laptop, "organ", 8, &common::dump(108));
            let (first, second) = if first_mirrors_first {
                (&desk, &laptop)
            } else {
                (&laptop, &desk)
            };
            assert_eq!(mirror(first).shelves[0].state, ShelfState::Good);
            let objects = studio.objects("barn");
            let shelf = mirror(second).shelves.remove(0);
            assert_eq!(
                (shelf.state, shelf.reels_sent),
                (ShelfState::Damaged, 0),
                "{shelf:?}"
            );
            let reason = shelf.reason.unwrap();
            assert!(
                reason.starts_with("forked: ") && reason.contains("4 ("),
                "{reason}"
            );
            assert_eq!(studio.objects("barn"), objects);
            assert_eq!(state(second, "barn").0, ShelfState::Damaged);

            let accepted = ops::shelf::accept(second, "barn", WAIT).unwrap();
            assert!(accepted.reels.iter().any(|(number, _)| *number == 4));
            let shelf = mirror(second).shelves.remove(0);
            assert_eq!(shelf.state, ShelfState::Good, "{shelf:?}");
            assert!(shelf.reels_sent > 0);
            for object in objects {
                assert!(object.exists());
            }
            // The other one sees that in its turn.
            keep(first, "organ", 9, &common::dump(9));
            let shelf = mirror(first).shelves.remove(0);
            assert!(shelf.reason.unwrap().starts_with("forked: "));
            ops::shelf::accept(first, "barn", WAIT).unwrap();
            assert_eq!(mirror(first).shelves[0].state, ShelfState::Good);
            assert_eq!(takes(first).len(), if with_open_reel { 9 } else { 8 });
            assert_eq!(takes(second).len(), if with_open_reel { 8 } else { 7 });
            assert_eq!(
                ops::shelf::accept(first, "barn", WAIT).unwrap_err().kind,
                Kind::NotFound
            );
        }
    }
}

#[test]
fn a_reel_lost_with_its_catalogue_is_fetched_from_a_shelf() {
    let studio = Studio::new();
    let vault = studio.three_reels(&["barn"]);
    let expected = takes(&vault);
    let path = vault.reel_path(2);
    drop(vault);
    fs::remove_file(path).unwrap();
    for name in [
        "catalogue.sqlite",
        "catalogue.sqlite-wal",
        "catalogue.sqlite-shm",
    ] {
        let _ = fs::remove_file(studio.path("vault").join(name));
    }
    let vault = studio.vault();
    assert_eq!(takes(&vault).len(), 4);
    let report = ops::fixity::fixity(&vault, &Default::default(), WAIT).unwrap();
    assert!(
        report
            .damaged
            .iter()
            .any(|d| d.place == "local" && d.reel == Some(2)),
        "{report:?}"
    );
    let shelf = mirror(&vault).shelves.remove(0);
    assert!(
        shelf.notes.iter().any(|n| n.contains("repair fetches")),
        "{shelf:?}"
    );
    let (vault, report) = repair(&studio, vault);
    assert_eq!(
        (report.repaired.len(), report.unrepairable.len()),
        (1, 0),
        "{report:?}"
    );
    assert_eq!(takes(&vault), expected);
    assert!(
        ops::fixity::fixity(&vault, &Default::default(), WAIT)
            .unwrap()
            .good()
    );
}

#[test]
fn a_later_reel_of_another_line_is_never_taken_for_the_next_one() {
    let studio = Studio::new();
    let desk = studio.three_reels(&["barn"]);
    copy_folder(&studio.path("vault"), &studio.path("copy"));
    let laptop = vault_copy(&studio, "copy");
    keep(&laptop, "organ", 7, &common::dump(107));
    mirror(&laptop);
    keep(&laptop, "organ", 8, &common::dump(108));
    mirror(&laptop);
    let fourth = studio.objects("barn")[3].clone();
    let bytes = fs::read(&fourth).unwrap();
    fs::remove_file(&fourth).unwrap();
    let before = takes(&desk);
    let shelf = mirror(&desk).shelves.remove(0);
    assert!(shelf.reason.unwrap().starts_with("ahead: "));
    let (desk, report) = repair(&studio, desk);
    assert_eq!(report.repaired, []);
    assert_eq!(report.unrepairable.len(), 1, "{report:?}");
    assert_eq!(takes(&desk), before);
    assert_eq!(desk.reel_numbers().unwrap(), [1, 2, 3]);
    // With the one between it is a chain again.
    fs::write(&fourth, bytes).unwrap();
    let (desk, report) = repair(&studio, desk);
    assert_eq!(
        (report.repaired.len(), report.unrepairable.len()),
        (2, 0),
        "{report:?}"
    );
    assert_eq!(takes(&desk).len(), 8);
}

#[test]
fn one_mirror_at_a_time_brings_a_shelf_up_to_date() {
    let studio = Studio::new();
    let vault = studio.vault();
    studio.add(&vault, "barn");
    keep(&vault, "organ", 1, &common::dump(1));
    let turn = studio.path("vault").join(".mirror-barn.lock");
    let held = farshelf::sys::lock::try_acquire(&turn).unwrap().unwrap();
    let busy = mirror(&vault);
    let error = busy.shelves[0].error.clone().unwrap_or_default();
    assert!(error.contains("another mirror"), "{busy:?}");
    assert_eq!((busy.shelves[0].reels_sent, busy.failed()), (0, true));
    drop(held);
    assert_eq!(mirror(&vault).shelves[0].reels_sent, 1);
}

#[test]
fn a_shelf_that_was_named_and_is_not_there_is_a_failure() {
    let studio = Studio::new();
    let vault = studio.three_reels(&["barn"]);
    fs::rename(studio.path("barn"), studio.path("unmounted")).unwrap();
    let all = mirror(&vault);
    assert!(!all.failed() && !all.shelves[0].reached, "{all:?}");
    let named = ops::mirror::MirrorOptions::of(&["barn".to_string()]);
    let named = ops::mirror::mirror(&vault, &named, WAIT).unwrap();
    assert!(named.failed() && !named.shelves[0].reached, "{named:?}");
    assert_ne!(named.shelves[0].next, farshelf::error::Next::Nothing);
}
