use super::super::tests::bytes_of;
use super::super::{framed_with_xor, handshake::Handshake};
use super::*;
use crate::midi::universal::sample::{Header, LoopPoints, LoopType};

/// `severity code: sentence` of each finding.
fn findings(messages: &[Vec<u8>]) -> (Assembled, Vec<String>) {
    let mut assembly = Assembly::new();
    for (number, message) in (1..).zip(messages) {
        assembly.push(number, message);
    }
    let assembled = assembly.finish();
    let lines = (assembled.findings.iter())
        .map(|f| format!("{} {}: {}", f.severity, f.code, f.message))
        .collect();
    (assembled, lines)
}

fn check(messages: &[Vec<u8>], expected: &[&str]) -> Assembled {
    let (assembled, lines) = findings(messages);
    assert_eq!(lines, expected);
    assembled
}

fn sample_header() -> Header {
    Header {
        device: 0,
        number: 1,
        bits: 16,
        period_ns: 22_676,
        n_words: 200,
        loop_start: 0,
        loop_end: 0,
        loop_type: LoopType::Off,
    }
}

/// Header and 5 packets.
fn sample_dump() -> Vec<Vec<u8>> {
    let words: Vec<u32> = (0..200).map(|n| n * 327).collect();
    std::iter::once(sample_header().to_bytes())
        .chain(sample::packets(0, 16, &words))
        .collect()
}

/// Header, 3 packets, end.
fn file_dump(n_bytes: Option<u32>) -> (Vec<Vec<u8>>, Vec<u8>) {
    let bytes: Vec<u8> = (0..=255).chain(0..44).collect();
    let header = file::Header {
        device: 1,
        source: 2,
        file_type: *b"BIN ",
        n_bytes,
        name: "PATCHES.BIN".to_string(),
    };
    let messages = std::iter::once(header.to_bytes())
        .chain(file::packets(1, &bytes))
        .chain([file::end(1, 3)])
        .collect();
    (messages, bytes)
}

fn with(mut messages: Vec<Vec<u8>>, change: impl FnOnce(&mut Vec<Vec<u8>>)) -> Vec<Vec<u8>> {
    change(&mut messages);
    messages
}

fn answer(answer: Answer, packet: u8) -> Vec<u8> {
    Handshake {
        device: 0,
        answer,
        packet,
    }
    .to_bytes()
}

#[test]
fn a_whole_sample_has_no_findings() {
    let assembled = check(&sample_dump(), &[]);
    assert_eq!(assembled.n_checked, 5);
    assert_eq!(assembled.n_bad, 0);
    let [sample] = &assembled.samples[..] else {
        panic!("{:?}", assembled.samples);
    };
    assert_eq!(sample.header, sample_header());
    assert_eq!((sample.n_packets, sample.message), (5, 1));
    assert!(sample.is_whole);

    // A recording of both sides.
    let both = with(sample_dump(), |m| {
        for k in (0..6).rev() {
            m.insert(k + 1, answer(Answer::Ack, k as u8));
        }
        m.insert(0, sample::request(0, 1));
        m.insert(3, answer(Answer::Wait, 0));
    });
    assert!(check(&both, &[]).samples[0].is_whole);
}

