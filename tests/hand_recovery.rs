//! A real vault against stock tools: GNU tar reads the reels without a word, b3sum agrees with every name, and the
//! commands printed at the shelf bring every take back byte for byte.

mod common;
#[path = "outside/tools.rs"]
mod tools;

use std::path::{Path, PathBuf};
use std::process::Command;

use common::*;
use farshelf::model::hash::Hash;
use farshelf::ops;
use farshelf::ops::keep::{When, Whose};
use farshelf::ops::takes::Labelling;
use farshelf::shelf::cipher::ExposeSecret;
use farshelf::sys::disk::Replace;
use farshelf::vault::Vault;
use farshelf::vault::keeping::Into;

const DAY: i64 = 86_400;

/// A vault with everything that makes reels interesting, mirrored to one shelf.
fn interesting(s: &Studio) -> Vault {
    let vault = s.create();
    for n in 0..6u8 {
        s.file(
            &format!("in/organ/bank {n}.syx"),
            &dump(1, &[n; 300]),
            NOW - i64::from(40 - n) * DAY,
        );
        s.file(
            &format!("in/organ/songs-{n}.syx"),
            &dump(2, &[n; 90]),
            NOW - i64::from(40 - n) * DAY,
        );
        s.file(
            &format!("in/drums/kit{n}.syx"),
            &dump(3, &[n; 50]),
            NOW - i64::from(40 - n) * DAY,
        );
    }
    s.file("in/organ/torn.syx", &dump(1, &[9; 300])[..100], NOW - DAY);
    s.file(
        "in/organ/odd \u{1b}[31m name.syx",
        &dump(1, &[77; 30]),
        NOW - 2 * DAY,
    );
    let mut o = options("x", vec![s.path("in")]);
    o.whose = Whose::ByFolder { add_devices: true };
    let (totals, _) = keep(&vault, &o);
    assert_eq!((totals.kept, totals.failed), (20, 0));
    let noise: Vec<u8> = (0..2_500_000u32)
        .map(|n| (n.wrapping_mul(2_654_435_761) >> 13) as u8)
        .collect();
    add_device(&vault, "sampler");
    keep(
        &vault,
        &options("sampler", vec![s.file("disk.img", &noise, NOW - 9 * DAY)]),
    );
    s.file("card/a b/kick.wav", b"kick", NOW - 8 * DAY);
    s.file("card/big.bin", &noise, NOW - 8 * DAY);
    s.file("card/back\\slash\nline", b"odd", NOW - 8 * DAY);
    let mut card = options("sampler", vec![s.path("card")]);
    card.as_one = true;
    keep(&vault, &card);
    let mut loose = options(
        "organ",
        vec![s.file("one patch.syx", &dump(9, b"patch"), NOW)],
    );
    loose.into = Into::Loose;
    loose.when = When::Given("1994-07".parse().unwrap());
    keep(&vault, &loose);
    // Rows that change later: the last one holds.
    let named = Labelling {
        text: Some("tour; \"one\"".into()),
        date: Some("1999".parse().unwrap()),
        remove: false,
    };
    ops::takes::label(&vault, "organ@1", &named, WAIT).unwrap();
    let change = ops::devices::SectionChange {
        rename: Some("songs".parse().unwrap()),
        ..Default::default()
    };
    let organ = "organ".parse().unwrap();
    ops::devices::section(&vault, &organ, &"section-2".parse().unwrap(), change, WAIT).unwrap();
    let shelf = ops::shelf::AddOptions {
        name: "barn".into(),
        location: s.path("barn").display().to_string(),
        way: Default::default(),
        place: Some("barn".parse().unwrap()),
        every_days: None,
        separate: true,
    };
    ops::shelf::add(&vault, &shelf, WAIT).unwrap();
    let report = ops::mirror::mirror(&vault, &ops::mirror::MirrorOptions::of(&[]), WAIT).unwrap();
    assert!(!report.failed() && !report.needs_attention(), "{report:?}");
    vault
}

fn run(program: &str, args: &[&str], dir: &Path) -> std::process::Output {
    Command::new(program)
        .args(args)
        .current_dir(dir)
        .env("LC_ALL", "C")
        .output()
        .unwrap()
}

