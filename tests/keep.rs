//! Keeping dumps: sections, dates, takes, and what is done with odd input (DESIGN section 2).

mod common;

use common::*;
use farshelf::error::Kind;
use farshelf::model::take::Condition;
use farshelf::ops;
use farshelf::ops::keep::{Status, When, Whose};
use farshelf::ops::takes::Labelling;
use farshelf::sys::disk::Replace;
use farshelf::vault::keeping::Into;
use proptest::prelude::*;

const DAY: i64 = 86_400;

fn recall(vault: &farshelf::vault::Vault, reference: &str) -> Vec<u8> {
    let mut out = Vec::new();
    ops::recall::recall(
        vault,
        reference,
        "-".as_ref(),
        Replace::No,
        &ops::recall::Altered::default(),
        &mut out,
    )
    .unwrap();
    out
}

#[test]
fn the_first_key_is_all_and_later_ones_are_numbered() {
    let s = Studio::new();
    let vault = s.create();
    add_device(&vault, "organ");
    let a = s.file("a.syx", &dump(1, b"one"), NOW - 10 * DAY);
    let (_, r) = keep(&vault, &options("organ", vec![a]));
    assert_eq!(
        (r[0].section.as_deref(), r[0].take, r[0].status),
        (Some("all"), Some(1), Status::Kept)
    );
    assert_eq!(codes(&r[0]), ["new-section"]);
    let b = s.file("b.syx", &dump(2, b"two"), NOW - 9 * DAY);
    let (_, r) = keep(&vault, &options("organ", vec![b]));
    assert_eq!(r[0].section.as_deref(), Some("section-1"));
    // Another SysEx number (the first byte after the maker ID) is the same section.
    let mut other_unit = dump(1, b"three");
    other_unit[2] = 0x11;
    let c = s.file("c.syx", &other_unit, NOW - 8 * DAY);
    let (_, r) = keep(&vault, &options("organ", vec![c]));
    assert_eq!(r[0].section.as_deref(), Some("all"));
}

#[test]
fn several_keys_in_one_run_are_numbered_in_key_order() {
    let s = Studio::new();
    let vault = s.create();
    s.file("in/organ/z.syx", &dump(1, b"one"), NOW - 10 * DAY);
    s.file("in/organ/a.syx", &dump(2, b"two"), NOW - 10 * DAY);
    s.file("in/organ/notes.txt", b"hello", NOW - 10 * DAY);
    let mut o = options("organ", vec![s.path("in")]);
    o.whose = Whose::ByFolder { add_devices: true };
    let (totals, mut r) = keep(&vault, &o);
    assert_eq!((totals.kept, totals.failed, totals.doubtful), (3, 0, 0));
    r.sort_by(|a, b| a.source.cmp(&b.source));
    let sections: Vec<_> = r.iter().map(|r| r.section.clone().unwrap()).collect();
    assert_eq!(sections, ["section-3", "section-1", "section-2"]);
}

#[test]
fn a_doubtful_dump_names_no_section_that_a_whole_one_would() {
    let s = Studio::new();
    let vault = s.create();
    add_device(&vault, "organ");
    let torn = s.file("torn.syx", &dump(3, b"torn")[..8], NOW - 10 * DAY);
    let (t, r) = keep(&vault, &options("organ", vec![torn]));
    assert_eq!((t.doubtful, r[0].section.as_deref()), (1, Some("all")));
    assert_eq!(r[0].condition, Condition::Doubtful);
    let whole = s.file("whole.syx", &dump(1, b"one"), NOW - 9 * DAY);
    let (_, r) = keep(&vault, &options("organ", vec![whole]));
    assert_eq!(
        r[0].section.as_deref(),
        Some("all"),
        "the open section takes the first whole key"
    );
    let second = s.file("second.syx", &dump(2, b"two"), NOW - 9 * DAY);
    keep(&vault, &options("organ", vec![second]));
    let torn = s.file("torn2.syx", &dump(9, b"torn")[..9], NOW - 8 * DAY);
    let (_, r) = keep(&vault, &options("organ", vec![torn]));
    assert_eq!(
        (r[0].loose, codes(&r[0])),
        (true, vec!["torn".to_string(), "kept-loose".to_string()])
    );
    assert_eq!(recall(&vault, "organ@4"), &dump(9, b"torn")[..9]);
}

