use super::super::Universal;
use super::*;

fn header() -> Header {
    Header {
        device: 1,
        source: 2,
        file_type: *b"MIDI",
        n_bytes: Some(26),
        name: "TEST.MID".to_string(),
    }
}

#[test]
fn headers_and_requests_come_back_as_written() {
    for n_bytes in [None, Some(1), Some(127), Some(128), Some(0xFFF_FFFF)] {
        for name in ["", "TEST.MID", &"~".repeat(1_000)] {
            let header = Header {
                n_bytes,
                name: name.to_string(),
                ..header()
            };
            assert_eq!(
                Universal::from_bytes(&header.to_bytes()),
                Some(Universal::FileHeader(header))
            );
            let request = Request {
                device: 2,
                source: 1,
                file_type: *b"BIN ",
                name: name.to_string(),
            };
            assert_eq!(
                Universal::from_bytes(&request.to_bytes()),
                Some(Universal::FileRequest(request))
            );
        }
    }
    // The document allows 20 to 7E only.
    let odd = Header {
        name: "ä\n\u{7f}A".to_string(),
        ..header()
    };
    assert!(odd.to_bytes().ends_with(b"___A\xF7"));
}

#[test]
fn a_file_describes_itself() {
    let check = |header: Header, bytes: Option<Vec<u8>>, expected: &str| {
        let file = RecoveredFile {
            header,
            message: 1,
            n_packets: 1,
            bytes,
        };
        assert_eq!(file.to_string(), expected);
    };
    check(
        header(),
        Some(vec![0; 26]),
        "file \"TEST.MID\" of type MIDI: 26 bytes",
    );
    check(
        header(),
        None,
        "file \"TEST.MID\" of type MIDI: 26 bytes, not all there",
    );
    check(
        Header {
            file_type: *b"BIN ",
            n_bytes: None,
            name: String::new(),
            ..header()
        },
        None,
        "file without a name of type BIN: not all there",
    );
    check(
        Header {
            name: "ABCDEFGHIJ".repeat(5),
            ..header()
        },
        Some(vec![0]),
        "file \"ABCDEFGHIJABCDEFGHIJABCDEFGHIJABCDEFGHIJ…\" of type MIDI: 1 byte",
    );
}

#[test]
fn packets_hold_what_they_were_made_of() {
    let bytes: Vec<u8> = (0..=255).cycle().take(129 * PACKET_BYTES + 1).collect();
    let messages: Vec<Vec<u8>> = packets(1, &bytes).collect();
    assert_eq!(messages.len(), 130);
    let mut back = Vec::new();
    for (idx, message) in messages.iter().enumerate() {
        let Some(Universal::FilePacket(packet)) = Universal::from_bytes(message) else {
            panic!("packet {idx}");
        };
        assert_eq!(usize::from(packet.number), idx % 128);
        assert_eq!(packet.n_claimed, packet.data.len());
        assert_eq!(packet.verdict, Verdict::Ok);
        back.extend(packet.bytes().unwrap());
    }
    assert_eq!(back, bytes);
    assert_eq!(end(1, 130), [0xF0, 0x7E, 1, 0x7B, 2, 0xF7]);
}
