use super::handshake::Answer;
use super::*;

pub(super) fn bytes_of(hex: &str) -> Vec<u8> {
    hex.split_whitespace()
        .map(|byte| u8::from_str_radix(byte, 16).unwrap())
        .collect()
}

fn check(hex: &str, title: &str, verdict: Verdict) {
    let message = bytes_of(hex);
    let universal = Universal::from_bytes(&message).expect(hex);
    assert_eq!(universal.title(), title, "{hex}");
    assert_eq!(universal.checksum(), verdict, "{hex}");
}

#[test]
fn every_kind_has_its_title() {
    // MIDI 1.0 Detailed Specification 4.2.1, Table VII; tuning from 03 on, 09 03 and 0A to 0D: the MMA's current table.
    for (sub_ids, title) in [
        ("01", "sample dump header"),
        ("02", "sample dump packet"),
        ("03", "sample dump request"),
        ("04", "time code set-up"),
        ("04 00", "time code set-up"),
        ("05 01", "sample loop points"),
        ("05 02", "sample loop points request"),
        ("06 01", "identity request"),
        ("06 02", "identity reply"),
        ("07 01", "file dump header"),
        ("07 02", "file dump packet"),
        ("07 03", "file dump request"),
        ("08 00", "tuning request"),
        ("08 01", "tuning dump"),
        ("08 03", "tuning request with bank"),
        ("08 04", "tuning dump with bank"),
        ("08 05", "octave tuning dump, 1 byte per note"),
        ("08 06", "octave tuning dump, 2 bytes per note"),
        ("08 07", "note tuning change with bank"),
        ("08 08", "octave tuning change, 1 byte per note"),
        ("08 09", "octave tuning change, 2 bytes per note"),
        ("09 01", "GM system on"),
        ("09 02", "GM system off"),
        ("09 03", "GM2 system on"),
        ("0A 01", "DLS on"),
        ("0A 02", "DLS off"),
        ("0A 03", "DLS voice allocation off"),
        ("0A 04", "DLS voice allocation on"),
        ("0B 01", "file reference"),
        ("0C", "visual control"),
        ("0C 01", "visual control"),
        ("0D 70", "capability inquiry"),
        ("7B", "end of file"),
        ("7C", "wait"),
        ("7D", "cancel"),
        ("7E", "not received (NAK)"),
        ("7F", "received (ACK)"),
        ("05 03", "universal message"),
        ("06 00", "universal message"),
        ("08 02", "universal message"),
        ("0A 00", "universal message"),
        ("0E 00", "universal message"),
        ("7A", "universal message"),
        ("", "universal message"),
    ] {
        // Also where nothing follows the sub-IDs, so that the message cannot be read further.
        check(&format!("F0 7E 00 {sub_ids} F7"), title, Verdict::None);
    }
    check("F0 7E F7", "universal message", Verdict::None);
    check(
        "F0 7F 7F 06 01 F7",
        "universal real-time message",
        Verdict::None,
    );
    check("F0 7F F7", "universal real-time message", Verdict::None);
}

#[test]
fn only_whole_universal_messages_are_read() {
    for hex in [
        "",
        "F0",
        "F0 F7",
        "F7",
        "7E 00 06 01",
        "F0 7E 00 06 01",
        "7E 00 06 01 F7",
        "F0 7D 00 06 01 F7",
        "F0 00 7E 00 06 01 F7",
        "F0 43 00 09 20 00 F7",
        "F0 7E 00 F8 06 01 F7",
        "F0 7E 00 06 01 F7 F7",
    ] {
        assert_eq!(Universal::from_bytes(&bytes_of(hex)), None, "{hex}");
    }
}

#[test]
fn what_is_too_short_to_be_read_says_so() {
    for (hex, kind) in [
        ("F0 7E 00 01 01 00 10 F7", Kind::SampleHeader),
        ("F0 7E 00 02 00 F7", Kind::SamplePacket),
        ("F0 7E 00 03 01 F7", Kind::SampleRequest),
        ("F0 7E 00 05 01 01 00 F7", Kind::LoopPoints),
        ("F0 7E 00 06 02 00 20 F7", Kind::IdentityReply),
        ("F0 7E 00 07 01 02 4D F7", Kind::FileHeader),
        ("F0 7E 00 07 02 00 00 F7", Kind::FilePacket),
        ("F0 7E 00 08 01 F7", Kind::TuningDump(tuning::Form::Bulk)),
        (
            "F0 7E 00 08 01 00 41 42 F7",
            Kind::TuningDump(tuning::Form::Bulk),
        ),
        ("F0 7E 00 7F F7", Kind::Handshake(Answer::Ack)),
        ("F0 7E 00 7F 00 00 F7", Kind::Handshake(Answer::Ack)),
    ] {
        let message = bytes_of(hex);
        assert_eq!(
            Universal::from_bytes(&message),
            Some(Universal::WrongLength(kind)),
            "{hex}"
        );
    }
}

