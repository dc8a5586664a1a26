//! MIDI files against the published check values, against damage, and against three other readers.

use std::io::Write as _;
use std::process::{Command, Stdio};

use farshelf::midi::file::{self, Pace, looks_like_midi_file, vlq};
use farshelf::model::take::Severity;
use proptest::prelude::*;
use proptest::strategy::ValueTree as _;

/// A message: track, tick, bytes.
type Timed = (u32, u64, Vec<u8>);

fn timed(bytes: &[u8]) -> Vec<Timed> {
    let file = file::read(bytes);
    let messages = file.messages();
    messages
        .map(|found| (found.track, found.tick, found.bytes.to_vec()))
        .collect()
}

fn codes(bytes: &[u8]) -> Vec<String> {
    let findings = file::read(bytes).findings;
    findings.iter().map(|f| f.code.to_string()).collect()
}

/// Whether something is wrong with it; notes are not.
fn is_faulted(bytes: &[u8]) -> bool {
    let findings = file::read(bytes).findings;
    findings.iter().any(|f| f.severity > Severity::Note)
}

/// Whether nothing is said against it at all; real-time bytes and messages without an ID are nothing against it.
fn is_spotless(bytes: &[u8]) -> bool {
    let codes = codes(bytes);
    codes
        .iter()
        .all(|code| code == "real-time" || code == "no-id")
}

fn check_value(name: &str) -> serde_json::Value {
    let file: serde_json::Value =
        serde_json::from_str(include_str!("vectors/midi/area_b.json")).unwrap();
    let values = file["vectors"].as_array().unwrap();
    assert_eq!(file["count"], values.len());
    let tested = [
        "smf_vlq_table",
        "smf_sysex_one",
        "smf_sysex_split",
        "smf_escape",
    ];
    let names: Vec<&str> = (values.iter())
        .map(|v| v["name"].as_str().unwrap())
        .collect();
    assert_eq!(names, tested, "each check value has its test");
    let value = values.iter().find(|value| value["name"] == name);
    value.unwrap().clone()
}

fn file_of_check_value(name: &str) -> Vec<u8> {
    let value = check_value(name);
    let bytes = from_hex(value["hex"].as_str().unwrap());
    assert_eq!(value["length"], bytes.len(), "{name}");
    bytes
}

