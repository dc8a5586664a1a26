//! What dumps mean, from intake to recall: condition, recognition, patches, comparing, reading anew.

mod common;

use std::path::Path;

use common::*;
use farshelf::layout::Change;
use farshelf::midi::file;
use farshelf::model::date::Moment;
use farshelf::model::take::{Condition, Evidence};
use farshelf::ops::compare::What;
use farshelf::ops::find::HitKind;
use farshelf::ops::keep::{KeepOptions, KeepResult, Status, When, Whose};
use farshelf::ops::recall::{Altered, PatchRef};
use farshelf::ops::{self, layouts, reread, takes};
use farshelf::sys::disk::Replace;
use farshelf::vault::Vault;

const DAY: i64 = 86_400;

/// A published vector: the 32-voice bank and the single voice of STANDARDS area C2 and C3 (DX7 MIDI Data Format Sheet).
fn vector(name: &str) -> Vec<u8> {
    let all: serde_json::Value =
        serde_json::from_str(include_str!("vectors/midi/area_c.json")).unwrap();
    let entry = all["vectors"]
        .as_array()
        .unwrap()
        .iter()
        .find(|v| v["name"] == name)
        .unwrap();
    let hex = entry["hex"].as_str().unwrap();
    hex.split_whitespace()
        .map(|h| u8::from_str_radix(h, 16).unwrap())
        .collect()
}

/// The bank with one voice renamed, its checksum right (data sum and checksum are zero in the low 7 bits: TX816 manual p. 55).
fn bank_with(voice: usize, name: &[u8; 10]) -> Vec<u8> {
    let mut bank = vector("bulk32_bank");
    let at = 6 + 128 * (voice - 1) + 118;
    bank[at..at + 10].copy_from_slice(name);
    mend(&mut bank);
    bank
}

fn mend(bank: &mut [u8]) {
    let end = bank.len() - 2;
    let sum: u32 = bank[6..end].iter().map(|b| u32::from(*b)).sum();
    bank[end] = ((128 - sum % 128) % 128) as u8;
}

/// The bank for the unit with this number.
fn numbered(bank: &[u8], number: u8) -> Vec<u8> {
    let mut bank = bank.to_vec();
    bank[2] = number;
    bank
}

fn keep_one(
    s: &Studio,
    vault: &Vault,
    device: &str,
    name: &str,
    bytes: &[u8],
    days_ago: i64,
) -> KeepResult {
    let path = s.file(&format!("in/{name}"), bytes, NOW - days_ago * DAY);
    keep(vault, &options(device, vec![path])).1.remove(0)
}

/// The same, dated by hand.
fn keep_on(
    s: &Studio,
    vault: &Vault,
    device: &str,
    name: &str,
    bytes: &[u8],
    days_ago: i64,
) -> KeepResult {
    let path = s.file(&format!("in/{name}"), bytes, NOW);
    let moment = Moment::from_unix_seconds(NOW - days_ago * DAY).unwrap();
    let options = KeepOptions {
        when: When::Given(moment),
        ..options(device, vec![path])
    };
    keep(vault, &options).1.remove(0)
}

fn recognise(s: &Studio, vault: &Vault, name: &str, bytes: &[u8], days_ago: i64) -> KeepResult {
    let path = s.file(&format!("in/{name}"), bytes, NOW - days_ago * DAY);
    let options = KeepOptions {
        whose: Whose::Recognised,
        ..options("nobody", vec![path])
    };
    keep(vault, &options).1.remove(0)
}

/// A dump of `n` short messages; `last` tells one from another.
fn in_messages(n: u8, last: u8) -> Vec<u8> {
    (0..n)
        .flat_map(|i| dump(7, &[i, last, 3, 4, 5, 6]))
        .collect()
}

fn codes(result: &KeepResult) -> Vec<&str> {
    result.findings.iter().map(|f| f.code.as_ref()).collect()
}

fn recalled(vault: &Vault, reference: &str, altered: &Altered) -> farshelf::error::Result<Vec<u8>> {
    let mut out = Vec::new();
    ops::recall::recall(
        vault,
        reference,
        Path::new("-"),
        Replace::No,
        altered,
        &mut out,
    )?;
    Ok(out)
}

fn patch(text: &str) -> Altered {
    Altered {
        patch: Some(PatchRef(text.to_string())),
        ..Altered::default()
    }
}

#[test]
fn a_published_bank_is_checked_by_its_checksum_and_its_patches_are_found() {
    let s = Studio::new();
    let vault = s.create();
    add_device(&vault, "fm");
    let kept = keep_one(&s, &vault, "fm", "bank.syx", &vector("bulk32_bank"), 30);
    assert_eq!(
        (kept.condition, kept.evidence, kept.messages),
        (Condition::Whole, Evidence::Checksum, 1)
    );
    let shown = takes::show(&vault, "fm@1").unwrap().remove(0);
    let names: Vec<_> = shown
        .patches
        .iter()
        .map(|p| p.name.clone().unwrap())
        .collect();
    let published: Vec<String> = (1..=32).map(|n| format!("FARSHELF{n:02}")).collect();
    assert_eq!(names, published);
    assert_eq!(shown.messages[0].checksum, "ok");
    assert_eq!(shown.messages[0].maker, "43");
    assert!(shown.messages[0].maker_name.is_some());
    let hits = ops::find::find(&vault, "farshelf07").unwrap();
    let kinds: Vec<_> = hits.iter().map(|h| (h.take, h.kind)).collect();
    let patch = HitKind::Patch {
        number: 7,
        takes: 1,
    };
    assert_eq!(kinds, [(Some(1), patch)]);
}

