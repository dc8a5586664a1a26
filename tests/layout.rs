//! Dumps read by layouts, against the published check values, and against random bytes.

use std::collections::BTreeSet;
use std::sync::Arc;

use farshelf::layout::{
    ChecksumState, Fit, Layout, Layouts, Reader, Reading, one_patch, patch_bytes, readdress,
    readdress_all,
};
use farshelf::midi::checksum::Scheme;
use farshelf::midi::packing::Packing;
use farshelf::model::hash::Hash;
use farshelf::model::take::{Evidence, Severity};
use proptest::prelude::*;

/// Messages among the check values that a built-in layout reads: the layout, the kind, the state of the checksum, and
/// where in the message what the checksum covers stands.
const READ: &[(&str, &str, &str, ChecksumState)] = &[
    // Roland JD-Xi MIDI Implementation p. 16.
    (
        "roland_jdxi",
        "address-and-data",
        "data-4",
        ChecksumState::Good,
    ),
    // GS reset as widely published.
    (
        "roland_gs_reset",
        "address-and-data",
        "data-1",
        ChecksumState::Good,
    ),
    // A parameter change, from a published note about the XP-50 and XP-80: there is no checksum to demand.
    (
        "xg_on",
        "counted-address-and-data",
        "parameter",
        ChecksumState::None,
    ),
    // Yamaha DX7 MIDI Data Format Sheet.
    (
        "bulk32_bank",
        "fm-six-operator",
        "bank",
        ChecksumState::Good,
    ),
    (
        "bulk1_voice",
        "fm-six-operator",
        "voice",
        ChecksumState::Good,
    ),
    // Access Virus classic manual p. 354.
    (
        "plain_sum_256",
        "single-of-256",
        "single",
        ChecksumState::Good,
    ),
];

/// Check values of packings: they are data without a message around them.
const PACKED: &[(&str, Packing)] = &[
    ("packed_lsb_full", Packing::SevenInEightLow),
    ("packed_lsb_short3", Packing::SevenInEightLow),
    ("nibble_hi_lo", Packing::NibblesHighFirst),
    ("nibble_hi_lo_marked", Packing::NibblesMarked),
    ("nibble_lo_hi", Packing::NibblesLowFirst),
];

/// Check values with a test of their own below.
const OTHERS: &[&str] = &[
    "roland_vr3",
    "yamaha_zero",
    "yamaha_sizes",
    "bulk_4104_lookalikes",
];

fn check_values() -> Vec<serde_json::Value> {
    let file: serde_json::Value =
        serde_json::from_str(include_str!("vectors/midi/area_c.json")).unwrap();
    let vectors = file["vectors"].as_array().unwrap().clone();
    assert_eq!(vectors.len() as u64, file["count"].as_u64().unwrap());
    vectors
}

fn check_value(name: &str) -> serde_json::Value {
    check_values()
        .into_iter()
        .find(|v| v["name"] == name)
        .unwrap_or_else(|| panic!("no check value {name}"))
}

fn hex(text: &str) -> Vec<u8> {
    text.split(' ')
        .map(|byte| u8::from_str_radix(byte, 16).unwrap())
        .collect()
}

fn bytes_of(name: &str) -> Vec<u8> {
    hex(check_value(name)["hex"].as_str().unwrap())
}

fn read_with(
    layouts: &Layouts,
    preferred: Option<&str>,
    messages: &[impl AsRef<[u8]>],
) -> Option<Reading> {
    let mut reader = Reader::new(layouts, preferred);
    for message in messages {
        reader.push(message.as_ref());
    }
    reader.finish()
}

fn read(messages: &[impl AsRef<[u8]>]) -> Reading {
    read_with(&Layouts::builtin(), None, messages).expect("a layout fits")
}

fn own(text: &str) -> Arc<Layout> {
    Arc::new(Layout::parse(text).unwrap_or_else(|bad| panic!("{bad}\n{text}")))
}

fn findings(reading: &Reading) -> Vec<String> {
    reading
        .findings
        .iter()
        .map(|f| format!("{} {}: {}", f.severity.as_str(), f.code, f.message))
        .collect()
}

