//! Framing against the published check values, against a plain model, and against mido.

use std::collections::BTreeSet;
use std::io::Write as _;
use std::process::{Command, Stdio};

use farshelf::midi::framing::{Event, Framer, ProblemKind, StrayKind, Stream, frame, summarize};
use proptest::prelude::*;
use proptest::strategy::ValueTree as _;

/// A whole message among the check values, with its kind and its ID. All others must be in the two tables below.
const WHOLE: &[(&str, &str, &str)] = &[
    ("identity_request_all", "universal", "7E"),
    ("identity_request_dev05", "universal", "7E"),
    ("identity_reply_fp30", "universal", "7E"),
    ("identity_reply_3byte_organ", "universal", "7E"),
    ("identity_reply_noncommercial", "universal", "7E"),
    ("gm_on", "universal", "7E"),
    ("gm_off", "universal", "7E"),
    ("gm2_on", "universal", "7E"),
    ("dls_01", "universal", "7E"),
    ("dls_02", "universal", "7E"),
    ("dls_03", "universal", "7E"),
    ("dls_04", "universal", "7E"),
    ("sds_header_16bit_44k1", "universal", "7E"),
    ("sds_header_8bit_8kHz", "universal", "7E"),
    ("sds_packet_silence", "universal", "7E"),
    ("sds_packet_max", "universal", "7E"),
    ("sds_request", "universal", "7E"),
    ("handshake_ack", "universal", "7E"),
    ("handshake_nak", "universal", "7E"),
    ("handshake_cancel", "universal", "7E"),
    ("handshake_wait", "universal", "7E"),
    ("handshake_eof", "universal", "7E"),
    ("sds_loop_points", "universal", "7E"),
    ("sds_loop_request", "universal", "7E"),
    ("fd_header", "universal", "7E"),
    ("fd_request", "universal", "7E"),
    ("fd_packet_smf", "universal", "7E"),
    ("fd_packet_7", "universal", "7E"),
    ("mts_bulk_equal", "universal", "7E"),
    ("mts_bulk_nochange", "universal", "7E"),
    ("mts_scale_octave_1", "universal", "7E"),
    ("mts_bulk_request", "universal", "7E"),
];

/// What the check values about framing itself must give: whole messages with their kinds, and problems with their bytes.
type Expected = (
    &'static str,
    &'static [(&'static str, &'static str)],
    &'static [(ProblemKind, &'static str)],
);
const FRAMING: &[Expected] = &[
    (
        "frame_realtime_inside",
        &[("F0 7D 01 02 03 F7", "non-commercial")],
        &[],
    ),
    (
        "frame_terminated_by_status",
        &[],
        &[
            (ProblemKind::CutByStatus(0x90), "F0 7D 01 02"),
            (ProblemKind::Stray, "90 3C 40"),
        ],
    ),
    (
        "frame_f0_restarts",
        &[("F0 7D 03 F7", "non-commercial")],
        &[(ProblemKind::CutByStart, "F0 7D 01 02")],
    ),
    (
        "frame_eof_unterminated",
        &[],
        &[(ProblemKind::CutByEnd, "F0 7D 01 02 03")],
    ),
    (
        "frame_stray_data",
        &[("F0 7D 04 F7", "non-commercial")],
        &[(ProblemKind::Stray, "01 02 03")],
    ),
    (
        "frame_empty",
        &[("F0 F7", "no-id")],
        &[(ProblemKind::NoId, "F0 F7")],
    ),
];

/// Check values that are no stream of messages, with the reason.
const NOT_A_STREAM: &[(&str, &str)] = &[
    (
        "sds_word_12bit_fff",
        "the data bytes of one sample word, without a message around them",
    ),
    (
        "sds_word_16bit_8000",
        "the data bytes of one sample word, without a message around them",
    ),
    (
        "sds_word_16bit_ffff",
        "the data bytes of one sample word, without a message around them",
    ),
    (
        "sds_word_16bit_1",
        "the data bytes of one sample word, without a message around them",
    ),
    (
        "sds_word_8bit_80",
        "the data bytes of one sample word, without a message around them",
    ),
    (
        "sds_word_8bit_ff",
        "the data bytes of one sample word, without a message around them",
    ),
    (
        "sds_word_14bit_3fff",
        "the data bytes of one sample word, without a message around them",
    ),
    (
        "sds_word_15bit_4000",
        "the data bytes of one sample word, without a message around them",
    ),
    (
        "sds_word_28bit_fffffff",
        "the data bytes of one sample word, without a message around them",
    ),
    (
        "fd_7in8_full",
        "the data bytes of one packed group, without a message around them",
    ),
    (
        "fd_7in8_short3",
        "the data bytes of one packed group, without a message around them",
    ),
    ("fd_size_rule", "a rule about sizes in words"),
    ("fd_real_transfer", "sizes of a transfer in words"),
    ("mts_frequency_table", "a table of frequencies"),
    (
        "midi_rate",
        "the line rate in words, and a table of durations",
    ),
];