#[test]
fn what_is_wrong_with_packets_is_told() {
    let dump = sample_dump;
    check(
        &with(dump(), |m| drop(m.remove(3))),
        &[
            "error missing-packets: 1 of 5 packets of sample 1 is missing, first before packet 3 (message 4)",
        ],
    );
    check(
        &with(dump(), |m| m.truncate(4)),
        &["error missing-packets: 2 of 5 packets of sample 1 are missing, at the end"],
    );
    check(
        &with(dump(), |m| m.truncate(1)),
        &["error missing-packets: 5 of 5 packets of sample 1 are missing, at the end"],
    );
    check(
        &with(dump(), |m| m.swap(2, 3)),
        &["error out-of-order: message 4: packet 1 of sample 1 came when packet 3 was due"],
    );
    let assembled = check(
        &with(dump(), |m| m.insert(3, m[2].clone())),
        &["warning repeated-packet: message 4: packet 1 of sample 1 came again, the same"],
    );
    assert!(assembled.samples[0].is_whole);
    check(
        &with(dump(), |m| m.insert(1, m[0].clone())),
        &["warning repeated-packet: message 2: the header of sample 1 came again, the same"],
    );
    let other = sample::packets(0, 16, &[7]).next().unwrap();
    check(
        &with(dump(), |m| m.insert(2, other.clone())),
        &[
            "error repeated-packet: message 3: packet 0 of sample 1 came again with other bytes",
            "error wrong-length: sample 1 has 6 packets where its header asks for 5",
        ],
    );
    check(
        &with(dump(), |m| drop(m.remove(0))),
        &[
            "error no-header: message 1: packet 0 belongs to a sample whose header is missing; 4 packets more likewise",
        ],
    );
    check(
        &with(dump(), |m| m.truncate(2))
            .into_iter()
            .chain(sample_dump())
            .collect::<Vec<_>>(),
        &["error missing-packets: 4 of 5 packets of sample 1 are missing, at the end"],
    );
}

#[test]
fn damaged_packets_are_errors_unless_they_come_again_whole() {
    let damaged = |idx: usize| {
        let mut message = sample_dump()[idx].clone();
        message[60] ^= 1;
        message
    };
    let mut short = sample_dump()[2].clone();
    short.remove(60);

    let assembled = check(
        &with(sample_dump(), |m| m[2] = damaged(2)),
        &[
            "error bad-checksum: message 3: the checksum of packet 1 of sample 1 is 57 and its bytes give 56",
        ],
    );
    assert_eq!((assembled.n_checked, assembled.n_bad), (4, 1));
    assert!(!assembled.samples[0].is_whole);
    check(
        &with(sample_dump(), |m| m[5] = damaged(5)),
        &[
            "error bad-checksum: message 6: the checksum of packet 4 of sample 1 is 34 and its bytes give 35",
        ],
    );
    check(
        &with(sample_dump(), |m| m[2] = short.clone()),
        &["error wrong-length: message 3: packet 1 of sample 1 carries 119 bytes where 120 belong"],
    );
    let assembled = check(
        &with(sample_dump(), |m| {
            m.insert(2, damaged(2));
            m.insert(3, answer(Answer::Nak, 1));
        }),
        &[
            "warning repeated-packet: message 5: packet 1 of sample 1 came again and replaces the damaged one in message 3",
        ],
    );
    assert!(assembled.samples[0].is_whole);
    assert_eq!(assembled.n_bad, 1);
    // Damaged twice, and nothing else.
    check(
        &with(sample_dump(), |m| {
            m[2] = damaged(2);
            m.insert(2, damaged(2));
        }),
        &[
            "error bad-checksum: message 3: the checksum of packet 1 of sample 1 is 57 and its bytes give 56",
        ],
    );
}

#[test]
fn odd_headers_are_warnings() {
    let one = |header: Header| {
        let words = vec![0; header.n_words as usize];
        let dump: Vec<Vec<u8>> = std::iter::once(header.to_bytes())
            .chain(sample::packets(0, header.bits, &words))
            .collect();
        dump
    };
    let base = sample_header;
    check(
        &one(Header { bits: 7, ..base() }),
        &[
            "warning odd-header: message 1: the header of sample 1 says 7 bits per word where 8 to 28 are possible, so nobody can tell how many packets it needs",
            "error missing-packets: no packet of sample 1 came",
        ],
    );
    check(
        &one(Header {
            n_words: 0,
            ..base()
        }),
        &["warning odd-header: message 1: the header of sample 1 says that it has no words"],
    );
    check(
        &one(Header {
            period_ns: 0,
            ..base()
        }),
        &["warning odd-header: message 1: the header of sample 1 says 0 ns from word to word"],
    );
    check(
        &one(Header {
            loop_type: LoopType::Other(2),
            ..base()
        }),
        &["warning odd-header: message 1: the header of sample 1 has the unknown loop type 02"],
    );
    for (loop_start, loop_end, is_odd) in [
        (0, 199, false),
        (199, 199, false),
        (0, 200, true),
        (5, 4, true),
    ] {
        let (_, lines) = findings(&one(Header {
            loop_start,
            loop_end,
            loop_type: LoopType::Forward,
            ..base()
        }));
        let expected = format!(
            "warning odd-header: message 1: the header of sample 1 puts the loop at words {loop_start} to {loop_end} of 200"
        );
        assert_eq!(lines, [expected][..usize::from(is_odd)]);
    }
}

