//! Universal messages against the published check values, and dumps that were dropped from, mixed up, repeated and altered.

use farshelf::midi::universal::file::{self, RecoveredFile};
use farshelf::midi::universal::handshake::Answer;
use farshelf::midi::universal::sample::{self, Header, LoopPoints, LoopType, assemble};
use farshelf::midi::universal::tuning::{self, Form, frequency_hz};
use farshelf::midi::universal::{Assembled, Assembly, Handshake, Universal, Verdict, identity};
use farshelf::model::take::Severity;
use proptest::prelude::*;
use serde_json::Value;

fn check_value(name: &str) -> Value {
    let found: Vec<Value> = [
        include_str!("vectors/midi/area_a.json"),
        include_str!("vectors/midi/universal.json"),
    ]
    .iter()
    .flat_map(|text| {
        let file: Value = serde_json::from_str(text).unwrap();
        let values = file["vectors"].as_array().unwrap().clone();
        assert_eq!(file["count"], values.len());
        values
    })
    .filter(|value| value["name"] == name)
    .collect();
    assert_eq!(found.len(), 1, "{name}");
    found.into_iter().next().unwrap()
}

fn bytes_of(hex: &Value) -> Vec<u8> {
    hex.as_str()
        .unwrap()
        .split_whitespace()
        .map(|byte| u8::from_str_radix(byte, 16).unwrap())
        .collect()
}

fn message(name: &str) -> Vec<u8> {
    bytes_of(&check_value(name)["hex"])
}

fn assembled<'a>(messages: impl IntoIterator<Item = &'a Vec<u8>>) -> Assembled {
    let mut assembly = Assembly::new();
    for (number, message) in (1..).zip(messages) {
        assembly.push(number, message);
    }
    assembly.finish()
}

#[test]
fn published_messages_are_named_and_judged() {
    for (name, title, verdict) in [
        ("identity_request_all", "identity request", Verdict::None),
        ("identity_request_dev05", "identity request", Verdict::None),
        ("identity_reply_fp30", "identity reply", Verdict::None),
        (
            "identity_reply_3byte_organ",
            "identity reply",
            Verdict::None,
        ),
        (
            "identity_reply_noncommercial",
            "identity reply",
            Verdict::None,
        ),
        ("gm_on", "GM system on", Verdict::None),
        ("gm_off", "GM system off", Verdict::None),
        ("gm2_on", "GM2 system on", Verdict::None),
        ("dls_01", "DLS on", Verdict::None),
        ("dls_02", "DLS off", Verdict::None),
        ("dls_03", "DLS voice allocation off", Verdict::None),
        ("dls_04", "DLS voice allocation on", Verdict::None),
        ("sds_header_16bit_44k1", "sample dump header", Verdict::None),
        ("sds_header_8bit_8kHz", "sample dump header", Verdict::None),
        ("sds_packet_silence", "sample dump packet", Verdict::Ok),
        ("sds_packet_max", "sample dump packet", Verdict::Ok),
        ("sds_request", "sample dump request", Verdict::None),
        ("handshake_ack", "received (ACK)", Verdict::None),
        ("handshake_nak", "not received (NAK)", Verdict::None),
        ("handshake_cancel", "cancel", Verdict::None),
        ("handshake_wait", "wait", Verdict::None),
        ("handshake_eof", "end of file", Verdict::None),
        ("sds_loop_points", "sample loop points", Verdict::None),
        (
            "sds_loop_request",
            "sample loop points request",
            Verdict::None,
        ),
        ("fd_header", "file dump header", Verdict::None),
        ("fd_request", "file dump request", Verdict::None),
        ("fd_packet_smf", "file dump packet", Verdict::Ok),
        ("fd_packet_7", "file dump packet", Verdict::Ok),
        ("mts_bulk_equal", "tuning dump", Verdict::Ok),
        ("mts_bulk_nochange", "tuning dump", Verdict::Ok),
        (
            "mts_scale_octave_1",
            "octave tuning dump, 1 byte per note",
            Verdict::Ok,
        ),
        (
            "mts_scale_octave_2",
            "octave tuning dump, 2 bytes per note",
            Verdict::Ok,
        ),
        ("mts_bulk_request", "tuning request", Verdict::None),
        ("roland_vr3", "visual control", Verdict::Ok),
    ] {
        let value = check_value(name);
        let message = bytes_of(&value["hex"]);
        assert_eq!(value["length"], message.len(), "{name}");
        let universal = Universal::from_bytes(&message).expect(name);
        assert_eq!(universal.title(), title, "{name}");
        assert_eq!(universal.checksum(), verdict, "{name}");
        if verdict == Verdict::None {
            continue;
        }
        // The checksum as published stands before F7, and any other one is seen.
        assert_eq!(
            bytes_of(&value["checksum"]),
            [message[message.len() - 2]],
            "{name}"
        );
        for flip in 1..=0x7F {
            let mut wrong = message.clone();
            let place = wrong.len() - 2;
            wrong[place] ^= flip;
            let (expected, found) = (message[place], wrong[place]);
            let wanted = match title {
                "tuning dump" => Verdict::Disputed { expected, found },
                _ => Verdict::Bad { expected, found },
            };
            let verdict = Universal::from_bytes(&wrong).unwrap().checksum();
            assert_eq!(verdict, wanted, "{name}");
        }
    }
}

