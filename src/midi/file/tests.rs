//! Reading and writing MIDI files: the table of what is found in which file, time, and the limits.

use super::*;

/// A header of this format, number of tracks and division.
fn header(format: u16, n_tracks: u16, division: u16) -> Vec<u8> {
    let mut file = b"MThd\0\0\0\x06".to_vec();
    for word in [format, n_tracks, division] {
        file.extend(word.to_be_bytes());
    }
    file
}

fn chunk(kind: &[u8; 4], data: &[u8]) -> Vec<u8> {
    let length = (data.len() as u32).to_be_bytes();
    [kind, &length[..], data].concat()
}

/// A file of format 1 with 96 ticks to a quarter and these tracks (events in hex).
fn file_of(tracks: &[&str]) -> Vec<u8> {
    let mut file = header(1, tracks.len() as u16, 96);
    for track in tracks {
        file.extend(chunk(b"MTrk", &from_hex(track)));
    }
    file
}

fn from_hex(hex: &str) -> Vec<u8> {
    hex.split_whitespace()
        .map(|byte| u8::from_str_radix(byte, 16).unwrap())
        .collect()
}

fn to_hex(bytes: &[u8]) -> String {
    let bytes: Vec<String> = bytes.iter().map(|byte| format!("{byte:02X}")).collect();
    bytes.join(" ")
}

/// Messages as `track@tick: bytes`, then findings as `severity code`.
fn summary_of(file: &[u8]) -> (Vec<String>, Vec<String>) {
    let file = read(file);
    let messages = file
        .messages()
        .map(|m| format!("{}@{}: {}", m.track, m.tick, to_hex(m.bytes)));
    let findings = (file.findings.iter())
        .map(|finding| format!("{} {}", finding.severity.as_str(), finding.code));
    (messages.collect(), findings.collect())
}

fn check(file: &[u8], messages: &[&str], findings: &[&str]) {
    let (found, noticed) = summary_of(file);
    assert_eq!(found, messages, "messages of {}", to_hex(file));
    assert_eq!(noticed, findings, "findings of {}", to_hex(file));
}

const END: &str = "00 FF 2F 00";

/// One track that ends as it should.
fn check_track(events: &str, messages: &[&str], findings: &[&str]) {
    check(&file_of(&[&format!("{events} {END}")]), messages, findings);
}

#[test]
fn packets_are_joined_into_one_message() {
    check_track("05 F0 04 7D 01 02 F7", &["1@5: F0 7D 01 02 F7"], &[]);
    check_track(
        "05 F0 02 7D 01 03 F7 01 02 81 00 F7 02 03 F7 00 F0 02 7D F7",
        &["1@5: F0 7D 01 02 03 F7", "1@136: F0 7D F7"],
        &[],
    );
    // Empty packets, and a message whose F7 comes alone.
    check_track(
        "00 F0 00 00 F7 02 7D 01 00 F7 00 00 F7 01 F7",
        &["1@0: F0 7D 01 F7"],
        &[],
    );
    // Meta events are not sent and may stand between (RP-001 forbids MIDI events only).
    check_track(
        "00 F0 02 7D 01 00 FF 01 01 41 00 F7 02 02 F7",
        &["1@0: F0 7D 01 02 F7"],
        &[],
    );
    // Real-time bytes inside the data and in an escape between the packets, as a recorder may write them.
    check_track(
        "00 F0 03 7D F8 01 00 F7 01 FE 00 F7 02 02 F7",
        &["1@0: F0 7D 01 02 F7"],
        &["note real-time"],
    );
    // Each track joins its own.
    check(
        &file_of(&[
            &format!("00 F0 02 7D 01 09 F7 02 02 F7 {END}"),
            &format!("05 F0 02 7D 03 09 F7 02 04 F7 {END}"),
        ]),
        &["1@0: F0 7D 01 02 F7", "2@5: F0 7D 03 04 F7"],
        &[],
    );
}