fn from_hex(text: &str) -> Vec<u8> {
    text.split_whitespace()
        .map(|byte| u8::from_str_radix(byte, 16).unwrap())
        .collect()
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// RP-001, section 1.1: the whole table, both ways.
#[test]
fn published_numbers_are_read_and_written() {
    let table = check_value("smf_vlq_table")["table"].clone();
    let rows = table.as_array().unwrap();
    assert_eq!(rows.len(), 12);
    for row in rows {
        let number = u32::from_str_radix(row["value"].as_str().unwrap(), 16).unwrap();
        let bytes = from_hex(row["vlq"].as_str().unwrap());
        assert_eq!(vlq::read(&bytes), Ok((number, bytes.len())), "{row}");
        let mut written = Vec::new();
        assert!(vlq::write(number, &mut written));
        assert_eq!(written, bytes, "{row}");
    }
    // The last row is the highest number there is.
    assert_eq!(vlq::MAX, 0x0FFF_FFFF);
    assert!(!vlq::write(0x1000_0000, &mut Vec::new()));
    assert_eq!(
        vlq::read(&from_hex("81 80 80 80 00")),
        Err(vlq::NoNumber::TooLong)
    );
}

/// RP-001, SysEx events: a whole message, one in three packets (at ticks 0, 200 and 300), and escapes that are none.
#[test]
fn published_files_hold_what_they_should() {
    for name in ["smf_sysex_one", "smf_sysex_split", "smf_escape"] {
        let bytes = file_of_check_value(name);
        let value = check_value(name);
        let expected: Vec<Vec<u8>> = (value["expect"].as_array().unwrap().iter())
            .map(|message| from_hex(message.as_str().unwrap()))
            .collect();
        let file = file::read(&bytes);
        let found: Vec<Vec<u8>> = file.messages().map(|found| found.bytes.to_vec()).collect();
        assert_eq!(found, expected, "{name}");
        assert_eq!(file.findings, [], "{name}");
        assert_eq!((file.format, file.n_tracks), (0, 1), "{name}");
        assert!(file.messages().all(|found| found.tick == 0), "{name}");
        assert!(looks_like_midi_file(&bytes), "{name}");
        let (messages, findings) = file::messages(&bytes);
        assert_eq!(findings, [], "{name}");
        let found: Vec<Vec<u8>> = messages.into_iter().map(|message| message.bytes).collect();
        assert_eq!(found, expected, "{name}");
    }
}

/// One event of a made-up track, without its delta time.
#[derive(Debug, Clone)]
enum MadeEvent {
    Channel(u8, u8, u8),
    Meta(u8, Vec<u8>),
    /// A whole message, in packets of these lengths.
    SysEx(Vec<u8>, Vec<usize>),
    Escape(Vec<u8>),
}

/// A message with or without a complete ID.
fn any_message() -> impl Strategy<Value = Vec<u8>> {
    let data = prop_oneof![
        8 => prop::collection::vec(0u8..0x80, 0..20),
        1 => prop::collection::vec(0u8..0x80, 120..300),
    ];
    data.prop_map(|data| [&[0xF0][..], &data, &[0xF7]].concat())
}

fn any_event(packets: bool) -> impl Strategy<Value = MadeEvent> {
    let cuts = prop::collection::vec(0usize..8, 0..if packets { 4 } else { 1 });
    let escape = prop_oneof![Just(vec![0xF8]), Just(vec![0xF3, 0x01]), Just(vec![])];
    let set_tempo = prop::collection::vec(any::<u8>(), 3);
    let text = prop::collection::vec(0x20u8..0x7F, 0..20);
    prop_oneof![
        4 => (any_message(), cuts).prop_map(|(message, cuts)| MadeEvent::SysEx(message, cuts)),
        3 => (0x80u8..0xF0, 0u8..0x80, 0u8..0x80).prop_map(|(s, a, b)| MadeEvent::Channel(s, a, b)),
        1 => (1u8..8, text).prop_map(|(kind, text)| MadeEvent::Meta(kind, text)),
        1 => set_tempo.prop_map(|tempo| MadeEvent::Meta(0x51, tempo)),
        (if packets { 1 } else { 0 }) => escape.prop_map(MadeEvent::Escape),
    ]
}

fn any_delta() -> impl Strategy<Value = u32> {
    prop_oneof![4 => Just(0u32), 4 => 0u32..300, 1 => 0u32..0x0FFF_FFFF]
}

/// A valid file, and what it holds. With `packets`, messages may come in several, and there are escapes.
fn any_file(packets: bool) -> impl Strategy<Value = (Vec<u8>, Vec<Timed>)> {
    let track = prop::collection::vec((any_delta(), any_event(packets)), 0..12);
    let tracks = prop::collection::vec(track, 0..4);
    // Formats 0 and 1: mido cannot tell the length of format 2.
    (tracks, 1u16..0x8000).prop_map(|(tracks, division)| {
        let mut file = b"MThd\0\0\0\x06".to_vec();
        for word in [u16::from(tracks.len() != 1), tracks.len() as u16, division] {
            file.extend(word.to_be_bytes());
        }
        let mut messages = Vec::new();
        for (track_idx, events) in tracks.iter().enumerate() {
            let track = track_of(events, track_idx as u32 + 1, &mut messages);
            file.extend(b"MTrk");
            file.extend((track.len() as u32).to_be_bytes());
            file.extend(track);
        }
        messages.sort_by_key(|message: &Timed| message.1);
        (file, messages)
    })
}

fn track_of(events: &[(u32, MadeEvent)], number: u32, messages: &mut Vec<Timed>) -> Vec<u8> {
    let mut track = Vec::new();
    let mut tick = 0;
    let mut running_status = 0;
    for (delta, event) in events {
        tick += u64::from(*delta);
        assert!(vlq::write(*delta, &mut track));
        let status_before = std::mem::take(&mut running_status);
        match event {
            MadeEvent::Channel(status, first, second) => {
                if *status != status_before {
                    track.push(*status);
                }
                running_status = *status;
                track.push(*first);
                if !(0xC0..0xE0).contains(status) {
                    track.push(*second);
                }
            }
            MadeEvent::Meta(kind, data) => {
                track.extend([0xFF, *kind]);
                counted(&mut track, data);
            }
            MadeEvent::Escape(data) => {
                track.push(0xF7);
                counted(&mut track, data);
            }
            MadeEvent::SysEx(message, cuts) => {
                messages.push((number, tick, message.clone()));
                track.push(0xF0);
                let mut rest = &message[1..];
                for cut in cuts {
                    // The last packet keeps at least the F7, or what follows would be an escape.
                    let (packet, later) = rest.split_at((*cut).min(rest.len() - 1));
                    counted(&mut track, packet);
                    tick += *cut as u64;
                    track.extend([*cut as u8, 0xF7]);
                    rest = later;
                }
                counted(&mut track, rest);
            }
        }
    }
    track.extend([0x00, 0xFF, 0x2F, 0x00]);
    track
}

fn counted(track: &mut Vec<u8>, data: &[u8]) {
    assert!(vlq::write(data.len() as u32, track));
    track.extend(data);
}

/// What midly's events would send, framed byte by byte; `None` if a message is torn, midly refuses the file, or leaves part
/// of it out.
fn by_midly(bytes: &[u8]) -> Option<Vec<Timed>> {
    let (_, tracks) = midly::parse(bytes).ok()?;
    let mut messages = Vec::new();
    for (track_idx, track) in tracks.enumerate() {
        let mut tick = 0;
        let mut open: Option<(u64, Vec<u8>)> = None;
        for event in track.ok()? {
            let event = event.ok()?;
            tick += u64::from(event.delta.as_int());
            let sent = match event.kind {
                midly::TrackEventKind::Midi { .. } => vec![0x90, 0, 0],
                midly::TrackEventKind::SysEx(data) => [&[0xF0], data].concat(),
                midly::TrackEventKind::Escape(data) => data.to_vec(),
                midly::TrackEventKind::Meta(midly::MetaMessage::EndOfTrack) => break,
                midly::TrackEventKind::Meta(_) => Vec::new(),
            };
            for byte in sent {
                match (byte, &mut open) {
                    (0xF8.., _) => (),
                    (..0x80, Some((_, message))) => message.push(byte),
                    (0xF7, Some((start, message))) => {
                        message.push(byte);
                        messages.push((track_idx as u32 + 1, *start, std::mem::take(message)));
                        open = None;
                    }
                    (0x80.., Some(_)) => return None,
                    (0xF0, None) => open = Some((tick, vec![byte])),
                    (_, None) => (),
                }
            }
        }
        if open.is_some() {
            return None;
        }
    }
    messages.sort_by_key(|message| message.1);
    Some(messages)
}

/// A changed place of a file: where (as a share of its length), bytes to take out, bytes to put in.
fn any_change() -> impl Strategy<Value = (f64, usize, Vec<u8>)> {
    let byte = prop_oneof![
        any::<u8>(),
        Just(0xF0u8),
        Just(0xF7),
        Just(0xFF),
        Just(0x00)
    ];
    (0.0..1.0, 0usize..3, prop::collection::vec(byte, 0..3))
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, cases: 1000, ..ProptestConfig::default() })]

    #[test]
    fn valid_files_are_read_as_made((file, messages) in any_file(true)) {
        prop_assert!(!is_faulted(&file), "{:?}", codes(&file));
        prop_assert_eq!(timed(&file), messages);
    }

    /// Written and read again: the same messages, in order, each after the earlier one was sent and its pause was over.
    #[test]
    fn what_is_written_is_read_again(
        messages in prop::collection::vec(any_message(), 0..20),
        bytes_per_second in 1u32..10_000,
        pause_after_message_ms in 0u32..1000,
        name in any::<String>(),
    ) {
        let pace = Pace { bytes_per_second, pause_after_message_ms };
        let bytes = file::write(messages.iter().map(Vec::as_slice), pace, &name).unwrap();
        prop_assert!(!is_faulted(&bytes), "{:?}", codes(&bytes));
        let file = file::read(&bytes);
        let found: Vec<Vec<u8>> = file.messages().map(|found| found.bytes.to_vec()).collect();
        prop_assert_eq!(&found, &messages);
        // The same memory as a .syx file has the same content.
        prop_assert_eq!(found.concat(), messages.concat());
        let starts: Vec<f64> = file.messages().map(|found| found.seconds.unwrap()).collect();
        for (pair, message) in starts.windows(2).zip(&messages) {
            let busy = message.len() as f64 / f64::from(bytes_per_second) + f64::from(pause_after_message_ms) / 1000.0;
            let apart = pair[1] - pair[0];
            prop_assert!(apart > busy - 1e-6 && apart < busy + 0.001 + 1e-6, "{} {}", apart, busy);
        }
        prop_assert_eq!(file.track_names().count(), usize::from(!name.is_empty()));
    }

    /// Every cut is noticed, and what is left of the messages is what was there.
    #[test]
    fn every_cut_of_a_file_is_found((file, messages) in any_file(true)) {
        for n_left in 0..file.len() {
            let cut = &file[..n_left];
            prop_assert!(is_faulted(cut), "cut at {} of {}", n_left, file.len());
            let left = timed(cut);
            for track in 1..4 {
                let left: Vec<&Timed> = left.iter().filter(|message| message.0 == track).collect();
                let all: Vec<&Timed> = messages.iter().filter(|message| message.0 == track).collect();
                prop_assert!(all.starts_with(&left), "cut at {}", n_left);
            }
        }
    }

    /// The rule for any change: if nothing is said to be wrong with a file, then it is a valid file that another reader
    /// reads as well, with the same messages at the same times. (A changed data byte, a note turned into another event or a
    /// changed time cannot be noticed by any reader.) And whatever is given back is a whole message from within the file.
    #[test]
    fn what_is_not_complained_about_is_read_alike_by_midly(
        (file, _) in any_file(true),
        changes in prop::collection::vec(any_change(), 1..4),
    ) {
        let mut changed = file;
        for (place, n_out, bytes) in changes {
            let at = (place * changed.len() as f64) as usize;
            let end = (at + n_out).min(changed.len());
            changed.splice(at..end, bytes);
        }
        let read = file::read(&changed);
        for found in read.messages() {
            let (first, last) = (found.offset as usize, found.end as usize - 1);
            prop_assert_eq!((changed[first] == 0xF0 || changed[first] == 0xF7, changed[last]), (true, 0xF7));
            prop_assert!(found.bytes.len() >= 2 && found.bytes.starts_with(&[0xF0]) && found.bytes.ends_with(&[0xF7]));
            prop_assert!(found.bytes[1..found.bytes.len() - 1].iter().all(|&byte| byte < 0x80));
        }
        if is_spotless(&changed) {
            // What a tick is changes no message. midly refuses frame rates it does not know and panics on 80.
            changed[12..14].copy_from_slice(&[0, 96]);
            prop_assert_eq!(Some(timed(&changed)), by_midly(&changed));
        }
    }

    #[test]
    fn any_bytes_at_all_are_read_without_a_panic(
        bytes in prop::collection::vec(any::<u8>(), 0..200),
        wrapped in any::<bool>(),
    ) {
        let head = if wrapped { &b"RIFF\0\0\0\0RMIDdata\xFF\0\0\0MThd\0\0\0\x06\0\x01\0\x01\0\x60MTrk\0\0\0\x60"[..] } else { b"MThd" };
        let read = file::read(&[head, &bytes].concat());
        prop_assert!(read.messages().count() <= bytes.len());
    }
}

