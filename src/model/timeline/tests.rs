//! Each sentence of the rules as a table, and what must hold for any set of sightings.

use jiff::tz::TimeZone;
use proptest::prelude::*;

use super::*;

/// Reads `A given 1994; b file 2001-07-03`: a small letter is a doubtful content.
fn sightings(text: &str) -> Vec<Sighting> {
    let words = text.split(';').map(str::trim).filter(|s| !s.is_empty());
    words
        .map(|sighting| {
            let (dated, letter) = dated(sighting);
            Sighting {
                content: u32::from(letter.to_ascii_uppercase()),
                moment: dated.moment,
                by: dated.by,
                counts: letter.is_uppercase(),
            }
        })
        .collect()
}

/// Reads `1 A given 1994; 2 B -`: number, content, anchor.
fn standing(text: &str) -> Vec<Standing> {
    let words = text.split(';').map(str::trim).filter(|s| !s.is_empty());
    words
        .map(|take| {
            let (number, rest) = take.split_once(' ').unwrap();
            let content = u32::from(rest.chars().next().unwrap());
            let anchor = (!rest.ends_with('-')).then(|| dated(rest).0);
            Standing {
                number: number.parse().unwrap(),
                content,
                anchor,
            }
        })
        .collect()
}

fn dated(text: &str) -> (Dated, char) {
    let words: Vec<&str> = text.split(' ').collect();
    let [letter, by, moment] = words[..] else {
        panic!("{text:?}")
    };
    let by = match by {
        "captured" | "watched" | "given" | "file" => DatedBy::parse(by).unwrap(),
        _ => panic!("{text:?}"),
    };
    let moment = moment.parse().unwrap();
    (Dated { moment, by }, letter.chars().next().unwrap())
}

fn letter(content: u32) -> char {
    char::from_u32(content).unwrap()
}

/// Writes runs as `A 1994..2001`, with `#1` and `+2` for numbers and aliases and `(again 2005)` for what was seen again.
fn written(sightings: &[Sighting], arrangement: &Arrangement) -> String {
    let run = |run: &Run| {
        let mut text = String::from(letter(run.content));
        if let Some(number) = run.number {
            text += &format!("#{number}");
        }
        for alias in &run.aliases {
            text += &format!("+{alias}");
        }
        text += &format!(" {}..{}", run.date.moment, run.newest.moment);
        for seen in run.sightings.iter().filter(|seen| seen.seen_again) {
            text += &format!(" (again {})", sightings[seen.index].moment);
        }
        text
    };
    let runs: Vec<String> = arrangement.runs.iter().map(run).collect();
    runs.join("; ")
}

fn check(given: &str, expected: &str) {
    check_takes(given, "", expected);
}

fn check_takes(given: &str, takes: &str, expected: &str) {
    let given = sightings(given);
    let got = arrange(&given, &standing(takes));
    assert_eq!(written(&given, &got), expected);
}

#[track_caller]
fn check_newest(given: &str, takes: &str, at: Option<&str>, expected: Option<char>) {
    let until = at.map(|text| text.parse::<Moment>().unwrap());
    let until = until.map(|moment| moment.until(&TimeZone::UTC).unwrap());
    let arrangement = arrange(&sightings(given), &standing(takes));
    let got = newest(&arrangement.runs, until).map(|run| letter(run.content));
    assert_eq!(got, expected, "{given} / {takes} at {at:?}");
}

#[test]
fn nothing_gives_nothing() {
    check("", "");
    assert_eq!(newest(&[], None), None);
    assert_eq!(date_copied(&[]), BTreeSet::new());
}

/// "One content is one take, dated at its earliest sighting"
#[test]
fn one_content_is_one_take_dated_at_its_earliest_sighting() {
    check(
        "A given 2001; A given 1994; A captured 2005",
        "A 1994..2005",
    );
    check("A file 1994; A captured 2005", "A 1994..2005");
    check("A given 2001; B given 2002", "A 2001..2001; B 2002..2002");
}

