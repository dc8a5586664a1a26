//! Target: the framing of a stream.

use farshelf::midi::framing::{Event, Framer, Problem, Stream, Summary, frame, summarize};

use crate::choices::Choices;
use crate::fuzz;
use crate::messages;
use crate::watch::{Limits, Seen};

/// A message of two bytes takes 42, and a list that grows is there twice, the second time with as much room again.
const LIMITS: Limits = Limits {
    most_per_byte: 65,
    total_per_byte: 200,
    total: 64 << 10,
};

#[test]
fn framing_of_any_stream() {
    fuzz!("framing", check);
}

fn check(bytes: &[u8], seen: &Seen) {
    let mut choices = Choices::new(bytes);
    let stream = stream(&mut choices);
    let pieces = choices.pieces(&stream);
    seen.watch(&LIMITS, &[&stream], || judge(&stream, &pieces));
}

/// Bytes that matter to framing, whole messages, or anything.
pub fn stream(choices: &mut Choices<'_>) -> Vec<u8> {
    const MATTER: [u8; 16] = [
        0xF0, 0xF0, 0xF0, 0xF7, 0xF7, 0xF7, 0xF8, 0xFE, 0x00, 0x00, 0x7D, 0x7E, 0x43, 0x90, 0xC0,
        0xF1,
    ];
    let n = choices.below(600);
    match choices.below(3) {
        0 => choices.take(n).to_vec(),
        1 => {
            let picks = choices.take(n);
            picks.iter().map(|b| MATTER[usize::from(*b) % 16]).collect()
        }
        _ => {
            let mut stream = messages::dump(choices).concat();
            choices.damage(&mut stream);
            stream
        }
    }
}

fn judge(stream: &[u8], pieces: &[&[u8]]) {
    let at_once = frame(stream);
    let mut collected = Stream::new();
    let mut framer = Framer::new();
    let mut summary = Summary::new();
    let mut again = Vec::with_capacity(stream.len());
    let mut sink = |event: Event<'_>| {
        again.extend_from_slice(event.bytes());
        summary.add(&event);
    };
    for piece in pieces {
        collected.push(piece);
        framer.push(piece, &mut sink);
    }
    framer.finish(&mut sink);
    assert!(again == stream, "a byte is missing");
    assert_eq!(collected.finish(), at_once, "pieces");

    let whole = summarize(stream);
    assert_eq!(whole.whole_messages, summary.whole_messages);
    assert_eq!(whole.torn, summary.torn);
    assert_eq!(whole.first_problems(), summary.first_problems());
    assert_eq!(whole.n_problems(), summary.n_problems());
    assert_eq!(whole.stray_bytes, summary.stray_bytes);
    assert_eq!(whole.real_time, summary.real_time);
    assert_eq!(whole.whole_messages, at_once.messages.len() as u64);
    assert_eq!(whole.real_time, at_once.real_time);
    assert_eq!(whole.n_problems(), at_once.n_problems);
    let n_bytes: usize = at_once.messages.iter().map(|m| m.bytes.len()).sum();
    assert_eq!(whole.whole_bytes, n_bytes as u64);
    let named = whole.whole_bytes + whole.torn.n_bytes + whole.headless_bytes + whole.stray_bytes;
    assert_eq!(named + whole.real_time.n_all(), stream.len() as u64);
    for message in &at_once.messages {
        assert!(matches!(message.bytes[..], [0xF0, .., 0xF7]));
        assert!(message.offset < message.end && message.end <= stream.len() as u64);
        let (_, _) = (message.maker(), message.kind());
    }
    for problem in &at_once.problems {
        assert!(problem.bytes.len() <= Problem::MAX_BYTES);
        assert!(problem.offset <= problem.end && problem.end <= stream.len() as u64);
    }
}

#[test]
fn two_byte_messages_take_no_more_than_is_said() {
    // One more than a list has room for before it grows.
    for n_messages in [100, 1 << 17, (1 << 17) + 1] {
        let stream = [0xF0, 0xF7].repeat(n_messages);
        let seen = Seen::default();
        let n = seen.watch(&LIMITS, &[&stream], || frame(&stream).messages.len());
        assert_eq!(n, n_messages);
        seen.print("two-byte messages");
    }
}