/// A message of the six- and four-operator family: `format`, the data, its checksum.
fn bulk(format: u8, data: &[u8]) -> Vec<u8> {
    let mut message = vec![
        0xF0,
        0x43,
        0x00,
        format,
        (data.len() >> 7) as u8,
        (data.len() & 0x7f) as u8,
    ];
    message.extend_from_slice(data);
    message.extend_from_slice(Scheme::SumToZero.of(data).as_bytes());
    message.push(0xF7);
    message
}

#[test]
fn every_check_value_is_used() {
    let used: BTreeSet<&str> = READ
        .iter()
        .map(|row| row.0)
        .chain(PACKED.iter().map(|row| row.0))
        .chain(OTHERS.iter().copied())
        .collect();
    let values = check_values();
    let there: BTreeSet<&str> = values.iter().map(|v| v["name"].as_str().unwrap()).collect();
    assert_eq!(used, there);
}

#[test]
fn published_messages_are_read() {
    for &(name, layout, kind, checksum) in READ {
        let message = bytes_of(name);
        let reading = read(&[&message]);
        assert_eq!(reading.layout.name, layout, "{name}");
        assert_eq!(reading.kind(0).unwrap().name, kind, "{name}");
        assert_eq!(reading.messages[0].checksum, checksum, "{name}");
        assert_eq!(findings(&reading), [""; 0], "{name}");
        assert_eq!(reading.section, None, "{name}: by the header rule");
        let expected = match checksum {
            ChecksumState::Good => Evidence::Checksum,
            _ => Evidence::Framing,
        };
        assert_eq!(reading.evidence, expected, "{name}");
        let Some(published) = check_value(name)["checksum"].as_str().map(hex) else {
            continue;
        };
        assert_eq!(message[message.len() - 2..message.len() - 1], published);
        // Any other byte in its place, or in the last ten before it, is noticed.
        for at in message.len().saturating_sub(12).max(8)..message.len() - 1 {
            let mut damaged = message.clone();
            damaged[at] ^= 0x01;
            let reading = read(&[damaged]);
            assert_eq!(
                reading.messages[0].checksum,
                ChecksumState::Bad,
                "{name} {at}"
            );
            assert_eq!(reading.findings[0].code, "bad-checksum", "{name} {at}");
            assert_ne!(reading.evidence, Evidence::Checksum);
        }
    }
}

#[test]
fn published_packings_unpack() {
    for &(name, packing) in PACKED {
        let decoded = hex(check_value(name)["decoded"].as_str().unwrap());
        assert_eq!(packing.unpack(&bytes_of(name)), Some(decoded), "{name}");
    }
}

#[test]
fn a_universal_message_with_a_makers_checksum_passes_by() {
    // Roland VR-3 MIDI Implementations p. 24: the span and its checksum.
    let value = check_value("roland_vr3");
    let span = hex(value["span"].as_str().unwrap());
    let checksum = hex(value["checksum"].as_str().unwrap());
    assert_eq!(Scheme::SumToZero.of(&span).as_bytes(), checksum);
    let universal = bytes_of("roland_vr3");
    assert!(read_with(&Layouts::builtin(), None, &[&universal]).is_none());
    let reading = read(&[universal, bytes_of("bulk1_voice")]);
    assert_eq!(reading.layout.name, "fm-six-operator");
    assert_eq!(reading.messages[0].fit, Fit::Universal);
    assert_eq!(reading.patches[0].message, 1);
    assert_eq!(reading.evidence, Evidence::Checksum);
}

#[test]
fn the_edges_of_the_single_voice_have_the_published_checksums() {
    // yamaha_zero: 155 zero bytes give 00, 155 times 7F gives 1B.
    for (byte, checksum) in [(0x00, 0x00), (0x7F, 0x1B)] {
        let message = bulk(0, &[byte; 155]);
        assert_eq!(message[161], checksum);
        let reading = read(&[message]);
        assert_eq!(reading.evidence, Evidence::Checksum);
        // All the same: that is worth a question.
        assert!(reading.is_uniform());
    }
}