#[test]
fn the_same_content_adds_nothing_and_a_later_file_time_is_seen_again() {
    let s = Studio::new();
    let vault = s.create();
    add_device(&vault, "organ");
    let a = s.file("a.syx", &dump(1, b"one"), NOW - 100 * DAY);
    keep(&vault, &options("organ", vec![a.clone()]));
    let (t, r) = keep(&vault, &options("organ", vec![a.clone()]));
    assert_eq!((t.kept, t.unchanged, r[0].take), (0, 1, Some(1)));
    let mut reread = options("organ", vec![a]);
    reread.reread = true;
    let (t, r) = keep(&vault, &reread);
    assert_eq!((t.unchanged, codes(&r[0]).len()), (1, 0));
    let copy = s.file("copy/a.syx", &dump(1, b"one"), NOW - DAY);
    let (t, r) = keep(&vault, &options("organ", vec![copy.clone()]));
    assert_eq!(
        (t.unchanged, codes(&r[0])),
        (1, vec!["seen-again".to_string()])
    );
    // With clock bytes inside it is the same memory.
    let mut clocked = dump(1, b"one");
    clocked.insert(4, 0xf8);
    let live = s.file("live.syx", &clocked, NOW - 100 * DAY);
    let (t, _) = keep(&vault, &options("organ", vec![live]));
    assert_eq!(t.unchanged, 1);
    let takes = ops::takes::history(&vault, &"organ".parse().unwrap())
        .unwrap()
        .takes;
    assert_eq!((takes.len(), takes[0].confirmed_at.clone()), (1, None));
    // A person's word makes it recent.
    let mut today = options("organ", vec![copy]);
    today.when = When::Given("2026-05-31".parse().unwrap());
    keep(&vault, &today);
    let takes = ops::takes::history(&vault, &"organ".parse().unwrap())
        .unwrap()
        .takes;
    assert_eq!(
        (takes.len(), takes[0].confirmed_at.as_deref()),
        (1, Some("2026-05-31"))
    );
}

#[test]
fn the_memory_that_went_back_is_a_new_take_in_any_order() {
    let s = Studio::new();
    let vault = s.create();
    add_device(&vault, "organ");
    let a = s.file("a.syx", &dump(1, b"one"), NOW);
    let b = s.file("b.syx", &dump(1, b"two"), NOW);
    let given = |path: &std::path::Path, date: &str| {
        let mut o = options("organ", vec![path.to_path_buf()]);
        o.when = When::Given(date.parse().unwrap());
        o
    };
    keep(&vault, &given(&a, "2026-01-01"));
    keep(&vault, &given(&a, "2026-03-01"));
    assert_eq!(
        ops::takes::history(&vault, &"organ".parse().unwrap())
            .unwrap()
            .takes
            .len(),
        1
    );
    keep(&vault, &given(&b, "2026-02-01"));
    let takes = ops::takes::history(&vault, &"organ".parse().unwrap())
        .unwrap()
        .takes;
    let dates: Vec<_> = takes.iter().map(|t| t.take.date.as_str()).collect();
    assert_eq!(dates, ["2026-01-01", "2026-02-01", "2026-03-01"]);
    assert_eq!(recall(&vault, "organ"), dump(1, b"one"));
    assert_eq!(recall(&vault, "organ@2026-02-15"), dump(1, b"two"));
    assert_eq!(recall(&vault, "organ@2026-01"), dump(1, b"one"));
}

#[test]
fn dates_and_labels_can_be_put_right_and_keeping_again_does_not_undo_it() {
    let s = Studio::new();
    let vault = s.create();
    add_device(&vault, "organ");
    let a = s.file("a.syx", &dump(1, b"one"), NOW - DAY);
    keep(&vault, &options("organ", vec![a.clone()]));
    let what = Labelling {
        text: Some("factory".into()),
        date: Some("1994".parse().unwrap()),
        remove: false,
    };
    ops::takes::label(&vault, "organ@1", &what, WAIT).unwrap();
    let view = &ops::takes::history(&vault, &"organ".parse().unwrap())
        .unwrap()
        .takes[0];
    assert_eq!(
        (view.take.date.as_str(), view.labels.clone()),
        ("1994", vec!["factory".to_string()])
    );
    let mut reread = options("organ", vec![a]);
    reread.reread = true;
    keep(&vault, &reread);
    let takes = ops::takes::history(&vault, &"organ".parse().unwrap())
        .unwrap()
        .takes;
    assert_eq!((takes.len(), takes[0].take.date.as_str()), (1, "1994"));
    assert_eq!(recall(&vault, "organ@factory"), dump(1, b"one"));
    let b = s.file("b.syx", &dump(1, b"two"), NOW - DAY);
    keep(&vault, &options("organ", vec![b]));
    let again = Labelling {
        text: Some("factory".into()),
        ..Labelling::default()
    };
    let e = ops::takes::label(&vault, "organ@2", &again, WAIT).unwrap_err();
    assert_eq!(e.kind, Kind::AlreadyThere);
    for bad in ["12", "2019", "30d", "1994-07"] {
        let bad = Labelling {
            text: Some(bad.into()),
            ..Labelling::default()
        };
        assert_eq!(
            ops::takes::label(&vault, "organ@2", &bad, WAIT)
                .unwrap_err()
                .kind,
            Kind::Usage
        );
    }
}

#[test]
fn odd_input_is_named_and_the_rest_is_kept() {
    let s = Studio::new();
    let vault = s.create();
    s.file("in/organ/ok.syx", &dump(1, b"one"), NOW - DAY);
    s.file("in/organ/empty.syx", b"", NOW - DAY);
    s.file("in/organ/esc\u{1b}[31m\n.syx", &dump(1, b"esc"), NOW - DAY);
    s.file("in/organ/.DS_Store", b"clutter", NOW - DAY);
    s.file("in/stray.syx", &dump(1, b"stray"), NOW - DAY);
    std::os::unix::fs::symlink("/etc/passwd", s.path("in/organ/link.syx")).unwrap();
    let status = std::process::Command::new("mkfifo")
        .arg(s.path("in/organ/pipe.syx"))
        .status()
        .unwrap();
    assert!(status.success());
    let mut o = options("organ", vec![s.path("in")]);
    o.whose = Whose::ByFolder { add_devices: true };
    let (t, r) = keep(&vault, &o);
    assert_eq!((t.kept, t.failed, t.doubtful), (3, 3, 1), "{r:#?}");
    for failed in r.iter().filter(|r| r.status == Status::Failed) {
        let e = failed.error.as_ref().unwrap();
        assert!(e.next_step().text().is_some(), "{}", e.fact());
    }
    let empty = r.iter().find(|r| r.source.ends_with("empty.syx")).unwrap();
    assert!(codes(empty).contains(&"empty".to_string()));
}