/// "unless other content was captured, watched, given or filed a date in between: then it is a new take (the memory went back)"
#[test]
fn other_content_in_between_makes_a_new_take() {
    for by in ["captured", "watched", "given", "file"] {
        check(
            &format!("A given 1994; A captured 2005; B {by} 2001"),
            "A 1994..1994; B 2001..2001; A 2005..2005",
        );
    }
    // Twice back and forth.
    check(
        "A given 1994; B given 1995; A given 1996; B given 1997; A given 1998; A given 1999",
        "A 1994..1994; B 1995..1995; A 1996..1996; B 1997..1997; A 1998..1999",
    );
    // Strictly between: at the same instant is not in between.
    check(
        "A given 1994; A given 2005; B given 1994; C given 2005",
        "A 1994..2005; B 1994..1994; C 2005..2005",
    );
    // A period counts as its first instant: of 1994 and 1994-01-01 neither lies before the other.
    check(
        "A given 1993; B given 1994; A given 1994-01-01",
        "A 1993..1994-01-01; B 1994..1994",
    );
}

/// "A later date known only from a file time is recorded with the note `seen-again` and counts for neither newest nor recency (a
/// copied folder is not a dump) unless `--today` or `--date` says so."
#[test]
fn a_later_file_time_is_only_seen_again() {
    check("A file 1994; A file 2005", "A 1994..1994 (again 2005)");
    check("A given 1994; A file 2005", "A 1994..1994 (again 2005)");
    check(
        "A file 1994; A file 2005; A given 2005",
        "A 1994..2005 (again 2005)",
    );
    // It neither starts a take nor separates others.
    check(
        "A file 1994; B file 2001; A file 2005",
        "A 1994..1994 (again 2005); B 2001..2001",
    );
    check(
        "B file 1990; A given 1994; B file 2001; A given 2005",
        "B 1990..1990 (again 2001); A 1994..2005",
    );
    // Equal to the earliest is not later.
    check(
        "A given 1994; A file 1994-01-01; A file 1995",
        "A 1994..1994 (again 1995)",
    );
    // An earlier file found afterwards is the earliest; what was it before is seen again.
    check(
        "A file 2005; B captured 2001; A file 1994",
        "A 1994..1994 (again 2005); B 2001..2001",
    );
    check_newest("A file 1994; B file 2001; A file 2005", "", None, Some('B'));
    check_newest(
        "A file 1994; B file 2001; A given 2005",
        "",
        None,
        Some('A'),
    );
}

/// "unknown sorts first and is never recent"
#[test]
fn unknown_dates_sort_first_and_give_way_to_known_ones() {
    check(
        "A given 1900; B given unknown",
        "B unknown..unknown; A 1900..1900",
    );
    check("A given unknown; A file unknown", "A unknown..unknown");
    // A copy of a folder whose files had no date has one, and must not change what stands.
    check(
        "A given unknown; A file 2005",
        "A unknown..unknown (again 2005)",
    );
    check(
        "A file unknown; A file 2005; A given 2001",
        "A 2001..2001 (again 2005)",
    );
    check(
        "A given 1994; B given 2001; A given 2005; A given unknown",
        "A 1994..1994; B 2001..2001; A 2005..2005",
    );
    let given = sightings("A given 1994; B given 2001; A given 2005; A given unknown");
    let arrangement = arrange(&given, &[]);
    assert_eq!(arrangement.run_of, [0, 1, 2, 0]);
    // It separates nothing.
    check(
        "A given unknown; B given unknown; A given 2001; A given 2005",
        "B unknown..unknown; A 2001..2005",
    );
}