/// Files of the same kinds, the same at every run.
fn made_files(packets: bool, n: usize) -> Vec<(Vec<u8>, Vec<Timed>)> {
    let mut runner = proptest::test_runner::TestRunner::deterministic();
    let strategy = any_file(packets);
    let files = (0..n).map(|_| strategy.new_tree(&mut runner).unwrap().current());
    files.collect()
}

/// Files that were written here, with their messages and how long they last in milliseconds.
fn written_files(n: usize) -> Vec<(Vec<u8>, Vec<Timed>, u64)> {
    let mut runner = proptest::test_runner::TestRunner::deterministic();
    let strategy = (
        prop::collection::vec(any_message(), 0..20),
        100u32..10_000,
        0u32..200,
    );
    let mut made: Vec<(Vec<Vec<u8>>, Pace)> = (0..n)
        .map(|_| {
            let (messages, bytes_per_second, pause_after_message_ms) =
                strategy.new_tree(&mut runner).unwrap().current();
            let pace = Pace {
                bytes_per_second,
                pause_after_message_ms,
            };
            (messages, pace)
        })
        .collect();
    // A bank of 32 voices (4104 bytes) and a long dump, as they are written by default. mido reads at most a million bytes.
    let long = |n: usize| [&[0xF0][..], &vec![0x43; n - 2], &[0xF7]].concat();
    made.push((vec![long(4104), long(100_000)], Pace::default()));
    let files = made.into_iter().map(|(messages, pace)| {
        let file = file::write(messages.iter().map(Vec::as_slice), pace, "Organ, bank A").unwrap();
        let mut at = 0;
        let mut timed = Vec::new();
        for message in messages {
            let sending = (message.len() as u64 * 1000).div_ceil(u64::from(pace.bytes_per_second));
            timed.push((1, at, message));
            at += sending + u64::from(pace.pause_after_message_ms);
        }
        (file, timed, at)
    });
    files.collect()
}

