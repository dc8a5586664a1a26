//! Edge cases of framing: what each stream holds, whole, byte by byte, and counted.

use super::*;

/// Checks what `input` (hex) holds: one line for each message and problem, in order, and one for real-time bytes if any.
#[track_caller]
fn check(input: &str, expected: &[&str]) {
    let input = bytes_of(input);
    let whole = frame(&input);
    assert_eq!(lines(&whole), expected);

    let mut by_byte = Stream::new();
    for byte in &input {
        by_byte.push(&[*byte]);
        by_byte.push(&[]);
    }
    assert_eq!(by_byte.finish(), whole, "byte by byte");

    let summary = summarize(&input);
    assert_eq!(summary.first_problems(), whole.problems, "summary");
    assert_eq!(summary.n_problems(), whole.n_problems, "summary");
    assert_eq!(
        summary.whole_messages,
        whole.messages.len() as u64,
        "summary"
    );
    assert_eq!(summary.real_time, whole.real_time, "summary");
    let torn = whole
        .problems
        .iter()
        .filter(|problem| problem.kind.is_torn());
    assert_eq!(summary.torn.n_all(), torn.count() as u64, "summary");
}

fn bytes_of(hex: &str) -> Vec<u8> {
    hex.split_whitespace()
        .map(|byte| u8::from_str_radix(byte, 16).unwrap())
        .collect()
}

fn hex(bytes: &[u8]) -> String {
    let bytes: Vec<String> = bytes.iter().map(|byte| format!("{byte:02X}")).collect();
    bytes.join(" ")
}

fn lines(framing: &Framing) -> Vec<String> {
    let mut lines: Vec<(u64, String)> = Vec::new();
    for message in &framing.messages {
        lines.push((
            message.offset,
            format!(
                "{}-{} whole: {}",
                message.offset,
                message.end,
                hex(&message.bytes)
            ),
        ));
    }
    for problem in &framing.problems {
        let kind = match problem.kind {
            ProblemKind::CutByStatus(status) => format!("cut by {status:02X}"),
            ProblemKind::CutByStart => "cut by start".to_owned(),
            ProblemKind::CutByEnd => "cut by end".to_owned(),
            ProblemKind::LostStart => "lost start".to_owned(),
            ProblemKind::Stray => "stray".to_owned(),
            ProblemKind::NoId => "no id".to_owned(),
        };
        assert_eq!(problem.n_bytes, problem.bytes.len() as u64, "{problem:?}");
        lines.push((
            problem.offset,
            format!(
                "{}-{} {kind} ({}): {}",
                problem.offset,
                problem.end,
                problem.message_number,
                hex(&problem.bytes)
            ),
        ));
    }
    lines.sort_by_key(|line| line.0);
    let mut lines: Vec<String> = lines.into_iter().map(|line| line.1).collect();
    let real_time = framing.real_time;
    if real_time != RealTimeBytes::default() {
        lines.push(format!(
            "real-time: {} inside{}, {} outside",
            real_time.n_inside,
            real_time
                .first_inside
                .map_or(String::new(), |offset| format!(" from {offset}")),
            real_time.n_outside
        ));
    }
    lines
}

#[test]
fn whole_messages() {
    check("", &[]);
    check("F0 7D 01 F7", &["0-4 whole: F0 7D 01 F7"]);
    check("F0 7D F7", &["0-3 whole: F0 7D F7"]);
    check("F0 00 20 29 F7", &["0-5 whole: F0 00 20 29 F7"]);
    check(
        "F0 7D 01 F7 F0 7D 02 F7",
        &["0-4 whole: F0 7D 01 F7", "4-8 whole: F0 7D 02 F7"],
    );
}

#[test]
fn whole_messages_without_an_id() {
    check("F0 F7", &["0-2 whole: F0 F7", "0-2 no id (1): F0 F7"]);
    check(
        "F0 00 F7",
        &["0-3 whole: F0 00 F7", "0-3 no id (1): F0 00 F7"],
    );
    check(
        "F0 00 20 F7",
        &["0-4 whole: F0 00 20 F7", "0-4 no id (1): F0 00 20 F7"],
    );
    check(
        "F0 7D F7 F0 F8 F7",
        &[
            "0-3 whole: F0 7D F7",
            "3-6 whole: F0 F7",
            "3-6 no id (2): F0 F7",
            "real-time: 1 inside from 4, 0 outside",
        ],
    );
}