#[test]
fn published_identities_are_read() {
    for name in [
        "identity_reply_fp30",
        "identity_reply_3byte_organ",
        "identity_reply_noncommercial",
    ] {
        let fields = &check_value(name)["fields"];
        let message = message(name);
        let identity = assembled([&message]).identity.unwrap();
        assert_eq!(fields["device"], identity.device, "{name}");
        assert_eq!(fields["manufacturer"], identity.maker.to_string(), "{name}");
        assert_eq!(fields["family14"], identity.family, "{name}");
        if fields["member14"].is_u64() {
            assert_eq!(fields["member14"], identity.member, "{name}");
        }
        if fields["revision"].is_string() {
            assert_eq!(bytes_of(&fields["revision"]), identity.revision, "{name}");
        }
        assert!(identity.is_complete(), "{name}");
    }
    assert_eq!(identity::request(0x7F), message("identity_request_all"));
    assert_eq!(identity::request(0x05), message("identity_request_dev05"));
}

#[test]
fn published_handshakes_are_read_and_written() {
    for (name, answer) in [
        ("handshake_ack", Answer::Ack),
        ("handshake_nak", Answer::Nak),
        ("handshake_cancel", Answer::Cancel),
        ("handshake_wait", Answer::Wait),
        ("handshake_eof", Answer::EndOfFile),
    ] {
        let handshake = Handshake {
            device: 0,
            answer,
            packet: 5,
        };
        let message = message(name);
        assert_eq!(
            Universal::from_bytes(&message),
            Some(Universal::Handshake(handshake)),
            "{name}"
        );
        assert_eq!(handshake.to_bytes(), message, "{name}");
    }
}

#[test]
fn published_words_are_packed_and_unpacked() {
    for (name, bits, word) in [
        ("sds_word_12bit_fff", 12, 0xFFF),
        ("sds_word_16bit_8000", 16, 0x8000),
        ("sds_word_16bit_ffff", 16, 0xFFFF),
        ("sds_word_16bit_1", 16, 1),
        ("sds_word_8bit_80", 8, 0x80),
        ("sds_word_8bit_ff", 8, 0xFF),
        ("sds_word_14bit_3fff", 14, 0x3FFF),
        ("sds_word_15bit_4000", 15, 0x4000),
        ("sds_word_28bit_fffffff", 28, 0xFFF_FFFF),
    ] {
        let data = message(name);
        assert_eq!(sample::pack_words(&[word], bits), data, "{name}");
        assert_eq!(
            sample::words(&data, bits).collect::<Vec<_>>(),
            [word],
            "{name}"
        );
    }
}