#[test]
fn escapes_send_any_bytes() {
    check_track("00 F7 02 F3 01 00 F7 01 F8 00 F7 03 90 3C 40", &[], &[]);
    check_track("00 F7 01 F7 00 F7 02 01 02 00 F7 00", &[], &[]);
    // A whole message in an escape is a message, also among other bytes and over several escapes.
    check_track("00 F7 05 F0 7D 01 02 F7", &["1@0: F0 7D 01 02 F7"], &[]);
    check_track(
        "00 F7 08 F3 01 F0 7D 01 F7 F3 01",
        &["1@0: F0 7D 01 F7"],
        &[],
    );
    check_track("00 F7 02 F0 7D 05 F7 02 01 F7", &["1@0: F0 7D 01 F7"], &[]);
    check_track(
        "00 F7 06 F0 7D F7 F0 7D F7",
        &["1@0: F0 7D F7", "1@0: F0 7D F7"],
        &[],
    );
    // The end of a message without its beginning.
    check_track("00 F7 03 01 02 F7", &[], &["error headless"]);
}

#[test]
fn a_message_without_its_end_is_torn() {
    check_track("00 F0 03 7D 01 02", &[], &["error torn"]);
    let torn = read(&file_of(&[&format!("00 F0 03 7D 01 02 {END}")]));
    assert!(torn.bytes.is_empty(), "only whole messages take memory");
    check_track(
        "00 F0 02 7D 01 00 F0 03 7D 02 F7",
        &["1@0: F0 7D 02 F7"],
        &["error torn"],
    );
    check_track(
        "00 F0 05 7D 01 90 02 F7 00 F0 02 7D F7",
        &["1@0: F0 7D F7"],
        &["error torn", "warning stray-bytes"],
    );
    // The F0 of the event is not counted: a second one begins a message of its own.
    check_track(
        "00 F0 04 F0 7D 01 F7",
        &["1@0: F0 7D 01 F7"],
        &["error torn"],
    );
    // Nothing but the message belongs into its events.
    check_track(
        "00 F0 05 7D 01 F7 02 03",
        &["1@0: F0 7D 01 F7"],
        &["warning stray-bytes"],
    );
    check_track(
        "00 F0 05 7D 01 F7 F7 F7",
        &["1@0: F0 7D 01 F7"],
        &["warning stray-bytes"],
    );
    check_track(
        "00 F0 05 7D 01 F7 02 F7",
        &["1@0: F0 7D 01 F7"],
        &["error headless"],
    );
    check_track(
        "00 F0 02 7D 01 00 F7 03 02 F7 F7",
        &["1@0: F0 7D 01 02 F7"],
        &["warning stray-bytes"],
    );
    check_track(
        "00 F0 01 F7 00 F0 02 00 F7",
        &["1@0: F0 F7", "1@0: F0 00 F7"],
        &["note no-id"],
    );
}

#[test]
fn a_note_inside_a_message_cuts_it_off() {
    check_track(
        "00 F0 02 7D 01 00 90 3C 40 00 F7 02 02 F7 00 F0 02 7D F7",
        &["1@0: F0 7D F7"],
        &["error events-between"],
    );
    // The same with a packet between that is not the last, and with running status.
    check_track(
        "00 F0 02 7D 01 00 90 3C 40 00 3C 00 00 F7 01 02 00 C0 01 00 F7 02 02 F7",
        &[],
        &["error events-between"],
    );
    // Nothing follows that could be the rest: simply torn.
    check_track("00 F0 02 7D 01 00 90 3C 40", &[], &["error torn"]);
    check_track(
        "00 F0 02 7D 01 00 90 3C 40 00 F0 02 7D F7",
        &["1@0: F0 7D F7"],
        &["error torn"],
    );
    // What follows another message is the rest of nothing.
    check_track(
        "00 F0 02 7D 01 00 90 3C 40 00 F0 02 7D F7 00 F7 02 02 F7",
        &["1@0: F0 7D F7"],
        &["error torn", "error headless"],
    );
}

#[test]
fn running_status_ends_at_sysex_and_meta_events() {
    check_track(
        "00 90 3C 40 00 3C 00 00 C1 05 00 06 00 F0 02 7D F7",
        &["1@0: F0 7D F7"],
        &[],
    );
    let before = "00 F0 02 7D F7 00 90 3C 40";
    let check = |events: &str, findings: &[&str]| {
        check_track(&format!("{before} {events}"), &["1@0: F0 7D F7"], findings);
    };
    check("00 3C 00 00 90 3C 00", &[]);
    check(
        "00 F0 01 7D 00 3C 00",
        &["error damaged-track", "error torn"],
    );
    check("00 F7 01 F8 00 3C 00", &["error damaged-track"]);
    check("00 FF 01 00 00 3C 00", &["error damaged-track"]);
}

