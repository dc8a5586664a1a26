//! What is found in dumps by a layout, in its words.

use super::super::documented_example;
use super::*;
use crate::midi::checksum::Scheme;
use crate::midi::packing::Packing;
use crate::model::take::Condition;

/// Patches of four bytes, each in a message of its own: `F0 7D 0n 01 bb pp`, four bytes, sum, F7; a whole bank has 4.
/// A system message belongs to the section `all`, and so does a message of equal header of another length.
const LAYOUT: &str = r#"
layout = 1
name = "test"
title = "Test"
[[message]]
name = "patch"
title = "one of the bank"
header = "F0 7D 0n 01 bb pp"
bytes = 12
count = 4
section = "bank-{b:A}"
ignore = [[9, 9]]
checksum = { scheme = "sum", from = 6, to = -3, at = -2 }
patches = { from = 6, stride = 4, count = 1, name = { at = 0, bytes = 2 }, slot = "{b:A}{p+1:02}", ignore = [[2, 2]] }
[[message]]
name = "system"
header = "F0 7D 0n 02"
bytes = 8
count = 1
section = "all"
[[message]]
name = "songs"
header = "F0 7D 0n 02"
bytes = [10, 20]
count = [1, 2]
section = "all"
[[message]]
name = "edit"
header = "F0 7D 0n 03"
loose = true
[[message]]
name = "blocks"
title = "two of the block"
header = "F0 7D 0n 04 pp"
bytes = 9
count = 2
section = "block"
patches = { from = 5, stride = 2, bytes = 1, count = 2 }
"#;

fn layouts() -> Layouts {
    let mut layouts = Layouts::none();
    layouts.add(Arc::new(Layout::parse(LAYOUT).unwrap()));
    layouts
}

fn patch(bank: u8, p: u8, data: [u8; 4]) -> Vec<u8> {
    let mut message = vec![0xF0, 0x7D, 0x05, 0x01, bank, p];
    message.extend(data);
    message.extend_from_slice(Scheme::Sum.of(&data).as_bytes());
    message.push(0xF7);
    message
}

fn named(bank: u8, p: u8) -> Vec<u8> {
    patch(bank, p, [b'P', b'0' + p, p, 0])
}

fn bank(numbers: &[u8]) -> Vec<Vec<u8>> {
    numbers.iter().map(|p| named(0, *p)).collect()
}

fn read(messages: &[Vec<u8>]) -> Reading {
    let mut reader = Reader::new(&layouts(), None);
    for message in messages {
        reader.push(message);
    }
    reader.finish().expect("the layout fits")
}

/// `expected`: the findings as `severity code: sentence`.
fn check(messages: &[Vec<u8>], evidence: Evidence, expected: &[&str]) -> Reading {
    let reading = read(messages);
    let found: Vec<String> = reading
        .findings
        .iter()
        .map(|f| format!("{} {}: {}", f.severity.as_str(), f.code, f.message))
        .collect();
    assert_eq!(found, expected);
    assert_eq!(reading.evidence, evidence);
    assert_eq!(reading.messages.len(), messages.len());
    reading
}

#[test]
fn a_whole_bank_is_read_without_a_word() {
    let reading = check(&bank(&[0, 1, 2, 3]), Evidence::Checksum, &[]);
    assert_eq!(reading.section.as_deref(), Some("bank-a"));
    assert_eq!(reading.sysex_number, Some(5));
    assert_eq!(Condition::of(&reading.findings), Condition::Whole);
    let shown: Vec<(u32, &str, Option<&str>, usize)> = reading
        .patches
        .iter()
        .map(|p| (p.number, p.slot.as_str(), p.name.as_deref(), p.message))
        .collect();
    assert_eq!(
        shown,
        [
            (1, "A01", Some("P0"), 0),
            (2, "A02", Some("P1"), 1),
            (3, "A03", Some("P2"), 2),
            (4, "A04", Some("P3"), 3),
        ]
    );
    // In any order: every number once is a whole bank.
    check(&bank(&[3, 0, 2, 1]), Evidence::Checksum, &[]);
}

