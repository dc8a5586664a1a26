//! Every call of every command fails, in each way a disk fails, once or from there on: a clear error, nothing told is
//! lost, and the same command succeeds when the disk is well again.

use std::sync::Arc;

use farshelf::error::{Error, Kind};

use crate::lab::{
    After, Lab, OVERFLOW, SCENARIOS, Scenario, all_points, in_words, points, say, stands,
    undisturbed,
};
use crate::stand_in::{How, Sort, Trouble};

/// Points tried of each command and sort of call, unless all are asked for.
const POINTS: u64 = 32;

/// The ways in which calls of a sort fail. Looking does not need room.
fn ways(sort: Sort) -> &'static [How] {
    match sort {
        Sort::Change => &[How::Full, How::Broken, How::ReadOnly, How::Short],
        Sort::Look => &[How::Broken],
    }
}

/// What is wrong with an error, if anything: it must say what failed and be no mistake of ours.
pub fn unclear(e: &Error) -> Option<&'static str> {
    let fact = e.fact().to_lowercase();
    let reason = [
        "no space",
        "input/output error",
        "read-only",
        "earlier write",
        "earlier step",
    ];
    if e.kind == Kind::Bug || e.kind == Kind::Usage {
        Some("the error blames the program or the person")
    } else if !reason.iter().any(|r| fact.contains(r)) {
        Some("the error does not say why")
    } else if fact.contains('\n') {
        Some("the error has more than one line")
    } else {
        None
    }
}

fn check(scenario: &Scenario, most: u64) {
    let lab = Lab::of(scenario);
    let (expected, counted) = undisturbed(&lab, scenario);
    let mut bad = Vec::new();
    let mut tried = 0;
    for sort in [Sort::Change, Sort::Look] {
        let total = counted.calls(sort);
        let all: Vec<(u64, How, bool)> = (1..=total)
            .flat_map(|n| ways(sort).iter().map(move |how| (n, *how)))
            .flat_map(|(n, how)| [false, true].map(|lasting| (n, how, lasting)))
            .collect();
        let mut struck = 0;
        let chosen = points(all.len() as u64, most);
        for index in &chosen {
            let (at, how, lasting) = all[*index as usize - 1];
            lab.put_back();
            let trouble = Trouble::Fails {
                sort,
                at,
                how,
                lasting,
            };
            let disk = lab.faulty(trouble);
            let mut told = Vec::new();
            let world = lab.world(Arc::new(disk.clone()), 10);
            let outcome = in_words(
                || match (scenario.run)(&lab, &world, &mut |t| told.push(t)) {
                    Err(e) => match unclear(&e) {
                        Some(why) => Err(format!("{why}: {:?} {}", e.kind, e.fact())),
                        None => Ok(()),
                    },
                    Ok(()) => Ok(()),
                },
            );
            struck += u64::from(disk.struck());
            let outcome = outcome
                .and_then(|()| in_words(|| stands(&lab, scenario, &told, After::Fault, &expected)));
            if let Err(e) = outcome {
                bad.push(format!(
                    "{}: {sort:?} {at} of {total} fails, {how:?}, {}: {e}",
                    scenario.name,
                    if lasting { "lasting" } else { "once" },
                ));
            }
        }
        tried += chosen.len();
        say(&format!(
            "failing calls, {}: {} of {} {sort:?} points tried, {struck} of them struck",
            scenario.name,
            chosen.len(),
            all.len(),
        ));
        // Two workers may make fewer calls than they did when they were counted.
        assert!(struck * 4 >= chosen.len() as u64 * 3);
    }
    let shown = if all_points() { bad.len() } else { 10 };
    assert!(
        bad.is_empty(),
        "{} of {tried} bad:\n{}",
        bad.len(),
        bad[..bad.len().min(shown)].join("\n")
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
    create_survives_failing_calls 0,
    keeping_one_survives_failing_calls 1,
    keeping_many_survives_failing_calls 2,
    keeping_a_long_file_survives_failing_calls 3,
    keeping_a_folder_as_one_survives_failing_calls 4,
    closing_survives_failing_calls 5,
    adding_a_layout_survives_failing_calls 6,
    adding_a_shelf_survives_failing_calls 7,
    mirror_survives_failing_calls 8,
    fixity_survives_failing_calls 9,
    repair_survives_failing_calls 10,
    rescue_survives_failing_calls 11,
    reindex_survives_failing_calls 12,
}

#[test]
fn a_reel_that_overflows_survives_failing_calls() {
    check(&OVERFLOW, 6);
}