#[test]
fn loops_go_to_their_sample() {
    let points = |sample, end| LoopPoints {
        device: 0,
        sample,
        loop_number: 3,
        loop_type: LoopType::Forward,
        start: 0,
        end,
    };
    let second = Header {
        number: 2,
        n_words: 0,
        ..sample_header()
    };
    let mut messages = sample_dump();
    messages.insert(3, points(1, 199).to_bytes());
    messages.push(second.to_bytes());
    messages.push(points(1, 200).to_bytes());
    messages.push(points(2, 0).to_bytes());
    messages.push(points(9, 0).to_bytes());
    let assembled = check(
        &messages,
        &[
            "warning odd-header: message 8: the header of sample 2 says that it has no words",
            "warning odd-header: message 9: loop 3 of sample 1 runs from word 0 to word 200 of 200; 1 loop apart more likewise",
        ],
    );
    assert_eq!(assembled.samples[0].loops, [points(1, 199), points(1, 200)]);
    assert_eq!(assembled.samples[1].loops, [points(2, 0)]);
}

#[test]
fn a_whole_file_comes_back_byte_for_byte() {
    for n_bytes in [Some(300), None] {
        let (dump, bytes) = file_dump(n_bytes);
        let assembled = check(&dump, &[]);
        let [file] = &assembled.files[..] else {
            panic!("{:?}", assembled.files);
        };
        assert_eq!(file.bytes.as_deref(), Some(&bytes[..]));
        assert_eq!((file.n_packets, file.message), (3, 1));
        assert_eq!(file.header.n_bytes, n_bytes);
        assert_eq!(assembled.n_checked, 3);
    }
}