fn check_values() -> Vec<serde_json::Value> {
    let file: serde_json::Value =
        serde_json::from_str(include_str!("vectors/midi/area_a.json")).unwrap();
    let vectors = file["vectors"].as_array().unwrap().clone();
    assert_eq!(file["count"], vectors.len());
    vectors
}

fn check_value(name: &str) -> serde_json::Value {
    let mut values = check_values();
    values.retain(|value| value["name"] == name);
    assert_eq!(values.len(), 1, "{name}");
    values.remove(0)
}

fn bytes_of(hex: &str) -> Vec<u8> {
    hex.split_whitespace()
        .map(|byte| u8::from_str_radix(byte, 16).unwrap())
        .collect()
}

#[test]
fn every_check_value_is_in_one_table() {
    let names: Vec<&str> = (WHOLE.iter().map(|row| row.0))
        .chain(FRAMING.iter().map(|row| row.0))
        .chain(NOT_A_STREAM.iter().map(|row| row.0))
        .collect();
    let set: BTreeSet<&str> = names.iter().copied().collect();
    assert_eq!(set.len(), names.len(), "a name stands in two tables");
    let values = check_values();
    let of_file: BTreeSet<&str> = values
        .iter()
        .map(|value| value["name"].as_str().unwrap())
        .collect();
    assert_eq!(set, of_file);
}

#[test]
fn published_messages_are_whole() {
    for (name, kind, maker) in WHOLE {
        let value = check_value(name);
        let bytes = bytes_of(value["hex"].as_str().unwrap());
        assert_eq!(value["length"], bytes.len(), "{name}");
        let framing = frame(&bytes);
        assert_eq!(framing.problems, [], "{name}");
        let [message] = &framing.messages[..] else {
            panic!("{name}: {} messages", framing.messages.len());
        };
        assert_eq!(message.bytes, bytes, "{name}");
        assert_eq!(message.kind().as_str(), *kind, "{name}");
        assert_eq!(message.maker().unwrap().to_string(), *maker, "{name}");
        assert!(summarize(&bytes).is_clean(), "{name}");
    }
}

#[test]
fn published_framing_rules_hold() {
    for (name, messages, problems) in FRAMING {
        let value = check_value(name);
        let framing = frame(&bytes_of(value["hex"].as_str().unwrap()));
        let got: Vec<(Vec<u8>, &str)> = (framing.messages.iter())
            .map(|message| (message.bytes.clone(), message.kind().as_str()))
            .collect();
        let wanted: Vec<(Vec<u8>, &str)> = messages
            .iter()
            .map(|(hex, kind)| (bytes_of(hex), *kind))
            .collect();
        assert_eq!(got, wanted, "{name}");
        let got: Vec<(ProblemKind, Vec<u8>)> = (framing.problems.iter())
            .map(|problem| (problem.kind, problem.bytes.clone()))
            .collect();
        let wanted: Vec<(ProblemKind, Vec<u8>)> = problems
            .iter()
            .map(|(kind, hex)| (*kind, bytes_of(hex)))
            .collect();
        assert_eq!(got, wanted, "{name}");

        // What the file itself expects, so that the table above cannot drift from it.
        if let Some(hex) = value["expect_message"].as_str() {
            assert_eq!(framing.messages[0].bytes, bytes_of(hex), "{name}");
        }
        if let Some(hex) = value["expect_unterminated"].as_str() {
            assert!(framing.problems[0].kind.is_torn(), "{name}");
            assert_eq!(framing.problems[0].bytes, bytes_of(hex), "{name}");
        }
    }
}

#[test]
fn the_check_values_one_after_the_other_are_one_clean_stream() {
    let pieces: Vec<Vec<u8>> = (WHOLE.iter())
        .map(|row| bytes_of(check_value(row.0)["hex"].as_str().unwrap()))
        .collect();
    let framing = frame(&pieces.concat());
    let messages: Vec<&[u8]> = framing
        .messages
        .iter()
        .map(|message| &message.bytes[..])
        .collect();
    assert_eq!(messages, pieces);
    assert_eq!(framing.n_problems, 0);
}