/// "doubtful ones are kept but never stand for a state, a date"
#[test]
fn doubtful_contents_never_separate_nor_split_nor_stand() {
    check(
        "A given 1994; b given 2001; A given 2005",
        "A 1994..2005; B 2001..2001",
    );
    check(
        "a given 1994; B given 2001; a given 2005",
        "A 1994..2005; B 2001..2001",
    );
    check_newest("A given 1994; b given 2001", "", None, Some('A'));
    check_newest("b given 2001", "", None, None);
    check_newest("b given unknown", "", None, None);
    // One sighting that counts is enough, wherever it stands.
    check(
        "A given 1994; b given 2001; B given 2001; A given 2005",
        "A 1994..1994; B 2001..2001; A 2005..2005",
    );
    check_newest("b given 2001; B given 1994", "", None, Some('B'));
}

#[test]
fn of_dates_at_one_instant_the_best_known_then_the_most_exact_is_told() {
    let check = |given: &str, date: &str| {
        let run = &arrange(&sightings(given), &[]).runs[0];
        let expected = dated(date).0;
        assert_eq!((run.date, run.newest), (expected, expected), "{given}");
    };
    check("A file 1994; A given 1994", "A given 1994");
    check(
        "A given 1994; A given 1994-01-01; A given 1994-01",
        "A given 1994-01-01",
    );
    check("A given 1994-01-01; A captured 1994", "A captured 1994");
    check("A file unknown; A given unknown", "A given unknown");
}

/// "Only take numbers depend on order": takes stay with the sighting they were made for.
#[test]
fn a_take_stays_with_the_run_that_holds_its_anchor() {
    let back = "A given 1994; B given 2001; A given 2005";
    check_takes(
        back,
        "1 A given 2005; 2 B given 2001",
        "A 1994..1994; B#2 2001..2001; A#1 2005..2005",
    );
    check_takes(
        back,
        "3 A given 1994; 1 A given 2005",
        "A#3 1994..1994; B 2001..2001; A#1 2005..2005",
    );
    // Also where the anchor is merely seen again by now.
    check_takes(
        "A file 2005; A file 1994",
        "7 A file 2005",
        "A#7 1994..1994 (again 2005)",
    );
    check_takes(
        "A given unknown; A given 2005",
        "7 A given unknown",
        "A#7 2005..2005",
    );
    // Several in one run.
    check_takes(
        "A given 1994; A given 2001; A given 2005",
        "9 A given 1994; 4 A given 2001; 6 A given 2005",
        "A#4+6+9 1994..2005",
    );
}

#[test]
fn a_take_whose_anchor_is_gone_goes_to_the_nearest_free_run() {
    let back = "A given 1994; B given 2001; A given 2005; C given 2010; A given 2015";
    let check = |takes: &str, expected: [&str; 3]| {
        let [first, second, third] = expected;
        check_takes(
            back,
            takes,
            &format!(
                "{first} 1994..1994; B 2001..2001; {second} 2005..2005; C 2010..2010; {third} 2015..2015"
            ),
        );
    };
    check("1 A given 1990", ["A#1", "A", "A"]);
    check("1 A given 1999", ["A#1", "A", "A"]);
    check("1 A given 2000", ["A", "A#1", "A"]);
    check("1 A given 2011", ["A", "A", "A#1"]);
    check("1 A given 2030", ["A", "A", "A#1"]);
    // The nearest is taken.
    check("1 A given 2005; 2 A given 2006", ["A", "A#1", "A#2"]);
    check("2 A given 2005; 1 A given 2006", ["A", "A#2", "A#1"]);
    check("1 A -; 2 A -; 3 A -", ["A#1", "A#2", "A#3"]);
    check("1 A given 1994; 2 A -", ["A#1", "A#2", "A"]);
    check("1 A given unknown", ["A#1", "A", "A"]);
    // Two equally near: the earlier.
    check_takes(
        "A given 2001-01-01; B given 2001-01-05; A given 2001-01-11",
        "1 A given 2001-01-06",
        "A#1 2001-01-01..2001-01-01; B 2001-01-05..2001-01-05; A 2001-01-11..2001-01-11",
    );
    // None is free.
    check(
        "1 A given 1994; 2 A given 2005; 3 A given 2015; 4 A given 2004; 5 A -; 6 A given 2030",
        ["A#1+5", "A#2+4", "A#3+6"],
    );
}