#[test]
fn a_changed_byte_makes_the_dump_doubtful_and_a_cut_one_too() {
    let s = Studio::new();
    let vault = s.create();
    add_device(&vault, "fm");
    let mut bank = vector("bulk32_bank");
    bank[1000] ^= 1;
    let kept = keep_one(&s, &vault, "fm", "a.syx", &bank, 30);
    assert_eq!(kept.condition, Condition::Doubtful);
    assert_eq!(kept.evidence, Evidence::Framing);
    assert!(
        codes(&kept).contains(&"bad-checksum"),
        "{:?}",
        kept.findings
    );

    // A byte that got lost on the way: whole by framing, not by its layout.
    let mut bank = vector("bulk32_bank");
    bank.remove(2000);
    let kept = keep_one(&s, &vault, "fm", "b.syx", &bank, 29);
    assert_eq!(kept.condition, Condition::Doubtful);
    assert!(
        codes(&kept).contains(&"wrong-length"),
        "{:?}",
        kept.findings
    );
}

#[test]
fn the_same_memory_is_the_same_content_in_any_container() {
    let s = Studio::new();
    let vault = s.create();
    add_device(&vault, "fm");
    let bank = vector("bulk32_bank");
    let as_file = file::write([bank.as_slice()], file::Pace::default(), "").unwrap();
    let mut live = bank.clone();
    live.insert(77, 0xF8);
    live.push(0xFE);
    assert_eq!(
        keep_one(&s, &vault, "fm", "bank.mid", &as_file, 30).status,
        Status::Kept
    );
    for (name, bytes) in [("bank.syx", &bank), ("live.syx", &live)] {
        let again = keep_one(&s, &vault, "fm", name, bytes, 30);
        assert_eq!(
            (again.status, again.take, again.section.as_deref()),
            (Status::Unchanged, Some(1), Some("all")),
            "{name}"
        );
    }
    // What was kept is what came: the file, byte for byte; and the dump in it where that is asked for.
    assert_eq!(
        recalled(&vault, "fm@1", &Altered::default()).unwrap(),
        as_file
    );
    let shown = takes::show(&vault, "fm@1").unwrap().remove(0);
    assert_eq!(shown.patches.len(), 32);
}

#[test]
fn a_song_with_a_message_in_it_is_no_dump() {
    let s = Studio::new();
    let vault = s.create();
    add_device(&vault, "sequencer");
    // A note and a GM system on, as songs begin: two songs that differ only in the note are two songs.
    let song = |key: u8| {
        let track = [
            &[0x00, 0xF0, 0x05, 0x7E, 0x7F, 0x09, 0x01, 0xF7][..],
            &[0x00, 0x90, key, 0x40, 0x60, 0x80, key, 0x40],
            &[0x00, 0xFF, 0x2F, 0x00],
        ]
        .concat();
        let mut bytes = b"MThd\x00\x00\x00\x06\x00\x00\x00\x01\x00\x60MTrk".to_vec();
        bytes.extend((track.len() as u32).to_be_bytes());
        bytes.extend(track);
        bytes
    };
    let first = keep_one(&s, &vault, "sequencer", "a.mid", &song(60), 20);
    let second = keep_one(&s, &vault, "sequencer", "b.mid", &song(61), 10);
    assert!(codes(&first).contains(&"song"));
    assert_eq!(
        (first.status, second.status, first.messages),
        (Status::Kept, Status::Kept, 0)
    );
}