/// Streams in which every kind of byte is common and runs of data are sometimes long.
fn any_stream() -> impl Strategy<Value = Vec<u8>> {
    let run = prop_oneof![
        4 => Just(vec![0xF0]),
        3 => Just(vec![0xF7]),
        2 => (0xF8..=0xFFu8).prop_map(|byte| vec![byte]),
        1 => (0x80..=0xFFu8).prop_map(|byte| vec![byte]),
        3 => (0u8..=0x7F).prop_map(|byte| vec![byte]),
        1 => Just(vec![0x00]),
        2 => prop::collection::vec(0u8..=0x7F, 0..100),
        2 => prop::collection::vec(0u8..=0x7F, 0..20).prop_map(|data| [&[0xF0], &data[..], &[0xF7]].concat()),
    ];
    prop::collection::vec(run, 0..40).prop_map(|runs| runs.concat())
}

/// A stream and where it is cut into pieces.
fn any_pieces() -> impl Strategy<Value = (Vec<u8>, Vec<usize>)> {
    any_stream().prop_flat_map(|stream| {
        let n_bytes = stream.len();
        (Just(stream), prop::collection::vec(0..=n_bytes, 0..20)).prop_map(|(stream, mut cuts)| {
            cuts.extend([0, stream.len()]);
            cuts.sort_unstable();
            (stream, cuts)
        })
    })
}

/// One line for each event with bytes cut down to single ones, so that runs split by pieces compare equal.
fn single_byte_events(stream: &[u8], cuts: &[usize]) -> Vec<String> {
    let mut events = Vec::new();
    let mut sink = |event: Event<'_>| match event {
        Event::Message { offset, bytes } => {
            events.extend((offset..).zip(bytes).map(|at| format!("message {at:?}")));
        }
        Event::RealTime {
            offset,
            bytes,
            inside,
        } => {
            events.extend(
                (offset..)
                    .zip(bytes)
                    .map(|at| format!("real-time {inside} {at:?}")),
            );
        }
        Event::Stray {
            offset,
            bytes,
            kind,
        } => {
            events.extend(
                (offset..)
                    .zip(bytes)
                    .map(|at| format!("stray {kind:?} {at:?}")),
            );
        }
        _ => events.push(format!("{event:?}")),
    };
    let mut framer = Framer::new();
    for cut in cuts.windows(2) {
        framer.push(&stream[cut[0]..cut[1]], &mut sink);
    }
    framer.finish(&mut sink);
    events
}

/// Framing said the other way round, looking back from each F7 and ahead from each F0 of a stream that is all there.
#[derive(Debug, Default, PartialEq)]
struct Model {
    whole: Vec<Vec<u8>>,
    n_torn: u64,
    torn_bytes: u64,
    n_lost_starts: u64,
    lost_start_bytes: u64,
}