#[test]
fn damage_ends_a_track_and_not_the_file() {
    let good = format!("00 F0 03 7D 02 F7 {END}");
    let check = |events: &str, findings: &[&str]| {
        let damaged = format!("00 F0 03 7D 01 F7 {events}");
        check(
            &file_of(&[&damaged, &good]),
            &["1@0: F0 7D 01 F7", "2@0: F0 7D 02 F7"],
            findings,
        );
    };
    check("", &["warning no-end-of-track"]);
    check(END, &[]);
    for damage in [
        "00",
        "81",
        "81 80 80 80 00 FF 2F 00",
        "00 90",
        "00 90 3C",
        "00 90 3C 80",
        "00 90 80 00",
        "00 C0 FF",
        "00 3C 40",
        "00 F4",
        "00 F8",
        "00 F0",
        "00 F0 81",
        "00 F0 81 80 80 80 00",
        "00 F7 02 01",
        "00 FF",
        "00 FF 80 00",
        "00 FF 2F",
        "00 FF 01 02 41",
        "00 FF 2F 00 00 FF 2F 00",
    ] {
        check(damage, &["error damaged-track"]);
    }
    check(
        "00 F0 02 7D 01 00 F4",
        &["error damaged-track", "error torn"],
    );
    // Zeros after the end are padding.
    check("00 FF 2F 00 00 00", &[]);
}

#[test]
fn chunks_are_what_they_claim() {
    let track = from_hex(&format!("00 F0 03 7D 01 F7 {END}"));
    let whole = chunk(b"MTrk", &track);
    let found = &["1@0: F0 7D 01 F7"][..];
    let join = |parts: &[&[u8]]| parts.concat();
    let head = header(0, 1, 96);
    check(&join(&[&head, &whole]), found, &[]);
    check(
        &join(&[&head, &chunk(b"XFIH", b"abc"), &whole]),
        found,
        &["note unknown-chunk"],
    );
    check(
        &join(&[&head, &whole, &chunk(b"XFIH", b"")]),
        found,
        &["note unknown-chunk"],
    );
    check(
        &join(&[&head, &whole, b"MTrk"]),
        found,
        &["note unknown-chunk"],
    );
    check(
        &join(&[&head, &whole, b"XFIH\0\0\0\x02a"]),
        found,
        &["note unknown-chunk"],
    );
    check(
        &join(&[&head, &chunk(b"MThd", &[0; 6]), &whole]),
        found,
        &["note unknown-chunk"],
    );
    // A longer header is honoured; a shorter one says too little.
    let longer = join(&[b"MThd\0\0\0\x08", &head[8..], &[0xAA, 0xBB]]);
    check(&join(&[&longer, &whole]), found, &[]);
    check(
        &join(&[b"MThd\0\0\0\x04\0\0\0\x01", &whole]),
        found,
        &["error damaged-header"],
    );
    check(
        &join(&[b"MThd\0\0\0\0", &whole]),
        found,
        &["error damaged-header"],
    );
    check(
        b"MThd\xFF\xFF\xFF\xFF\0\0\0\x02\0\x60",
        &[],
        &["error damaged-header", "error track-count"],
    );
    check(&header(0, 0, 96), &[], &["warning track-count"]);
    check(
        &join(&[&header(7, 1, 96), &whole]),
        found,
        &["error damaged-header"],
    );
    // Longer and shorter tracks than claimed.
    let mut long = whole.clone();
    long[7] += 1;
    check(&join(&[&head, &long]), found, &["error damaged-track"]);
    let mut short = whole.clone();
    short[7] -= 1;
    check(
        &join(&[&head, &short]),
        found,
        &["error damaged-track", "note unknown-chunk"],
    );
    let mut huge = whole.clone();
    huge[4] = 0xFF;
    check(&join(&[&head, &huge]), found, &["error damaged-track"]);
    // More and fewer tracks.
    let two = ["1@0: F0 7D 01 F7", "2@0: F0 7D 01 F7"];
    check(
        &join(&[&head, &whole, &whole]),
        &two,
        &["warning track-count"],
    );
    check(
        &join(&[&header(0, 2, 96), &whole, &whole]),
        &two,
        &["warning track-count"],
    );
    check(&join(&[&header(1, 2, 96), &whole, &whole]), &two, &[]);
    check(
        &join(&[&header(1, 2, 96), &whole]),
        found,
        &["error track-count"],
    );
    check(&head, &[], &["error track-count"]);
}