#[test]
fn a_midi_file_gives_each_device_its_dump() {
    let s = Studio::new();
    let vault = s.create();
    add_device(&vault, "fm");
    add_device(&vault, "organ");
    let (bank, other) = (vector("bulk32_bank"), dump(9, &[1, 2, 3, 4]));
    keep_one(&s, &vault, "fm", "a.syx", &bank_with(1, b"OLD       "), 60);
    keep_one(&s, &vault, "organ", "b.syx", &dump(9, &[4, 3, 2, 1]), 60);
    let both = [other.as_slice(), &bank, &dump(9, &[5, 6, 7, 8])];
    let evening = file::write(both, file::Pace::default(), "").unwrap();
    let path = s.file("in/evening.mid", &evening, NOW - 10 * DAY);
    let recognised = |path| KeepOptions {
        whose: Whose::Recognised,
        ..options("nobody", vec![path])
    };
    let options = recognised(path);
    let (totals, results) = keep(&vault, &options);
    assert_eq!((totals.kept, totals.failed), (3, 0), "{results:?}");
    let organ = [other, dump(9, &[5, 6, 7, 8])].concat();
    for (reference, bytes) in [("fm", &bank), ("organ", &organ), ("organ@3", &evening)] {
        let plain = Altered::default();
        assert_eq!(
            &recalled(&vault, reference, &plain).unwrap(),
            bytes,
            "{reference}"
        );
    }
    let shown = takes::show(&vault, "organ@3").unwrap().remove(0);
    assert!(shown.view.take.loose);
    // Kept again, nothing is new.
    let again = keep(
        &vault,
        &KeepOptions {
            reread: true,
            ..options
        },
    );
    assert_eq!((again.0.kept, again.0.unchanged), (0, 3), "{:?}", again.1);

    // A universal message goes with the dump that it follows; where a stranger's is among them nothing is kept on a guess.
    let gm_on = [0xF0, 0x7E, 0x7F, 0x09, 0x01, 0xF7];
    let newer = [bank_with(2, b"NEWER     "), dump(9, &[1, 1, 1, 1])];
    let party = [gm_on.as_slice(), &newer[0], &gm_on, &newer[1]];
    let party = file::write(party, file::Pace::default(), "").unwrap();
    let path = s.file("in/party.mid", &party, NOW - 5 * DAY);
    let results = keep(&vault, &recognised(path)).1;
    assert_eq!(results.len(), 3, "{results:?}");
    let with_it = [newer[0].as_slice(), &gm_on].concat();
    let plain = Altered::default();
    assert_eq!(recalled(&vault, "fm", &plain).unwrap(), with_it);
    let mixed = [newer[0].as_slice(), &vector("roland_jdxi"), &newer[1]];
    let mixed = file::write(mixed, file::Pace::default(), "").unwrap();
    let path = s.file("in/mixed.mid", &mixed, NOW - 4 * DAY);
    let failed = keep(&vault, &recognised(path)).1.remove(0);
    assert_eq!(failed.status, Status::Failed);
    let why = failed.error.unwrap().fact();
    assert!(
        why.contains("fm and organ, and 1 message of no device"),
        "{why}"
    );
}

#[test]
fn a_device_is_recognised_by_what_it_sends_and_never_on_a_guess() {
    let s = Studio::new();
    let vault = s.create();
    let bank = vector("bulk32_bank");
    add_device(&vault, "left");
    add_device(&vault, "right");
    keep_one(&s, &vault, "left", "l.syx", &bank, 60);
    let told = recognise(&s, &vault, "new.syx", &bank_with(3, b"GLASS PAD "), 50);
    assert_eq!(told.device.as_deref(), Some("left"));
    let why = told
        .findings
        .iter()
        .find(|f| f.code == "recognised")
        .unwrap();
    assert!(why.message.contains("43 xx 09 20 00"), "{}", why.message);

    // A second unit of the model, set to another number.
    keep_one(&s, &vault, "right", "r.syx", &numbered(&bank, 4), 60);
    let told = recognise(
        &s,
        &vault,
        "r2.syx",
        &numbered(&bank_with(1, b"TIN RAIN  "), 4),
        40,
    );
    assert_eq!(told.device.as_deref(), Some("right"), "{:?}", told.error);

    // A number that none of them has.
    let told = recognise(&s, &vault, "odd.syx", &numbered(&bank, 9), 30);
    assert_eq!((told.status, told.take), (Status::Failed, None));

    // Two units with one number: the folder decides, or nobody.
    add_device(&vault, "third");
    let folder = keep_one(&s, &vault, "third", "t.syx", &numbered(&bank, 4), 60);
    assert!(codes(&folder).contains(&"same-as-other"), "{folder:?}");
    let next = numbered(&bank_with(2, b"TAR LOW   "), 4);
    let told = recognise(&s, &vault, "which.syx", &next, 20);
    let error = told.error.unwrap().fact();
    assert!(
        error.contains("right (") && error.contains("third ("),
        "{error}"
    );
    let told = recognise(&s, &vault, "third/which.syx", &next, 20);
    assert_eq!(told.device.as_deref(), Some("third"));
    let history = takes::history(&vault, &"right".parse().unwrap()).unwrap();
    assert_eq!(history.takes.len(), 2);
}