#[test]
fn missing_and_repeated_patches_are_named() {
    check(
        &bank(&[0, 1, 3]),
        Evidence::Checksum,
        &[
            "error too-few-messages: 3 of 4 messages (one of the bank) of a whole dump are there",
            "error missing-patch: patch A03 is missing",
        ],
    );
    check(
        &bank(&[0, 1, 3, 3]),
        Evidence::Checksum,
        &[
            "warning repeated-patch: patch A04 is in the dump more than once",
            "error missing-patch: patch A03 is missing",
        ],
    );
    check(
        &bank(&[0, 1, 2, 3, 3]),
        Evidence::Checksum,
        &[
            "warning repeated-patch: patch A04 is in the dump more than once",
            "warning too-many-messages: 5 messages (one of the bank) are in the dump, a whole one has 4",
        ],
    );
    // Numbers that do not begin at 0 tell that some are missing, not which.
    check(
        &bank(&[60, 61, 61, 62]),
        Evidence::Checksum,
        &[
            "warning repeated-patch: patch A62 is in the dump more than once",
            "error missing-patch: 3 of 4 messages (one of the bank) with different numbers are there",
        ],
    );
    let block = |p: u8| vec![0xF0, 0x7D, 0x00, 0x04, p, 1, 2, 3, 0xF7];
    let reading = check(&[block(0), block(2)], Evidence::Layout, &[]);
    let slots: Vec<&str> = reading.patches.iter().map(|p| p.slot.as_str()).collect();
    assert_eq!(slots, ["1", "2", "3", "4"]);
    check(
        &[block(2), block(2)],
        Evidence::Layout,
        &[
            "warning repeated-patch: two of the block 3 is in the dump more than once",
            "error missing-patch: two of the block 1 is missing",
        ],
    );
}

#[test]
fn a_message_of_the_section_that_never_came_is_missed() {
    let system = vec![0xF0, 0x7D, 0x00, 0x02, 1, 2, 3, 0xF7];
    let songs = vec![0xF0, 0x7D, 0x00, 0x02, 1, 2, 3, 4, 5, 0xF7];
    let reading = check(&[system.clone(), songs.clone()], Evidence::Layout, &[]);
    // The same header: the length tells them apart.
    assert_eq!(reading.kind(1).unwrap().name, "songs");
    assert_eq!(reading.section.as_deref(), Some("all"));
    check(
        std::slice::from_ref(&system),
        Evidence::Layout,
        &["error too-few-messages: 0 of 1 message (songs) of a whole dump are there"],
    );
    check(
        &[songs.clone(), songs.clone(), system.clone(), songs],
        Evidence::Layout,
        &["warning too-many-messages: 3 messages (songs) are in the dump, a whole one has 2"],
    );
    let mut both = bank(&[0, 1, 2, 3]);
    both.push(system);
    check(
        &both,
        Evidence::Checksum,
        &[
            "error too-few-messages: 0 of 1 message (songs) of a whole dump are there",
            "warning other-section: the dump holds more than one section: all, bank-a",
        ],
    );
}

#[test]
fn wrong_checksums_and_lengths_say_which_message() {
    let mut messages = bank(&[0, 1, 2, 3]);
    messages[1][10] = 0x7F;
    let reading = check(
        &messages,
        Evidence::Layout,
        &["error bad-checksum: message 2 (patch A02 P1) has checksum 7F, its bytes give 02"],
    );
    let states: Vec<&str> = reading
        .messages
        .iter()
        .map(|m| m.checksum.as_str())
        .collect();
    assert_eq!(states, ["ok", "bad", "ok", "ok"]);

    let mut messages = bank(&[0, 1, 2, 3]);
    messages[2].remove(8);
    let reading = check(
        &messages,
        Evidence::Layout,
        &["error wrong-length: message 3 (patch A03 P2) has 11 bytes, such messages have 12"],
    );
    // What is left of it still holds four bytes, its checksum is wrong and not told twice.
    assert_eq!(reading.messages[2].checksum, ChecksumState::Bad);
    check(
        &[vec![0xF0, 0x7D, 0x00, 0x02, 1, 0xF7]],
        Evidence::Layout,
        &[
            "error wrong-length: message 1 (system) has 6 bytes, such messages have 8",
            "error too-few-messages: 0 of 1 message (songs) of a whole dump are there",
        ],
    );
}