#[test]
fn what_is_no_midi_file_says_so() {
    let check = |bytes: &[u8], expected: bool| {
        assert_eq!(looks_like_midi_file(bytes), expected, "{}", to_hex(bytes));
        let is_not = read(bytes)
            .findings
            .iter()
            .any(|f| f.code == "not-midi-file");
        assert_eq!(is_not, !expected, "{}", to_hex(bytes));
    };
    check(b"", false);
    check(b"MTh", false);
    check(b"MTrk\0\0\0\0", false);
    check(b"\xF0\x7D\xF7", false);
    check(b" MThd\0\0\0\x06\0\0\0\0\0\x60", false);
    check(b"RIFF\0\0\0\0WAVE", false);
    check(b"MThd", true);
    check(b"RIFF\x20\0\0\0RMIDdata\x04\0\0\0MThd", true);
    // Looks like one, holds none.
    for bytes in [
        &b"RIFF\x04\0\0\0RMID"[..],
        b"RIFF\0\0\0\0RMIDdata\x04\0\0\0MTrk",
        b"RIFF\0\0\0\0RMIDXXXX\xFF\xFF\xFF\xFF",
    ] {
        assert!(looks_like_midi_file(bytes));
        super::tests::check(bytes, &[], &["error not-midi-file"]);
    }
}

#[test]
fn the_riff_wrapper_is_taken_off() {
    let inside = file_of(&[&format!("00 F0 02 7D F7 {END}")]);
    let wrap = |before: &[u8], after: &[u8]| {
        let length = (inside.len() as u32).to_le_bytes();
        [
            b"RIFF\0\0\0\0RMID",
            before,
            b"data",
            &length,
            &inside,
            after,
        ]
        .concat()
    };
    assert_eq!(inside.len() % 2, 1);
    let found = &["1@0: F0 7D F7"];
    check(&wrap(b"", b""), found, &[]);
    check(&wrap(b"", b"\0LIST\x04\0\0\0INFO"), found, &[]);
    // A chunk of odd length is padded.
    check(&wrap(b"DISP\x03\0\0\0abc\0", b"\0"), found, &[]);
    let mut cut = wrap(b"", b"");
    cut.pop();
    check(&cut, found, &["error damaged-track"]);
    // Offsets count from the start of the file, wrapper included.
    let wrapped = wrap(b"", b"");
    let (messages, _) = messages(&wrapped);
    assert_eq!(wrapped[messages[0].offset as usize], 0xF0);
    assert_eq!(wrapped[messages[0].end as usize - 1], 0xF7);
}

#[test]
fn messages_come_in_order_of_time_then_track() {
    let tracks = [
        format!("00 F0 02 11 F7 0A F0 02 12 F7 {END}"),
        format!("05 F0 02 21 F7 05 F0 02 22 F7 05 F0 02 23 F7 {END}"),
        format!("00 F0 02 31 F7 {END}"),
    ];
    let mut file = file_of(&[&tracks[0], &tracks[1], &tracks[2]]);
    let by_time = [
        "1@0: F0 11 F7",
        "3@0: F0 31 F7",
        "2@5: F0 21 F7",
        "1@10: F0 12 F7",
        "2@10: F0 22 F7",
        "2@15: F0 23 F7",
    ];
    check(&file, &by_time, &[]);
    file[9] = 2;
    let one_by_one = [
        "1@0: F0 11 F7",
        "1@10: F0 12 F7",
        "2@5: F0 21 F7",
        "2@10: F0 22 F7",
        "2@15: F0 23 F7",
        "3@0: F0 31 F7",
    ];
    check(&file, &one_by_one, &[]);
}

fn check_seconds(file: &[u8], expected: &[Option<f64>]) {
    let read = read(file);
    assert_eq!(read.findings, []);
    let seconds: Vec<Option<f64>> = read.messages().map(|found| found.seconds).collect();
    assert_eq!(seconds.len(), expected.len());
    for (found, expected) in seconds.iter().zip(expected) {
        match (found, expected) {
            (Some(found), Some(expected)) => {
                assert!((found - expected).abs() < 1e-9, "{found} {expected}");
            }
            _ => assert_eq!(found, expected),
        }
    }
}