#[test]
fn a_folder_that_would_be_two_devices_is_refused() {
    let s = Studio::new();
    let vault = s.create();
    s.file("in/Pit Organ/a.syx", &dump(1, b"one"), NOW - DAY);
    s.file("in/pit-organ/b.syx", &dump(1, b"two"), NOW - DAY);
    s.file("in/Tröte/c.syx", &dump(1, b"three"), NOW - DAY);
    let mut o = options("x", vec![s.path("in")]);
    o.whose = Whose::ByFolder { add_devices: true };
    let (t, r) = keep(&vault, &o);
    assert_eq!((t.kept, t.failed), (1, 1));
    assert_eq!(
        r.iter()
            .find(|r| r.status == Status::Kept)
            .unwrap()
            .device
            .as_deref(),
        Some("trote")
    );
    o.whose = Whose::ByFolder { add_devices: false };
    o.paths = vec![s.path("in")];
    let (t, _) = keep(&vault, &o);
    assert_eq!((t.unchanged, t.failed), (1, 1));
}

#[test]
fn large_files_are_cut_and_come_back_byte_for_byte() {
    let s = Studio::new();
    let vault = s.create();
    add_device(&vault, "sampler");
    let mut x = 1u64;
    let mut image: Vec<u8> = (0..3_000_000)
        .map(|_| {
            x = x
                .wrapping_mul(6364136223846793005)
                .wrapping_add(1442695040888963407);
            (x >> 56) as u8
        })
        .collect();
    let a = s.file("disk.img", &image, NOW - 2 * DAY);
    let (t, r) = keep(&vault, &options("sampler", vec![a]));
    assert_eq!((t.kept, r[0].bytes), (1, 3_000_000));
    let before = reel_bytes(&s);
    image[1_500_000] ^= 1;
    let b = s.file("disk2.img", &image, NOW - DAY);
    keep(&vault, &options("sampler", vec![b]));
    assert!(
        reel_bytes(&s) - before < 600_000,
        "only the changed chunk is stored"
    );
    assert_eq!(recall(&vault, "sampler"), image);
    image[1_500_000] ^= 1;
    assert_eq!(recall(&vault, "sampler@1"), image);
}

fn reel_bytes(s: &Studio) -> u64 {
    let dir = s.path("vault/reels");
    std::fs::read_dir(dir)
        .unwrap()
        .map(|e| e.unwrap().metadata().unwrap().len())
        .sum()
}

#[test]
fn a_folder_kept_as_one_comes_back_as_it_was() {
    let s = Studio::new();
    let vault = s.create();
    add_device(&vault, "sampler");
    s.file("card/a.wav", b"sound", NOW - 2 * DAY);
    s.file("card/deep/er/odd\\name\nx", &vec![9; 2_000_000], NOW - DAY);
    s.file("card/empty", b"", NOW - 3 * DAY);
    std::fs::create_dir(s.path("card/void")).unwrap();
    let mut o = options("sampler", vec![s.path("card")]);
    o.as_one = true;
    let (t, r) = keep(&vault, &o);
    assert_eq!(
        (t.kept, r[0].bytes, codes(&r[0]).len()),
        (1, 2_000_005, 2),
        "{r:?}"
    );
    let to = s.path("back");
    let mut sink = Vec::new();
    ops::recall::recall(
        &vault,
        "sampler",
        &to,
        Replace::No,
        &ops::recall::Altered::default(),
        &mut sink,
    )
    .unwrap();
    for name in ["a.wav", "deep/er/odd\\name\nx", "empty"] {
        assert_eq!(
            std::fs::read(to.join(name)).unwrap(),
            std::fs::read(s.path("card").join(name)).unwrap()
        );
    }
    // Into an existing folder it goes under its section's name, and never into a folder that is there.
    ops::recall::recall(
        &vault,
        "sampler",
        &to,
        Replace::No,
        &ops::recall::Altered::default(),
        &mut sink,
    )
    .unwrap();
    assert_eq!(std::fs::read(to.join("all/a.wav")).unwrap(), b"sound");
    let e = ops::recall::recall(
        &vault,
        "sampler",
        &to,
        Replace::Yes,
        &ops::recall::Altered::default(),
        &mut sink,
    )
    .unwrap_err();
    assert_eq!(e.kind, Kind::AlreadyThere);
}