#[test]
fn many_findings_are_summed_up() {
    let mut messages: Vec<Vec<u8>> = (0..30).map(|_| named(0, 0)).collect();
    for message in &mut messages {
        message[10] ^= 1;
    }
    let reading = read(&messages);
    let of = |code: &str| {
        let found: Vec<&str> = reading
            .findings
            .iter()
            .filter(|f| f.code == code)
            .map(|f| f.message.as_str())
            .collect();
        (
            found.len(),
            found.last().copied().unwrap_or_default().to_owned(),
        )
    };
    assert_eq!(
        of("bad-checksum"),
        (11, "20 more messages have wrong checksums".into())
    );
    assert_eq!(
        of("repeated-patch"),
        (11, "19 more patches are in the dump more than once".into())
    );
}

#[test]
fn messages_that_fit_nothing_take_the_evidence_down() {
    let mut messages = bank(&[0, 1, 2, 3]);
    messages.push(vec![0xF0, 0x42, 0x01, 0xF7]);
    messages.push(vec![0xF0, 0x7D, 0x00, 0x09, 0xF7]);
    messages.push(vec![0xF0, 0x7E, 0x00, 0x06, 0x01, 0xF7]);
    let reading = check(
        &messages,
        Evidence::Framing,
        &[
            "warning other-message: 2 messages fit nothing in layout test; the first of them is message 5",
        ],
    );
    assert_eq!(reading.messages[4].fit, Fit::Other);
    assert_eq!(reading.messages[6].fit, Fit::Universal);
}

#[test]
fn evidence_is_what_was_checked() {
    // Nothing is said of the length of an edit buffer.
    let edit = vec![0xF0, 0x7D, 0x00, 0x03, 1, 0xF7];
    let reading = check(std::slice::from_ref(&edit), Evidence::Framing, &[]);
    assert!(reading.loose);
    assert_eq!(reading.section, None);
    let mut messages = bank(&[0, 1, 2, 3]);
    messages.insert(0, edit);
    let reading = check(&messages, Evidence::Checksum, &[]);
    assert!(!reading.loose);
    assert_eq!(reading.section.as_deref(), Some("bank-a"));
    assert!(Reader::new(&layouts(), None).finish().is_none());
}

#[test]
fn the_first_message_or_the_layout_asked_for_decides() {
    let text = LAYOUT
        .replace("name = \"test\"", "name = \"other\"")
        .replace("0n 01", "xx xx");
    let mut layouts = layouts();
    layouts.add(Arc::new(Layout::parse(&text).unwrap()));
    let chosen = |preferred: Option<&str>, message: &[u8]| {
        let mut reader = Reader::new(&layouts, preferred);
        reader.push(message);
        reader.finish().map(|reading| reading.layout.name.clone())
    };
    let patch = named(0, 0);
    assert_eq!(chosen(None, &patch).as_deref(), Some("test"));
    assert_eq!(chosen(Some("other"), &patch).as_deref(), Some("other"));
    assert_eq!(chosen(Some("nobody"), &patch).as_deref(), Some("test"));
    assert_eq!(chosen(Some("test"), &[0xF0, 0x42, 0xF7]), None);
    // A layout that fits nothing of the dump is not forced upon it.
    let other = [0xF0, 0x7D, 0x00, 0x77, 0, 0, 1, 2, 3, 4, 0, 0xF7];
    assert_eq!(chosen(Some("test"), &other).as_deref(), Some("other"));
}

