//! Targets: MIDI files, read whatever they hold, and read again after they were written.

use farshelf::midi::file::{self, Pace, looks_like_midi_file};

use crate::choices::Choices;
use crate::fuzz;
use crate::messages;
use crate::watch::{Limits, Seen};

/// A message of two bytes takes 48, and a list that grows is there twice, the second time with as much room again.
const LIMITS: Limits = Limits {
    most_per_byte: 80,
    total_per_byte: 600,
    total: 64 << 10,
};

#[test]
fn any_midi_file_is_read() {
    fuzz!("MIDI file", read);
}

#[test]
fn a_midi_file_that_was_written_is_read_again() {
    fuzz!("MIDI file written and read", round_trip);
}

fn read(bytes: &[u8], seen: &Seen) {
    let mut choices = Choices::new(bytes);
    let file = any_file(&mut choices);
    seen.watch(&LIMITS, &[&file], || judge(&file));
}

/// A file of tracks with events of all kinds, damaged or not; or any bytes behind the head of one.
pub fn any_file(choices: &mut Choices<'_>) -> Vec<u8> {
    let mut file = match choices.below(8) {
        0 => [b"MThd", choices.take(1000)].concat(),
        1 => {
            let tracks = choices.take(1000);
            [b"MThd\0\0\0\x06\0\x01\0\x01\0\x60MTrk\0\0\x03\xE8", tracks].concat()
        }
        _ => built(choices),
    };
    if choices.once_in(6) {
        let n = (file.len() as u32).to_le_bytes();
        file = [b"RIFF\0\0\0\0RMIDdata", &n[..], &file].concat();
    }
    choices.damage(&mut file);
    file
}

fn built(choices: &mut Choices<'_>) -> Vec<u8> {
    let mut file = b"MThd\0\0\0\x06\0".to_vec();
    let n_tracks = 1 + choices.below(4) as u8;
    file.extend([choices.below(4) as u8, 0, n_tracks]);
    file.extend(choices.one_of(&[[0x00, 0x60], [0xE7, 0x28], [0xE3, 0x50], [0, 0], [0x80, 1]]));
    for _ in 0..n_tracks {
        let mut track = Vec::new();
        for _ in 0..choices.below(24) {
            event(choices, &mut track);
        }
        if !choices.once_in(6) {
            track.extend([0x00, 0xFF, 0x2F, 0x00]);
        }
        file.extend(choices.one_of(&[b"MTrk", b"MTrk", b"MTrk", b"XFIH"]).iter());
        let n_claimed = match choices.below(8) {
            0 => track.len() as u32 + choices.below(300) as u32,
            1 => u32::MAX,
            _ => track.len() as u32,
        };
        file.extend(n_claimed.to_be_bytes());
        file.extend(track);
    }
    file
}

fn event(choices: &mut Choices<'_>, track: &mut Vec<u8>) {
    let delta = *choices.one_of(&[0, 0, 0, 1, 0x60, 0x80, 0x3FFF, file::vlq::MAX]);
    let _ = file::vlq::write(delta, track);
    let counted = |track: &mut Vec<u8>, data: &[u8]| {
        let _ = file::vlq::write(data.len() as u32, track);
        track.extend(data);
    };
    match choices.below(12) {
        0..=3 => {
            let message = messages::message(choices);
            // Whole, or cut into packets.
            let cut = 1 + choices.below(message.len().min(256));
            let (first, rest) = message.split_at(if choices.once_in(3) {
                cut
            } else {
                message.len()
            });
            track.push(0xF0);
            counted(track, &first[1..]);
            if !rest.is_empty() {
                if choices.once_in(4) {
                    track.extend([0x00, 0x90, 0x3C, 0x40]);
                }
                track.extend([0x10, 0xF7]);
                counted(track, rest);
            }
        }
        4 | 5 => {
            let n = choices.below(40);
            let escape = crate::framing::stream(&mut Choices::new(choices.take(n)));
            track.push(0xF7);
            counted(track, &escape);
        }
        6 => track.extend([
            0x90 | choices.below(16) as u8,
            choices.data(),
            choices.data(),
        ]),
        7 => track.extend([0xC0, choices.data(), 0x00, choices.data()]),
        8 => {
            track.extend([0xFF, 0x03]);
            let n = choices.below(20);
            counted(track, choices.take(n));
        }
        9 => track.extend([
            0xFF,
            0x51,
            0x03,
            choices.byte(),
            choices.byte(),
            choices.byte(),
        ]),
        10 => {
            track.extend([0xFF, choices.byte()]);
            let n = choices.below(20);
            counted(track, choices.take(n));
        }
        _ => track.extend([choices.byte(), choices.byte()]),
    }
}