#[test]
fn recall_never_replaces_a_file_unasked() {
    let s = Studio::new();
    let vault = s.create();
    add_device(&vault, "organ");
    let a = s.file("a.syx", &dump(1, b"one"), NOW - DAY);
    let b = s.file("b.syx", &dump(2, b"two"), NOW - DAY);
    keep(&vault, &options("organ", vec![a.clone(), b]));
    let mut sink = Vec::new();
    let mut go = |reference: &str, to: &std::path::Path, replace| {
        ops::recall::recall(
            &vault,
            reference,
            to,
            replace,
            &ops::recall::Altered::default(),
            &mut sink,
        )
        .map(|_| ())
    };
    assert_eq!(
        go("organ/section-1", &a, Replace::No).unwrap_err().kind,
        Kind::AlreadyThere
    );
    assert_eq!(std::fs::read(&a).unwrap(), dump(1, b"one"));
    let both = s.path("both.syx");
    go("organ", &both, Replace::No).unwrap();
    assert_eq!(
        std::fs::read(&both).unwrap(),
        [dump(1, b"one"), dump(2, b"two")].concat()
    );
    go("organ", &s.path("folder"), Replace::No).unwrap();
    assert_eq!(
        std::fs::read(s.path("folder/section-2.syx")).unwrap(),
        dump(2, b"two")
    );
    assert_eq!(
        go("organ", &s.path("folder"), Replace::No)
            .unwrap_err()
            .kind,
        Kind::AlreadyThere
    );
    go("organ/section-2", &a, Replace::Yes).unwrap();
    assert_eq!(std::fs::read(&a).unwrap(), dump(2, b"two"));
    let left: Vec<_> = std::fs::read_dir(s.dir.path())
        .unwrap()
        .filter(|e| {
            e.as_ref()
                .unwrap()
                .file_name()
                .to_string_lossy()
                .starts_with(".unfinished")
        })
        .collect();
    assert!(left.is_empty());
}

#[test]
fn recognition_keeps_nothing_on_a_guess() {
    let s = Studio::new();
    let vault = s.create();
    for id in ["organ", "twin-a", "twin-b"] {
        add_device(&vault, id);
    }
    let a = s.file("a.syx", &dump(1, b"one"), NOW - 9 * DAY);
    keep(&vault, &options("organ", vec![a]));
    for id in ["twin-a", "twin-b"] {
        let f = s.file(&format!("{id}.syx"), &dump(5, id.as_bytes()), NOW - 9 * DAY);
        keep(&vault, &options(id, vec![f]));
    }
    let mut o = options(
        "organ",
        vec![
            s.file("new.syx", &dump(1, b"newer"), NOW - DAY),
            s.file("twin.syx", &dump(5, b"which"), NOW - DAY),
            s.file("sub/twin-b/x.syx", &dump(5, b"this"), NOW - DAY),
            s.file("never.syx", &dump(77, b"never"), NOW - DAY),
        ],
    );
    o.whose = Whose::Recognised;
    let (t, r) = keep(&vault, &o);
    assert_eq!((t.kept, t.failed), (2, 2), "{r:#?}");
    let device = |name: &str| {
        r.iter()
            .find(|r| r.source.ends_with(name))
            .unwrap()
            .device
            .clone()
    };
    assert_eq!(device("new.syx").as_deref(), Some("organ"));
    assert_eq!(device("x.syx").as_deref(), Some("twin-b"));
}

#[test]
fn standard_input_is_kept_with_an_unknown_date() {
    let s = Studio::new();
    let vault = s.create();
    add_device(&vault, "organ");
    let (t, r) = keep_stdin(
        &vault,
        &options("organ", vec!["-".into()]),
        &dump(1, b"one"),
    );
    assert_eq!(
        (t.kept, codes(&r[0])),
        (
            1,
            vec!["new-section".to_string(), "date-unknown".to_string()]
        )
    );
    assert_eq!(recall(&vault, "organ@1"), dump(1, b"one"));
}

#[test]
fn sections_can_be_renamed_led_and_made_loose_without_touching_bytes() {
    let s = Studio::new();
    let vault = s.create();
    add_device(&vault, "organ");
    let a = s.file("a.syx", &dump(1, b"one"), NOW - 9 * DAY);
    let b = s.file("b.syx", &dump(2, b"two"), NOW - 8 * DAY);
    keep(&vault, &options("organ", vec![a, b]));
    let organ = "organ".parse().unwrap();
    let change = ops::devices::SectionChange {
        rename: Some("songs".parse().unwrap()),
        ..Default::default()
    };
    ops::devices::section(&vault, &organ, &"section-2".parse().unwrap(), change, WAIT).unwrap();
    assert_eq!(recall(&vault, "organ/songs"), dump(2, b"two"));
    // --like: dumps with that key belong to the other section; the empty one goes.
    let change = ops::devices::SectionChange {
        key: Some("7D xx 02 01 02".into()),
        ..Default::default()
    };
    let view =
        ops::devices::section(&vault, &organ, &"section-1".parse().unwrap(), change, WAIT).unwrap();
    assert_eq!(view.sections.len(), 1);
    assert_eq!(
        recall(&vault, "organ"),
        dump(2, b"two"),
        "the newer of the two now stands"
    );
    let change = ops::devices::SectionChange {
        loose: Some(true),
        ..Default::default()
    };
    ops::devices::section(&vault, &organ, &"section-1".parse().unwrap(), change, WAIT).unwrap();
    let mut sink = Vec::new();
    let e = ops::recall::recall(
        &vault,
        "organ",
        "-".as_ref(),
        Replace::No,
        &ops::recall::Altered::default(),
        &mut sink,
    )
    .unwrap_err();
    assert_eq!(e.kind, Kind::NotFound);
    assert_eq!(recall(&vault, "organ@1"), dump(1, b"one"));
}