#[test]
fn gnu_tar_unpacks_reels_without_a_warning_and_b3sum_agrees_with_every_name() {
    if !tools::there("reels read by GNU tar", &["tar", "b3sum"]) {
        return;
    }
    let s = Studio::new();
    let vault = interesting(&s);
    // One more batch: an open reel has no end yet, and tar says nothing about that either.
    keep(
        &vault,
        &options("organ", vec![s.file("late.syx", &dump(1, b"late"), NOW)]),
    );
    let out = s.path("unpacked");
    std::fs::create_dir(&out).unwrap();
    let numbers = vault.reel_numbers().unwrap();
    assert!(numbers.len() >= 2);
    for number in numbers {
        let path = vault.reel_path(number);
        for flags in ["-tvf", "-xf"] {
            let done = run("tar", &[flags, path.to_str().unwrap()], &out);
            assert!(
                done.status.success() && done.stderr.is_empty(),
                "{}",
                String::from_utf8_lossy(&done.stderr)
            );
        }
        let listed = run("tar", &["-tvf", path.to_str().unwrap()], &out);
        for line in String::from_utf8(listed.stdout).unwrap().lines() {
            assert!(line.starts_with("-rw-r--r-- 0/0 "), "{line}");
            assert!(line.contains("1970-01-01 "), "{line}");
        }
    }
    let mut pieces = 0;
    for folder in ["dumps", "chunks"] {
        for name in std::fs::read_dir(out.join(folder)).unwrap() {
            let name = name.unwrap().file_name().into_string().unwrap();
            let sum = run("b3sum", &["--no-names", &format!("{folder}/{name}")], &out);
            assert_eq!(String::from_utf8(sum.stdout).unwrap().trim(), name);
            pieces += 1;
        }
    }
    assert!(pieces > 25, "{pieces}");
}

#[test]
fn the_commands_on_the_sheet_bring_every_take_back() {
    if !tools::there(
        "recovery by hand",
        &["age", "zstd", "tar", "b3sum", "awk", "sh"],
    ) {
        return;
    }
    let s = Studio::new();
    let vault = interesting(&s);
    let identity = ops::key::identity(&vault, &mut || unreachable!("the key is open")).unwrap();
    let sheet = ops::key::sheet(&vault, &mut || unreachable!("the key is open")).unwrap();
    let readme = std::fs::read_to_string(s.path("barn/README.txt")).unwrap();
    let from_sheet = commands_in(&sheet.text);
    assert_eq!(
        from_sheet,
        commands_in(&readme),
        "sheet and README say the same"
    );

    // The person puts the folder and the key line into the first two lines, as the sheet says.
    let script = from_sheet
        .replace(
            "SHELF='/path/to/shelf'",
            &format!("SHELF='{}'", s.path("barn").display()),
        )
        .replace(
            "KEY='AGE-SECRET-KEY-1... (the line on the key sheet)'",
            &format!("KEY='{}'", identity.line().expose_secret()),
        );
    assert!(sheet.text.contains(identity.line().expose_secret()));
    let desk = s.path("desk");
    std::fs::create_dir(&desk).unwrap();
    std::fs::write(desk.join("recover.sh"), script).unwrap();
    let done = run("sh", &["recover.sh"], &desk);
    let said = String::from_utf8_lossy(&done.stdout).into_owned();
    assert!(
        done.status.success(),
        "{said}\n{}",
        String::from_utf8_lossy(&done.stderr)
    );

    let mut found: Vec<(String, Hash)> = Vec::new();
    let mut expected: Vec<(String, Hash)> = Vec::new();
    vault
        .catalogue()
        .each_take(|t| {
            let device = vault.catalogue().device_name(t.device())?;
            let section = if t.loose {
                "loose".to_string()
            } else {
                t.section_name.clone()
            };
            expected.push((format!("{device}/{section}/{}", t.number()), t.hash));
            Ok(())
        })
        .unwrap();
    assert!(
        said.contains(&format!(
            "{} takes good, 0 bad, 0 reels not opened",
            expected.len()
        )),
        "{said}"
    );
    let out = desk.join("recovered/out");
    for device in entries(&out) {
        for section in entries(&out.join(&device)) {
            for name in entries(&out.join(&device).join(&section)) {
                let path = out.join(&device).join(&section).join(&name);
                let number = name.split(' ').next().unwrap();
                let hash = if path.is_dir() {
                    same_as_card(&s, &path, &vault)
                } else {
                    Hash::of(&std::fs::read(&path).unwrap())
                };
                found.push((format!("{device}/{section}/{number}"), hash));
            }
        }
    }
    found.sort();
    expected.sort();
    assert_eq!(found, expected);
}

/// The commands themselves: from the line that names the shelf to the last one.
fn commands_in(text: &str) -> String {
    let begin = text.find("SHELF='/path/to/shelf'").unwrap();
    let last = "[ $bad = 0 ] && [ $lost = 0 ]";
    let end = text.find(last).unwrap() + last.len();
    text[begin..end].to_string()
}