#[test]
fn published_sample_messages_are_read_and_written() {
    let long = Header {
        device: 0,
        number: 1,
        bits: 16,
        period_ns: 22_676,
        n_words: 1_000,
        loop_start: 0,
        loop_end: 999,
        loop_type: LoopType::Off,
    };
    let short = Header {
        device: 0x7F,
        number: 0,
        bits: 8,
        period_ns: 125_000,
        n_words: 60,
        loop_start: 0,
        loop_end: 59,
        loop_type: LoopType::BothWays,
    };
    for (name, header) in [
        ("sds_header_16bit_44k1", long),
        ("sds_header_8bit_8kHz", short),
    ] {
        let message = message(name);
        assert_eq!(header.to_bytes(), message, "{name}");
        assert_eq!(
            Universal::from_bytes(&message),
            Some(Universal::SampleHeader(header)),
            "{name}"
        );
    }
    assert_eq!(
        long.to_string(),
        "sample 1: 1,000 words of 16 bits at 44,100 Hz (22,676 ns), no loop"
    );
    let points = LoopPoints {
        device: 0,
        sample: 1,
        loop_number: 0,
        loop_type: LoopType::Off,
        start: 0,
        end: 0,
    };
    assert_eq!(points.to_bytes(), message("sds_loop_points"));
    assert_eq!(
        Universal::from_bytes(&message("sds_loop_request")),
        Some(Universal::LoopPointsRequest {
            device: 0,
            sample: 1,
            loop_number: 16_383
        })
    );
    assert_eq!(sample::request(0, 1), message("sds_request"));

    let silence: Vec<Vec<u8>> = sample::packets(0, 8, &[0; 60]).collect();
    assert_eq!(silence, [message("sds_packet_silence")]);
    // The 128th packet has the number 7F.
    let loudest = [0x3FFF; 128 * 60];
    assert_eq!(
        sample::packets(5, 14, &loudest).last().unwrap(),
        message("sds_packet_max")
    );
}

#[test]
fn samples_have_the_size_of_the_rule() {
    let value = check_value("sds_size_rule");
    for row in value["table"].as_array().unwrap() {
        let n_words = row["words"].as_u64().unwrap() as u32;
        let words: Vec<u32> = (0..n_words).collect();
        let header = Header {
            device: 0,
            number: 0,
            bits: row["bits"].as_u64().unwrap() as u8,
            period_ns: 22_676,
            n_words,
            loop_start: 0,
            loop_end: 0,
            loop_type: LoopType::Off,
        };
        let dump: Vec<Vec<u8>> = std::iter::once(header.to_bytes())
            .chain(sample::packets(0, header.bits, &words))
            .collect();
        assert_eq!(row["packets"], dump.len() - 1);
        assert_eq!(row["packets"], header.n_packets().unwrap());
        assert_eq!(row["bytes"], dump.iter().map(Vec::len).sum::<usize>());
        assert_eq!(assemble(dump.iter().map(|m| &m[..])), Some(words));
        assert_eq!(assembled(&dump).findings, []);
    }
}

#[test]
fn published_file_messages_are_read_and_written() {
    let header = file::Header {
        device: 1,
        source: 2,
        file_type: *b"MIDI",
        n_bytes: Some(26),
        name: "TEST.MID".to_string(),
    };
    assert_eq!(header.to_bytes(), message("fd_header"));
    let request = file::Request {
        device: 2,
        source: 1,
        file_type: *b"BIN ",
        name: "PATCHES.BIN".to_string(),
    };
    assert_eq!(request.to_bytes(), message("fd_request"));
    assert_eq!(
        Universal::from_bytes(&message("fd_request")),
        Some(Universal::FileRequest(request))
    );

    for (name, device) in [("fd_packet_smf", 1), ("fd_packet_7", 0x7F)] {
        let decoded = bytes_of(&check_value(name)["decoded"]);
        let packets: Vec<Vec<u8>> = file::packets(device, &decoded).collect();
        assert_eq!(packets, [message(name)], "{name}");
    }
    let smf = bytes_of(&check_value("fd_packet_smf")["decoded"]);
    let dump = [
        message("fd_header"),
        message("fd_packet_smf"),
        file::end(1, 1),
    ];
    let assembled = assembled(&dump);
    assert_eq!(assembled.findings, []);
    assert_eq!(
        assembled.files,
        [RecoveredFile {
            header,
            message: 1,
            n_packets: 1,
            bytes: Some(smf)
        }]
    );
    assert_eq!(
        assembled.files[0].to_string(),
        "file \"TEST.MID\" of type MIDI: 26 bytes"
    );
}