#[test]
fn what_is_no_sysex_is_doubtful_where_sysex_was_kept() {
    let s = Studio::new();
    let vault = s.create();
    add_device(&vault, "organ");
    let a = s.file("a.syx", &dump(1, b"one"), NOW - 9 * DAY);
    keep(&vault, &options("organ", vec![a]));
    let mut o = options("organ", vec![s.file("note.txt", b"my notes", NOW - DAY)]);
    o.into = Into::Section("all".parse().unwrap());
    let (t, r) = keep(&vault, &o);
    assert_eq!(
        (t.doubtful, codes(&r[0])),
        (1, vec!["not-sysex".to_string()])
    );
    assert_eq!(recall(&vault, "organ"), dump(1, b"one"));
    ops::takes::vouch(&vault, "organ@2", "the display showed it", WAIT).unwrap();
    assert_eq!(
        recall(&vault, "organ"),
        b"my notes",
        "a vouched take counts"
    );
    for reread in [false, true] {
        o.reread = reread;
        let (t, r) = keep(&vault, &o);
        assert_eq!((t.unchanged, t.doubtful, r[0].is_doubtful()), (1, 0, false));
    }
}

#[test]
fn another_vault_is_brought_over_with_dates_labels_and_words() {
    let s = Studio::new();
    let vault = s.create();
    add_device(&vault, "organ");
    let a = s.file("a.syx", &dump(1, b"one"), NOW - 9 * DAY);
    let torn = s.file("torn.syx", &dump(1, b"torn")[..9], NOW - 5 * DAY);
    s.file("card/big", &vec![7; 2_500_000], NOW - DAY);
    keep(&vault, &options("organ", vec![a, torn]));
    let mut o = options("organ", vec![s.path("card")]);
    o.as_one = true;
    keep(&vault, &o);
    let what = Labelling {
        text: Some("tour".into()),
        date: Some("1999-12".parse().unwrap()),
        remove: false,
    };
    ops::takes::label(&vault, "organ@1", &what, WAIT).unwrap();
    ops::takes::vouch(&vault, "organ@2", "good enough", WAIT).unwrap();

    let place = "loft".parse().unwrap();
    let second = ops::create::create(&s.path("second"), Some(&place), &s.world()).unwrap();
    for round in 0..2 {
        let mut told = 0;
        let totals = ops::bring::bring(&second, &s.path("vault"), WAIT, &mut |r| {
            told += 1;
            assert!(!r.is_doubtful(), "a person's word goes along: {r:?}");
            Ok(())
        })
        .unwrap();
        assert_eq!(
            (totals.kept, totals.failed, totals.doubtful, told),
            (if round == 0 { 3 } else { 0 }, 0, 0, 3)
        );
    }
    let there = ops::takes::history(&vault, &"organ".parse().unwrap()).unwrap();
    let here = ops::takes::history(&second, &"organ".parse().unwrap()).unwrap();
    for (a, b) in there.takes.iter().zip(&here.takes) {
        assert_eq!(
            (&a.labels, &a.take.date, a.take.hash),
            (&b.labels, &b.take.date, b.take.hash)
        );
        assert_eq!(
            (a.take.vouched, &a.take.section_name),
            (b.take.vouched, &b.take.section_name)
        );
    }
}

#[test]
fn a_file_that_changes_while_it_is_read_is_named_and_not_kept() {
    let s = Studio::new();
    let vault = s.create();
    add_device(&vault, "organ");
    drop(vault);
    let world = farshelf::sys::World {
        disk: std::sync::Arc::new(RestlessDisk),
        ..s.world()
    };
    let vault = farshelf::vault::Vault::open(&s.path("vault"), world).unwrap();
    let calm = s.file("calm.syx", &dump(1, b"calm"), NOW - DAY);
    let small = s.file("growing.syx", &dump(1, b"one"), NOW - DAY);
    let large = s.file("growing.img", &vec![5; 3_000_000], NOW - DAY);
    let (t, r) = keep(&vault, &options("organ", vec![calm, small, large]));
    assert_eq!((t.kept, t.failed), (1, 2));
    for failed in r.iter().filter(|r| r.status == Status::Failed) {
        let e = failed.error.as_ref().unwrap();
        assert!(
            e.fact().contains("changed while it was being read"),
            "{}",
            e.fact()
        );
        assert!(e.next_step().text().is_some());
    }
    let takes = ops::takes::history(&vault, &"organ".parse().unwrap())
        .unwrap()
        .takes;
    assert_eq!(takes.len(), 1);
}