#[test]
fn midly_reads_the_same_messages() {
    for (file, messages) in made_files(true, 1000) {
        assert_eq!(timed(&file), messages);
        assert_eq!(by_midly(&file), Some(messages), "{}", hex(&file));
    }
    for (file, messages, _) in written_files(100) {
        assert_eq!(timed(&file), messages);
        assert_eq!(by_midly(&file), Some(messages));
    }
}

/// Where midly 0.5.3 (without its feature `strict`) differs: it leaves out what it cannot read and says nothing.
#[test]
fn midly_passes_over_damage_in_silence() {
    let good = "00 F0 02 7D F7 00 FF 2F 00";
    let with_first_track = |events: &str| {
        let events = from_hex(events);
        let mut file = from_hex("4D 54 68 64 00 00 00 06 00 01 00 02 00 60 4D 54 72 6B 00 00 00");
        file.push(events.len() as u8);
        file.extend(events);
        file.extend(from_hex("4D 54 72 6B 00 00 00 09"));
        file.extend(from_hex(good));
        file
    };
    let check = |events: &str, messages: usize, code: &[&str], by_midly: &[usize]| {
        let file = with_first_track(events);
        assert_eq!(timed(&file).len(), messages, "{events}");
        assert_eq!(codes(&file), code, "{events}");
        let smf = midly::Smf::parse(&file).unwrap();
        let events_of_tracks: Vec<usize> = smf.tracks.iter().map(Vec::len).collect();
        assert_eq!(events_of_tracks, by_midly, "{events}");
    };
    check(good, 2, &[], &[2, 2]);
    // A status no event may have: the rest of the track is left out.
    check("00 F0 02 7D F7 00 F4", 2, &["damaged-track"], &[1, 2]);
    // A length beyond the track: midly gives the cut message as if it were one.
    check(
        "00 F0 02 7D F7 00 F0 7F 7D 01 F7",
        2,
        &["damaged-track"],
        &[2, 2],
    );
    // A time of five bytes: midly takes the first four.
    check(
        "81 80 80 80 00 F0 02 7D F7 00 FF 2F 00",
        1,
        &["damaged-track"],
        &[0, 2],
    );
}