fn entries(dir: &Path) -> Vec<String> {
    std::fs::read_dir(dir)
        .unwrap()
        .map(|e| e.unwrap().file_name().into_string().unwrap())
        .collect()
}

/// A recovered folder take, file by file against the card; gives the hash it is known by.
fn same_as_card(s: &Studio, path: &Path, vault: &Vault) -> Hash {
    let files = ["a b/kick.wav", "big.bin", "back\\slash\nline"];
    for name in files {
        assert_eq!(
            std::fs::read(path.join(name)).unwrap(),
            std::fs::read(s.path("card").join(name)).unwrap()
        );
    }
    let to: PathBuf = s.path("recalled-card");
    ops::recall::recall(
        vault,
        "sampler/section-1",
        &to,
        Replace::No,
        &ops::recall::Altered::default(),
        &mut std::io::sink(),
    )
    .unwrap();
    let device = vault.catalogue().device_id("sampler").unwrap().unwrap();
    vault
        .catalogue()
        .takes_of_device(device)
        .unwrap()
        .last()
        .unwrap()
        .hash
}

#[test]
fn a_locked_key_stops_only_what_needs_the_key() {
    let s = Studio::new();
    let vault = interesting(&s);
    let text = farshelf::shelf::keyfile::to_locked_text(
        &ops::key::identity(&vault, &mut || unreachable!()).unwrap(),
        "today",
        &"open sesame".to_string().into(),
        4,
    )
    .unwrap();
    std::fs::write(s.path("vault/key.txt"), text).unwrap();
    drop(vault);
    let locked = || {
        Err(farshelf::error::Error::new(
            farshelf::error::Kind::WrongKey,
            "locked",
        ))
    };

    // All of these work without the key.
    let vault = s.open();
    keep(
        &vault,
        &options("organ", vec![s.file("later.syx", &dump(1, b"later"), NOW)]),
    );
    ops::takes::history(&vault, &"organ".parse().unwrap()).unwrap();
    ops::takes::show(&vault, "organ@1").unwrap();
    ops::find::find(&vault, "tour").unwrap();
    ops::takes::vouch(&vault, "organ@1", "heard it", WAIT).unwrap();
    ops::recall::recall(
        &vault,
        "organ",
        &s.path("files"),
        Replace::No,
        &ops::recall::Altered::default(),
        &mut std::io::sink(),
    )
    .unwrap();
    assert!(
        !ops::mirror::mirror(&vault, &ops::mirror::MirrorOptions::of(&[]), WAIT)
            .unwrap()
            .failed()
    );
    assert!(
        ops::fixity::fixity(&vault, &Default::default(), WAIT)
            .unwrap()
            .good()
    );
    ops::health::health(&vault).unwrap();
    ops::key::confirm(&vault, &"loft".parse().unwrap(), WAIT).unwrap();
    ops::shelf::list(&vault).unwrap();
    drop(vault);
    let (vault, rebuilt) = Vault::reindex(&s.path("vault"), s.world(), WAIT).unwrap();
    assert!(rebuilt.lost.is_empty());
    // A damaged shelf is mended from the local reels without the key.
    let object = std::fs::read_dir(s.path("barn/reels"))
        .unwrap()
        .next()
        .unwrap()
        .unwrap()
        .path();
    std::fs::remove_file(object).unwrap();
    let (vault, report) =
        ops::repair::repair(vault, None, ops::repair::Look::Everywhere, WAIT).unwrap();
    assert_eq!(
        (report.repaired.len(), report.unrepairable.len()),
        (1, 0),
        "{report:?}"
    );
    // A damaged local reel is not, and says so.
    let mut bytes = std::fs::read(vault.reel_path(1)).unwrap();
    bytes[5000] ^= 1;
    std::fs::write(vault.reel_path(1), bytes).unwrap();
    let (vault, report) =
        ops::repair::repair(vault, None, ops::repair::Look::Everywhere, WAIT).unwrap();
    assert!(report.key_needed, "{report:?}");

    // These need it.
    assert!(ops::key::sheet(&vault, &mut { locked }).is_err());
    let e = ops::key::identity(&vault, &mut || Ok("wrong".to_string().into())).unwrap_err();
    assert_eq!(e.kind, farshelf::error::Kind::WrongKey);
    let identity =
        ops::key::identity(&vault, &mut || Ok("open sesame".to_string().into())).unwrap();
    let (_, report) =
        ops::repair::repair(vault, Some(&identity), ops::repair::Look::Everywhere, WAIT).unwrap();
    assert_eq!(report.unrepairable.len(), 0, "{report:?}");
}