#[test]
fn the_printed_sizes_are_known() {
    // Yamaha DX7s Owner's Manual p. 93; DX27 p. 53; DX21 p. 44 (yamaha_sizes).
    for (format, n_bytes, n_total) in [
        (0, 155, 163),
        (5, 49, 57),
        (6, 1120, 1128),
        (9, 4096, 4104),
        (3, 93, 101),
        (4, 4096, 4104),
    ] {
        let message = bulk(format, &vec![1; n_bytes]);
        assert_eq!(message.len(), n_total);
        let reading = read(&[message]);
        assert_eq!(reading.evidence, Evidence::Checksum, "format {format}");
        assert_eq!(findings(&reading), [""; 0], "format {format}");
    }
    // The ten characters at the head of universal bulk data, and the byte counts, from the same page.
    for (name, n_bytes, kind) in [
        (b"LM  8973PE", 61, "performance"),
        (b"LM  8973PM", 1642, "performance-bank"),
        (b"LM  8973S ", 95, "system"),
    ] {
        let mut data = name.to_vec();
        data.resize(n_bytes, 5);
        let reading = read(&[bulk(0x7E, &data)]);
        assert_eq!(reading.kind(0).unwrap().name, kind);
        assert_eq!(findings(&reading), [""; 0]);
    }
    // Any other name is of the family that a later manual tells of (02R p. 213).
    let reading = read(&[bulk(0x7E, b"LM  8B14XXdata")]);
    assert_eq!(reading.layout.name, "named-bulk");
    assert_eq!(reading.evidence, Evidence::Checksum);
}

#[test]
fn three_dumps_of_4104_bytes_are_told_apart() {
    // bulk_4104_lookalikes: TX816 manual p. 55, DX27 p. 53, sysex-format.txt.
    let data = &bytes_of("bulk32_bank")[6..4102];
    for (format, layout, kind, n_patches, n_bytes) in [
        (9, "fm-six-operator", "bank", 32, 128),
        (2, "fm-six-operator", "performances", 64, 64),
        (4, "fm-four-operator", "bank", 32, 128),
    ] {
        let message = bulk(format, data);
        assert_eq!(message.len(), 4104);
        let reading = read(&[&message]);
        assert_eq!(reading.layout.name, layout);
        assert_eq!(reading.kind(0).unwrap().name, kind);
        assert_eq!(reading.patches.len(), n_patches);
        assert_eq!(reading.evidence, Evidence::Checksum);
        let patch = &reading.patches[3];
        let bytes = patch_bytes(&reading.layout, &[&message], patch).unwrap();
        assert_eq!(bytes, data[3 * n_bytes..4 * n_bytes]);
        // Only the six-operator bank tells names, as only there the source tells their place.
        assert_eq!(patch.name.is_some(), format == 9);
    }
}

#[test]
fn a_bank_of_32_voices_lists_them() {
    let bank = bytes_of("bulk32_bank");
    let reading = read(&[&bank]);
    let names: Vec<&str> = reading
        .patches
        .iter()
        .map(|patch| patch.name.as_deref().unwrap())
        .collect();
    let value = check_value("bulk32_bank");
    let published: Vec<&str> = value["names"]
        .as_array()
        .unwrap()
        .iter()
        .map(|name| name.as_str().unwrap())
        .collect();
    assert_eq!(names, published);
    assert_eq!(reading.patches[31].slot, "32");
    assert_eq!(reading.sysex_number, Some(0));
    assert!(!reading.loose);
    assert!(!reading.is_uniform());
    let patch = &reading.patches[6];
    assert_eq!(patch.hash, Hash::of(&bank[6 + 6 * 128..6 + 7 * 128]));
    // The body is the voice with its name taken as zeros.
    let mut body = bank[6 + 6 * 128..6 + 7 * 128].to_vec();
    body[118..].fill(0);
    assert_eq!(patch.body_hash, Hash::of(&body));
}

#[test]
fn a_bank_with_a_byte_lost_says_so() {
    let mut bank = bytes_of("bulk32_bank");
    bank.remove(2000);
    let reading = read(&[&bank]);
    assert_eq!(
        findings(&reading),
        ["error wrong-length: message 1 (32 voices) has 4,103 bytes, such messages have 4,104"]
    );
    assert_eq!(reading.messages[0].checksum, ChecksumState::Bad);
    let mut bank = bytes_of("bulk32_bank");
    bank[4102] = 0x20;
    assert_eq!(
        findings(&read(&[&bank])),
        ["error bad-checksum: message 1 (32 voices) has checksum 20, its bytes give 1F"]
    );
}