#[test]
fn dumps_whose_file_times_lie_together_are_told_to_be_copies() {
    let s = Studio::new();
    let vault = s.create();
    add_device(&vault, "organ");
    let at = |n: u8, seconds: i64| {
        s.file(
            &format!("{n}.syx"),
            &dump(1, &[n; 20]),
            NOW - 9 * DAY + seconds,
        )
    };
    let (_, r) = keep(&vault, &options("organ", vec![at(1, 0), at(2, 20)]));
    assert!(
        r.iter()
            .all(|r| !codes(r).contains(&"date-copied".to_string()))
    );
    let (_, r) = keep(&vault, &options("organ", vec![at(3, 40), at(4, 500)]));
    let told: Vec<bool> = r
        .iter()
        .map(|r| codes(r).contains(&"date-copied".to_string()))
        .collect();
    assert_eq!(told, [true, false]);
    let shown = ops::takes::show(&vault, "organ@1").unwrap();
    assert!(shown[0].findings.iter().any(|f| f.code == "date-copied"));
    let shown = ops::takes::show(&vault, "organ@4").unwrap();
    assert!(!shown[0].findings.iter().any(|f| f.code == "date-copied"));
}

fn like(vault: &farshelf::vault::Vault, section: &str, key: &str) -> farshelf::error::Result<()> {
    let change = ops::devices::SectionChange {
        key: Some(key.into()),
        ..Default::default()
    };
    let (organ, section) = ("organ".parse().unwrap(), section.parse().unwrap());
    ops::devices::section(vault, &organ, &section, change, WAIT).map(|_| ())
}

fn put_label(vault: &farshelf::vault::Vault, reference: &str, text: &str, remove: bool) {
    let what = Labelling {
        text: Some(text.into()),
        date: None,
        remove,
    };
    ops::takes::label(vault, reference, &what, WAIT).unwrap();
}

#[test]
fn one_label_never_comes_to_stand_on_two_takes_of_a_section() {
    let s = Studio::new();
    let vault = s.create();
    add_device(&vault, "organ");
    let a = s.file("a.syx", &dump(1, b"one"), NOW - 9 * DAY);
    let b = s.file("b.syx", &dump(2, b"two"), NOW - 8 * DAY);
    keep(&vault, &options("organ", vec![a, b]));
    let mut o = options(
        "organ",
        vec![s.file("c.syx", &dump(2, b"three"), NOW - 7 * DAY)],
    );
    o.into = Into::Section("section-2".parse().unwrap());
    keep(&vault, &o);
    put_label(&vault, "organ@1", "tour", false);
    put_label(&vault, "organ@2", "tour", false);
    // What was placed by hand stays where it is, with its label.
    put_label(&vault, "organ@1", "by hand", false);
    put_label(&vault, "organ@3", "by hand", false);

    let organ = "organ".parse().unwrap();
    let before = ops::devices::show(&vault, &organ).unwrap().sections;
    let e = like(&vault, "section-1", "7D xx 02 01 02").unwrap_err();
    assert_eq!(e.kind, Kind::AlreadyThere);
    for part in ["organ@1", "organ@2", "tour", "nothing was changed"] {
        assert!(e.fact().contains(part), "{}", e.fact());
    }
    let next = e.next_step().text().unwrap();
    assert!(next.contains("label organ@2 \"tour\" --remove"), "{next}");
    assert_eq!(ops::devices::show(&vault, &organ).unwrap().sections, before);

    put_label(&vault, "organ@2", "tour", true);
    like(&vault, "section-1", "7D xx 02 01 02").unwrap();
    let tour = ops::takes::show(&vault, "organ@tour").unwrap();
    assert_eq!(tour.len(), 1);
    assert_eq!(ops::takes::show(&vault, "organ@by hand").unwrap().len(), 2);
    assert_eq!(
        ops::takes::show(&vault, "organ@2").unwrap()[0]
            .view
            .take
            .section_name,
        "section-1"
    );
}

#[test]
fn no_two_takes_of_a_recall_get_one_name() {
    let s = Studio::new();
    let vault = s.create();
    add_device(&vault, "organ");
    let into = |name: &str, file: std::path::PathBuf, into, as_one| {
        let mut o = options("organ", vec![file]);
        o.into = into;
        o.as_one = as_one;
        let (t, r) = keep(&vault, &o);
        assert_eq!(t.kept, 1, "{name}: {r:?}");
    };
    let section = |name: &str| Into::Section(name.parse().unwrap());
    s.file("card/a.wav", b"sound", NOW - DAY);
    let one = s.file("1.syx", &dump(1, b"one"), NOW - DAY);
    let two = s.file("2.syx", &dump(1, b"two"), NOW - DAY);
    let three = s.file("3.syx", &dump(1, b"three"), NOW - DAY);
    into("1", one, section("take-2"), false);
    into("2", two, Into::Loose, false);
    into("3", three, section("all"), false);
    into("4", s.path("card"), section("all.syx"), true);
    into(
        "5",
        s.file("5.syx", &dump(1, b"five"), NOW - DAY),
        section("take-4-all.syx"),
        false,
    );
    for n in 1..=5 {
        put_label(&vault, &format!("organ@{n}"), "tour", false);
    }
    for (to, replace) in [("there", Replace::No), ("there", Replace::Yes)] {
        let to = s.path(to);
        let _ = std::fs::remove_dir_all(&to);
        let mut sink = Vec::new();
        ops::recall::recall(
            &vault,
            "organ@tour",
            &to,
            replace,
            &ops::recall::Altered::default(),
            &mut sink,
        )
        .unwrap();
        let read = |name: &str| std::fs::read(to.join(name)).unwrap();
        assert_eq!(read("take-2.syx"), dump(1, b"one"));
        assert_eq!(read("take-2-take-2.syx"), dump(1, b"two"));
        assert_eq!(read("all.syx"), dump(1, b"three"));
        assert_eq!(read("take-4-all.syx/a.wav"), b"sound");
        assert_eq!(read("take-4-all.syx.syx"), dump(1, b"five"));
        assert_eq!(std::fs::read_dir(&to).unwrap().count(), 5);
    }
}