#[test]
fn file_packets_have_the_sizes_of_the_rule() {
    for row in check_value("fd_size_rule_table")["table"]
        .as_array()
        .unwrap()
    {
        let stored = vec![0xA5; row["stored"].as_u64().unwrap() as usize];
        let packets: Vec<Vec<u8>> = file::packets(1, &stored).collect();
        let [packet] = &packets[..] else {
            panic!("{row}");
        };
        assert_eq!(row["message"], packet.len());
        assert_eq!(bytes_of(&row["count"]), [packet[6]]);
        let Some(Universal::FilePacket(packet)) = Universal::from_bytes(packet) else {
            panic!("{row}");
        };
        assert_eq!(row["sent"], packet.data.len());
        assert_eq!(packet.bytes(), Some(stored));
    }
}

#[test]
fn a_real_transfer_has_the_sizes_that_were_told() {
    // synth-diy.org archive of the xl7 list, messages 23486-23500: the sizes of a real dump.
    let bytes: Vec<u8> = (0..3_784u32).map(|n| (n * 7 + n / 256) as u8).collect();
    let packets: Vec<Vec<u8>> = file::packets(0, &bytes).collect();
    let sizes: Vec<usize> = packets.iter().map(Vec::len).collect();
    assert_eq!(sizes, [&[137; 33][..], &[110]].concat());
    assert_eq!(sizes.iter().sum::<usize>(), 4_631);
    assert_eq!(packets[33][6], 0x64);

    let header = file::Header {
        device: 0,
        source: 0,
        file_type: *b"BIN ",
        n_bytes: Some(3_784),
        name: "REAL".to_string(),
    };
    let dump: Vec<Vec<u8>> = std::iter::once(header.to_bytes())
        .chain(packets)
        .chain([file::end(0, 34)])
        .collect();
    let assembled = assembled(&dump);
    assert_eq!(assembled.findings, []);
    assert_eq!(assembled.n_checked, 34);
    assert_eq!(assembled.files[0].bytes.as_deref(), Some(&bytes[..]));
}

#[test]
fn published_tunings_are_read() {
    let mut key_based = message("mts_bulk_equal");
    let place = key_based.len() - 2;
    key_based[4] = 0x04;
    key_based.insert(5, 0x00);
    key_based[place + 1] = bytes_of(&check_value("mts_key_based_equal")["checksum"])[0];
    for (message, form, bank, program, name) in [
        (
            message("mts_bulk_equal"),
            Form::Bulk,
            None,
            0,
            "Equal Tempered",
        ),
        (
            message("mts_bulk_nochange"),
            Form::Bulk,
            None,
            0x7F,
            "No change at all",
        ),
        (key_based, Form::KeyBased, Some(0), 0, "Equal Tempered"),
        (
            message("mts_scale_octave_1"),
            Form::Octave1,
            Some(0),
            0,
            "Equal Tempered",
        ),
        (
            message("mts_scale_octave_2"),
            Form::Octave2,
            Some(0),
            0,
            "Equal Tempered",
        ),
    ] {
        let assembled = assembled([&message]);
        assert_eq!(message.len(), form.n_bytes());
        assert_eq!(assembled.findings, [], "{form:?}");
        assert_eq!(assembled.n_checked, 1, "{form:?}");
        let [tuning] = &assembled.tunings[..] else {
            panic!("{form:?}");
        };
        assert_eq!(tuning.form, form);
        assert_eq!((tuning.bank, tuning.program), (bank, program), "{form:?}");
        assert_eq!(tuning.name, name, "{form:?}");
    }
    assert_eq!(tuning::request(1, None, 16), message("mts_bulk_request"));
}

#[test]
fn a_maker_that_leaves_a_byte_out_of_the_sum_gets_a_note_only() {
    for name in ["mts_bulk_equal", "mts_bulk_nochange"] {
        let mut message = message(name);
        let place = message.len() - 2;
        message[place] = bytes_of(&check_value(name)["checksum_without_08"])[0];
        let assembled = assembled([&message]);
        assert_eq!((assembled.n_checked, assembled.n_bad), (0, 0), "{name}");
        let [finding] = &assembled.findings[..] else {
            panic!("{name}");
        };
        assert_eq!(finding.code, "checksum-differs");
        assert_eq!(finding.severity, Severity::Note);
    }
}