#[test]
fn real_time_bytes_stand_anywhere_and_cut_nothing() {
    check("F8 FE", &["real-time: 0 inside, 2 outside"]);
    check(
        "F8 F0 FE 7D F9 FD 01 FF F7 FA",
        &[
            "1-9 whole: F0 7D 01 F7",
            "real-time: 4 inside from 2, 2 outside",
        ],
    );
    // Between the data bytes of another message they end nothing either.
    check(
        "90 F8 3C 40 F7",
        &[
            "0-5 stray (0): 90 3C 40 F7",
            "real-time: 0 inside, 1 outside",
        ],
    );
    check(
        "01 F8 02 F7",
        &[
            "0-4 lost start (0): 01 02 F7",
            "real-time: 0 inside, 1 outside",
        ],
    );
    check(
        "F0 7D FE",
        &[
            "0-3 cut by end (1): F0 7D",
            "real-time: 1 inside from 2, 0 outside",
        ],
    );
}

#[test]
fn every_other_status_byte_cuts_a_message() {
    check(
        "F0 7D 01 90 3C 40",
        &["0-3 cut by 90 (1): F0 7D 01", "3-6 stray (1): 90 3C 40"],
    );
    check(
        "F0 7D 01 F6",
        &["0-3 cut by F6 (1): F0 7D 01", "3-4 stray (1): F6"],
    );
    // Undefined, and no real-time: F4 and F5 cut too. What follows is a tail without its beginning.
    check(
        "F0 7D 01 F4 02 F7",
        &[
            "0-3 cut by F4 (1): F0 7D 01",
            "3-4 stray (1): F4",
            "4-6 lost start (1): 02 F7",
        ],
    );
    check(
        "F0 7D 01 F5 F0 7D F7",
        &[
            "0-3 cut by F5 (1): F0 7D 01",
            "3-4 stray (1): F5",
            "4-7 whole: F0 7D F7",
        ],
    );
    check(
        "F0 F1 F7",
        &["0-1 cut by F1 (1): F0", "1-3 stray (1): F1 F7"],
    );
    for status in (0x80..=0xEF).chain(0xF1..=0xF6) {
        let framing = frame(&[0xF0, 0x7D, status]);
        assert_eq!(framing.messages, []);
        assert_eq!(framing.problems[0].kind, ProblemKind::CutByStatus(status));
    }
}

#[test]
fn a_start_inside_a_message_begins_the_next_one() {
    check(
        "F0 7D 01 F0 7D 02 F7",
        &["0-3 cut by start (1): F0 7D 01", "3-7 whole: F0 7D 02 F7"],
    );
    check(
        "F0 F0 7D F7",
        &["0-1 cut by start (1): F0", "1-4 whole: F0 7D F7"],
    );
    check(
        "F0 F0 F0",
        &[
            "0-1 cut by start (1): F0",
            "1-2 cut by start (2): F0",
            "2-3 cut by end (3): F0",
        ],
    );
}

#[test]
fn the_end_of_input_cuts_a_message() {
    check("F0", &["0-1 cut by end (1): F0"]);
    check(
        "F0 7D F7 F0 7D 01",
        &["0-3 whole: F0 7D F7", "3-6 cut by end (2): F0 7D 01"],
    );
}

#[test]
fn data_up_to_an_end_lost_its_start() {
    check("01 02 F7", &["0-3 lost start (0): 01 02 F7"]);
    check(
        "01 F7 02 F7",
        &["0-2 lost start (0): 01 F7", "2-4 lost start (0): 02 F7"],
    );
    check(
        "01 F7 F0 7D F7",
        &["0-2 lost start (0): 01 F7", "2-5 whole: F0 7D F7"],
    );
    check(
        "F0 7D F7 01 F7",
        &["0-3 whole: F0 7D F7", "3-5 lost start (1): 01 F7"],
    );
    // The data bytes that another status byte takes are no tail; those after them are.
    check("90 3C 40 F7", &["0-4 stray (0): 90 3C 40 F7"]);
    check(
        "C0 01 02 F7",
        &["0-2 stray (0): C0 01", "2-4 lost start (0): 02 F7"],
    );
    check("F2 01 F7", &["0-3 stray (0): F2 01 F7"]);
    check(
        "F6 01 F7",
        &["0-1 stray (0): F6", "1-3 lost start (0): 01 F7"],
    );
}