#[test]
fn a_memory_that_was_lost_does_not_stand_for_the_device() {
    let s = Studio::new();
    let vault = s.create();
    add_device(&vault, "fm");
    let factory = vector("bulk32_bank");
    let own = bank_with(5, b"WARM WOOD ");
    keep_one(&s, &vault, "fm", "0.syx", &factory, 100);
    let labelled = takes::Labelling {
        text: Some("factory".to_string()),
        ..takes::Labelling::default()
    };
    takes::label(&vault, "fm@1", &labelled, WAIT).unwrap();
    keep_one(&s, &vault, "fm", "1.syx", &own, 60);
    // A copy of the old file under a new time is no dump, and no alarm.
    let copied = keep_one(&s, &vault, "fm", "2.syx", &factory, 10);
    assert_eq!((copied.take, codes(&copied)), (Some(1), vec!["seen-again"]));
    let back = keep_on(&s, &vault, "fm", "2.syx", &factory, 10);
    assert_eq!(back.condition, Condition::Doubtful);
    assert!(codes(&back).contains(&"back-to-factory"));
    // The same bytes were the memory once; what is left of it now stands for no moment.
    for reference in ["fm", "fm@5d", "fm@30d"] {
        let then = ops::refs::resolve(&vault, reference).unwrap().takes;
        assert_eq!(then[0].number(), 2, "{reference}");
    }
    let then = ops::refs::resolve(&vault, "fm@80d").unwrap().takes;
    assert_eq!(then[0].number(), 1);
    let again = keep_on(&s, &vault, "fm", "2.syx", &factory, 10);
    assert_eq!((again.status, again.take), (Status::Unchanged, back.take));

    // All voices the same: the cell is flat, or somebody emptied it on purpose and vouches for it.
    let mut empty = factory.clone();
    for voice in 1..32 {
        empty.copy_within(6..6 + 128, 6 + 128 * voice);
    }
    mend(&mut empty);
    let gone = keep_one(&s, &vault, "fm", "3.syx", &empty, 5);
    assert_eq!(gone.condition, Condition::Doubtful, "{gone:?}");
    assert!(codes(&gone).contains(&"suddenly-empty"));
    assert_eq!(
        gone.evidence,
        Evidence::Checksum,
        "what was checked was right"
    );
    let now = ops::refs::resolve(&vault, "fm").unwrap().takes;
    assert_eq!(now[0].number(), 2, "the owner's sounds still stand");
    takes::vouch(
        &vault,
        &format!("fm@{}", gone.take.unwrap()),
        "I cleared it",
        WAIT,
    )
    .unwrap();
    let now = ops::refs::resolve(&vault, "fm").unwrap().takes;
    assert_eq!(Some(now[0].number()), gone.take);
}

#[test]
fn a_doubtful_take_stays_doubtful_when_it_is_dated() {
    let s = Studio::new();
    let vault = s.create();
    add_device(&vault, "fm");
    let mut bank = vector("bulk32_bank");
    bank[1000] ^= 1;
    keep_one(&s, &vault, "fm", "bad.syx", &bank, 30);
    let dated = takes::Labelling {
        date: Some("1994-07".parse().unwrap()),
        ..takes::Labelling::default()
    };
    takes::label(&vault, "fm@1", &dated, WAIT).unwrap();
    let all = takes::history(&vault, &"fm".parse().unwrap())
        .unwrap()
        .takes;
    let all: Vec<_> = all
        .iter()
        .map(|t| (t.take.number(), t.take.condition(), t.take.date.as_str()))
        .collect();
    assert_eq!(all, [(1, Condition::Doubtful, "1994-07")]);
}

#[test]
fn a_dump_unlike_all_before_it_is_told() {
    let s = Studio::new();
    let vault = s.create();
    add_device(&vault, "organ");
    for (i, day) in [90, 60, 30].into_iter().enumerate() {
        let kept = keep_one(
            &s,
            &vault,
            "organ",
            &format!("{i}.syx"),
            &in_messages(16, i as u8),
            day,
        );
        assert_eq!(kept.condition, Condition::Whole);
    }
    let short = keep_one(&s, &vault, "organ", "short.syx", &in_messages(11, 9), 10);
    assert!(codes(&short).contains(&"fewer-messages"), "{short:?}");
    assert_eq!(short.condition, Condition::Doubtful);
    let mut long = in_messages(16, 9);
    long.extend(dump(7, &[1; 9]));
    let long = keep_one(&s, &vault, "organ", "long.syx", &long, 5);
    assert!(codes(&long).contains(&"unlike-length"));
    assert_eq!(long.condition, Condition::Whole);
}

#[test]
fn what_was_judged_in_one_vault_is_not_judged_again_in_another() {
    let s = Studio::new();
    let vault = s.create();
    add_device(&vault, "organ");
    // The newest came first: then nothing was known that it could be measured against.
    keep_one(&s, &vault, "organ", "9.syx", &in_messages(11, 9), 10);
    for (i, day) in [90, 60, 30].into_iter().enumerate() {
        keep_one(
            &s,
            &vault,
            "organ",
            &format!("{i}.syx"),
            &in_messages(16, i as u8),
            day,
        );
    }
    let other = ops::create::create(&s.path("other"), None, &s.world()).unwrap();
    ops::bring::bring(&other, &s.path("vault"), WAIT, &mut |r| {
        assert_eq!((r.condition, codes(r)), (Condition::Whole, vec![]));
        Ok(())
    })
    .unwrap();
    let now = |vault| ops::refs::resolve(vault, "organ").unwrap().takes[0].content;
    assert_eq!(now(&other), now(&vault));
}

#[test]
fn a_dump_of_another_device_is_not_taken_for_this_one() {
    let s = Studio::new();
    let vault = s.create();
    add_device(&vault, "fm");
    let bank = vector("bulk32_bank");
    keep_one(&s, &vault, "fm", "a.syx", &bank, 60);
    let other = keep_one(&s, &vault, "fm", "b.syx", &vector("roland_jdxi"), 50);
    assert!(codes(&other).contains(&"other-maker"), "{other:?}");
    let number = keep_one(
        &s,
        &vault,
        "fm",
        "c.syx",
        &numbered(&bank_with(1, b"TIN BAS   "), 3),
        40,
    );
    assert!(codes(&number).contains(&"other-number"), "{number:?}");
    assert_eq!(number.condition, Condition::Doubtful);
    let now = ops::refs::resolve(&vault, "fm").unwrap().takes;
    assert_eq!(now[0].number(), 1);
}