#[test]
fn published_frequencies_hold_with_their_known_errors() {
    for row in check_value("mts_frequency_table")["table"]
        .as_array()
        .unwrap()
    {
        let pitch: [u8; 3] = bytes_of(&row["bytes"]).try_into().unwrap();
        let hz = frequency_hz(pitch).unwrap();
        let off = |column: &str| (hz - row[column].as_f64().unwrap()).abs();
        assert!(off("computed_hz") < 0.000_06, "{row}: {hz}");
        // Known errors of the document: 00 00 01, and everything from key 120 on, there in the third decimal or the second.
        let is_misprint = off("published_hz") > 0.000_2;
        let is_known = pitch == [0, 0, 1] || pitch[0] >= 120;
        assert_eq!(is_misprint, is_known, "{row}: {hz}");
        assert!(off("published_hz") < 0.08, "{row}: {hz}");
    }
    assert_eq!(frequency_hz([0x7F; 3]), None);
}

/// A dump with what it must give: the words of a sample or the bytes of a file.
#[derive(Debug, Clone)]
struct Dump {
    messages: Vec<Vec<u8>>,
    /// The index of the first packet, and one past the last.
    packets: std::ops::Range<usize>,
    content: Content,
}

#[derive(Debug, Clone, PartialEq)]
enum Content {
    Words(Vec<u32>),
    Bytes(Vec<u8>),
}

impl Dump {
    fn of_sample(bits: u8, words: Vec<u32>) -> Dump {
        let words: Vec<u32> = words.into_iter().map(|w| w & ((1 << bits) - 1)).collect();
        let header = Header {
            device: 0x10,
            number: 300,
            bits,
            period_ns: 20_833,
            n_words: words.len() as u32,
            loop_start: 0,
            loop_end: 0,
            loop_type: LoopType::Off,
        };
        let messages: Vec<Vec<u8>> = std::iter::once(header.to_bytes())
            .chain(sample::packets(0x10, bits, &words))
            .collect();
        Dump {
            packets: 1..messages.len(),
            messages,
            content: Content::Words(words),
        }
    }

    fn of_file(bytes: Vec<u8>) -> Dump {
        let header = file::Header {
            device: 0x10,
            source: 0x11,
            file_type: *b"TEXT",
            n_bytes: Some(bytes.len() as u32),
            name: "A FILE".to_string(),
        };
        let mut messages: Vec<Vec<u8>> = std::iter::once(header.to_bytes())
            .chain(file::packets(0x10, &bytes))
            .collect();
        let n_packets = messages.len() - 1;
        messages.push(file::end(0x10, n_packets));
        Dump {
            messages,
            packets: 1..n_packets + 1,
            content: Content::Bytes(bytes),
        }
    }

    /// What is read from `messages` in place of its own.
    fn content_of(&self, messages: &[Vec<u8>]) -> Option<Content> {
        match self.content {
            Content::Words(_) => assemble(messages.iter().map(|m| &m[..])).map(Content::Words),
            Content::Bytes(_) => (assembled(messages).files.into_iter())
                .find_map(|file| file.bytes)
                .map(Content::Bytes),
        }
    }
}

/// Samples and files of 1 to 100 packets.
fn any_dump() -> impl Strategy<Value = Dump> {
    prop_oneof![
        (8u8..=28, prop::collection::vec(any::<u32>(), 1..3_000))
            .prop_map(|(bits, words)| Dump::of_sample(bits, words)),
        // Much alike, so that packets differ in their numbers only.
        (8u8..=28, prop::collection::vec(0u32..2, 1..3_000))
            .prop_map(|(bits, words)| Dump::of_sample(bits, words)),
        prop::collection::vec(any::<u8>(), 1..11_000).prop_map(Dump::of_file),
        (1usize..11_000).prop_map(|n| Dump::of_file(vec![0; n])),
    ]
}

fn has_error(assembled: &Assembled) -> bool {
    (assembled.findings.iter()).any(|f| f.severity == Severity::Error)
}

/// One change to one or two packets.
#[derive(Debug, Clone)]
enum Change {
    Drop(prop::sample::Index),
    Swap(prop::sample::Index, prop::sample::Index),
    /// One byte between F0 and F7, altered within 7 bits or beyond.
    Alter(prop::sample::Index, prop::sample::Index, u8),
    Repeat(prop::sample::Index),
    /// Sent damaged, then again.
    Resend(prop::sample::Index, prop::sample::Index, u8),
    Shorten(prop::sample::Index, prop::sample::Index),
}