#[test]
fn a_corrected_date_moves_the_take_and_undoes_a_return() {
    // The date of B was wrong: A never went away. Both takes of A say the same now.
    check_takes(
        "A given 1994; A given 2005; B given 1990",
        "1 A given 1994; 2 B given 2001; 3 A given 2005",
        "B#2 1990..1990; A#1+3 1994..2005",
    );
    check_takes("A given 1994", "1 A file 2005", "A#1 1994..1994");
}

#[test]
fn a_take_without_sightings_is_named() {
    let arrangement = arrange(
        &sightings("A given 1994"),
        &standing("5 B given 1994; 2 C -; 1 A -"),
    );
    assert_eq!(arrangement.unplaced, [2, 5]);
}

#[test]
fn sightings_seen_again_lie_in_the_latest_run_begun_by_then() {
    check(
        "A given 1994; B given 2001; A given 2005; A file 1999; A file 2005; A file 2007",
        "A 1994..1994 (again 1999); B 2001..2001; A 2005..2005 (again 2005) (again 2007)",
    );
}

/// "\"Newest\" and date references look at sightings; ties: higher take number."
#[test]
fn newest_looks_at_sightings_and_then_at_the_take_number() {
    let given = "A given 1994; B given 2001; A given 2005; U given unknown";
    check_newest(given, "", None, Some('A'));
    check_newest(given, "", Some("2004"), Some('B'));
    check_newest(given, "", Some("2001"), Some('B'));
    check_newest(given, "", Some("2000"), Some('A'));
    check_newest(given, "", Some("1994"), Some('A'));
    // Before anything dated, what is of unknown date is the oldest there is.
    check_newest(given, "", Some("1993"), Some('U'));
    check_newest("A given 1994", "", Some("1993"), None);
    check_newest(
        "U given unknown; V given unknown",
        "2 U -; 1 V -",
        None,
        Some('U'),
    );
    // A sighting later confirmed stands by its confirmation.
    check_newest(
        "A given 1994; A captured 2005; B given 2005",
        "1 A -; 2 B -",
        None,
        Some('B'),
    );
    check_newest(
        "A given 1994; A captured 2005; B given 2005",
        "2 A -; 1 B -",
        None,
        Some('A'),
    );
    check_newest("A given 2005; B given 2005", "9 B -", None, Some('A'));
}

/// "within one run they follow date, then path"
#[test]
fn new_takes_are_numbered_by_date_then_by_the_callers_key() {
    let given = sightings(
        "A given 1994; B given unknown; C given 1994; D given 1993; E given unknown; F given 2001",
    );
    let arrangement = arrange(&given, &standing("1 D given 1993"));
    let order =
        arrangement.new_runs_in_order(|content| if content == 'C' as u32 { "a" } else { "b" });
    let letters: String = order
        .iter()
        .map(|&at| letter(arrangement.runs[at].content))
        .collect();
    assert_eq!(letters, "BECAF");
}

