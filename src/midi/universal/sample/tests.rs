use super::*;

fn header() -> Header {
    Header {
        device: 0,
        number: 1,
        bits: 16,
        period_ns: 22_676,
        n_words: 1_000,
        loop_start: 0,
        loop_end: 999,
        loop_type: LoopType::Off,
    }
}

#[test]
fn words_are_packed_high_bits_first() {
    // 12 bits FFF: the example of MIDI 1.0 Detailed Specification 4.2.1 p. 36; the others by its rule, at the edges of each length.
    for (bits, word, packed) in [
        (8, 0x80, &[0x40, 0x00][..]),
        (8, 0xFF, &[0x7F, 0x40]),
        (12, 0xFFF, &[0x7F, 0x7C]),
        (14, 0x3FFF, &[0x7F, 0x7F]),
        (15, 0x4000, &[0x40, 0x00, 0x00]),
        (16, 1, &[0x00, 0x00, 0x20]),
        (21, 0x1F_FFFF, &[0x7F, 0x7F, 0x7F]),
        (22, 0x20_0001, &[0x40, 0x00, 0x00, 0x40]),
        (28, 0x800_0001, &[0x40, 0x00, 0x00, 0x01]),
    ] {
        assert_eq!(pack_words(&[word, 0], bits)[..packed.len()], *packed);
        let twice = [packed, packed, &[0x7F]].concat();
        assert_eq!(
            words(&twice, bits).collect::<Vec<_>>(),
            [word, word],
            "{bits} bits"
        );
    }
    // Bits beyond the word are left out, on both sides.
    assert_eq!(pack_words(&[0xFFFF_FF00], 8), [0x00, 0x00]);
    assert_eq!(words(&[0x40, 0x3F], 8).collect::<Vec<_>>(), [0x80]);
}

#[test]
fn bits_that_the_standard_lacks_give_no_words() {
    for bits in [0, 7, 29, 127] {
        assert_eq!(bytes_per_word(bits), None);
        assert_eq!(words(&[0x7F; 120], bits).count(), 0);
        assert!(pack_words(&[1], bits).is_empty());
        assert_eq!(packets(0, bits, &[1]).count(), 0);
        assert_eq!(Header { bits, ..header() }.n_packets(), None);
    }
}

#[test]
fn a_sample_describes_itself() {
    let check = |header: Header, expected: &str| assert_eq!(header.to_string(), expected);
    check(
        header(),
        "sample 1: 1,000 words of 16 bits at 44,100 Hz (22,676 ns), no loop",
    );
    check(
        Header {
            number: 16_383,
            bits: 8,
            period_ns: 125_000,
            n_words: 1,
            loop_end: 0,
            loop_type: LoopType::BothWays,
            ..header()
        },
        "sample 16383: 1 word of 8 bits at 8,000 Hz (125,000 ns), loop both ways from word 0 to word 0",
    );
    check(
        Header {
            period_ns: 0,
            loop_type: LoopType::Other(2),
            ..header()
        },
        "sample 1: 1,000 words of 16 bits at an unknown rate, loop of unknown type from word 0 to word 999",
    );
    let mut sample = Sample {
        header: header(),
        message: 1,
        loops: Vec::new(),
        n_packets: 0,
        is_whole: false,
    };
    sample.loops = vec![
        LoopPoints {
            device: 0,
            sample: 1,
            loop_number: 1,
            loop_type: LoopType::Forward,
            start: 1,
            end: 2,
        };
        2
    ];
    assert_eq!(
        sample.to_string(),
        "sample 1: 1,000 words of 16 bits at 44,100 Hz (22,676 ns), no loop, 2 loops apart"
    );
}

#[test]
fn a_period_gives_the_usual_rate_that_has_it() {
    for (period_ns, rate) in [
        // Common practice, no source: the period rounded, and cut off.
        (22_676, Some(44_100)),
        (22_675, Some(44_100)),
        (20_833, Some(48_000)),
        (45_351, Some(22_050)),
        (90_703, Some(11_025)),
        (31_250, Some(32_000)),
        (33_333, Some(30_000)),
        (1, Some(1_000_000_000)),
        (2_097_151, Some(477)),
        (0, None),
    ] {
        assert_eq!(
            Header {
                period_ns,
                ..header()
            }
            .rate_hz(),
            rate,
            "{period_ns} ns"
        );
    }
}

#[test]
fn headers_and_loops_come_back_as_written() {
    for n in [0, 1, 127, 128, 16_383, 16_384, 0x1F_FFFF] {
        let header = Header {
            device: 5,
            number: 16_383,
            bits: 28,
            period_ns: n,
            n_words: n,
            loop_start: n,
            loop_end: n,
            loop_type: LoopType::Other(0x22),
        };
        let message = header.to_bytes();
        assert_eq!(message.len(), 21);
        assert_eq!(
            Universal::from_bytes(&message),
            Some(Universal::SampleHeader(header))
        );
        let points = LoopPoints {
            device: 5,
            sample: 300,
            loop_number: 16_383,
            loop_type: LoopType::BothWays,
            start: n,
            end: n,
        };
        let message = points.to_bytes();
        assert_eq!(message.len(), 17);
        assert_eq!(
            Universal::from_bytes(&message),
            Some(Universal::LoopPoints(points))
        );
    }
}

/// The messages of a sample of 100 words of 16 bits: header and 3 packets.
fn dump() -> (Vec<Vec<u8>>, Vec<u32>) {
    let words: Vec<u32> = (0..100).map(|n| n * 655).collect();
    let header = Header {
        n_words: 100,
        ..header()
    };
    let messages = std::iter::once(header.to_bytes())
        .chain(packets(0, 16, &words))
        .collect();
    (messages, words)
}

#[test]
fn words_are_given_only_if_all_of_them_came() {
    let (dump, words) = dump();
    let mut damaged = dump[2].clone();
    damaged[20] ^= 1;
    let mut short = dump[2].clone();
    short.remove(20);
    let check = |order: &[usize], is_whole: bool| {
        let messages = order.iter().map(|&idx| match idx {
            90 => &damaged[..],
            91 => &short,
            92 => &[0xF0, 0x7E, 0x00, 0x7E, 0x01, 0xF7],
            _ => &dump[idx],
        });
        assert_eq!(
            assemble(messages),
            is_whole.then(|| words.clone()),
            "{order:?}"
        );
    };
    check(&[0, 1, 2, 3], true);
    check(&[92, 0, 92, 1, 2, 92, 3], true);
    check(&[0, 0, 1, 2, 2, 3, 3], true);
    check(&[0, 1, 90, 2, 3], true);
    check(&[0, 1, 90, 90, 2, 3], true);
    check(&[0, 1, 91, 2, 3], true);
    // What comes after the first sample is another one's.
    check(&[0, 1, 2, 3, 0, 1], true);
    check(&[], false);
    check(&[0], false);
    check(&[1, 2, 3], false);
    check(&[0, 1, 2], false);
    check(&[0, 1, 3], false);
    check(&[0, 1, 90, 3], false);
    check(&[0, 1, 91, 3], false);
    check(&[0, 2, 1, 3], false);
    check(&[0, 1, 2, 90], false);
    check(&[0, 1, 2, 3, 0, 1, 2, 3], true);
}
