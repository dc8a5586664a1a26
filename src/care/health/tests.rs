//! Tables over the pure rules: facts in; state, reasons, lines and next steps out.

use super::*;

const NOW: i64 = 1_800_000_000;

fn measure() -> Measure {
    Measure {
        now: NOW,
        asked: Asked::default(),
        place: Some("studio".into()),
        key: KeyHealth {
            confirmed: true,
            places: vec!["lena's flat".into()],
        },
    }
}

fn newest(days: i64, copies: u32, offsite: u32) -> Newest {
    let tally = Tally { copies, offsite };
    Newest {
        take: 3,
        date: "2026-12-01".into(),
        seen: Some(NOW - days * DAY_S - 7),
        condition: Condition::Whole,
        evidence: Evidence::Checksum,
        recent: tally,
        ever: tally,
    }
}

fn section(name: &str, newest: Option<Newest>) -> SectionFacts {
    SectionFacts {
        name: name.into(),
        every_days: 90,
        newest,
        doubtful: None,
    }
}

fn device(id: &str, sections: Vec<SectionFacts>) -> DeviceFacts {
    DeviceFacts {
        id: id.into(),
        sections,
        ..DeviceFacts::default()
    }
}

fn with(newest: Newest) -> DeviceFacts {
    device("bass", vec![section("all", Some(newest))])
}

fn check_with(measure: &Measure, facts: DeviceFacts, state: State, reasons: &[(Code, &str)]) {
    let health = judge(facts.clone(), measure);
    let got: Vec<(Code, &str)> = health
        .reasons
        .iter()
        .map(|r| (r.code, r.text.as_str()))
        .collect();
    assert_eq!(got, reasons, "{facts:?}");
    assert_eq!(health.state, state, "{facts:?}");
}

fn check(facts: DeviceFacts, state: State, reasons: &[(Code, &str)]) {
    check_with(&measure(), facts, state, reasons);
}

#[test]
fn a_device_is_as_good_as_its_worst_reason() {
    check(with(newest(90, 3, 1)), State::Good, &[]);
    let too_old = (Code::TooOld, "no new dump for 91 days, asked for every 90");
    check(with(newest(91, 3, 1)), State::Overdue, &[too_old]);
    let few = (Code::TooFewCopies, "only 1 copy of 3");
    let none_away = (Code::TooFewOffsite, "no good copy in another place");
    check(with(newest(1, 1, 0)), State::AtRisk, &[few, none_away]);
    check(with(newest(91, 1, 1)), State::AtRisk, &[few, too_old]);
    check(
        with(newest(1, 0, 0)),
        State::AtRisk,
        &[(Code::TooFewCopies, "no good copy of 3"), none_away],
    );
    let mut lost = with(newest(1, 3, 1));
    lost.lost = vec![2, 9];
    check(
        lost,
        State::Lost,
        &[(Code::Lost, "2 takes are in no copy any more (2, 9)")],
    );
    let mut battery = with(newest(1, 3, 1));
    battery.power.kind = Some("coin-holder".into());
    battery.power.fitted_on = Some("2001".into());
    let past = (
        Code::BatteryDue,
        "its battery of 2001-01-01 is past the 5 years it is trusted for",
    );
    check(battery.clone(), State::BatteryDue, &[past]);
    battery.sections[0].every_days = 0;
    check(
        battery,
        State::Overdue,
        &[
            (Code::TooOld, "no new dump for 1 day, asked for every 0"),
            past,
        ],
    );
}

#[test]
fn copies_not_checked_lately_are_told_apart_from_missing_ones() {
    let mut stale = newest(1, 1, 0);
    stale.ever = Tally {
        copies: 3,
        offsite: 1,
    };
    check(
        with(stale),
        State::AtRisk,
        &[
            (
                Code::CopiesUnchecked,
                "only 1 copy of 3 checked in the last 35 days",
            ),
            (
                Code::OffsiteUnchecked,
                "no copy in another place was checked in the last 35 days",
            ),
        ],
    );
}