fn judge(bytes: &[u8]) {
    let read = file::read(bytes);
    let mut codes: Vec<&str> = read.findings.iter().map(|f| f.code.as_ref()).collect();
    codes.sort_unstable();
    codes.dedup();
    assert_eq!(codes.len(), read.findings.len(), "a code stands once");
    assert!(looks_like_midi_file(bytes) || codes == ["not-midi-file"]);
    let mut n_bytes = 0;
    let mut last = (0, 0);
    for found in read.messages() {
        assert!(matches!(found.bytes, [0xF0, inner @ .., 0xF7] if inner.iter().all(|b| *b < 0x80)));
        assert!((1..=read.n_tracks).contains(&found.track));
        assert!(found.offset < found.end && found.end <= bytes.len() as u64);
        assert_eq!(found.seconds.is_some(), read.division.is_some());
        assert!(found.seconds.is_none_or(|s| s >= 0.0));
        n_bytes += found.bytes.len();
        let now = match read.format {
            2 => (found.track, found.tick),
            _ => (0, found.tick),
        };
        assert!(last <= now, "in order of time");
        last = now;
    }
    assert!(n_bytes <= bytes.len() + read.messages().count());
    let named: Vec<u32> = read.track_names().map(|(track, _)| track).collect();
    assert!(named.is_sorted());
    let (messages, findings) = file::messages(bytes);
    assert_eq!(findings, read.findings);
    assert!(
        messages
            .iter()
            .map(|m| &m.bytes[..])
            .eq(read.messages().map(|f| f.bytes))
    );
}

fn round_trip(bytes: &[u8], seen: &Seen) {
    let mut choices = Choices::new(bytes);
    let dump = messages::dump(&mut choices);
    let name = String::from_utf8_lossy(choices.take(20));
    let pace = Pace {
        bytes_per_second: *choices.one_of(&[0, 1, 3125, u32::MAX]),
        pause_after_message_ms: *choices.one_of(&[0, 60, 10_000, u32::MAX]),
    };
    let parts: Vec<&[u8]> = dump.iter().map(Vec::as_slice).collect();
    seen.watch(&LIMITS, &parts, || {
        // A pace so slow that a file cannot say it is refused.
        let Ok(file) = file::write(parts.iter().copied(), pace, &name) else {
            return;
        };
        let read = file::read(&file);
        assert!(read.messages().map(|f| f.bytes).eq(parts.iter().copied()));
        assert!(
            read.findings.iter().all(|f| f.code == "no-id"),
            "{:?}",
            read.findings
        );
    });
}

#[test]
fn two_byte_messages_take_no_more_than_is_said() {
    // One more than a list has room for before it grows.
    for n_messages in [100, 1 << 17, (1 << 17) + 1] {
        let file = two_byte_messages(n_messages);
        Seen::default().watch(&LIMITS, &[&file], || {
            assert_eq!(file::read(&file).messages().count(), n_messages);
        });
    }
}

/// A file of one event that sends so many messages of two bytes.
pub fn two_byte_messages(n: usize) -> Vec<u8> {
    let mut track = vec![0, 0xF7];
    assert!(file::vlq::write(2 * n as u32, &mut track));
    track.extend([0xF0, 0xF7].repeat(n));
    let head = b"MThd\0\0\0\x06\0\0\0\x01\0\x60MTrk";
    [&head[..], &(track.len() as u32).to_be_bytes(), &track].concat()
}