fn any_change() -> impl Strategy<Value = Change> {
    let idx = any::<prop::sample::Index>;
    prop_oneof![
        idx().prop_map(Change::Drop),
        (idx(), idx()).prop_map(|(a, b)| Change::Swap(a, b)),
        (idx(), idx(), 1u8..).prop_map(|(a, b, flip)| Change::Alter(a, b, flip)),
        idx().prop_map(Change::Repeat),
        (idx(), idx(), 1u8..=0x7F).prop_map(|(a, b, flip)| Change::Resend(a, b, flip)),
        (idx(), idx()).prop_map(|(a, b)| Change::Shorten(a, b)),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn a_dump_comes_back_as_it_was(dump in any_dump()) {
        let result = assembled(&dump.messages);
        prop_assert_eq!(&result.findings, &[]);
        prop_assert_eq!(result.n_checked, dump.packets.len() as u64);
        prop_assert_eq!(dump.content_of(&dump.messages), Some(dump.content));
        prop_assert!(result.samples.iter().all(|sample| sample.is_whole));
    }

    #[test]
    fn one_change_to_a_packet_is_seen(dump in any_dump(), change in any_change()) {
        let mut messages = dump.messages.clone();
        let n = dump.packets.len();
        let packet = |idx: &prop::sample::Index| dump.packets.start + idx.index(n);
        let mut is_harmless = false;
        match &change {
            Change::Drop(idx) => drop(messages.remove(packet(idx))),
            Change::Swap(a, b) => {
                prop_assume!(packet(a) != packet(b));
                messages.swap(packet(a), packet(b));
            }
            Change::Alter(idx, place, flip) => {
                let message = &mut messages[packet(idx)];
                let place = 1 + place.index(message.len() - 2);
                message[place] ^= flip;
            }
            Change::Repeat(idx) => {
                messages.insert(packet(idx), messages[packet(idx)].clone());
                is_harmless = true;
            }
            Change::Resend(idx, place, flip) => {
                let mut damaged = messages[packet(idx)].clone();
                // Where the sub-IDs are hit it is another message, and there the packet does not come twice.
                let n_before = if matches!(dump.content, Content::Words(_)) { 4 } else { 5 };
                let place = n_before + place.index(damaged.len() - n_before - 1);
                damaged[place] ^= flip;
                messages.insert(packet(idx), damaged);
                is_harmless = true;
            }
            Change::Shorten(idx, place) => {
                let message = &mut messages[packet(idx)];
                message.remove(1 + place.index(message.len() - 2));
            }
        }
        let result = assembled(&messages);
        if is_harmless {
            prop_assert!(!has_error(&result), "{:?}", result.findings);
            prop_assert_eq!(result.findings.len(), 1);
            prop_assert_eq!(&result.findings[0].code, "repeated-packet");
            prop_assert_eq!(dump.content_of(&messages), Some(dump.content));
        } else {
            prop_assert!(has_error(&result), "{:?}", result.findings);
            prop_assert_eq!(dump.content_of(&messages), None);
        }
    }

    #[test]
    fn no_change_of_any_kind_breaks_it(
        dumps in prop::collection::vec(any_dump(), 1..4),
        changes in prop::collection::vec(any_change(), 0..30),
        extra in prop::collection::vec(prop::collection::vec(any::<u8>(), 0..200), 0..5),
    ) {
        let mut messages: Vec<Vec<u8>> = dumps.into_iter().flat_map(|dump| dump.messages).collect();
        messages.extend(extra);
        for change in changes {
            let n = messages.len();
            match change {
                Change::Drop(idx) => drop(messages.remove(idx.index(n))),
                Change::Swap(a, b) => messages.swap(a.index(n), b.index(n)),
                Change::Alter(idx, place, flip) => {
                    let message = &mut messages[idx.index(n)];
                    if !message.is_empty() {
                        let place = place.index(message.len());
                        message[place] ^= flip;
                    }
                }
                Change::Repeat(idx) => messages.push(messages[idx.index(n)].clone()),
                Change::Resend(idx, to, _) => messages.insert(to.index(n), messages[idx.index(n)].clone()),
                Change::Shorten(idx, place) => {
                    let message = &mut messages[idx.index(n)];
                    if !message.is_empty() {
                        message.remove(place.index(message.len()));
                    }
                }
            }
            if messages.is_empty() {
                break;
            }
        }
        let result = assembled(&messages);
        prop_assert!(result.findings.len() < 40);
        prop_assert!(result.findings.iter().all(|f| f.message.len() < 400));
        prop_assert!(result.n_checked + result.n_bad <= messages.len() as u64);
        assemble(messages.iter().map(|m| &m[..]));
    }

    #[test]
    fn any_bytes_give_an_answer(
        ids in prop::collection::vec(0u8..0x80, 0..6),
        data in prop_oneof![
            prop::collection::vec(0u8..0x80, 0..30),
            prop::collection::vec(0u8..0x80, 0..450),
        ],
        is_real_time in prop::bool::weighted(0.1),
    ) {
        let mut message = vec![0xF0, if is_real_time { 0x7F } else { 0x7E }, 0x00];
        // Every published sub-ID comes up often.
        message.extend(ids.iter().map(|id| id % 0x10));
        message.extend(&data);
        message.push(0xF7);
        let universal = Universal::from_bytes(&message).unwrap();
        prop_assert!(!universal.title().is_empty());
        universal.checksum();
        let result = assembled([&message, &message]);
        prop_assert!(result.findings.len() < 10);
        result.samples.iter().for_each(|sample| assert!(!sample.to_string().is_empty()));
        result.files.iter().for_each(|file| assert!(!file.to_string().is_empty()));
    }
}

#[test]
fn a_million_equal_faults_are_one_finding_and_take_no_time() {
    let packet = message("sds_packet_silence");
    let mut bad = packet.clone();
    bad[60] = 1;
    let mut assembly = Assembly::new();
    for number in 1..=1_000_000 {
        assembly.push(number, if number % 2 == 0 { &packet } else { &bad });
    }
    let result = assembly.finish();
    let lines: Vec<&str> = result.findings.iter().map(|f| &f.message[..]).collect();
    assert_eq!(
        lines,
        [
            "message 1: packet 0 belongs to a sample whose header is missing; 999,999 packets more likewise",
            "message 1: the checksum of packet 0 is 7C and its bytes give 7D; 499,999 packets more likewise",
        ]
    );
    assert_eq!((result.n_checked, result.n_bad), (500_000, 500_000));
}

/// Peak of this process's address space in KiB.
#[cfg(target_os = "linux")]
fn peak_kib() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let line = status.lines().find(|l| l.starts_with("VmPeak:")).unwrap();
    line.split_whitespace().nth(1).unwrap().parse().unwrap()
}