/// All that is told of the organ's takes, and when they were seen.
fn told(vault: &farshelf::vault::Vault) -> Vec<String> {
    let history = ops::takes::history(vault, &"organ".parse().unwrap()).unwrap();
    let mut lines = Vec::new();
    for view in history.takes {
        let take = &view.take;
        let mut seen = Vec::new();
        for s in vault.catalogue().sightings_of_take(take.id).unwrap() {
            seen.push(format!(
                "{} {} {} {} {} {}",
                s.date, s.by, s.counts, s.seen_again, s.corrected, s.origin.name
            ));
        }
        seen.sort();
        lines.push(format!(
            "{} {} {} {:?} {:?} {:?} {seen:?}",
            take.number(),
            take.date,
            take.dated_by,
            take.newest,
            take.alias_of,
            view.confirmed_at
        ));
    }
    lines
}

/// A vault in which one dump was kept for each of `seen`: its content and its date, or `file` for the file's.
/// `say` is dated `date`; returns the dates of all takes by number, and when each was still so.
fn dates_after(seen: &[(&[u8], &str)], say: &str, date: &str) -> Vec<(String, Option<String>)> {
    let s = Studio::new();
    let vault = s.create();
    add_device(&vault, "organ");
    for (content, date) in seen {
        let mut o = options(
            "organ",
            vec![s.file("x.syx", &dump(1, content), 1_768_000_000)],
        );
        if *date != "file" {
            o.when = When::Given(date.parse().unwrap());
        }
        o.reread = true;
        keep(&vault, &o);
    }
    let what = Labelling {
        date: Some(date.parse().unwrap()),
        ..Labelling::default()
    };
    let view = ops::takes::label(&vault, say, &what, WAIT).unwrap();
    assert_eq!(view.takes.len(), 1);
    let live = told(&vault);
    drop(vault);
    let (vault, _) = farshelf::vault::Vault::reindex(&s.path("vault"), s.world(), WAIT).unwrap();
    assert_eq!(live, told(&vault), "rebuilt it says something else");
    let mut takes = ops::takes::history(&vault, &"organ".parse().unwrap())
        .unwrap()
        .takes;
    takes.sort_by_key(|v| v.take.number());
    takes
        .into_iter()
        .map(|v| (v.take.date, v.confirmed_at))
        .collect()
}

#[test]
fn a_take_has_the_date_that_a_person_gives_it_whatever_else_was_seen() {
    let check =
        |seen: &[(&[u8], &str)], say: &str, date: &str, expected: &[(&str, Option<&str>)]| {
            let found = dates_after(seen, say, date);
            let found: Vec<_> = found
                .iter()
                .map(|(date, later)| (date.as_str(), later.as_deref()))
                .collect();
            assert_eq!(found, expected, "{seen:?} {say} {date}");
        };
    let (a, b) = (&b"one"[..], &b"two"[..]);
    // The take was made for March and an older sighting came later: the date that is shown is the wrong one.
    let older = [(a, "2026-03-01"), (a, "2026-01-01")];
    check(
        &older,
        "organ@1",
        "2026-02-01",
        &[("2026-02-01", Some("2026-03-01"))],
    );
    check(&older, "organ@1", "2026-04-01", &[("2026-04-01", None)]);
    check(&older, "organ@1", "2019", &[("2019", Some("2026-03-01"))]);
    check(
        &older,
        "organ@1",
        "2026-01-01",
        &[("2026-01-01", Some("2026-03-01"))],
    );
    check(&older, "organ@1", "unknown", &[("unknown", None)]);
    let newer = [(a, "2026-01-01"), (a, "2026-03-01")];
    check(
        &newer,
        "organ@1",
        "2026-02-01",
        &[("2026-02-01", Some("2026-03-01"))],
    );
    check(&newer, "organ@1", "unknown", &[("unknown", None)]);
    check(&[(a, "file")], "organ@1", "unknown", &[("unknown", None)]);
    check(&[(a, "file")], "organ@1", "2026-05", &[("2026-05", None)]);
    let both = [(a, "2026-03-01"), (a, "file")];
    check(&both, "organ@1", "2026-05", &[("2026-05", None)]);
    check(&both, "organ@1", "unknown", &[("unknown", None)]);
    let unknown = [(a, "unknown"), (a, "2026-03-01")];
    check(&unknown, "organ@1", "2026-05", &[("2026-05", None)]);
    check(&unknown, "organ@1", "2019", &[("2019", None)]);
    check(&[(a, "unknown")], "organ@1", "2019", &[("2019", None)]);
    // The memory went back: the later run is a take of its own, made for what was seen before.
    let back = [(a, "2026-01-01"), (a, "2026-03-01"), (b, "2026-02-01")];
    let (january, february) = (("2026-01-01", None), ("2026-02-01", None));
    check(
        &back,
        "organ@3",
        "2026-04-01",
        &[january, february, ("2026-04-01", None)],
    );
    check(
        &back,
        "organ@1",
        "2019",
        &[("2019", None), february, ("2026-03-01", None)],
    );
    // Other content lies between the new date and what was seen later: that is a take of its own now.
    let torn = [(a, "2026-05-01"), (b, "2026-02-01"), (a, "2026-03-01")];
    let may = ("2026-05-01", None);
    check(
        &torn,
        "organ@1",
        "2026-01-01",
        &[("2026-01-01", None), february, may],
    );
    // What another take was seen at stays its own; nothing lies between the two any more.
    let march = ("2026-03-01", Some("2026-06-01"));
    check(&back, "organ@1", "2026-06-01", &[march, february, march]);
    // Of two takes of one content that lie together now, both have the date.
    let joined = [(a, "2026-02-01"), (b, "2026-03-01"), (a, "2026-04-01")];
    check(
        &joined,
        "organ@3",
        "2026-01-01",
        &[
            ("2026-01-01", Some("2026-02-01")),
            ("2026-03-01", None),
            ("2026-01-01", Some("2026-02-01")),
        ],
    );
}