#[test]
fn seconds_follow_the_tempo() {
    let message = "F0 02 7D F7";
    // 96 ticks to a quarter: 120 bpm until another tempo comes, here 60 bpm (0F 42 40) at tick 96, 120 bpm at tick 192.
    let song = format!(
        "60 {message} 00 FF 51 03 0F 42 40 30 {message} 30 {message} 00 FF 51 03 07 A1 20 60 {message} \
         60 FF 51 03 00 00 01 {END}"
    );
    let expected = [Some(0.5), Some(1.0), Some(1.5), Some(2.0)];
    check_seconds(&file_of(&[&song]), &expected);
    // The tempo of one track is that of all, unless the tracks are played one by one.
    let other = format!("81 40 {message} {END}");
    let mut two = file_of(&[&song, &other]);
    check_seconds(
        &two,
        &[Some(0.5), Some(1.0), Some(1.5), Some(1.5), Some(2.0)],
    );
    two[9] = 2;
    check_seconds(
        &two,
        &[Some(0.5), Some(1.0), Some(1.5), Some(2.0), Some(1.0)],
    );
    two.truncate(two.len() - other.split_whitespace().count() - 8);
    two.extend(chunk(b"MTrk", &from_hex(&other)));
    two.extend(chunk(
        b"MTrk",
        &from_hex(&format!("00 FF 51 03 0F 42 40 {other}")),
    ));
    two[11] = 3;
    let expected = [
        Some(0.5),
        Some(1.0),
        Some(1.5),
        Some(2.0),
        Some(1.0),
        Some(2.0),
    ];
    check_seconds(&two, &expected);
}

#[test]
fn seconds_follow_the_division() {
    let song = from_hex(&format!("00 FF 51 03 0F 42 40 81 16 F0 02 7D F7 {END}"));
    let check = |division: u16, said: Option<Division>, seconds: Option<f64>| {
        let file = [header(0, 1, division), chunk(b"MTrk", &song)].concat();
        assert_eq!(read(&file).division, said, "{division:04X}");
        check_seconds(&file, &[seconds]);
    };
    let per_second = |frames, ticks| Some(Division::PerSecond { frames, ticks });
    // 150 ticks. RP-001's own example of milliseconds: 25 frames of 40 ticks, E7 28.
    check(0xE728, per_second(25, 40), Some(0.150));
    check(0xE850, per_second(24, 0x50), Some(150.0 / 1920.0));
    check(0xE204, per_second(30, 4), Some(1.25));
    check(0xE301, per_second(29, 1), Some(150.0 * 1001.0 / 30000.0));
    check(0x8001, per_second(128, 1), Some(150.0 / 128.0));
    check(0xE700, None, None);
    check(0x0000, None, None);
    check(0x0096, Some(Division::PerQuarter(150)), Some(1.0));
    check(
        0x7FFF,
        Some(Division::PerQuarter(0x7FFF)),
        Some(150.0 / 32767.0),
    );
}

#[test]
fn places_are_those_of_the_file() {
    let file = file_of(&[&format!(
        "00 F0 03 7D 01 F7 00 F0 01 7D 00 F7 04 02 F7 F0 F7 {END}"
    )]);
    let (messages, findings) = messages(&file);
    // An F7 event inside a message holds the beginning of another: it is read, and F0 F7 has no ID.
    assert_eq!(findings.len(), 1);
    let places: Vec<(u64, u64)> = messages.iter().map(|m| (m.offset, m.end)).collect();
    assert_eq!(places, [(23, 28), (29, 37), (37, 39)]);
    for message in &messages {
        assert_eq!(file[message.offset as usize], 0xF0);
        assert_eq!(file[message.end as usize - 1], 0xF7);
    }
}