/// Run by the test below in a process of its own, where no other test asks for memory.
#[cfg(target_os = "linux")]
#[test]
#[ignore = "measures the process it runs in; run by the next test"]
fn claims_alone() {
    let claim = Header {
        device: 0,
        number: 0,
        bits: 28,
        period_ns: 1,
        n_words: 0x1F_FFFF,
        loop_start: 0,
        loop_end: 0,
        loop_type: LoopType::Off,
    };
    let packet = sample::packets(0, 28, &[1; 30]).next().unwrap();
    let file = file::Header {
        device: 0,
        source: 0,
        file_type: *b"BIN ",
        n_bytes: Some(0xFFF_FFFF),
        name: String::new(),
    };
    let file_packet = file::packets(0, &[1; 112]).next().unwrap();
    let messages = [claim.to_bytes(), packet, file.to_bytes(), file_packet];
    let before = peak_kib();
    let result = assembled(&messages);
    assert_eq!(assemble(messages.iter().map(|m| &m[..])), None);
    let grown = peak_kib() - before;
    assert_eq!((result.samples.len(), result.files.len()), (1, 1));
    assert!(grown < 1_024, "{grown} KiB");
}

#[cfg(target_os = "linux")]
#[test]
fn a_claimed_length_takes_no_memory() {
    let output = std::process::Command::new(std::env::current_exe().unwrap())
        .args(["--exact", "claims_alone", "--ignored", "--test-threads=1"])
        // With one arena the peak is what was asked for; others set address space aside by the tens of MiB and give it back.
        .env("MALLOC_ARENA_MAX", "1")
        .output()
        .unwrap();
    let text = String::from_utf8_lossy(&output.stdout);
    assert!(output.status.success(), "{text}");
    assert!(text.contains("1 passed"), "{text}");
}