/// Runs a script of `tests/outside` that takes files line by line; `None` if what it needs is not installed.
fn peer(program: &str, script: &str, remedy: &str, files: &[Vec<u8>]) -> Option<Vec<String>> {
    let script = format!("{}/tests/outside/{script}", env!("CARGO_MANIFEST_DIR"));
    let child = Command::new(program)
        .arg(script)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn();
    let Ok(mut child) = child else {
        not_run(&format!("{program} is missing; {remedy}"));
        return None;
    };
    let mut stdin = child.stdin.take().unwrap();
    let lines: String = files.iter().map(|file| hex(file) + "\n").collect();
    // A thread of its own, or both sides would wait for each other once a pipe is full.
    let writer = std::thread::spawn(move || stdin.write_all(lines.as_bytes()));
    let output = child.wait_with_output().unwrap();
    let written = writer.join().unwrap();
    if output.status.code() == Some(3) {
        not_run(&format!("a module is missing; {remedy}"));
        return None;
    }
    assert!(output.status.success(), "{}", output.status);
    written.unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    let lines: Vec<String> = text.lines().map(str::to_owned).collect();
    assert_eq!(lines.len(), files.len());
    Some(lines)
}

/// Says that the comparison was left out, past the test runner's capture; fails where it must not be left out.
fn not_run(reason: &str) {
    assert!(
        std::env::var_os("FARSHELF_REQUIRE_OUTSIDE").is_none_or(|value| value != "1"),
        "FARSHELF_REQUIRE_OUTSIDE=1, but {reason}"
    );
    let line = format!("not run: MIDI files against other readers: {reason}\n");
    std::io::stderr().write_all(line.as_bytes()).unwrap();
}