#[test]
fn findings_name_track_and_place_and_are_summed_up() {
    let check = |file: &[u8], expected: &[&str]| {
        let file = read(file);
        let words: Vec<&str> = file.findings.iter().map(|f| f.message.as_str()).collect();
        assert_eq!(words, expected);
    };
    let check_tracks = |tracks: &[&str], expected: &[&str]| check(&file_of(tracks), expected);
    let torn = format!("00 F0 02 7D 01 {END}");
    let whole = format!("00 F0 02 7D F7 {END}");
    check_tracks(
        &[&torn],
        &["a message in track 1 (from byte 23) was cut off at byte 31 by the end of the track"],
    );
    check_tracks(
        &[&torn, &torn, &whole],
        &[
            "a message in track 1 (from byte 23) was cut off at byte 31 by the end of the track; and 1 more like it; \
             1 whole message beside",
        ],
    );
    check_tracks(
        &[&format!("00 F0 04 7D 01 90 01 {END}"), &torn, &torn],
        &[
            "a message in track 1 (from byte 23) was cut off at byte 27 by 0x90; and 2 more like it",
            "2 bytes belong to no message",
        ],
    );
    check_tracks(
        &[&format!("00 F0 01 7D 00 F0 03 F8 7D F7 00 F0 01 F7 {END}")],
        &[
            "a message in track 1 (from byte 23) was cut off at byte 27 by the start of another; 2 whole messages beside",
            "inside messages: 1 byte of clock or active sensing; no part of them",
            "messages without a maker ID: 1",
        ],
    );
    check_tracks(
        &[&format!(
            "00 F0 02 7D 01 00 90 3C 40 00 F7 02 02 F7 00 F7 02 03 F7 {END}"
        )],
        &[
            "a note or other event at byte 28 stands inside a message of track 1 (from byte 23) and cuts it off",
            "the beginning of the message in track 1 that ends at byte 40 is missing",
        ],
    );
    check_tracks(
        &[&whole, "00 F0 02 7D F7 00 F4", "00 F5", ""],
        &[
            "track 2 cannot be read on at byte 45: no event begins with 0xf4; and 1 more like it",
            "track 4 has no end-of-track event",
        ],
    );
    check_tracks(
        &["81 80 80 80 00"],
        &["track 1 cannot be read on at byte 22: a time or length has more than 4 bytes"],
    );
    check_tracks(
        &["00 90 3C 80"],
        &["track 1 cannot be read on at byte 25: 0x80 is no data byte"],
    );
    check_tracks(
        &["00 F0 05 7D"],
        &["track 1 cannot be read on at byte 25: the track ends within an event"],
    );
    check_tracks(
        &[&format!("{END} 00 {END}")],
        &["track 1 goes on after its end: 5 bytes from byte 26 on were not read"],
    );
    let mut cut = file_of(&[&whole, &whole]);
    cut.pop();
    check(
        &cut,
        &["track 2 at byte 31 claims 9 bytes, the file ends after 8"],
    );
    cut.truncate(31);
    check(&cut, &["the header says 2 tracks, the file has 1"]);
    let more = [
        header(0, 1, 96),
        chunk(b"MTrk", &from_hex(END)),
        chunk(b"MTrk", &from_hex(END)),
        chunk(b"\x1B[2J", b""),
        vec![0; 3],
    ];
    check(
        &more.concat(),
        &[
            "the header says 1 track, the file has 2",
            "the chunk \"\\x1b[2J\" at byte 38 is no track and was passed over; and 1 more like it",
        ],
    );
    check(
        b"MThd\0\0\0\x02\0\0",
        &["the header is too short: 2 of 6 bytes"],
    );
    check(
        b"MThd\0\0",
        &["the file ends after 6 bytes, within its header"],
    );
    check(b"", &["it is no MIDI file"]);
}

#[test]
fn claims_take_no_memory_and_no_time() {
    // Every length at its highest, in the place of each byte.
    let file = file_of(&[&format!("00 F0 03 7D 01 F7 00 FF 03 01 41 {END}")]);
    for at in 0..file.len() {
        let mut claim = file.clone();
        claim.splice(at..at + 1, [0xFF, 0xFF, 0xFF, 0x7F]);
        let read = read(&claim);
        assert!(read.bytes.capacity() <= 64, "at {at}");
        assert!(read.entries.capacity() <= 8, "at {at}");
    }
    let mut empty_tracks = header(1, 0xFFFF, 96);
    for _ in 0..1000 {
        empty_tracks.extend(chunk(b"MTrk", b""));
    }
    let read = read(&empty_tracks);
    assert_eq!((read.n_tracks, read.findings.len()), (1000, 2));
}