#[test]
fn two_banks_are_compared_patch_by_patch() {
    let s = Studio::new();
    let vault = s.create();
    add_device(&vault, "fm");
    let before = vector("bulk32_bank");
    let mut after = bank_with(3, b"GLASS PAD ");
    after[6 + 128 * 9 + 14] = 42; // output level of the sixth operator of voice 10
    let (a, b) = (6 + 128 * 20, 6 + 128 * 24);
    let moved = after[a..a + 128].to_vec();
    after.copy_within(b..b + 128, a);
    after[b..b + 128].copy_from_slice(&moved);
    mend(&mut after);
    keep_one(&s, &vault, "fm", "a.syx", &before, 60);
    keep_one(&s, &vault, "fm", "b.syx", &after, 30);
    let found = ops::compare::compare(&vault, "fm@45d", "fm").unwrap();
    assert!(!found.is_same());
    let What::Patches { patches, .. } = &found.sections[0].what else {
        panic!("{found:?}");
    };
    let changes: Vec<_> = patches
        .iter()
        .filter(|p| p.change != Change::Same)
        .map(|p| (p.number, p.change.as_str()))
        .collect();
    assert_eq!(
        changes,
        [
            (3, "renamed"),
            (10, "changed"),
            (21, "moved"),
            (25, "moved")
        ]
    );
    let changed = patches.iter().find(|p| p.number == 10).unwrap();
    assert_eq!(changed.change, Change::Changed { n_bytes: 1 });
    assert!(
        ops::compare::compare(&vault, "fm@2", "fm")
            .unwrap()
            .is_same()
    );
}

#[test]
fn one_patch_comes_back_alone_and_for_another_unit() {
    let s = Studio::new();
    let vault = s.create();
    add_device(&vault, "fm");
    keep_one(&s, &vault, "fm", "a.syx", &bank_with(3, b"GLASS PAD "), 60);
    for wanted in ["3", "glass pad", " GLASS PAD"] {
        let one = recalled(&vault, "fm", &patch(wanted)).unwrap();
        // The single voice of the same sheet: 163 bytes, name at 145 of its data, the rule of the checksum the same.
        assert_eq!(
            (one.len(), &one[..6]),
            (163, &[0xF0, 0x43, 0, 0, 1, 0x1B][..])
        );
        assert_eq!(&one[6 + 145..6 + 155], b"GLASS PAD ");
        let sum: u32 = one[6..162].iter().map(|b| u32::from(*b)).sum();
        assert_eq!(sum % 128, 0);
    }
    let e = recalled(&vault, "fm", &patch("no such")).unwrap_err();
    assert!(e.fact().contains("no patch no such"), "{}", e.fact());
    let other = Altered {
        sysex_number: Some(11),
        ..Altered::default()
    };
    let readdressed = recalled(&vault, "fm", &other).unwrap();
    assert_eq!(readdressed, numbered(&bank_with(3, b"GLASS PAD "), 11));
    let both = Altered {
        as_midi_file: true,
        ..Altered {
            sysex_number: Some(11),
            ..patch("3")
        }
    };
    let as_file = recalled(&vault, "fm", &both).unwrap();
    let (messages, findings) = file::messages(&as_file);
    assert!(findings.is_empty());
    assert_eq!((messages.len(), messages[0].bytes[2]), (1, 11));
}

#[test]
fn what_is_not_whole_is_written_only_as_it_is() {
    let s = Studio::new();
    let vault = s.create();
    add_device(&vault, "fm");
    let mut torn = [vector("bulk32_bank"), vector("bulk1_voice")].concat();
    torn.truncate(4104 + 80);
    keep_one(&s, &vault, "fm", "torn.syx", &torn, 60);
    let as_file = Altered {
        as_midi_file: true,
        ..Altered::default()
    };
    let e = recalled(&vault, "fm@1", &as_file).unwrap_err();
    assert!(e.fact().contains("is not whole"), "{}", e.fact());
    assert_eq!(recalled(&vault, "fm@1", &Altered::default()).unwrap(), torn);
    // Two sections are two MIDI files, and one stream cannot hold them.
    keep_one(&s, &vault, "fm", "a.syx", &vector("bulk32_bank"), 50);
    keep_one(&s, &vault, "fm", "b.syx", &dump(3, &[1, 2, 3, 4]), 40);
    let e = recalled(&vault, "fm", &as_file).unwrap_err();
    assert!(e.fact().contains("one MIDI file"), "{}", e.fact());
}

