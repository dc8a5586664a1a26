//! The power goes at every call of every command that writes: nothing told is lost, nothing half-written is believed,
//! and the next command needs no repair by hand.

use std::collections::BTreeSet;
use std::path::Path;
use std::sync::Arc;

use crate::lab::{
    After, Catalogue, Lab, OVERFLOW, SCENARIOS, Scenario, all_points, in_words, points, say,
    stands, undisturbed,
};
use crate::stand_in::{Dice, Fate, Sort, Trouble};

/// Points tried of each command, unless all are asked for.
const POINTS: u64 = 40;

/// Makes the copy of a disk in `image` one with this catalogue.
fn put(catalogue: Catalogue, image: &Path, before: &Path, vault: &str) {
    let folder = image.join(vault);
    if catalogue == Catalogue::AsItWas || !folder.join("farshelf.toml").exists() {
        return;
    }
    for name in ["catalogue.sqlite", "catalogue.sqlite-wal"] {
        let _ = std::fs::remove_file(folder.join(name));
        let older = before.join(vault).join(name);
        if catalogue == Catalogue::Older && older.exists() {
            std::fs::copy(older, folder.join(name)).unwrap();
        }
    }
}

/// The fates and catalogues tried at one point: those that show a missing sync for certain, and some that are thrown.
fn tries(scenario: &Scenario, point: u64, total: u64) -> Vec<(Fate, Catalogue)> {
    use Catalogue::{AsItWas, Gone, Older};
    // A command with few calls writes much at one of them.
    let thrown = match scenario.name {
        _ if all_points() => 24,
        "overflow" => 2,
        _ => (80 / total).clamp(2, 16),
    };
    let mut dice = Dice::new(point);
    let mut tries = vec![
        (Fate::Lost, AsItWas),
        (Fate::Kept, AsItWas),
        (Fate::NamesOnly, AsItWas),
        (Fate::BytesOnly, AsItWas),
        (Fate::Kept, Older),
        (Fate::Lost, Gone),
    ];
    for _ in 0..thrown {
        tries.extend([AsItWas, Older, Gone].map(|c| (Fate::Mixed(dice.next()), c)));
    }
    tries
}

/// A short name of everything in a folder, to leave out what was tried before.
fn digest(folder: &Path, hasher: &mut blake3::Hasher) {
    let mut entries: Vec<_> = std::fs::read_dir(folder)
        .unwrap()
        .map(|e| e.unwrap().path())
        .collect();
    entries.sort();
    for path in entries {
        hasher.update(path.file_name().unwrap().as_encoded_bytes());
        if path.is_dir() {
            hasher.update(b"/");
            digest(&path, hasher);
            hasher.update(b"..");
        } else {
            hasher.update(blake3::hash(&std::fs::read(&path).unwrap()).as_bytes());
        }
    }
}

fn check(scenario: &Scenario, most: u64) {
    let lab = Lab::of(scenario);
    let (expected, counted) = undisturbed(&lab, scenario);
    // One past the last call: the power goes when all is done, and what was not synced by then is lost.
    let total = counted.calls(Sort::Change) + 1;
    let chosen = points(total, most);
    let mut seen = BTreeSet::new();
    let mut bad = Vec::new();
    let mut states = 0;
    for point in &chosen {
        lab.put_back();
        // Two workers of a mirror may make one call more or less: the last point is the end, however late.
        let at = if *point == total { u64::MAX } else { *point };
        let disk = lab.faulty(Trouble::Cut { at });
        let images = lab.beside("images");
        crate::lab::remake(&images);
        let tries = tries(scenario, *point, total);
        for (index, (fate, _)) in tries.iter().enumerate() {
            disk.want(*fate, images.join(index.to_string()));
        }
        let mut told = Vec::new();
        let world = lab.world(Arc::new(disk.clone()), 10);
        let result = (scenario.run)(&lab, &world, &mut |t| {
            // What is told after the power went is told by nobody.
            if disk.alive() {
                told.push(t);
            }
        });
        if let (Err(e), true) = (result, disk.alive()) {
            panic!("{}: fails by itself: {}", scenario.name, e.fact());
        }
        disk.cut();
        for (index, (fate, catalogue)) in tries.into_iter().enumerate() {
            let image = images.join(index.to_string());
            put(catalogue, &image, &lab.beside("before"), scenario.vault);
            let mut hasher = blake3::Hasher::new();
            digest(&image, &mut hasher);
            hasher.update(&[told.len() as u8]);
            if !seen.insert(hasher.finalize().to_hex().to_string()) {
                continue;
            }
            states += 1;
            lab.put(&image);
            if let Err(e) =
                in_words(|| stands(&lab, scenario, &told, After::Cut(catalogue), &expected))
            {
                bad.push(format!(
                    "{}: power cut at call {point} of {total}, {fate:?}, catalogue {catalogue:?}: {e}",
                    scenario.name
                ));
            }
        }
    }
    say(&format!(
        "power cuts, {}: {} of {total} points tried, {states} different disks afterwards, {} bad",
        scenario.name,
        chosen.len(),
        bad.len()
    ));
    assert!(
        bad.is_empty(),
        "{} bad:\n{}",
        bad.len(),
        bad[..bad.len().min(10)].join("\n")
    );
}

macro_rules! each {
    ($($test:ident $index:literal),* $(,)?) => {
        $(#[test]
        fn $test() {
            check(&SCENARIOS[$index], POINTS);
        })*

        #[test]
        fn every_scenario_has_its_test() {
            assert_eq!([$($index),*], std::array::from_fn::<usize, { SCENARIOS.len() }, _>(|i| i)[..]);
        }
    };
}

each! {
    create_survives_a_power_cut 0,
    keeping_one_survives_a_power_cut 1,
    keeping_many_survives_a_power_cut 2,
    keeping_a_long_file_survives_a_power_cut 3,
    keeping_a_folder_as_one_survives_a_power_cut 4,
    closing_survives_a_power_cut 5,
    adding_a_layout_survives_a_power_cut 6,
    adding_a_shelf_survives_a_power_cut 7,
    mirror_survives_a_power_cut 8,
    fixity_survives_a_power_cut 9,
    repair_survives_a_power_cut 10,
    rescue_survives_a_power_cut 11,
    reindex_survives_a_power_cut 12,
}

#[test]
fn a_reel_that_overflows_survives_a_power_cut() {
    check(&OVERFLOW, 6);
}