#[test]
fn tracks_are_known_by_their_first_name() {
    let file = read(&file_of(&[
        &format!("00 FF 03 00 00 FF 03 02 41 42 00 FF 03 01 43 {END}"),
        END,
        &format!("00 FF 01 01 43 00 FF 03 01 FF {END}"),
    ]));
    let names: Vec<(u32, &str)> = file.track_names().collect();
    assert_eq!(names, [(1, "AB"), (3, "\u{FFFD}")]);
}

fn written(messages: &[&[u8]], pace: Pace, name: &str) -> Result<Vec<u8>, NotWritten> {
    write(messages.iter().copied(), pace, name)
}

#[test]
fn a_written_file_is_this() {
    let file = written(&[&[0xF0, 0x7D, 0x01, 0xF7]], Pace::default(), "a\u{e9}\n").unwrap();
    // 4 bytes take 1.28 ms, so the file ends after 2 + 60 ms.
    let expected = "4D 54 68 64 00 00 00 06 00 00 00 01 01 F4 4D 54 72 6B 00 00 00 18 00 FF 03 03 61 3F 3F \
                    00 FF 51 03 07 A1 20 00 F0 03 7D 01 F7 3E FF 2F 00";
    assert_eq!(to_hex(&file), expected);
    let long_name = written(&[], Pace::default(), &"x".repeat(1000)).unwrap();
    let name = read(&long_name).track_names().next().unwrap().1.to_owned();
    assert_eq!(name, "x".repeat(127));
}

#[test]
fn messages_keep_their_distance() {
    let long = [&[0xF0][..], &[0x01; 4102], &[0xF7]].concat();
    let short = [0xF0, 0x7D, 0xF7];
    let check = |bytes_per_second, pause_after_message_ms, expected: &[u64]| {
        let pace = Pace {
            bytes_per_second,
            pause_after_message_ms,
        };
        let file = written(&[&long, &short, &long], pace, "").unwrap();
        let read = read(&file);
        assert_eq!(read.findings, []);
        let ticks: Vec<u64> = read.messages().map(|found| found.tick).collect();
        assert_eq!(ticks, expected);
        for found in read.messages() {
            assert_eq!(found.seconds, Some(found.tick as f64 / 1000.0));
        }
    };
    // 4104 bytes at 3125 bytes a second: 1.31328 s (MIDI 1.0 Detailed Specification, 320 us a byte).
    check(3125, 60, &[0, 1314 + 60, 1314 + 60 + 1 + 60]);
    check(3125, 0, &[0, 1314, 1315]);
    check(1000, 500, &[0, 4604, 4604 + 503]);
    check(u32::MAX, 7, &[0, 8, 16]);
}

#[test]
fn what_does_not_fit_is_refused() {
    let check = |message: &[u8], pace, expected| {
        let messages = [&[0xF0, 0x7D, 0xF7][..], message];
        assert_eq!(written(&messages, pace, "").unwrap_err(), expected);
    };
    let usual = Pace::default();
    let message_number = 2;
    for no_message in [
        "",
        "F0",
        "F7",
        "F0 7D",
        "7D F7",
        "F0 7D 80 F7",
        "F0 F8 F7",
        "F0 F7 F7",
        "F0 7D F7 F0 7D F7",
    ] {
        check(
            &from_hex(no_message),
            usual,
            NotWritten::NotAMessage { message_number },
        );
    }
    // Only the length counts here: zeros are no message, which is looked at later.
    check(
        &vec![0; 0x1000_0001],
        usual,
        NotWritten::TooLong { message_number },
    );
    check(
        &vec![0; 0x1000_0000],
        usual,
        NotWritten::NotAMessage { message_number },
    );
    let pace = |bytes_per_second, pause_after_message_ms| Pace {
        bytes_per_second,
        pause_after_message_ms,
    };
    let too_slow = |pace| {
        let message_number = 1;
        let message = [0xF0, 0x7D, 0xF7];
        assert_eq!(
            written(&[&message], pace, "").unwrap_err(),
            NotWritten::TooSlow { message_number }
        );
    };
    too_slow(pace(0, 0));
    too_slow(pace(3000, 0x0FFF_FFFF));
    too_slow(pace(3000, u32::MAX));
    assert!(written(&[&[0xF0, 0x7D, 0xF7]], pace(3000, 0x0FFF_FFFE), "").is_ok());
}