fn by_mido(files: &[Vec<u8>]) -> Option<Vec<String>> {
    let remedy = "install it: pip install mido==1.3.3";
    peer("python3", "mido_file.py", remedy, files)
}

fn by_midi_perl(files: &[Vec<u8>]) -> Option<Vec<String>> {
    let remedy = "install it: apt-get install libmidi-perl";
    peer("perl", "midi_perl.pl", remedy, files)
}

/// As mido's script says it.
fn in_words_of_mido(messages: &[Timed]) -> String {
    let messages: Vec<String> = (messages.iter())
        .map(|(track, tick, bytes)| format!("{track}@{tick}:{}", hex(bytes)))
        .collect();
    messages.join(",")
}

/// As MIDI-Perl's script says it: track by track, one F0 packet a message.
fn in_words_of_midi_perl(messages: &[Timed]) -> String {
    let mut messages = messages.to_vec();
    messages.sort_by_key(|message| message.0);
    let messages: Vec<String> = (messages.iter())
        .map(|(track, tick, bytes)| format!("{track}@{tick}:f0:{}", hex(&bytes[1..])))
        .collect();
    messages.join(",")
}

/// The published files and one fault, as the other readers see them; compared too, so that the list stays true.
/// - mido 1.3.3 takes each continuation packet for a message and puts F0 and F7 around it, and fails on bytes in an escape
///   that are no data bytes. It lets running status go on after a meta event, which RP-001 forbids.
/// - MIDI-Perl 0.83 keeps the packets apart, which is right. It too lets running status go on.
const OTHERS: &[(&str, &str, &str)] = &[
    (
        "smf_sysex_one",
        "0.000000000 1@0:f043120007f7",
        "1@0:f0:43120007f7",
    ),
    (
        "smf_sysex_split",
        "1.562500000 1@0:f0431200f7,1@200:f0431200431200f7,1@300:f0431200f7",
        "1@0:f0:431200,1@200:f7:431200431200,1@300:f7:431200f7",
    ),
    ("smf_escape", "!ValueError", "1@0:f7:f301,1@0:f7:f8"),
];
const RUNNING_ON: &str = "4D 54 68 64 00 00 00 06 00 00 00 01 00 60 4D 54 72 6B 00 00 00 14 \
                          00 90 3C 40 00 FF 01 00 00 3C 00 00 F0 02 7D F7 00 FF 2F 00";

#[test]
fn other_readers_see_the_published_files_so() {
    let mut files: Vec<Vec<u8>> = (OTHERS.iter())
        .map(|row| file_of_check_value(row.0))
        .collect();
    let running_on = from_hex(RUNNING_ON);
    assert_eq!(codes(&running_on), ["damaged-track"]);
    files.push(running_on);
    if let Some(mut lines) = by_mido(&files) {
        assert_eq!(lines.pop().unwrap(), "0.000000000 1@0:f07df7");
        let expected: Vec<&str> = OTHERS.iter().map(|row| row.1).collect();
        assert_eq!(lines, expected);
    }
    if let Some(mut lines) = by_midi_perl(&files) {
        assert_eq!(lines.pop().unwrap(), "1@0:f0:7df7");
        let expected: Vec<&str> = OTHERS.iter().map(|row| row.2).collect();
        assert_eq!(lines, expected);
    }
}