#[test]
fn a_file_that_is_not_all_there_gives_no_bytes() {
    let (dump, bytes) = file_dump(Some(300));
    let not_whole = |messages: &[Vec<u8>], expected: &[&str]| {
        let assembled = check(messages, expected);
        assert!(assembled.files.iter().all(|file| file.bytes.is_none()));
    };
    let whole = |messages: &[Vec<u8>], expected: &[&str]| {
        let assembled = check(messages, expected);
        assert_eq!(assembled.files[0].bytes.as_deref(), Some(&bytes[..]));
    };
    let name = "file \"PATCHES.BIN\"";
    not_whole(
        &with(dump.clone(), |m| drop(m.remove(2))),
        &[&format!(
            "error missing-packets: 1 packet of {name} is missing, first before packet 2 (message 3)"
        )],
    );
    not_whole(
        &with(dump.clone(), |m| drop(m.remove(3))),
        &[&format!(
            "error missing-packets: 76 of 300 bytes of {name} are missing"
        )],
    );
    not_whole(
        &with(dump.clone(), |m| drop(m.drain(1..4))),
        &[&format!("error missing-packets: no packet of {name} came")],
    );
    not_whole(
        &with(dump.clone(), |m| m.swap(1, 2)),
        &[&format!(
            "error out-of-order: message 3: packet 0 of {name} came when packet 2 was due"
        )],
    );
    let mut damaged = dump[2].clone();
    damaged[9] ^= 4;
    not_whole(
        &with(dump.clone(), |m| m[2] = damaged.clone()),
        &[&format!(
            "error bad-checksum: message 3: the checksum of packet 1 of {name} is 64 and its bytes give 60"
        )],
    );
    not_whole(
        &with(dump.clone(), |m| drop(m.remove(0))),
        &[
            "error no-header: message 1: packet 0 belongs to a file whose header is missing; 2 packets more likewise",
        ],
    );
    not_whole(
        &with(dump.clone(), |m| m.swap(3, 4)),
        &[
            &format!("error missing-packets: 76 of 300 bytes of {name} are missing"),
            "error no-header: message 5: packet 2 belongs to a file whose header is missing",
        ],
    );
    not_whole(
        &file_dump(Some(299)).0,
        &[&format!(
            "error wrong-length: {name} has 300 bytes where its header asks for 299"
        )],
    );
    // Without a length in the header, the numbers of the packets tell.
    not_whole(
        &with(file_dump(None).0, |m| drop(m.remove(2))),
        &[&format!(
            "error missing-packets: 1 packet of {name} is missing, first before packet 2 (message 3)"
        )],
    );
    // 9 data bytes: the last one only announces bytes that do not come.
    let odd = framed_with_xor(&[&[1, 7, 2, 1, 8], &[0; 9]]);
    not_whole(
        &with(dump.clone(), |m| m[2] = odd),
        &[&format!(
            "error wrong-length: message 3: packet 1 of {name} carries 9 bytes and the last one stands for nothing"
        )],
    );
    let short = framed_with_xor(&[&[1, 7, 2, 1, 127], &[0; 8]]);
    not_whole(
        &with(dump.clone(), |m| m[2] = short),
        &[&format!(
            "error wrong-length: message 3: packet 1 of {name} carries 8 bytes where 128 belong"
        )],
    );

    whole(
        &with(dump.clone(), |m| m.insert(2, damaged.clone())),
        &[&format!(
            "warning repeated-packet: message 4: packet 1 of {name} came again and replaces the damaged one in message 3"
        )],
    );
    whole(
        &with(dump.clone(), |m| m.insert(2, m[1].clone())),
        &[&format!(
            "warning repeated-packet: message 3: packet 0 of {name} came again, the same"
        )],
    );
    whole(
        &with(dump.clone(), |m| m.insert(1, m[0].clone())),
        &["warning repeated-packet: message 2: the header of a file came again, the same"],
    );
}

#[test]
fn a_file_has_an_end() {
    let name = "file \"PATCHES.BIN\"";
    let (dump, bytes) = file_dump(Some(300));
    let assembled = check(
        &dump[..4],
        &[&format!(
            "warning no-end: the message that ends {name} is missing; all of its bytes came"
        )],
    );
    assert_eq!(assembled.files[0].bytes, Some(bytes));
    let (dump, _) = file_dump(None);
    let assembled = check(
        &dump[..4],
        &[&format!(
            "error no-end: the message that ends {name} is missing; nobody can tell whether more belongs to it"
        )],
    );
    assert_eq!(assembled.files[0].bytes, None);
    // An end with a byte too few ends all the same.
    let assembled = check(
        &with(dump.clone(), |m| assert_eq!(m[4].remove(4), 3)),
        &["warning wrong-length: message 5: end of file of 5 bytes has the wrong length"],
    );
    assert!(assembled.files[0].bytes.is_some());
    // So does the next file, but that is no end.
    let (_, lines) = findings(&[&dump[..4], &dump[..]].concat());
    assert_eq!(lines.len(), 1, "{lines:?}");
    assert!(lines[0].starts_with("error no-end"), "{lines:?}");
}

#[test]
fn a_file_name_that_is_no_text_is_odd() {
    for (name, is_odd) in [("A B~", false), ("A\u{1}", true), ("A\u{7f}", true)] {
        let mut message = vec![0xF0, 0x7E, 1, 7, 1, 2];
        message.extend(b"BIN \x01\x00\x00\x00");
        message.extend(name.bytes());
        message.push(0xF7);
        let messages: Vec<Vec<u8>> = std::iter::once(message)
            .chain(file::packets(1, b"x"))
            .chain([file::end(1, 1)])
            .collect();
        let (assembled, lines) = findings(&messages);
        assert_eq!(lines.len(), usize::from(is_odd), "{lines:?}");
        assert!(lines.iter().all(|l| l.starts_with("warning odd-header: ")));
        assert_eq!(assembled.files[0].header.name, name);
    }
}