#[test]
fn bytes_that_change_by_themselves_change_no_hash() {
    let hashes = |data: [u8; 4]| {
        let reading = read(&[patch(0, 0, data)]);
        (reading.patches[0].hash, reading.patches[0].body_hash)
    };
    let (hash, body) = hashes([b'A', b'B', 1, 2]);
    // Byte 2 of the patch, and byte 9 of the message, which is byte 3 of it.
    assert_eq!(hashes([b'A', b'B', 9, 9]), (hash, body));
    let (other, same) = hashes([b'X', b'Y', 9, 9]);
    assert_ne!(other, hash);
    assert_eq!(same, body);
}

#[test]
fn names_are_read_as_they_are() {
    let check = |bytes: &[u8], alphabet: Option<&str>, expected: &str| {
        let rule = NameRule {
            at: 1,
            bytes: bytes.len() as u32,
            alphabet: alphabet.map(|text| text.chars().collect()),
        };
        let mut patch = vec![0x55];
        patch.extend_from_slice(bytes);
        assert_eq!(read_name(&rule, &patch), expected, "{bytes:02X?}");
    };
    check(b"GLASS PAD ", None, "GLASS PAD");
    check(b" LEFT\0\0 \0", None, " LEFT");
    check(&[0x41, 0x1B, 0x5B, 0x80, 0x42], None, "A\u{FFFD}[\u{FFFD}B");
    check(&[0, 0], None, "");
    check(&[1, 0, 2, 0, 9, 0], Some(" AB"), "A B \u{FFFD}");
}

#[test]
fn a_memory_that_is_empty_is_seen() {
    let same = |p: u8| patch(0, p, [b'I', b'N', 0, 0]);
    assert!(read(&[same(0), same(1), same(2), same(3)]).is_uniform());
    assert!(!read(&bank(&[0, 1, 2, 3])).is_uniform());
    let edit = |bytes: &[u8]| {
        let mut message = vec![0xF0, 0x7D, 0x00, 0x03];
        message.extend_from_slice(bytes);
        message.push(0xF7);
        read(&[message]).is_uniform()
    };
    assert!(edit(&[3; 16]));
    assert!(!edit(&[3; 15]), "too few to say");
    let mut bytes = [3; 40];
    bytes[39] = 4;
    assert!(!edit(&bytes));
}

#[test]
fn the_documented_example_reads_a_packed_bank() {
    let mut layouts = Layouts::none();
    layouts.add(Arc::new(Layout::parse(&documented_example()).unwrap()));
    let mut memory = Vec::new();
    for n in 0..16u8 {
        let mut patch = format!("PAD {n:02} \0 \0").into_bytes();
        patch.resize(56, 0x80 | n);
        memory.extend(patch);
    }
    let packed = Packing::SevenInEightLow.pack(&memory);
    let mut message = vec![0xF0, 0x7D, 0x03, 0x22, 0x01, 0x66];
    message.extend_from_slice(&packed);
    message.extend_from_slice(Scheme::SumToZero.of(&packed).as_bytes());
    message.push(0xF7);
    let mut reader = Reader::new(&layouts, None);
    reader.push(&message);
    let reading = reader.finish().unwrap();
    assert_eq!(reading.findings, []);
    assert_eq!(reading.section.as_deref(), Some("bank-b"));
    assert_eq!(reading.patches.len(), 16);
    let patch = &reading.patches[15];
    assert_eq!(
        (patch.slot.as_str(), patch.name.as_deref()),
        ("B16", Some("PAD 15"))
    );
    let bytes = patch_bytes(&reading.layout, &[&message], patch).unwrap();
    assert_eq!(bytes, memory[15 * 56..]);

    // One patch alone, by a packed message with its numbers in the header.
    let alone = super::super::one_patch(&reading.layout, &[&message], patch).unwrap();
    assert_eq!(alone[..6], [0xF0, 0x7D, 0x03, 0x21, 0x01, 0x0F]);
    let mut reader = Reader::new(&layouts, None);
    reader.push(&alone);
    let single = reader.finish().unwrap();
    assert_eq!(single.findings, []);
    assert_eq!(single.evidence, Evidence::Checksum);
    assert_eq!(single.patches[0].slot, "B16");
    assert_eq!(
        patch_bytes(&single.layout, &[&alone], &single.patches[0]).unwrap(),
        bytes
    );
}