#[test]
fn without_a_layout_nothing_is_taken_apart() {
    let s = Studio::new();
    let vault = s.create();
    add_device(&vault, "organ");
    keep_one(&s, &vault, "organ", "a.syx", &dump(9, &[1, 2, 3, 4]), 60);
    let e = recalled(&vault, "organ", &patch("1")).unwrap_err();
    assert!(e.fact().contains("no layout tells"), "{}", e.fact());
    let number = Altered {
        sysex_number: Some(1),
        ..Altered::default()
    };
    let e = recalled(&vault, "organ", &number).unwrap_err();
    assert!(e.fact().contains("nothing was written"), "{}", e.fact());
    keep_one(&s, &vault, "organ", "b.syx", &dump(9, &[1, 2, 9, 4]), 30);
    let found = ops::compare::compare(&vault, "organ@1", "organ@2").unwrap();
    let What::Messages(messages) = &found.sections[0].what else {
        panic!("{found:?}");
    };
    assert_eq!((messages.n_changed, messages.changed[0].n_bytes), (1, 1));
    let changed = &messages.changed[0].ranges;
    assert_eq!((changed.len(), changed[0].clone()), (1, 8..9));
}

/// An invented organ: two patches of 8 bytes with a name of 6, the sum of all making the low 7 bits zero.
const ORGAN: &str = r#"
layout = 1
name = "organ-bank"
title = "Organ, two stops"

[[message]]
name = "bank"
header = "F0 7D 0n 09"
bytes = 22
section = "stops"
checksum = { scheme = "sum-to-zero", from = 4, to = -3, at = -2 }
patches = { from = 4, stride = 8, count = 2, name = { at = 0, bytes = 6 } }
"#;

fn organ(first: &[u8; 6], second: &[u8; 6], checksum: Option<u8>) -> Vec<u8> {
    let mut data = Vec::new();
    for name in [first, second] {
        data.extend(name);
        data.extend([1, 2]);
    }
    let sum: u32 = data.iter().map(|b| u32::from(*b)).sum();
    let right = ((128 - sum % 128) % 128) as u8;
    let mut bytes = vec![0xF0, 0x7D, 0x02, 0x09];
    bytes.extend(data);
    bytes.extend([checksum.unwrap_or(right), 0xF7]);
    bytes
}

#[test]
fn a_layout_that_comes_later_reads_what_was_kept_before() {
    let s = Studio::new();
    let vault = s.create();
    add_device(&vault, "organ");
    keep_one(
        &s,
        &vault,
        "organ",
        "a.syx",
        &organ(b"FLUTE ", b"OBOE  ", None),
        60,
    );
    keep_one(
        &s,
        &vault,
        "organ",
        "b.syx",
        &organ(b"FLUTE ", b"REED  ", Some(1)),
        30,
    );
    let before = ops::refs::resolve(&vault, "organ").unwrap().takes;
    assert_eq!(
        (before[0].number(), before[0].evidence),
        (2, Evidence::Framing)
    );
    assert!(ops::find::find(&vault, "flute").unwrap().is_empty());

    let text = s.file("organ.toml", ORGAN.as_bytes(), NOW);
    layouts::add(&vault, &text, WAIT).unwrap();
    let read = reread::bring_up_to_date(&vault, usize::MAX, WAIT).unwrap();
    assert_eq!(
        (read.read, read.changed, read.doubtful),
        (2, 2, 1),
        "{read:?}"
    );
    let told = |vault: &Vault| {
        let now = ops::refs::resolve(vault, "organ").unwrap().takes;
        let all = takes::history(vault, &"organ".parse().unwrap())
            .unwrap()
            .takes;
        let all: Vec<_> = all
            .iter()
            .map(|t| {
                (
                    t.take.number(),
                    t.take.condition(),
                    t.take.evidence,
                    t.take.hash,
                )
            })
            .collect();
        let findings = takes::show(vault, "organ@2").unwrap()[0].findings.clone();
        (now[0].number(), all, findings)
    };
    let now = told(&vault);
    assert_eq!(
        now.0, 1,
        "the damaged one does not stand for the device any more"
    );
    assert_eq!(now.2[0].code, "bad-checksum");
    let hits = ops::find::find(&vault, "flute").unwrap();
    let kinds: Vec<_> = hits.iter().map(|h| (h.take, h.kind)).collect();
    // Of the two takes that hold it, the one that is dated later.
    let patch = HitKind::Patch {
        number: 1,
        takes: 2,
    };
    assert_eq!(kinds, [(Some(2), patch)]);
    assert_eq!(
        recalled(&vault, "organ@2", &Altered::default()).unwrap(),
        organ(b"FLUTE ", b"REED  ", Some(1)),
        "the bytes stay as they came"
    );
    // Nothing is left to read, and reading once more would say the same.
    let again = reread::bring_up_to_date(&vault, usize::MAX, WAIT).unwrap();
    assert_eq!(again, reread::Reread::default());
    drop(vault);

    // From the reels alone: the same verdicts at once, the names once they are read.
    let (vault, _) = Vault::reindex(&s.path("vault"), s.world(), WAIT).unwrap();
    assert_eq!(told(&vault), now);
    let read = reread::bring_up_to_date(&vault, usize::MAX, WAIT).unwrap();
    assert_eq!((read.read, read.changed), (2, 0), "{read:?}");
    assert_eq!(ops::find::find(&vault, "flute").unwrap().len(), 1);

    // A new dump goes on in the section that was there before the layout gave it a name.
    let kept = keep_one(
        &s,
        &vault,
        "organ",
        "c.syx",
        &organ(b"FLUTE ", b"BELLS ", None),
        3,
    );
    assert_eq!(kept.section.as_deref(), Some("all"));
    assert_eq!(kept.evidence, Evidence::Checksum);
    layouts::drop(&vault, "organ-bank", WAIT).unwrap();
    reread::bring_up_to_date(&vault, usize::MAX, WAIT).unwrap();
    let now = ops::refs::resolve(&vault, "organ").unwrap().takes;
    assert_eq!((now[0].number(), now[0].evidence), (3, Evidence::Framing));
}