#[test]
fn tunings_are_judged_by_their_form() {
    let tuning = |sub2: u8, bank: &[u8], n_pitches: usize, flip: u8| {
        let name = b"Mean            ";
        let mut message =
            framed_with_xor(&[&[0, 8, sub2], bank, &[2], name, &vec![0x40; n_pitches]]);
        let place = message.len() - 2;
        message[place] ^= flip;
        message
    };
    let assembled = check(
        &[
            tuning(1, &[], 384, 0),
            tuning(4, &[1], 384, 0),
            tuning(5, &[1], 12, 0),
            tuning(6, &[1], 24, 0),
        ],
        &[],
    );
    assert_eq!((assembled.n_checked, assembled.tunings.len()), (4, 4));
    let assembled = check(
        &[tuning(1, &[], 384, 8)],
        &[
            "note checksum-differs: message 1: the checksum of tuning 2 \"Mean\" is 5A and the usual rule gives 52; the published texts disagree about the rule for this message, so it proves no damage",
        ],
    );
    assert_eq!((assembled.n_checked, assembled.n_bad), (0, 0));
    let assembled = check(
        &[tuning(4, &[1], 384, 8), tuning(6, &[1], 24, 1)],
        &[
            "error bad-checksum: message 1: the checksum of tuning 2 of bank 1 \"Mean\" is 5E and its bytes give 56; 1 tuning dump more likewise",
        ],
    );
    assert_eq!((assembled.n_checked, assembled.n_bad), (0, 2));
    check(
        &[tuning(5, &[1], 13, 0), tuning(1, &[], 383, 8)],
        &[
            "error wrong-length: message 1: tuning 2 of bank 1 \"Mean\" is 38 bytes long where 37 belong; 1 tuning dump more likewise",
        ],
    );
}

#[test]
fn other_messages_are_checked_or_passed_over() {
    let all = |hex: &[&str]| hex.iter().map(|h| bytes_of(h)).collect::<Vec<_>>();
    let assembled = check(
        &all(&[
            "F0 7E 7F 06 01 F7",
            "F0 7E 10 06 02 41 42 00 00 20 00 01 00 00 F7",
            "F0 7E 11 06 02 43 42 00 00 20 00 01 00 00 F7",
            "F0 7E 7F 09 01 F7",
            "F0 7F 7F 04 01 00 40 F7",
            "F0 43 00 01 F7",
            "F0 7E 00 0C 01 10 10 02 00 01 5D F7",
        ]),
        &[],
    );
    assert_eq!(assembled.identity.map(|i| i.device), Some(0x10));
    assert_eq!(assembled.n_checked, 1);
    check(
        &all(&["F0 7E 00 0C 01 10 10 02 00 02 5D F7"]),
        &[
            "error bad-checksum: message 1: the checksum of a visual control message is 5D and its bytes give 5C",
        ],
    );
    check(
        &all(&["F0 7E 00 01 01 00 10 F7", "F0 7E 00 05 01 F7"]),
        &[
            "error wrong-length: message 1: sample dump header of 8 bytes has the wrong length; 1 message more likewise",
        ],
    );
    check(
        &all(&["F0 7E 00 03 01 F7"]),
        &["warning wrong-length: message 1: sample dump request of 6 bytes has the wrong length"],
    );
}

#[test]
fn a_damaged_header_ends_the_sample_before_it() {
    let mut messages = sample_dump();
    let mut short = sample_dump()[0].clone();
    short.remove(10);
    messages.push(short);
    messages.extend(sample_dump().drain(1..));
    let assembled = check(
        &messages,
        &[
            "error wrong-length: message 7: sample dump header of 20 bytes has the wrong length",
            "error no-header: message 8: packet 0 belongs to a sample whose header is missing; 4 packets more likewise",
        ],
    );
    assert!(assembled.samples[0].is_whole);
}