#[test]
fn a_layout_that_promises_endless_patches_takes_no_room() {
    let text = "layout = 1\nname = \"endless\"\ntitle = \"x\"\n[[message]]\nname = \"m\"\nheader = \"F0 7D pp\"\n\
                count = 4000000000\npatches = { from = 3, stride = 1, count = 4000000000 }\n";
    let mut layouts = Layouts::none();
    layouts.add(Arc::new(Layout::parse(text).unwrap()));
    let mut message = vec![0xF0, 0x7D, 0x00];
    message.resize(100, 1);
    message.push(0xF7);
    let mut reader = Reader::new(&layouts, None);
    reader.push(&message);
    let reading = reader.finish().unwrap();
    assert_eq!(reading.patches.len(), 97);
    let codes: Vec<&str> = reading.findings.iter().map(|f| f.code.as_ref()).collect();
    assert_eq!(
        codes,
        [
            "wrong-length",
            "too-few-messages",
            "missing-patch",
            "missing-patch"
        ]
    );
    // And a dump that really holds very many has the first ones listed.
    message.pop();
    message.resize(100_000, 1);
    message.push(0xF7);
    let mut reader = Reader::new(&layouts, None);
    reader.push(&message);
    let reading = reader.finish().unwrap();
    assert_eq!(reading.patches.len(), MAX_PATCHES);
    assert!(
        reading
            .findings
            .iter()
            .any(|f| f.code == "patches-not-listed")
    );
}

#[test]
fn positions_from_the_end_hold_where_a_checksum_is_left_out() {
    let text = "layout = 1\nname = \"o\"\ntitle = \"x\"\n[[message]]\nname = \"m\"\nheader = \"F0 7D\"\nbytes = 8\n\
                packed = { form = \"nibbles-high-first\", from = 2, to = -4 }\n\
                checksum = { scheme = \"sum-in-nibbles\", from = 2, to = -4, at = -3, optional = true }\n\
                patches = { from = 0, stride = 2, count = 1 }\n";
    let mut layouts = Layouts::none();
    layouts.add(Arc::new(
        Layout::parse(&text.replace("bytes = 8", "bytes = 9")).unwrap(),
    ));
    let read = |message: &[u8]| {
        let mut reader = Reader::new(&layouts, None);
        reader.push(message);
        reader.finish().unwrap()
    };
    let with = [0xF0, 0x7D, 1, 2, 3, 4, 0x10, 0x1A, 0xF7];
    let without = [0xF0, 0x7D, 1, 2, 3, 4, 0xF7];
    assert_eq!(read(&with).evidence, Evidence::Checksum);
    let reading = read(&without);
    assert_eq!(
        (reading.findings.len(), reading.evidence),
        (0, Evidence::Layout)
    );
    let patch = &reading.patches[0];
    let bytes = patch_bytes(&reading.layout, &[&without], patch);
    assert_eq!(bytes, Some(vec![0x12, 0x34]));
    // One byte short is neither.
    assert_eq!(read(&with[..8]).findings[0].code, "wrong-length");
    // Where the message itself is too short for what is said of it, nothing is unpacked.
    assert!(Layout::parse(&text.replace("bytes = 8", "bytes = 4")).is_err());
}