#[test]
fn takes_that_became_one_are_dated_together() {
    let s = Studio::new();
    let vault = s.create();
    add_device(&vault, "organ");
    let given = |vault: &farshelf::vault::Vault, n: &str, kind: u8, body: &[u8], date: &str| {
        let mut o = options(
            "organ",
            vec![s.file(&format!("{n}.syx"), &dump(kind, body), NOW)],
        );
        o.when = When::Given(date.parse().unwrap());
        keep(vault, &o);
    };
    let date = |vault: &farshelf::vault::Vault, reference: &str, date: &str| {
        let what = Labelling {
            date: Some(date.parse().unwrap()),
            ..Labelling::default()
        };
        ops::takes::label(vault, reference, &what, WAIT).unwrap();
    };
    given(&vault, "a", 1, b"one", "2026-01-01");
    given(&vault, "b", 1, b"two", "2026-02-01");
    given(&vault, "c", 1, b"one", "2026-03-01");
    // Nothing lies between take 1 and take 3 any more: take 3 is another name of take 1.
    date(&vault, "organ@2", "2026-05-01");
    assert!(
        told(&vault).iter().any(|l| l.contains("Some(1)")),
        "{:?}",
        told(&vault)
    );
    date(&vault, "organ@3", "2026-04-01");
    let live = told(&vault);
    assert!(live[0].starts_with("1 2026-04-01 given"), "{live:?}");
    assert!(live[1].starts_with("3 2026-04-01 given"), "{live:?}");
    drop(vault);
    let (vault, _) = farshelf::vault::Vault::reindex(&s.path("vault"), s.world(), WAIT).unwrap();
    assert_eq!(live, told(&vault));
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 25, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn corrected_dates_are_the_same_in_a_rebuilt_catalogue(
        // (content, month, by file time), or a correction of a take to a month (0: unknown).
        deeds in prop::collection::vec((any::<bool>(), 0u8..3, 0u8..9, any::<bool>(), 1u32..6), 1..14),
    ) {
        let s = Studio::new();
        let vault = s.create();
        add_device(&vault, "organ");
        let mut said = Vec::new();
        for (n, (corrects, content, month, by_file, take)) in deeds.into_iter().enumerate() {
            let date = match month {
                0 => "unknown".to_string(),
                m => format!("2025-0{m}"),
            };
            if corrects {
                let reference = format!("organ@{take}");
                let what = Labelling { date: Some(date.parse().unwrap()), ..Labelling::default() };
                if let Ok(now) = ops::takes::label(&vault, &reference, &what, WAIT) {
                    let is = now.takes[0].take.date.clone();
                    said.push(format!("{reference} to {date}: {is}"));
                    // Another date only where another take of the content has a say.
                    let twins = ops::takes::history(&vault, &"organ".parse().unwrap()).unwrap().takes;
                    let twins = twins.iter().filter(|v| v.take.content == now.takes[0].take.content);
                    prop_assert!(is == date || twins.count() > 1, "{said:?} {:?}", told(&vault));
                }
                continue;
            }
            let at = 1_735_689_600 + i64::from(month) * 31 * DAY;
            let mut o = options("organ", vec![s.file(&format!("{n}.syx"), &dump(1, &[content; 9]), at)]);
            if !by_file {
                o.when = When::Given(date.parse().unwrap());
            }
            keep(&vault, &o);
            said.push(format!("kept {content} {date} {by_file}"));
        }
        let live = told(&vault);
        drop(vault);
        let (vault, _) = farshelf::vault::Vault::reindex(&s.path("vault"), s.world(), WAIT).unwrap();
        prop_assert_eq!(live, told(&vault), "{:?}", said);
    }
}