/// "three or more different takes of one section whose file times lie within one minute get the note `date-copied`"
#[test]
fn three_contents_within_a_minute_have_copied_dates() {
    let check = |given: &str, expected: &str| {
        let given = given.replace('@', "file 2019-05-05T");
        let copied = date_copied(&arrange(&sightings(&given), &[]).runs);
        let got: String = copied.into_iter().map(letter).collect();
        assert_eq!(got, expected, "{given}");
    };
    check("A @10:00:00Z; B @10:00:30Z; C @10:01:00Z", "ABC");
    check("A @10:00:00Z; B @10:00:30Z; C @10:01:01Z", "");
    check("A @10:00:00Z; B @10:00:30Z", "");
    check("A @10:00:00Z; A @10:00:10Z; B @10:00:30Z", "");
    check(
        "A @10:00:00Z; B @10:00:00Z; C @10:00:00Z; D @10:00:00Z",
        "ABCD",
    );
    // Windows that overlap, and one that stands alone.
    check(
        "A @10:00:00Z; B @10:00:30Z; C @10:01:00Z; D @10:01:30Z; E @10:03:00Z",
        "ABCD",
    );
    check(
        "A @09:00:00Z; B @10:00:30Z; C @10:01:00Z; D @10:01:30Z",
        "BCD",
    );
    // Only dates known from files alone.
    check(
        "A @10:00:00Z; B @10:00:30Z; C given 2019-05-05T10:00:10Z",
        "",
    );
    check("A @10:00:00Z; B @10:00:30Z; C @10:00:40Z; C given 1994", "");
    check("A file unknown; B file unknown; C file unknown", "");
}

#[test]
fn many_sightings_are_arranged_in_good_time() {
    // Two contents that alternate, all captured, and as many takes adrift: the worst case for runs and for matching.
    let n = 200_000_u32;
    let given: Vec<Sighting> = (0..n)
        .map(|i| Sighting {
            content: i % 2,
            moment: Moment::from_unix_seconds(i64::from(i) * 100).unwrap(),
            by: DatedBy::Captured,
            counts: true,
        })
        .collect();
    let takes: Vec<Standing> = (0..n)
        .map(|i| Standing {
            number: i + 1,
            content: i % 2,
            anchor: Some(Dated {
                moment: Moment::from_unix_seconds(i64::from(i) * 100 + 1).unwrap(),
                by: DatedBy::Captured,
            }),
        })
        .collect();
    let arrangement = arrange(&given, &takes);
    // Anything of the order of n squared would not come to an end here.
    assert_eq!(arrangement.runs.len(), n as usize);
    assert!(
        arrangement
            .runs
            .iter()
            .zip(1..)
            .all(|(run, number)| run.number == Some(number))
    );
}

/// What must not depend on order: everything of a run but numbers and indices.
type Plain = (
    u32,
    bool,
    Dated,
    Dated,
    Vec<Moment>,
    BTreeSet<(Moment, DatedBy, bool)>,
);

fn plain(sightings: &[Sighting], arrangement: &Arrangement) -> Vec<Plain> {
    let seen = |run: &Run| {
        let seen = run.sightings.iter();
        seen.map(|seen| {
            (
                sightings[seen.index].moment,
                sightings[seen.index].by,
                seen.seen_again,
            )
        })
        .collect()
    };
    let runs = arrangement.runs.iter();
    runs.map(|run| {
        (
            run.content,
            run.counts,
            run.date,
            run.newest,
            run.effective.clone(),
            seen(run),
        )
    })
    .collect()
}

/// What a copied folder must not change: all but the sightings that are merely seen again.
fn without_seen_again(mut runs: Vec<Plain>) -> Vec<Plain> {
    for run in &mut runs {
        run.5.retain(|&(_, _, seen_again)| !seen_again);
    }
    runs
}

fn moment_at(day: i64, precise: bool) -> Moment {
    let instant = Moment::from_unix_seconds((20_000 + day) * 86_400).unwrap();
    let text = instant.to_string();
    if precise {
        instant
    } else {
        text[..10].parse().unwrap()
    }
}

fn by() -> impl Strategy<Value = DatedBy> {
    prop::sample::select(DatedBy::ALL)
}

/// Few contents and few days, so that everything meets; content 4 is doubtful.
fn any_sighting() -> impl Strategy<Value = Sighting> {
    (0..5_u32, 0..14_i64, any::<bool>(), by(), 0..8).prop_map(
        |(content, day, precise, by, luck)| Sighting {
            content,
            moment: if luck == 0 {
                Moment::UNKNOWN
            } else {
                moment_at(day, precise)
            },
            by,
            counts: content != 4,
        },
    )
}