#[test]
fn mido_and_midi_perl_read_the_same_messages() {
    let made = made_files(false, 1000);
    for (file, messages) in &made {
        assert_eq!(&timed(file), messages);
    }
    let n_messages: usize = made.iter().map(|(_, messages)| messages.len()).sum();
    assert!(
        n_messages > 1000,
        "the files hold too few messages: {n_messages}"
    );
    let files: Vec<Vec<u8>> = made.iter().map(|(file, _)| file.clone()).collect();
    if let Some(lines) = by_mido(&files) {
        for ((file, messages), line) in made.iter().zip(&lines) {
            let (_, theirs) = line.split_once(' ').unwrap_or(("", line));
            assert_eq!(in_words_of_mido(messages), theirs, "{}", hex(file));
        }
    }
    if let Some(lines) = by_midi_perl(&files) {
        for ((file, messages), line) in made.iter().zip(&lines) {
            assert_eq!(&in_words_of_midi_perl(messages), line, "{}", hex(file));
        }
    }
}

#[test]
fn mido_and_midi_perl_read_what_is_written() {
    let written = written_files(200);
    let files: Vec<Vec<u8>> = written.iter().map(|(file, ..)| file.clone()).collect();
    if let Some(lines) = by_mido(&files) {
        for ((_, messages, milliseconds), line) in written.iter().zip(&lines) {
            let (seconds, theirs) = line.split_once(' ').unwrap();
            assert_eq!(in_words_of_mido(messages), theirs);
            let seconds: f64 = seconds.parse().unwrap();
            let expected = *milliseconds as f64 / 1000.0;
            assert!((seconds - expected).abs() < 1e-6, "{seconds} {expected}");
        }
        // The last one by hand: 4104 bytes take 1.31328 s and 100,000 bytes 32.000 s at 3125 bytes a second (MIDI 1.0
        // Detailed Specification: 320 us a byte), and there are two pauses of 60 ms. Rounded up to milliseconds.
        assert!(lines.last().unwrap().starts_with("33.434000000 "));
    }
    if let Some(lines) = by_midi_perl(&files) {
        for ((_, messages, _), line) in written.iter().zip(&lines) {
            assert_eq!(&in_words_of_midi_perl(messages), line);
        }
    }
}

/// MIDI 1.0 Detailed Specification 4.2.1, Hardware p. 1, and CA-033: 31,250 baud, 10 bits to a byte. A message begins when
/// the one before has been sent, rounded up to a millisecond.
#[test]
fn a_message_takes_as_long_as_the_cable_needs() {
    let all: serde_json::Value =
        serde_json::from_str(include_str!("vectors/midi/area_a.json")).unwrap();
    let entries = all["vectors"].as_array().unwrap();
    let rate = entries.iter().find(|v| v["name"] == "midi_rate").unwrap();
    let rows = rate["table"].as_array().unwrap();
    assert!(rows.len() >= 5);
    for row in rows {
        let n_bytes = row["bytes"].as_u64().unwrap() as usize;
        let seconds = row["seconds"].as_f64().unwrap();
        let mut message = vec![0x01; n_bytes];
        message[0] = 0xF0;
        message[n_bytes - 1] = 0xF7;
        let pace = Pace {
            pause_after_message_ms: 0,
            ..Pace::default()
        };
        let written = file::write([message.as_slice(), &message], pace, "").unwrap();
        let ticks: Vec<u64> = file::read(&written).messages().map(|m| m.tick).collect();
        // The table is rounded to a hundredth of a millisecond.
        let wanted = (seconds * 1000.0 - 0.01).ceil() as u64;
        assert_eq!(ticks, [0, wanted], "{n_bytes} bytes");
    }
}