#[test]
fn the_poorest_section_decides_over_copies_and_dates() {
    let health = judge(
        device(
            "bass",
            vec![
                section("bank-a", Some(newest(1, 3, 1))),
                section("songs", Some(newest(1, 2, 2))),
            ],
        ),
        &measure(),
    );
    assert_eq!((health.copies, health.offsite_copies), (2, 1));
    assert_eq!(health.state, State::AtRisk);
    let mut missing = device(
        "bass",
        vec![
            section("bank-a", Some(newest(1, 3, 1))),
            section("songs", None),
        ],
    );
    let never = (Code::NeverDumped, "songs: never dumped");
    check(missing.clone(), State::Overdue, &[never]);
    missing.sections[1].doubtful = Some(4);
    check(
        missing,
        State::Overdue,
        &[
            (Code::NeverDumped, "songs: never dumped whole"),
            (
                Code::NewestDoubtful,
                "songs: the newest dump is doubtful (bass@4); there is no whole one",
            ),
        ],
    );
}

#[test]
fn nothing_kept_is_overdue_and_nothing_expected_is_not_judged() {
    let mut keyless = measure();
    keyless.key = KeyHealth::default();
    let never = [(Code::NeverDumped, "never dumped")];
    check_with(&keyless, device("bass", vec![]), State::Overdue, &never);
    let mut other = device("bass", vec![]);
    other.has_other_sections = true;
    check(
        other,
        State::Good,
        &[(
            Code::NothingExpected,
            "no part of its memory is expected to be dumped",
        )],
    );
}

#[test]
fn dates_that_tell_nothing_are_never_recent() {
    let dated = |seen: Option<i64>| {
        with(Newest {
            seen,
            ..newest(0, 3, 1)
        })
    };
    check(
        dated(None),
        State::Overdue,
        &[(
            Code::DateUnknown,
            "nobody knows when its newest dump was made",
        )],
    );
    // Today, where the sun rises earlier.
    check(dated(Some(NOW + 14 * 3600)), State::Good, &[]);
    check(
        dated(Some(NOW + 2 * DAY_S)),
        State::Overdue,
        &[(
            Code::DateAhead,
            "its newest dump is dated in the future (2026-12-01)",
        )],
    );
}

#[test]
fn remarks_stand_beside_a_good_state() {
    let mut facts = with(Newest {
        evidence: Evidence::None,
        ..newest(3, 3, 1)
    });
    facts.sections[0].doubtful = Some(4);
    facts.power.kind = Some("coin-soldered".into());
    check(
        facts,
        State::Good,
        &[
            (
                Code::NewestDoubtful,
                "the newest dump is doubtful (bass@4); take 3 before it still counts",
            ),
            (Code::Uncheckable, "nothing to check it by"),
            (Code::BatteryUnknown, "nobody noted how old its battery is"),
        ],
    );
}

#[test]
fn a_key_sheet_counts_only_elsewhere() {
    let check = |place: Option<&str>, places: &[&str], text: &str| {
        let mut measure = measure();
        measure.place = place.map(String::from);
        measure.key = KeyHealth {
            confirmed: false,
            places: places.iter().map(|p| p.to_string()).collect(),
        };
        check_with(
            &measure,
            with(newest(1, 3, 1)),
            State::AtRisk,
            &[(Code::NoKeySheet, text)],
        );
    };
    check(
        Some("studio"),
        &[],
        "no key sheet was confirmed: if this place is lost, nothing opens the copies",
    );
    check(
        Some("studio"),
        &["Studio"],
        "the key sheet is only where the vault stands: if that place is lost, nothing opens the copies",
    );
    check(
        None,
        &["drawer"],
        "no key sheet counts as being elsewhere, for the vault does not say where it stands",
    );
}

fn health(devices: Vec<DeviceFacts>) -> Health {
    health_by(&measure(), devices)
}

fn health_by(measure: &Measure, devices: Vec<DeviceFacts>) -> Health {
    let mut devices: Vec<DeviceHealth> = devices.into_iter().map(|d| judge(d, measure)).collect();
    devices.sort_by_key(|d| std::cmp::Reverse(d.state));
    let mut health = Health {
        good: false,
        devices,
        retired: 0,
        shelves: vec![
            shelf("flat", "lena's flat", true),
            shelf("usb", "studio", false),
        ],
        key: measure.key.clone(),
        problems: vec![],
        lost: vec![],
        place: measure.place.clone(),
        asked: measure.asked.clone(),
        reach: Tally {
            copies: 3,
            offsite: 1,
        },
        sharing_a_disk: vec![],
    };
    health.good = is_good(&health);
    health
}