fn any_sightings() -> impl Strategy<Value = Vec<Sighting>> {
    prop::collection::vec(any_sighting(), 0..24)
}

/// As above, but no two contents at one instant: where they tie, the take number decides and that depends on order.
fn sightings_without_ties() -> impl Strategy<Value = Vec<Sighting>> {
    any_sightings().prop_map(|mut all| {
        for sighting in &mut all {
            if let Some(start) = sighting.moment.start_utc() {
                sighting.moment =
                    Moment::from_unix_seconds(start + i64::from(sighting.content)).unwrap();
            } else if sighting.content != 3 {
                sighting.moment = moment_at(20, true);
                sighting.moment = Moment::from_unix_seconds(
                    sighting.moment.start_utc().unwrap() + i64::from(sighting.content),
                )
                .unwrap();
            }
        }
        all
    })
}

fn any_standing() -> impl Strategy<Value = Vec<Standing>> {
    let anchor = prop::option::of((0..14_i64, any::<bool>(), by()));
    prop::collection::vec((0..5_u32, anchor), 0..12).prop_map(|takes| {
        let takes = takes.into_iter().zip(1..);
        takes
            .map(|((content, anchor), number)| Standing {
                number,
                content,
                anchor: anchor.map(|(day, precise, by)| Dated {
                    moment: moment_at(day, precise),
                    by,
                }),
            })
            .collect()
    })
}

fn numbers(arrangement: &Arrangement) -> Vec<(Option<u32>, Vec<u32>)> {
    let runs = arrangement.runs.iter();
    runs.map(|run| (run.number, run.aliases.clone())).collect()
}