fn model_of(stream: &[u8]) -> Model {
    let bytes: Vec<u8> = stream.iter().copied().filter(|&byte| byte < 0xF8).collect();
    let mut model = Model::default();
    for (idx, &byte) in bytes.iter().enumerate() {
        if byte == 0xF0 {
            let n_data = bytes[idx + 1..]
                .iter()
                .take_while(|&&byte| byte < 0x80)
                .count();
            if bytes.get(idx + 1 + n_data) == Some(&0xF7) {
                model.whole.push(bytes[idx..idx + n_data + 2].to_vec());
            } else {
                model.n_torn += 1;
                model.torn_bytes += 1 + n_data as u64;
            }
        }
        if byte == 0xF7 {
            let n_data = bytes[..idx]
                .iter()
                .rev()
                .take_while(|&&byte| byte < 0x80)
                .count();
            let n_taken = match bytes[..idx - n_data].last() {
                Some(0xF0) => continue,
                Some(0x80..=0xBF | 0xE0..=0xEF | 0xF2) => 2,
                Some(0xC0..=0xDF | 0xF1 | 0xF3) => 1,
                _ => 0,
            };
            if n_data > n_taken {
                model.n_lost_starts += 1;
                model.lost_start_bytes += (n_data - n_taken + 1) as u64;
            }
        }
    }
    model
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, cases: 1000, ..ProptestConfig::default() })]

    #[test]
    fn every_byte_comes_out_once_and_in_order((stream, cuts) in any_pieces()) {
        let mut out = Vec::new();
        let mut n_ends = 0;
        let mut sink = |event: Event<'_>| {
            out.extend_from_slice(event.bytes());
            n_ends += usize::from(matches!(event, Event::EndOfInput { .. }));
        };
        let mut framer = Framer::new();
        for cut in cuts.windows(2) {
            framer.push(&stream[cut[0]..cut[1]], &mut sink);
        }
        framer.finish(&mut sink);
        prop_assert_eq!(out, stream);
        prop_assert_eq!(n_ends, 1);
    }

    #[test]
    fn pieces_give_the_same_as_the_whole((stream, cuts) in any_pieces()) {
        prop_assert_eq!(single_byte_events(&stream, &cuts), single_byte_events(&stream, &[0, stream.len()]));

        let mut pieces = Stream::new();
        for cut in cuts.windows(2) {
            pieces.push(&stream[cut[0]..cut[1]]);
        }
        prop_assert_eq!(pieces.finish(), frame(&stream));
    }

    #[test]
    fn taking_on_the_way_gives_the_same_as_taking_at_the_end((stream, cuts) in any_pieces()) {
        let mut pieces = Stream::new();
        let (mut messages, mut problems, mut n_real_time) = (Vec::new(), Vec::new(), 0);
        for cut in cuts.windows(2) {
            pieces.push(&stream[cut[0]..cut[1]]);
            let part = pieces.take();
            messages.extend(part.messages);
            problems.extend(part.problems);
            n_real_time += part.real_time.n_all();
        }
        let part = pieces.finish();
        messages.extend(part.messages);
        problems.extend(part.problems);
        n_real_time += part.real_time.n_all();
        let whole = frame(&stream);
        prop_assert_eq!(messages, whole.messages);
        prop_assert_eq!(problems, whole.problems);
        prop_assert_eq!(n_real_time, whole.real_time.n_all());
    }

    #[test]
    fn framing_agrees_with_the_model(stream in any_stream()) {
        let model = model_of(&stream);
        let framing = frame(&stream);
        let messages: Vec<Vec<u8>> = framing.messages.iter().map(|message| message.bytes.clone()).collect();
        prop_assert_eq!(&messages, &model.whole);
        for message in &framing.messages {
            let place = &stream[message.offset as usize..message.end as usize];
            let without_real_time: Vec<u8> = place.iter().copied().filter(|&byte| byte < 0xF8).collect();
            prop_assert_eq!(&without_real_time, &message.bytes);
        }

        let summary = summarize(&stream);
        prop_assert_eq!(summary.whole_messages, model.whole.len() as u64);
        prop_assert_eq!(summary.whole_bytes, model.whole.concat().len() as u64);
        prop_assert_eq!((summary.torn.n_all(), summary.torn.n_bytes), (model.n_torn, model.torn_bytes));
        prop_assert_eq!((summary.headless, summary.headless_bytes), (model.n_lost_starts, model.lost_start_bytes));
        prop_assert_eq!(summary.is_clean(), !stream.is_empty() && model.whole.concat() == stream);
        let n_without = framing.messages.iter().filter(|message| message.maker().is_none()).count();
        prop_assert_eq!(summary.without_id, n_without as u64);
        prop_assert_eq!(summary.n_problems(), framing.n_problems);
        prop_assert_eq!(
            summary.whole_bytes + summary.torn.n_bytes + summary.headless_bytes + summary.stray_bytes + summary.real_time.n_all(),
            stream.len() as u64
        );
        prop_assert_eq!(summary.n_bytes, stream.len() as u64);
    }

    #[test]
    fn problems_are_in_order_and_apart(stream in any_stream()) {
        let framing = frame(&stream);
        for pair in framing.problems.windows(2) {
            prop_assert!(pair[0].end <= pair[1].offset, "{:?}", pair);
            prop_assert!(
                !(pair[0].kind == ProblemKind::Stray && pair[1].kind == ProblemKind::Stray && pair[0].message_number == pair[1].message_number),
                "neighbours must be one problem: {:?}", pair
            );
        }
    }
}

/// Where mido 1.3.3 is known to read otherwise: input, our messages, its messages. Compared too, so that the list stays true.
const MIDO_DIFFERS: &[(&str, &str, &str)] = &[
    // It reads on over the undefined F4 and F5, which end a message (Table VII note 2).
    ("F0 7D 01 F4 02 F7", "", "f07d0102f7"),
    ("F0 7D 01 F5 02 F7", "", "f07d0102f7"),
    ("F0 F4 F7", "", "f0f7"),
];

