use super::super::{Universal, framed_with_xor};
use super::*;

/// A tuning dump of that many pitch bytes, with the usual checksum.
fn dump(sub2: u8, bank: &[u8], n_pitches: usize) -> Vec<u8> {
    framed_with_xor(&[
        &[0x10, 0x08, sub2],
        bank,
        &[0x07],
        b"Well tempered   ",
        &vec![0x40; n_pitches],
    ])
}

#[test]
fn each_form_has_its_length() {
    for (sub2, form, bank, n_pitches, title) in [
        (1, Form::Bulk, &[][..], 384, "tuning 7 \"Well tempered\""),
        (
            4,
            Form::KeyBased,
            &[3],
            384,
            "tuning 7 of bank 3 \"Well tempered\"",
        ),
        (
            5,
            Form::Octave1,
            &[3],
            12,
            "tuning 7 of bank 3 \"Well tempered\"",
        ),
        (
            6,
            Form::Octave2,
            &[3],
            24,
            "tuning 7 of bank 3 \"Well tempered\"",
        ),
    ] {
        for (n_pitches, is_right) in [
            (n_pitches, true),
            (n_pitches - 1, false),
            (n_pitches + 1, false),
            (0, false),
        ] {
            let message = dump(sub2, bank, n_pitches);
            let Some(Universal::Tuning(dump)) = Universal::from_bytes(&message) else {
                panic!("{form:?}");
            };
            assert_eq!(dump.tuning.form, form);
            assert_eq!(dump.tuning.device, 0x10);
            assert_eq!(dump.tuning.to_string(), title);
            assert_eq!(dump.n_bytes, message.len());
            assert_eq!(dump.pitches.len(), n_pitches);
            assert_eq!(dump.has_right_length(), is_right, "{form:?}");
            assert_eq!(dump.verdict, Verdict::Ok);
        }
    }
}

#[test]
fn a_wrong_checksum_of_the_oldest_form_is_disputed() {
    for sub2 in [1, 4, 5, 6] {
        let mut message = dump(sub2, &[0][..usize::from(sub2 != 1)], 384);
        let place = message.len() - 2;
        let expected = message[place];
        message[place] ^= 8;
        let found = message[place];
        let wanted = match sub2 {
            1 => Verdict::Disputed { expected, found },
            _ => Verdict::Bad { expected, found },
        };
        let verdict = Universal::from_bytes(&message).map(|u| u.checksum());
        assert_eq!(verdict, Some(wanted), "08 {sub2:02}");
        assert_eq!(wanted.is_bad(), sub2 != 1);
    }
}

#[test]
fn pitches_are_semitones_and_parts_of_them() {
    let check = |pitch, expected: Option<f64>| {
        let hz = frequency_hz(pitch);
        let is_close = match (hz, expected) {
            (Some(hz), Some(expected)) => (hz - expected).abs() < 0.000_1,
            (hz, expected) => hz.is_none() && expected.is_none(),
        };
        assert!(is_close, "{pitch:02X?} is {hz:?}");
    };
    // The updated specification, Frequency Data Format.
    check([0x45, 0x00, 0x00], Some(440.0));
    check([0x3C, 0x00, 0x00], Some(261.6256));
    check([0x45, 0x40, 0x00], Some(452.8930)); // half a semitone, by the rule
    check([0x7F, 0x7F, 0x7F], None);
    check([0x80, 0x00, 0x00], None);
    check([0x45, 0x00, 0xF7], None);
    // One step is 0.0061 cent.
    let step =
        1200.0 * (frequency_hz([0x45, 0, 1]).unwrap() / frequency_hz([0x45, 0, 0]).unwrap()).log2();
    assert!((step - 0.0061).abs() < 0.000_01, "{step}");
}