/// Makes the catalogue what it was before takes were read for what they mean.
const AS_BEFORE: &str = "
CREATE TABLE plain (id INTEGER PRIMARY KEY, take INTEGER NOT NULL, date TEXT NOT NULL, by INTEGER NOT NULL,
  state INTEGER NOT NULL, seen_at INTEGER NOT NULL, via INTEGER NOT NULL, folder INTEGER NOT NULL, name TEXT NOT NULL,
  mtime INTEGER) STRICT;
INSERT INTO plain SELECT g.id, g.take, g.date, g.by, g.state, g.seen_at, g.via, g.folder, x.text, g.mtime
  FROM sighting g JOIN text x ON x.id = g.name;
DROP TABLE sighting;
ALTER TABLE plain RENAME TO sighting;
CREATE INDEX sighting_take ON sighting (take);
DROP TABLE patch;
DROP TABLE text_search;
DROP TABLE text;
DROP TABLE layout;
DROP INDEX take_unread;
ALTER TABLE take DROP COLUMN unread;
ALTER TABLE take DROP COLUMN sysex_number;
DELETE FROM meta WHERE key IN ('read_by', 'searched');
DROP TABLE shelf_unfit;
ALTER TABLE shelf_check DROP COLUMN away;
ALTER TABLE shelf_check DROP COLUMN keys;
ALTER TABLE shelf_check DROP COLUMN reported_at;
PRAGMA user_version = 2;
";

#[test]
fn a_vault_of_before_is_read_anew() {
    let s = Studio::new();
    let vault = s.create();
    add_device(&vault, "fm");
    let bank = bank_with(3, b"GLASS PAD ");
    keep_one(&s, &vault, "fm", "spring tour.syx", &bank, 60);
    drop(vault);
    let conn = rusqlite::Connection::open(s.path("vault/catalogue.sqlite")).unwrap();
    conn.execute_batch(AS_BEFORE).unwrap();
    drop(conn);

    let vault = s.open();
    let read = reread::bring_up_to_date(&vault, usize::MAX, WAIT).unwrap();
    assert_eq!(read.read, 1);
    for part in ["glass", "spring tour", "PAD"] {
        let hits = ops::find::find(&vault, part).unwrap();
        assert_eq!(hits.len(), 1, "{part}");
    }
    let shown = takes::show(&vault, "fm@1").unwrap().remove(0);
    assert_eq!(shown.sightings[0].origin.name, "spring tour.syx");
    assert_eq!(shown.view.take.sysex_number, Some(0));
    assert_eq!(shown.view.take.evidence, Evidence::Checksum);
}

#[test]
fn a_layout_names_the_sections_of_a_new_device() {
    let s = Studio::new();
    let vault = s.create();
    let text = s.file("organ.toml", ORGAN.as_bytes(), NOW);
    layouts::add(&vault, &text, WAIT).unwrap();
    add_device(&vault, "organ");
    let kept = keep_one(
        &s,
        &vault,
        "organ",
        "a.syx",
        &organ(b"FLUTE ", b"OBOE  ", None),
        60,
    );
    assert_eq!(kept.section.as_deref(), Some("stops"));
    // The owner's name for it holds from then on.
    let change = ops::devices::SectionChange {
        rename: Some("registers".parse().unwrap()),
        ..Default::default()
    };
    let (device, section) = ("organ".parse().unwrap(), "stops".parse().unwrap());
    ops::devices::section(&vault, &device, &section, change, WAIT).unwrap();
    let kept = keep_one(
        &s,
        &vault,
        "organ",
        "b.syx",
        &organ(b"FLUTE ", b"REED  ", None),
        30,
    );
    assert_eq!(kept.section.as_deref(), Some("registers"));
}

#[test]
fn a_layout_goes_along_to_another_vault_and_a_device_may_be_given_one_later() {
    let s = Studio::new();
    let vault = s.create();
    let text = s.file("organ.toml", ORGAN.as_bytes(), NOW);
    layouts::add(&vault, &text, WAIT).unwrap();
    add_device(&vault, "organ");
    for (i, name) in [b"OBOE  ", b"REED  "].into_iter().enumerate() {
        keep_one(
            &s,
            &vault,
            "organ",
            &format!("{i}.syx"),
            &organ(b"FLUTE ", name, None),
            60 - i as i64,
        );
    }
    let other = ops::create::create(&s.path("other"), None, &s.world()).unwrap();
    let mut told = Vec::new();
    let totals = ops::bring::bring(&other, &s.path("vault"), WAIT, &mut |r| {
        told.push((r.condition, r.findings.len()));
        Ok(())
    })
    .unwrap();
    assert_eq!((totals.kept, told), (2, vec![(Condition::Whole, 0); 2]));
    reread::bring_up_to_date(&other, usize::MAX, WAIT).unwrap();
    assert_eq!(ops::find::find(&other, "flute").unwrap().len(), 1);
    assert_eq!(layouts::list(&other).unwrap()[0].name, "organ-bank");

    // Another layout for the device: its takes are read anew with that one first.
    let change = ops::devices::DeviceChange {
        layout: Some("organ-bank".to_string()),
        ..Default::default()
    };
    ops::devices::edit(&other, &"organ".parse().unwrap(), change, WAIT).unwrap();
    let read = reread::bring_up_to_date(&other, usize::MAX, WAIT).unwrap();
    assert_eq!((read.read, read.changed), (2, 0));
}