#[test]
fn one_voice_of_a_bank_is_a_message_of_163_bytes() {
    let bank = bytes_of("bulk32_bank");
    let reading = read(&[&bank]);
    for patch in &reading.patches {
        let voice = one_patch(&reading.layout, &[&bank], patch).unwrap();
        assert_eq!(voice.len(), 163);
        let alone = read(&[&voice]);
        assert_eq!(alone.evidence, Evidence::Checksum);
        assert!(alone.loose);
        assert_eq!(alone.patches[0].name, patch.name);
        // Algorithm: byte 110 of the packed voice, byte 134 of the single one.
        assert_eq!(u32::from(voice[6 + 134]), patch.number - 1);
        let again = one_patch(&alone.layout, &[&voice], &alone.patches[0]).unwrap();
        assert_eq!(again, voice, "a message of one patch is given as it is");
    }
    // Voice 1 of the bank and the single voice are the same sound under two names: all of the map is right.
    let mut first = one_patch(&reading.layout, &[&bank], &reading.patches[0]).unwrap();
    let single = bytes_of("bulk1_voice");
    first[6 + 145..6 + 155].copy_from_slice(b"INIT VOICE");
    first[161] = single[161];
    assert_eq!(first, single);
    // The SysEx number goes along.
    let other = readdress(Some(&reading.layout), &bank, 7).unwrap();
    let voice = one_patch(&reading.layout, &[&other], &reading.patches[0]).unwrap();
    assert_eq!(voice[..6], hex("F0 43 07 00 01 1B"));
}

#[test]
fn the_packed_bits_of_an_operator_go_where_the_sheet_says() {
    // DX7 MIDI Data Format Sheet: curves, detune and rate scaling, sensitivities, coarse and mode share bytes.
    let mut bank = vec![0; 4096];
    let operator = 17 * 2;
    bank[operator + 11] = 2 << 2 | 1; // right curve 2, left curve 1
    bank[operator + 12] = 14 << 3 | 5; // detune 14, rate scaling 5
    bank[operator + 13] = 7 << 2 | 2; // velocity 7, amplitude modulation 2
    bank[operator + 14] = 99;
    bank[operator + 15] = 31 << 1 | 1; // coarse 31, mode 1
    bank[operator + 16] = 98;
    bank[111] = 1 << 3 | 6; // key sync 1, feedback 6
    bank[116] = 7 << 4 | 5 << 1 | 1; // pitch modulation sensitivity 7, wave 5, sync 1
    let bank = bulk(9, &bank);
    let reading = read(&[&bank]);
    let voice = one_patch(&reading.layout, &[&bank], &reading.patches[0]).unwrap();
    let data = &voice[6..161];
    assert_eq!(
        data[21 * 2 + 11..21 * 3],
        [1, 2, 5, 2, 7, 99, 1, 31, 98, 14]
    );
    assert_eq!(data[135..137], [6, 1]);
    assert_eq!(data[141..144], [1, 5, 7]);
    assert!(data[..21 * 2].iter().all(|byte| *byte == 0));
}

#[test]
fn an_optional_checksum_may_be_left_out() {
    // Access Virus classic manual p. 354: a dump without it is received, too.
    let with = bytes_of("plain_sum_256");
    let mut without = with.clone();
    without.remove(265);
    assert_eq!((with.len(), without.len()), (267, 266));
    let readings = [read(&[&with]), read(&[&without])];
    assert_eq!(readings[1].messages[0].checksum, ChecksumState::None);
    assert_eq!(readings[1].evidence, Evidence::Layout);
    for reading in &readings {
        assert_eq!(findings(reading), [""; 0]);
        assert_eq!(reading.sysex_number, Some(0x10));
    }
    assert_eq!(readings[0].patches, readings[1].patches);
    assert_eq!(
        patch_bytes(&readings[1].layout, &[&without], &readings[1].patches[0]).unwrap(),
        with[9..265]
    );
    // The SysEx number is part of the sum.
    let layout = Some(&*readings[0].layout);
    let moved = readdress(layout, &with, 0x11).unwrap();
    assert_eq!(moved[265], (with[265] + 1) & 0x7f);
    assert_eq!(read(&[moved]).evidence, Evidence::Checksum);
    let moved = readdress(layout, &without, 0x11).unwrap();
    assert_eq!(moved[6..], without[6..]);
}