/// Where mido reads like us but says nothing about what it left out: torn messages, tails, stray bytes.
const MIDO_AGREES: &[(&str, &str)] = &[
    ("", ""),
    ("F0 F7", "f0f7"),
    ("F0 7D 01 F8 02 FE 03 F7", "f07d010203f7"),
    ("F0 7D F9 01 FD F7", "f07d01f7"),
    ("F0 7D 01 02 90 3C 40", ""),
    ("F0 7D 01 02 F0 7D 03 F7", "f07d03f7"),
    ("F0 7D 01 02 03", ""),
    ("01 02 F7 F0 7D 04 F7", "f07d04f7"),
    ("F0 7D F6 01 F7", ""),
];

#[test]
fn mido_finds_the_same_whole_messages() {
    let mut runner = proptest::test_runner::TestRunner::deterministic();
    let mut streams: Vec<Vec<u8>> = (MIDO_DIFFERS.iter().map(|row| row.0))
        .chain(MIDO_AGREES.iter().map(|row| row.0))
        .map(bytes_of)
        .collect();
    for _ in 0..2000 {
        let mut stream = any_stream().new_tree(&mut runner).unwrap().current();
        stream.retain(|byte| !matches!(byte, 0xF4 | 0xF5));
        streams.push(stream);
    }
    let Some(by_mido) = mido_messages(&streams) else {
        return;
    };
    assert_eq!(by_mido.len(), streams.len());
    for (row, theirs) in MIDO_DIFFERS.iter().zip(&by_mido) {
        assert_eq!(messages_hex(&bytes_of(row.0)), row.1, "{}", row.0);
        assert_eq!(theirs, row.2, "{}", row.0);
    }
    for (row, theirs) in MIDO_AGREES.iter().zip(&by_mido[MIDO_DIFFERS.len()..]) {
        assert_eq!(theirs, row.1, "{}", row.0);
    }
    let n_messages = by_mido
        .iter()
        .filter(|messages| !messages.is_empty())
        .count();
    assert!(
        n_messages > 1000,
        "the streams hold too few messages: {n_messages}"
    );
    for (stream, theirs) in streams.iter().zip(&by_mido).skip(MIDO_DIFFERS.len()) {
        assert_eq!(&messages_hex(stream), theirs, "{stream:02X?}");
    }
}

fn messages_hex(stream: &[u8]) -> String {
    let messages: Vec<String> = frame(stream)
        .messages
        .iter()
        .map(|message| hex(&message.bytes))
        .collect();
    messages.join(",")
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// What mido finds in each stream; `None` if it is not installed.
fn mido_messages(streams: &[Vec<u8>]) -> Option<Vec<String>> {
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/outside/mido_framing.py");
    let child = Command::new("python3")
        .arg(script)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn();
    let Ok(mut child) = child else {
        not_run("python3 is missing; install it and: pip install mido==1.3.3");
        return None;
    };
    let mut stdin = child.stdin.take().unwrap();
    let lines: String = streams.iter().map(|stream| hex(stream) + "\n").collect();
    // A thread of its own, or both sides would wait for each other once a pipe is full. Without mido nobody reads it.
    let writer = std::thread::spawn(move || stdin.write_all(lines.as_bytes()));
    let output = child.wait_with_output().unwrap();
    let written = writer.join().unwrap();
    if output.status.code() == Some(3) {
        not_run("mido is missing; install it: pip install mido==1.3.3");
        return None;
    }
    assert!(output.status.success(), "{}", output.status);
    written.unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    Some(text.lines().map(str::to_owned).collect())
}

/// Says that the comparison was left out, past the test runner's capture; fails where it must not be left out.
fn not_run(reason: &str) {
    assert!(
        std::env::var_os("FARSHELF_REQUIRE_OUTSIDE").is_none_or(|value| value != "1"),
        "FARSHELF_REQUIRE_OUTSIDE=1, but {reason}"
    );
    let line = format!("not run: framing against mido: {reason}\n");
    std::io::stderr().write_all(line.as_bytes()).unwrap();
}

#[test]
fn stray_kinds_tell_taken_data_from_loose_data() {
    let mut runs = Vec::new();
    let mut framer = Framer::new();
    framer.push(&[0x01, 0x90, 0x3C, 0x40, 0x41, 0xF6, 0xF7], &mut |event| {
        if let Event::Stray { bytes, kind, .. } = event {
            runs.push((bytes.to_vec(), kind));
        }
    });
    let expected = [
        (vec![0x01], StrayKind::Data),
        (vec![0x90, 0x3C, 0x40], StrayKind::Status),
        (vec![0x41], StrayKind::Data),
        (vec![0xF6], StrayKind::Status),
        (vec![0xF7], StrayKind::Status),
    ];
    assert_eq!(runs, expected);
}