/// Two banks told apart by a byte beyond the header key, and an edit buffer that begins like them.
const TWO_BANKS: &str = r#"
layout = 1
name = "pit"
title = "Pit, two banks"

[[message]]
name = "bank"
header = "F0 7D 0n 01 02 03 04 bb"
bytes = 40
section = "bank-{b:A}"

[[message]]
name = "edit"
header = "F0 7D 0n 01 02 03 05"
bytes = 24
loose = true
"#;

fn pit(head: &[u8], size: usize, seed: u8) -> Vec<u8> {
    let mut bytes = [&[0xF0, 0x7D, 0x00, 0x01, 0x02, 0x03], head].concat();
    let n = (size - 1 - bytes.len()) as u8;
    bytes.extend((0..n).map(|i| (i * 7 + seed) % 100));
    bytes.push(0xF7);
    bytes
}

#[test]
fn banks_that_begin_alike_do_not_mix_and_an_edit_buffer_is_no_state() {
    let s = Studio::new();
    let vault = s.create();
    add_device(&vault, "pit");
    let text = s.file("pit.toml", TWO_BANKS.as_bytes(), NOW);
    // Before the layout is known, one section is all that can be told.
    let first = keep_one(&s, &vault, "pit", "0.syx", &pit(&[4, 0], 40, 1), 90);
    assert_eq!(first.section.as_deref(), Some("all"));
    layouts::add(&vault, &text, WAIT).unwrap();
    let keep = |name: &str, bytes: &[u8], day| keep_one(&s, &vault, "pit", name, bytes, day);
    let a = keep("1.syx", &pit(&[4, 0], 40, 2), 60);
    let b = keep("2.syx", &pit(&[4, 1], 40, 3), 50);
    assert_eq!(
        (a.section.as_deref(), b.section.as_deref()),
        (Some("all"), Some("bank-b"))
    );
    let edit = keep("3.syx", &pit(&[5], 24, 4), 40);
    assert!(edit.loose, "{edit:?}");
    // A third bank that came damaged is of neither.
    let short = keep("4.syx", &pit(&[4, 2], 39, 5), 30);
    assert_eq!((short.condition, short.loose), (Condition::Doubtful, true));
}

#[test]
fn a_layout_reads_dumps_that_begin_with_a_universal_message() {
    let s = Studio::new();
    let vault = s.create();
    add_device(&vault, "organ");
    let mut dump = vec![
        0xF0, 0x7E, 0x00, 0x06, 0x02, 0x7D, 1, 0, 2, 0, 1, 2, 3, 4, 0xF7,
    ];
    dump.extend(organ(b"FLUTE ", b"OBOE  ", Some(1)));
    keep_one(&s, &vault, "organ", "a.syx", &dump, 60);
    let text = s.file("organ.toml", ORGAN.as_bytes(), NOW);
    layouts::add(&vault, &text, WAIT).unwrap();
    let read = reread::bring_up_to_date(&vault, usize::MAX, WAIT).unwrap();
    assert_eq!((read.read, read.doubtful), (1, 1));
}

#[test]
fn a_single_voice_is_kept_beside_the_memory() {
    let s = Studio::new();
    let vault = s.create();
    add_device(&vault, "fm");
    keep_one(&s, &vault, "fm", "bank.syx", &vector("bulk32_bank"), 60);
    let one = keep_one(&s, &vault, "fm", "voice.syx", &vector("bulk1_voice"), 30);
    assert_eq!((one.loose, one.section), (true, None));
    let now = ops::refs::resolve(&vault, "fm").unwrap().takes;
    assert_eq!(now.len(), 1);
}

#[test]
fn dumps_dated_by_hand_and_unknown_are_measured_too() {
    let s = Studio::new();
    let vault = s.create();
    add_device(&vault, "fm");
    keep_one(&s, &vault, "fm", "a.syx", &vector("bulk32_bank"), 60);
    // Of an unknown date nothing lies before it, so nothing is said against it.
    let path = s.file("in/b.syx", &numbered(&vector("bulk32_bank"), 2), NOW);
    let unknown = KeepOptions {
        when: When::Given("unknown".parse().unwrap()),
        ..options("fm", vec![path])
    };
    let kept = keep(&vault, &unknown).1.remove(0);
    assert!(!codes(&kept).contains(&"other-number"));
}