#[test]
fn a_checksum_over_unpacked_bytes_is_checked() {
    // Matrix-1000 manual p. 45: 134 bytes as nibbles, low ones first, then the plain sum of the bytes; 275 bytes in all.
    // The header and the place of the name are from memory.
    let layout = own(
        "layout = 1\nname = \"matrix\"\ntitle = \"x\"\n[[message]]\nname = \"patch\"\n\
         header = \"F0 10 06 01 pp\"\nbytes = 275\n\
         packed = { form = \"nibbles-low-first\", from = 5, to = -3 }\n\
         checksum = { scheme = \"sum\", unpacked = true, at = -2 }\n\
         patches = { from = 0, stride = 134, count = 1, name = { at = 0, bytes = 8 }, slot = \"{p:02}\" }\n",
    );
    let mut layouts = Layouts::builtin();
    layouts.add(Arc::clone(&layout));
    let mut patch: Vec<u8> = b"BRASS   ".to_vec();
    patch.extend((8..134u8).map(|n| n.wrapping_mul(3)));
    let mut message = hex("F0 10 06 01 2A");
    message.extend(Packing::NibblesLowFirst.pack(&patch));
    message.extend_from_slice(Scheme::Sum.of(&patch).as_bytes());
    message.push(0xF7);
    assert_eq!(message.len(), 275);
    let reading = read_with(&layouts, None, &[&message]).unwrap();
    assert_eq!(findings(&reading), [""; 0]);
    assert_eq!(reading.evidence, Evidence::Checksum);
    assert_eq!(reading.patches[0].slot, "42");
    assert_eq!(reading.patches[0].name.as_deref(), Some("BRASS"));
    assert_eq!(
        patch_bytes(&layout, &[&message], &reading.patches[0]).unwrap(),
        patch
    );
    message[273] ^= 1;
    let reading = read_with(&layouts, None, &[&message]).unwrap();
    assert_eq!(reading.findings[0].code, "bad-checksum");
    message[10] = 0x1F;
    let reading = read_with(&layouts, None, &[&message]).unwrap();
    assert_eq!(
        findings(&reading),
        [
            "error not-packed: message 1 (patch) has bytes that cannot have been packed as nibbles-low-first"
        ]
    );
    assert!(reading.patches.is_empty());
}

#[test]
fn universal_messages_are_readdressed_with_their_checksums() {
    let file: serde_json::Value =
        serde_json::from_str(include_str!("vectors/midi/area_a.json")).unwrap();
    // MIDI 1.0 Detailed Specification 4.2.1: p. 38, p. 44; tuning CA-020 and CA-021.
    let mut n_with = 0;
    for value in file["vectors"].as_array().unwrap() {
        let name = value["name"].as_str().unwrap();
        let text = value["hex"].as_str().unwrap();
        if !text.starts_with("F0 7E") || !text.ends_with("F7") || text.matches("F0").count() > 1 {
            continue;
        }
        let message = hex(text);
        let has_checksum = [
            "sds_packet",
            "fd_packet",
            "mts_bulk_equal",
            "mts_bulk_nochange",
            "mts_scale",
        ]
        .iter()
        .any(|begin| name.starts_with(begin));
        let changed = readdress(None, &message, 0x12).unwrap();
        let differing: Vec<usize> = (0..message.len())
            .filter(|at| changed[*at] != message[*at])
            .collect();
        let checksum_at = message.len() - 2;
        match (message[2], has_checksum) {
            (0x7F, _) => assert_eq!(differing, [0; 0], "{name}"),
            (0x12, _) => {}
            (_, false) => assert_eq!(differing, [2], "{name}"),
            (_, true) => {
                n_with += 1;
                assert_eq!(differing, [2, checksum_at], "{name}");
                assert_eq!(
                    changed[checksum_at] ^ message[checksum_at],
                    changed[2] ^ message[2],
                    "{name}"
                );
            }
        }
        if message[2] != 0x7F {
            let back = readdress(None, &changed, message[2]).unwrap();
            assert_eq!(back, message, "{name}");
            assert!(readdress(None, &message, 0x7F).is_err());
        }
    }
    assert!(n_with >= 4, "{n_with}");
    // A packet of silence: XOR of 7E, device, 02, number and 120 zeros.
    let mut packet = vec![0xF0, 0x7E, 0x00, 0x02, 0x00];
    packet.resize(125, 0);
    packet.extend([0x7C, 0xF7]);
    let changed = readdress(None, &packet, 5).unwrap();
    assert_eq!(Scheme::Xor.of(&changed[1..125]).as_bytes(), [changed[125]]);
}