fn shelf(name: &str, place: &str, offsite: bool) -> ShelfGlance {
    ShelfGlance {
        name: name.into(),
        place: place.into(),
        offsite,
        state: ShelfState::Good,
        reason: None,
        located: true,
    }
}

fn named(id: &str, newest: Newest) -> DeviceFacts {
    device(id, vec![section("all", Some(newest))])
}

fn check_text(health: &Health, expected: &str) {
    assert_eq!(text(health), expected);
}

#[test]
fn all_well_is_one_line() {
    let three = || {
        vec![
            named("bass", newest(3, 3, 1)),
            named("drums", newest(41, 3, 1)),
            named("organ", newest(7, 3, 1)),
        ]
    };
    check_text(
        &health(three()),
        "All 3 devices are safe: 3 copies of each, one at lena's flat; newest dump 3 days old, oldest 41 days old.\n",
    );
    let mut some = three();
    some[1].sections[0].newest = Some(Newest {
        evidence: Evidence::None,
        ..newest(0, 4, 2)
    });
    some[2].sections[0].newest = Some(newest(1, 3, 1));
    let mut health_of_some = health(some);
    health_of_some.shelves.push(shelf("barn", "the barn", true));
    check_text(
        &health_of_some,
        "All 3 devices are safe: at least 3 copies of each, one elsewhere (lena's flat, the barn); newest dump from today, oldest 3 days old; for 1 of them nothing to check it by.\n",
    );
    check_text(
        &health(vec![named("bass", newest(0, 3, 1))]),
        "bass is safe: 3 copies, one at lena's flat; newest dump from today.\n",
    );
    let mut torn = named("bass", newest(2, 3, 1));
    torn.sections[0].doubtful = Some(4);
    check_text(
        &health(vec![torn]),
        "bass is safe: 3 copies, one at lena's flat; newest dump 2 days old.\n\
         note         bass: the newest dump is doubtful (bass@4); take 3 before it still counts\n\
         next: see what is doubtful: farshelf history bass\n",
    );
}

#[test]
fn devices_alike_share_a_line_and_two_steps_are_told() {
    let mut keyless = measure();
    keyless.key = KeyHealth::default();
    let many: Vec<DeviceFacts> = (0..40)
        .map(|n| named(&format!("synth-{n:02}"), newest(1, 1, 0)))
        .collect();
    let mut none_yet = health_by(&keyless, many);
    none_yet.shelves.clear();
    none_yet.reach = Tally {
        copies: 1,
        offsite: 0,
    };
    check_text(
        &none_yet,
        "at risk      all 40 devices: only 1 copy of 3\n\
         at risk      all 40 devices: no good copy in another place\n\
         at risk      no key sheet was confirmed: if this place is lost, nothing opens the copies\n\
         next: add a shelf in another place: farshelf shelf add NAME LOCATION --place PLACE\n\
         next: print the key sheet and keep it in another place: farshelf key sheet\n",
    );
    let mut old: Vec<DeviceFacts> = (0..6)
        .map(|n| named(&format!("synth-{n}"), newest(100 + n, 3, 1)))
        .collect();
    old.push(named("fresh", newest(1, 3, 1)));
    check_text(
        &health(old),
        "overdue      6 devices (synth-0, synth-1, synth-2 and 3 more): no new dump for 100 to 105 days\n\
         next: keep a new dump: farshelf keep --device synth-0 PATH\n",
    );
}

#[test]
fn the_worst_comes_first() {
    let mut lost = named("bass", newest(1, 2, 1));
    lost.lost = vec![2];
    let mut all = health(vec![
        named("organ", newest(200, 3, 1)),
        lost,
        named("drums", newest(1, 2, 1)),
    ]);
    all.problems = vec![Problem {
        reel: 7,
        detail: "its file is missing\u{1b}[2J".into(),
    }];
    all.lost = vec![
        LostDump {
            device: "bass".into(),
            take: 2,
        },
        LostDump {
            device: "sold".into(),
            take: 1,
        },
    ];
    all.shelves[1].state = ShelfState::Behind;
    all.shelves[1].reason = Some("behind by 3 takes".into());
    all.shelves[0].state = ShelfState::Away;
    check_text(
        &all,
        "lost         bass: 1 take is in no copy any more (2)\n\
         lost         1 take of retired devices in no copy any more (sold@1)\n\
         damaged      the vault's own reel 7: its file is missing\\x1b[2J\n\
         at risk      2 devices (bass, drums): only 2 copies of 3\n\
         away         shelf flat (lena's flat)\n\
         behind       shelf usb (studio): behind by 3 takes\n\
         overdue      organ: no new dump for 200 days, asked for every 90\n\
         next: mend from a good copy: farshelf repair\n\
         next: bring the copies up to date: farshelf mirror\n",
    );
}

