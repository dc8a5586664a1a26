//! Order independence: the same dumps kept in any order, at once or one by one, give the same states, newest takes
//! and dates (DESIGN section 2, "Unchanged": the set decides, not the order of keeping).

mod common;

use std::collections::BTreeSet;

use common::*;
use farshelf::model::date::Moment;
use farshelf::ops::keep::When;
use farshelf::vault::Vault;
use proptest::prelude::*;

/// One dump to keep: its content, its file time (days ago), and perhaps a date given by hand.
#[derive(Debug, Clone)]
struct Deed {
    kind: u8,
    content: u8,
    days_ago: i64,
    given: Option<i64>,
    torn: bool,
}

const DAY: i64 = 86_400;

fn deeds() -> impl Strategy<Value = Vec<Deed>> {
    // Distinct days: at an exact tie the take number decides, and numbers depend on the order.
    let deed = (
        1u8..3,
        0u8..4,
        // Not today: a copy is as old as the program that made it, and must not be older than what it copies.
        1i64..400,
        prop::option::weighted(0.3, 0i64..400),
        prop::bool::weighted(0.15),
    )
        .prop_map(|(kind, content, days_ago, given, torn)| Deed {
            kind,
            content,
            days_ago,
            given,
            torn,
        });
    prop::collection::vec(deed, 1..9).prop_map(|mut deeds| {
        for (i, d) in deeds.iter_mut().enumerate() {
            d.days_ago = d.days_ago * 20 + i as i64;
            d.given = d.given.map(|g| g * 20 + 10 + i as i64);
        }
        deeds
    })
}

fn bytes(d: &Deed) -> Vec<u8> {
    let mut bytes = dump(d.kind, &[d.content; 12]);
    if d.torn {
        bytes.truncate(12);
    }
    bytes
}

fn when(d: &Deed) -> When {
    match d.given {
        Some(ago) => When::Given(Moment::from_unix_seconds(NOW - ago * DAY).unwrap()),
        None => When::FileTime,
    }
}

/// What must not depend on the order: per header key, the content and date of what stands now and at every moment.
fn states(vault: &Vault) -> BTreeSet<String> {
    let mut out = BTreeSet::new();
    let catalogue = vault.catalogue();
    let device = catalogue.device("organ").unwrap().unwrap();
    for section in catalogue.sections(device.id).unwrap() {
        let key = section.record.keys.join("+");
        let timeline = catalogue.timeline(section.id).unwrap();
        for ago in (0..1620i32).rev().map(|n| i64::from(n) * 5) {
            let until = Moment::from_unix_seconds(NOW - ago * DAY)
                .unwrap()
                .until(&jiff::tz::TimeZone::UTC)
                .unwrap();
            if let Some(take) = timeline.at(until) {
                out.insert(format!(
                    "{key} {ago} {} {} {}",
                    take.content, take.date, take.dated_by
                ));
            }
        }
        if let Some(take) = catalogue.newest_take(section.id).unwrap() {
            out.insert(format!(
                "{key} now {} {} {:?}",
                take.content, take.date, take.newest
            ));
        }
    }
    out
}

fn kept(groups: &[Vec<Deed>]) -> (Studio, Vault) {
    let s = Studio::new();
    let vault = s.create();
    add_device(&vault, "organ");
    for (g, group) in groups.iter().enumerate() {
        // Dumps with a date of their own need a run of their own; all others of the group go in one.
        let (given, plain): (Vec<_>, Vec<_>) = group
            .iter()
            .enumerate()
            .partition(|(_, d)| d.given.is_some());
        let file = |i: usize, d: &Deed| {
            s.file(
                &format!("in/{g}-{i}.syx"),
                &bytes(d),
                NOW - d.days_ago * DAY,
            )
        };
        let plain: Vec<_> = plain.into_iter().map(|(i, d)| file(i, d)).collect();
        if !plain.is_empty() {
            keep(&vault, &options("organ", plain));
        }
        for (i, d) in given {
            let mut o = options("organ", vec![file(i, d)]);
            o.when = when(d);
            keep(&vault, &o);
        }
    }
    (s, vault)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 40, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_order_gives_the_same_states(all in deeds(), seed in any::<u64>()) {
        let at_once = kept(std::slice::from_ref(&all));
        let mut shuffled = all.clone();
        let mut x = seed | 1;
        for i in (1..shuffled.len()).rev() {
            x = x.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
            shuffled.swap(i, (x >> 33) as usize % (i + 1));
        }
        let one_by_one: Vec<Vec<Deed>> = shuffled.iter().map(|d| vec![d.clone()]).collect();
        let singly = kept(&one_by_one);
        prop_assert_eq!(states(&at_once.1), states(&singly.1));

        // The same again, and a copy of the folder with newer file times, change nothing.
        let before = states(&singly.1);
        let copies: Vec<_> = all
            .iter()
            .enumerate()
            .map(|(i, d)| singly.0.file(&format!("copy/{i}.syx"), &bytes(d), NOW - 5 + i as i64 % 3))
            .collect();
        // Only dumps that were kept with a file time at first: else this is the first file time known.
        keep(&singly.1, &options("organ", copies));
        prop_assert_eq!(&before, &states(&singly.1));
    }

    #[test]
    fn a_rebuilt_catalogue_says_the_same(all in deeds()) {
        let (s, vault) = kept(&all.iter().map(|d| vec![d.clone()]).collect::<Vec<_>>());
        let before = states(&vault);
        drop(vault);
        for name in ["catalogue.sqlite", "catalogue.sqlite-wal", "catalogue.sqlite-shm"] {
            let _ = std::fs::remove_file(s.path("vault").join(name));
        }
        let vault = s.open();
        prop_assert_eq!(vault.take_warnings().len(), 1);
        prop_assert_eq!(&before, &states(&vault));
        drop(vault);
        let (vault, rebuilt) = Vault::reindex(&s.path("vault"), s.world(), WAIT).unwrap();
        prop_assert_eq!((rebuilt.damaged.len(), rebuilt.lost.len()), (0, 0));
        prop_assert_eq!(&before, &states(&vault));
        // And it goes on: the next dump is kept in the same reel.
        let more = s.file("more.syx", &dump(1, b"more"), NOW);
        keep(&vault, &options("organ", vec![more]));
        prop_assert_eq!(vault.reel_numbers().unwrap(), vec![1]);
    }
}