#[test]
fn what_has_no_known_place_for_the_number_is_refused_by_name() {
    let bank = bytes_of("bulk32_bank");
    let reading = read(&[&bank]);
    let layout = Some(&*reading.layout);
    let error = readdress_all(layout, &[&bank, &[0xF0, 0x42, 0x30, 0xF7]], 3).unwrap_err();
    assert_eq!(
        error.to_string(),
        "message 2: no layout tells where its SysEx number stands"
    );
    let error = readdress_all(layout, &[&bank], 16).unwrap_err();
    assert_eq!(
        error.to_string(),
        "message 1: SysEx number 16 does not fit, the message has room for 0 to 15"
    );
    assert!(readdress(None, &bank, 3).is_err());
    // The DX7's checksum covers the data only: nothing but the number changes.
    let changed = readdress_all(layout, &[&bank], 3).unwrap().remove(0);
    assert_eq!((changed[2], &changed[3..]), (3, &bank[3..]));
    let fixed = own(
        "layout = 1\nname = \"fixed\"\ntitle = \"x\"\n[[message]]\nname = \"one\"\nheader = \"F0 7D 01\"\n",
    );
    assert_eq!(
        readdress(Some(&fixed), &[0xF0, 0x7D, 0x01, 0xF7], 3)
            .unwrap_err()
            .to_string(),
        "the layout does not tell where the SysEx number stands in a message \"one\""
    );
    let short = own(
        "layout = 1\nname = \"short\"\ntitle = \"x\"\n[[message]]\nname = \"one\"\nheader = \"F0 7D 0n\"\n\
         checksum = { scheme = \"sum\", from = 2, to = 9, at = 10 }\n",
    );
    assert_eq!(
        readdress(Some(&short), &[0xF0, 0x7D, 0x01, 0xF7], 3)
            .unwrap_err()
            .to_string(),
        "it is too short to hold the checksum that covers its SysEx number"
    );
}

/// Layouts with everything in them that can be said, for random messages that begin like theirs.
fn odd_layouts() -> Layouts {
    let mut layouts = Layouts::builtin();
    for (name, form) in Packing::ALL.iter().map(|p| (p.as_str(), p)) {
        layouts.add(own(&format!(
            "layout = 1\nname = \"odd-{name}\"\ntitle = \"x\"\n[[message]]\nname = \"m\"\nheader = \"F0 7D {:02X} nn bb pp\"\n\
             count = 4000000000\nsection = \"bank-{{b}}\"\nignore = [[1, -1], [-5, 9], [100000, -9]]\n\
             packed = {{ form = \"{form}\", from = 6, to = -4, block = 8 }}\n\
             checksum = {{ scheme = \"sum-in-nibbles\", unpacked = true, from = 1, to = -2, at = -3 }}\n\
             patches = {{ from = 1, stride = 3, bytes = 2, count = 4000000000, name = {{ at = 0, bytes = 2, alphabet = \" AB\" }} }}\n",
            *form as u8
        )));
    }
    layouts.add(own(
        "layout = 1\nname = \"odd-plain\"\ntitle = \"x\"\n[[message]]\nname = \"m\"\nheader = \"F0 7D 10 nn pp\"\n\
         bytes = [6, 40]\ncount = [2, 3]\nignore = [[-9, 6], [0, -1]]\n\
         checksum = { scheme = \"xor\", from = 6, to = -3, at = 5 }\n\
         patches = { from = 2, stride = 3, count = 12, name = { at = 0, bytes = 2 }, ignore = [[0, 0]], single = \"s\", single-map = [\"0-2 =9\"] }\n\
         [[message]]\nname = \"s\"\nheader = \"F0 7D 11\"\nbytes = 14\n\
         packed = { form = \"seven-in-eight-high\", from = 4, to = -3 }\n\
         checksum = { scheme = \"sum\", from = 1, to = -3, at = -2 }\n\
         patches = { from = 1, stride = 4, count = 1 }\n",
    ));
    layouts
}