#[test]
fn each_reason_has_its_step() {
    let check = |health: &Health, expected: &[&str]| {
        let steps: Vec<String> = health.steps().iter().filter_map(Next::text).collect();
        let short: Vec<&str> = steps
            .iter()
            .map(|s| s.split("farshelf ").last().unwrap_or_default())
            .collect();
        assert_eq!(short, expected, "{:?}", lines(health));
    };
    check(&health(vec![named("bass", newest(1, 3, 1))]), &[]);
    let few = health(vec![named("bass", newest(1, 2, 1))]);
    check(&few, &["mirror"]);
    let mut stale = newest(1, 1, 0);
    stale.ever = Tally {
        copies: 3,
        offsite: 1,
    };
    check(&health(vec![named("bass", stale)]), &["fixity"]);
    let mut placeless = measure();
    placeless.place = None;
    placeless.key.confirmed = false;
    check(
        &health_by(&placeless, vec![named("bass", newest(1, 3, 0))]),
        &[
            "say where the vault stands: write a line such as place = \"studio\" into its farshelf.toml, above [asked]",
        ],
    );
    check(
        &health(vec![named("bass", newest(91, 3, 1))]),
        &["keep --device bass PATH"],
    );
    let unknown = Newest {
        seen: None,
        ..newest(1, 3, 1)
    };
    check(&health(vec![named("bass", unknown)]), &["history bass"]);
    let mut battery = named("bass", newest(1, 3, 1));
    battery.power.kind = Some("coin-holder".into());
    battery.power.fitted_on = Some("2001".into());
    check(&health(vec![battery]), &["device show bass"]);
    let mut away = health(vec![named("bass", newest(1, 3, 1))]);
    away.shelves[0].state = ShelfState::Away;
    away.good = is_good(&away);
    check(&away, &["mirror flat"]);
}

#[test]
fn good_needs_every_part_and_a_device() {
    let check = |change: fn(&mut Health), expected: bool| {
        let mut health = health(vec![named("bass", newest(1, 3, 1))]);
        change(&mut health);
        assert_eq!(is_good(&health), expected, "{health:?}");
    };
    check(|_| {}, true);
    check(|h| h.devices.clear(), false);
    check(
        |h| {
            h.devices.clear();
            h.retired = 2;
        },
        true,
    );
    check(|h| h.devices[0].state = State::BatteryDue, false);
    check(|h| h.shelves[0].state = ShelfState::Behind, false);
    check(|h| h.key.confirmed = false, false);
    check(
        |h| {
            h.problems.push(Problem {
                reel: 1,
                detail: String::new(),
            })
        },
        false,
    );
    check(
        |h| {
            h.lost.push(LostDump {
                device: "sold".into(),
                take: 1,
            })
        },
        false,
    );
    let mut none = health(vec![]);
    none.key = KeyHealth::default();
    check_text(
        &none,
        "Nothing is kept here yet: no device has been added.\n\
         next: take in dumps that you have, one folder for each device: farshelf keep --by-folder --add-devices PATH\n\
         next: or name a first device: farshelf device add ID\n",
    );
}

#[test]
fn a_shelf_on_a_disk_that_counts_already_is_named_when_copies_lack() {
    let mut short = health(vec![named("bass", newest(1, 2, 1))]);
    short.reach = Tally {
        copies: 2,
        offsite: 1,
    };
    short.sharing_a_disk = vec!["usb".into()];
    check_text(
        &short,
        "at risk      bass: only 2 copies of 3\n\
         note         shelf usb lies on a disk that counts already; if that is another disk after all, add it again with --separate\n\
         next: add a shelf on another disk: farshelf shelf add NAME LOCATION --place PLACE\n",
    );
}