/// Gives numbers from `next` on to the new runs, as a caller does, and returns the takes that stand then.
fn number_new(arrangement: &mut Arrangement, standing: &mut Vec<Standing>) {
    for at in arrangement.new_runs_in_order(|_| ()) {
        let number = standing.len() as u32 + 1;
        let run = &mut arrangement.runs[at];
        run.number = Some(number);
        standing.push(Standing {
            number,
            content: run.content,
            anchor: Some(run.date),
        });
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 1000, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn the_order_of_sightings_and_takes_is_irrelevant(
        (all, mixed) in any_sightings().prop_flat_map(|all| (Just(all.clone()), Just(all).prop_shuffle())),
        (takes, mixed_takes) in any_standing().prop_flat_map(|all| (Just(all.clone()), Just(all).prop_shuffle())),
    ) {
        let (a, b) = (arrange(&all, &takes), arrange(&mixed, &mixed_takes));
        prop_assert_eq!(plain(&all, &a), plain(&mixed, &b));
        prop_assert_eq!(numbers(&a), numbers(&b));
        prop_assert_eq!(a.unplaced, b.unplaced);
    }

    #[test]
    fn keeping_something_twice_changes_nothing(
        all in any_sightings(), takes in any_standing(), picks in prop::collection::vec(any::<prop::sample::Index>(), 0..8),
    ) {
        let mut more = all.clone();
        if !all.is_empty() {
            more.extend(picks.iter().map(|pick| all[pick.index(all.len())]));
        }
        let (a, b) = (arrange(&all, &takes), arrange(&more, &takes));
        prop_assert_eq!(plain(&all, &a), plain(&more, &b));
        prop_assert_eq!(numbers(&a), numbers(&b));
    }

    #[test]
    fn one_by_one_gives_the_same_as_all_at_once(all in sightings_without_ties()) {
        let mut standing = Vec::new();
        let mut grown = arrange(&[], &[]);
        for n in 1..=all.len() {
            grown = arrange(&all[..n], &standing);
            number_new(&mut grown, &mut standing);
        }
        let mut whole = arrange(&all, &[]);
        prop_assert_eq!(plain(&all, &grown), plain(&all, &whole));
        number_new(&mut whole, &mut Vec::new());
        for day in -1..22 {
            let at = Some(moment_at(day, false).until(&TimeZone::UTC).unwrap());
            let held = |arrangement: &Arrangement| newest(&arrangement.runs, at).map(|run| (run.content, run.date));
            prop_assert_eq!(held(&grown), held(&whole));
        }
        prop_assert_eq!(newest(&grown.runs, None).map(|run| run.content), newest(&whole.runs, None).map(|run| run.content));
        // No take is lost on the way, none stands twice.
        let mut told: Vec<u32> = grown.runs.iter().flat_map(|run| run.number.into_iter().chain(run.aliases.clone())).collect();
        told.sort_unstable();
        prop_assert_eq!(told, (1..=standing.len() as u32).collect::<Vec<_>>());
    }

    #[test]
    fn a_copied_folder_changes_no_state(all in any_sightings(), later_days in 1..9_i64) {
        let mut more = all.clone();
        for sighting in all.iter().filter(|sighting| sighting.by == DatedBy::File) {
            if let Some(start) = sighting.moment.start_utc() {
                let moment = Moment::from_unix_seconds(start + later_days * 86_400).unwrap();
                more.push(Sighting { moment, ..*sighting });
            }
        }
        let mut standing = Vec::new();
        let mut before = arrange(&all, &[]);
        number_new(&mut before, &mut standing);
        let after = arrange(&more, &standing);
        prop_assert_eq!(without_seen_again(plain(&all, &before)), without_seen_again(plain(&more, &after)));
        prop_assert_eq!(numbers(&before), numbers(&after));
        for at in (-1..22).map(|day| moment_at(day, false).until(&TimeZone::UTC)) {
            prop_assert_eq!(newest(&before.runs, at).map(|run| run.number), newest(&after.runs, at).map(|run| run.number));
        }
    }

    /// The rules said again, slowly: every pair of neighbours is looked at against every other sighting.
    #[test]
    fn neighbours_share_a_run_unless_something_else_was_between(all in any_sightings()) {
        let arrangement = arrange(&all, &[]);
        let start = |at: usize| all[at].moment.start_utc();
        let effective = |at: usize| {
            let same = all.iter().filter(|other| other.content == all[at].content);
            let earlier = same.filter_map(|other| other.moment.start_utc()).any(|other| Some(other) < start(at));
            let undated = |other: &&Sighting| other.content == all[at].content && !other.moment.is_known();
            let earlier = earlier || all.iter().any(|other| undated(&other));
            start(at).is_some() && (all[at].by != DatedBy::File || !earlier)
        };
        let places: Vec<usize> = (0..all.len()).filter(|&at| effective(at)).collect();
        for &a in &places {
            for &b in places.iter().filter(|&&b| all[b].content == all[a].content && start(a) <= start(b)) {
                let alike = |c: usize| all[c].content == all[a].content;
                let inside = |c: usize| start(a) < start(c) && start(c) < start(b);
                if places.iter().any(|&c| alike(c) && inside(c)) {
                    continue;
                }
                let between = places.iter().any(|&c| !alike(c) && all[c].counts && inside(c));
                let apart = arrangement.run_of[a] != arrangement.run_of[b];
                prop_assert_eq!(apart, between && all[a].counts);
            }
        }
        for (at, sighting) in all.iter().enumerate() {
            let run = &arrangement.runs[arrangement.run_of[at]];
            prop_assert_eq!(run.content, sighting.content);
            let seen = run.sightings.iter().find(|seen| seen.index == at).unwrap();
            prop_assert_eq!(seen.seen_again, start(at).is_some() && !effective(at));
            prop_assert!(seen.seen_again || run.date.moment.start_utc() <= start(at) || start(at).is_none());
        }
    }
}