#[test]
fn checksums_are_judged_by_the_rule_of_their_kind() {
    let bad = |expected, found| Verdict::Bad { expected, found };
    // Roland VR-3 MIDI Implementations p. 24.
    let visual = "visual control";
    check("F0 7E 00 0C 01 10 10 02 00 01 5D F7", visual, Verdict::Ok);
    check(
        "F0 7E 00 0C 01 10 10 02 00 02 5D F7",
        visual,
        bad(0x5C, 0x5D),
    );
    check("F0 7E 00 0C 01 5D F7", visual, Verdict::None);
    // The exclusive or, by the rule of MIDI 1.0 Detailed Specification 4.2.1 p. 44.
    let packet = "file dump packet";
    check("F0 7E 7F 07 02 00 01 00 55 50 F7", packet, Verdict::Ok);
    check("F0 7E 7F 07 02 00 01 00 54 50 F7", packet, bad(0x51, 0x50));
}

#[test]
fn the_length_of_a_makers_id_is_told_by_its_first_byte() {
    fn check(hex: &str, maker: &str, numbers: (u16, u16), revision: [u8; 4], n_bytes: usize) {
        let message = bytes_of(hex);
        let Some(Universal::IdentityReply(identity)) = Universal::from_bytes(&message) else {
            panic!("{hex}");
        };
        assert_eq!(identity.maker.to_string(), maker, "{hex}");
        assert_eq!((identity.family, identity.member), numbers, "{hex}");
        assert_eq!(identity.revision, revision, "{hex}");
        assert_eq!(identity.n_bytes, n_bytes, "{hex}");
        assert_eq!(identity.is_complete(), n_bytes == 8, "{hex}");
    }
    // Roland FP-30 MIDI Implementation p. 10, then with tails that are shorter and longer: common practice, no source.
    let fp30 = "F0 7E 10 06 02 41 42 00 00 20 00 01 00 00";
    check(&format!("{fp30} F7"), "41", (66, 4096), [0, 1, 0, 0], 8);
    check(
        &format!("{fp30} 05 06 F7"),
        "41",
        (66, 4096),
        [0, 1, 0, 0],
        10,
    );
    check("F0 7E 10 06 02 41 42 00 00 F7", "41", (66, 0), [0; 4], 3);
    check("F0 7E 10 06 02 41 F7", "41", (0, 0), [0; 4], 0);
    // As long as a reply with a short ID, and has a long one.
    check(
        "F0 7E 00 06 02 00 20 29 01 01 02 00 7F 03 F7",
        "00 20 29",
        (129, 2),
        [0x7F, 3, 0, 0],
        6,
    );
}

#[test]
fn short_messages_are_written_as_published() {
    // MIDI 1.0 Detailed Specification 4.2.1, Device Inquiry and Generic Handshaking; the tuning request: microtonal-synthesis.com.
    let handshake = |answer| Handshake {
        device: 0,
        answer,
        packet: 5,
    };
    for (message, hex) in [
        (identity::request(ALL_DEVICES), "F0 7E 7F 06 01 F7"),
        (identity::request(5), "F0 7E 05 06 01 F7"),
        (handshake(Answer::Ack).to_bytes(), "F0 7E 00 7F 05 F7"),
        (handshake(Answer::Nak).to_bytes(), "F0 7E 00 7E 05 F7"),
        (handshake(Answer::Cancel).to_bytes(), "F0 7E 00 7D 05 F7"),
        (handshake(Answer::Wait).to_bytes(), "F0 7E 00 7C 05 F7"),
        (handshake(Answer::EndOfFile).to_bytes(), "F0 7E 00 7B 05 F7"),
        (sample::request(0, 1), "F0 7E 00 03 01 00 F7"),
        (sample::request(0, 16_383), "F0 7E 00 03 7F 7F F7"),
        (tuning::request(1, None, 16), "F0 7E 01 08 00 10 F7"),
        (tuning::request(1, Some(2), 16), "F0 7E 01 08 03 02 10 F7"),
    ] {
        assert_eq!(message, bytes_of(hex));
        assert!(!matches!(
            Universal::from_bytes(&message),
            None | Some(Universal::WrongLength(_) | Universal::Other { .. })
        ));
    }
    for answer in Answer::ALL {
        let message = handshake(answer).to_bytes();
        assert_eq!(
            Universal::from_bytes(&message),
            Some(Universal::Handshake(handshake(answer)))
        );
    }
}