fn any_message() -> impl Strategy<Value = Vec<u8>> {
    let heads = prop_oneof![
        Just(vec![]),
        Just(vec![0xF0, 0x43, 0x00, 0x09, 0x20, 0x00]),
        Just(vec![0xF0, 0x00, 0x20, 0x33, 0x01, 0x00, 0x10]),
        Just(vec![0xF0, 0x7E]),
        (0u8..8).prop_map(|n| vec![0xF0, 0x7D, n, 1]),
        Just(vec![0xF0, 0x7D, 0x10, 1]),
    ];
    let bytes = prop::collection::vec(prop_oneof![9 => 0u8..0x80, 1 => any::<u8>()], 0..80);
    (heads, bytes, any::<bool>()).prop_map(|(mut message, bytes, ends)| {
        message.extend(bytes);
        if ends {
            message.push(0xF7);
        }
        message
    })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn no_messages_make_a_reader_panic(messages in prop::collection::vec(any_message(), 0..8)) {
        let layouts = odd_layouts();
        let slices: Vec<&[u8]> = messages.iter().map(Vec::as_slice).collect();
        for preferred in [None, Some("odd-plain"), Some("odd-hex-pairs")] {
            let Some(reading) = read_with(&layouts, preferred, &messages) else {
                continue;
            };
            prop_assert_eq!(reading.messages.len(), messages.len());
            for patch in &reading.patches {
                prop_assert!(patch_bytes(&reading.layout, &slices, patch).is_some());
                let _ = one_patch(&reading.layout, &slices, patch);
            }
            for message in &slices {
                let _ = readdress(Some(&reading.layout), message, 5);
            }
            let is_sound = reading.findings.iter().all(|f| f.severity != Severity::Error);
            if reading.evidence == Evidence::Checksum && is_sound {
                prop_assert!(reading.messages.iter().any(|m| m.checksum == ChecksumState::Good));
            }
        }
    }

    #[test]
    fn a_message_readdressed_there_and_back_is_the_same(
        data in prop::collection::vec(0u8..0x80, 1..60),
        scheme in prop::sample::select(Scheme::ALL.to_vec()),
        (before, after) in (0u8..0x80, 0u8..0x80),
        damage in prop::option::of(0u8..0x7F),
    ) {
        let layout = own(&format!(
            "layout = 1\nname = \"x\"\ntitle = \"x\"\n[[message]]\nname = \"m\"\nheader = \"F0 7D nn\"\n\
             checksum = {{ scheme = \"{scheme}\", from = 1, to = {}, at = {} }}\n",
            -2 - scheme.n_bytes() as i32,
            -1 - scheme.n_bytes() as i32,
        ));
        let mut layouts = Layouts::none();
        layouts.add(Arc::clone(&layout));
        let mut message = vec![0xF0, 0x7D, before];
        message.extend(&data);
        let checksum = scheme.of(&message[1..]);
        message.extend_from_slice(checksum.as_bytes());
        message.push(0xF7);
        if let Some(damage) = damage {
            message[3] = (message[3] + 1 + damage) & 0x7F;
        }
        let state = |message: &[u8]| {
            read_with(&layouts, None, &[message]).unwrap().messages[0].checksum
        };
        let changed = readdress(Some(&layout), &message, after).unwrap();
        prop_assert_eq!(changed[2], after);
        prop_assert_eq!(&changed[3..3 + data.len()], &message[3..3 + data.len()]);
        // A right checksum stays right, a wrong one is not made right.
        prop_assert_eq!(state(&changed), state(&message));
        prop_assert_eq!(state(&message) == ChecksumState::Good, message[3] == data[0]);
        prop_assert_eq!(readdress(Some(&layout), &changed, before).unwrap(), message);
    }

    #[test]
    fn no_text_makes_the_reading_of_layouts_panic(text in "[a-z0-9\\[\\]{}=\", \n-]{0,200}") {
        let _ = Layout::parse(&format!("layout = 1\n{text}"));
    }

    #[test]
    fn a_layout_with_one_line_broken_is_refused_or_read(line in 0usize..60, cut in 0usize..80) {
        let text = include_str!("../src/layout/LAYOUTS.md");
        let text = text.split("```").nth(1).unwrap().strip_prefix("toml\n").unwrap();
        let broken: Vec<&str> = text
            .lines()
            .enumerate()
            .map(|(idx, l)| if idx == line { l.get(..cut).unwrap_or(l) } else { l })
            .collect();
        let broken = broken.join("\n");
        if let Err(bad) = Layout::parse(&broken) {
            prop_assert!(!bad.mistakes.is_empty());
        }
    }
}