#[test]
fn other_bytes_are_stray_and_neighbours_are_one_problem() {
    check("F7", &["0-1 stray (0): F7"]);
    check("F7 F7 F7", &["0-3 stray (0): F7 F7 F7"]);
    check("F0 7D F7 F7", &["0-3 whole: F0 7D F7", "3-4 stray (1): F7"]);
    check(
        "01 02 03 F0 7D 04 F7",
        &["0-3 stray (0): 01 02 03", "3-7 whole: F0 7D 04 F7"],
    );
    // Running status, then more of everything.
    check(
        "90 3C 40 3E 40 F6 01 02 F4 F7 F0 F7",
        &[
            "0-10 stray (0): 90 3C 40 3E 40 F6 01 02 F4 F7",
            "10-12 whole: F0 F7",
            "10-12 no id (1): F0 F7",
        ],
    );
    check("90 3C 40 3E 40", &["0-5 stray (0): 90 3C 40 3E 40"]);
    check("4D 54 68 64", &["0-4 stray (0): 4D 54 68 64"]);
    check(
        "01 F8 02 F0 7D F7 03",
        &[
            "0-3 stray (0): 01 02",
            "3-6 whole: F0 7D F7",
            "6-7 stray (1): 03",
            "real-time: 0 inside, 1 outside",
        ],
    );
}

#[test]
fn status_bytes_are_found_at_every_place_of_a_block() {
    for n_data in 0..200 {
        for status in [0x80, 0xF0, 0xF7, 0xF8, 0xFF] {
            let mut bytes = vec![0x7F; n_data];
            assert_eq!(n_leading_data_bytes(&bytes), n_data);
            bytes.push(status);
            assert_eq!(n_leading_data_bytes(&bytes), n_data);
            bytes.extend([0xFF; 70]);
            assert_eq!(n_leading_data_bytes(&bytes), n_data);
        }
    }
}

#[test]
fn a_hostile_stream_is_counted_in_full_and_kept_in_part() {
    let only_starts = frame(&[0xF0; 5000]);
    assert_eq!(only_starts.n_problems, 5000);
    assert_eq!(only_starts.problems.len(), Framing::MAX_PROBLEMS);
    let summary = summarize(&[0xF0; 5000]);
    assert_eq!(summary.torn.cut_by_start, 4999);
    assert_eq!(summary.torn.cut_by_end, 1);
    assert_eq!(summary.first_problems().len(), Summary::MAX_PROBLEMS);
    assert_eq!(
        summary.first_problems(),
        &only_starts.problems[..Summary::MAX_PROBLEMS]
    );

    for no_message in [vec![0x01; 5000], vec![0x90; 5000], vec![0xF7; 5000]] {
        let framing = frame(&no_message);
        assert_eq!(framing.n_problems, 1);
        assert_eq!(framing.problems[0].n_bytes, 5000);
        assert_eq!(framing.problems[0].bytes, no_message[..Problem::MAX_BYTES]);
    }
    let mut torn = vec![0x11; 5000];
    torn[0] = 0xF0;
    let framing = frame(&torn);
    assert_eq!(framing.problems[0].n_bytes, 5000);
    assert_eq!(framing.problems[0].bytes, torn[..Problem::MAX_BYTES]);
}

#[test]
fn results_can_be_taken_on_the_way() {
    let mut stream = Stream::new();
    stream.push(&[0x01, 0xF0, 0x7D, 0xF8, 0xF7, 0xF0, 0x7D, 0x02]);
    let first = stream.take();
    assert_eq!(
        lines(&first),
        [
            "0-1 stray (0): 01",
            "1-5 whole: F0 7D F7",
            "real-time: 1 inside from 3, 0 outside"
        ]
    );
    assert_eq!(first.n_problems, 1);
    assert_eq!(lines(&stream.take()), [""; 0]);
    stream.push(&[0xF7, 0x03]);
    assert_eq!(lines(&stream.take()), ["5-9 whole: F0 7D 02 F7"]);
    assert_eq!(lines(&stream.finish()), ["9-10 stray (2): 03"]);
}

#[test]
fn clean_means_whole_messages_and_nothing_else() {
    let is_clean = |hex: &str| summarize(&bytes_of(hex)).is_clean();
    assert!(is_clean("F0 7D 01 F7"));
    assert!(is_clean("F0 7D 01 F7 F0 F7"));
    assert!(!is_clean(""));
    assert!(!is_clean("F0 7D 01 F7 F8"));
    assert!(!is_clean("F0 7D F8 F7"));
    assert!(!is_clean("F0 7D 01 F7 00"));
    assert!(!is_clean("00 F7"));
    assert!(!is_clean("F0 7D 01 F7 F0 7D"));
}
