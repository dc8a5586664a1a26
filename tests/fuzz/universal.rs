//! Target: universal messages, and the samples, files and tunings they make.

use farshelf::midi::universal::{Assembly, Universal, Verdict, sample, tuning};

use crate::choices::Choices;
use crate::fuzz;
use crate::messages;
use crate::watch::{Limits, Seen};

/// A sample header of 21 bytes is listed with its loops.
const LIMITS: Limits = Limits {
    most_per_byte: 60,
    total_per_byte: 200,
    total: 64 << 10,
};

#[test]
fn any_universal_messages_are_put_together() {
    fuzz!("universal messages", check);
}

fn check(bytes: &[u8], seen: &Seen) {
    let mut choices = Choices::new(bytes);
    let mut dump = messages::dump(&mut choices);
    if choices.once_in(3) {
        for message in &mut dump {
            choices.damage(message);
        }
    }
    let input: Vec<&[u8]> = dump.iter().map(Vec::as_slice).collect();
    seen.watch(&LIMITS, &input, || judge(&input));
}

fn judge(dump: &[&[u8]]) {
    let mut assembly = Assembly::new();
    let (mut n_ok, mut n_bad, mut n_tunings) = (0, 0, 0);
    let mut n_packet_bytes = 0;
    for (number, message) in (1..).zip(dump) {
        assembly.push(number, message);
        let Some(universal) = Universal::from_bytes(message) else {
            continue;
        };
        assert!(!universal.title().is_empty());
        match universal.checksum() {
            Verdict::Ok => n_ok += 1,
            Verdict::Bad { .. } => n_bad += 1,
            _ => {}
        }
        match &universal {
            Universal::SamplePacket(packet) => {
                for bits in [0, 7, 8, 14, 15, 28, 29, 255] {
                    let limit = 1u64 << bits.min(32);
                    assert!(packet.words(bits).all(|word| u64::from(word) < limit));
                }
            }
            Universal::FilePacket(packet) => {
                let bytes = packet.bytes().unwrap_or_default();
                assert!(bytes.len() <= packet.data.len());
                n_packet_bytes += packet.data.len();
            }
            Universal::Tuning(dump) => {
                n_tunings += 1;
                for pitch in dump.pitches.as_chunks::<3>().0 {
                    assert!(tuning::frequency_hz(*pitch).is_none_or(f64::is_finite));
                }
            }
            _ => {}
        }
    }
    let assembled = assembly.finish();
    assert_eq!((assembled.n_checked, assembled.n_bad), (n_ok, n_bad));
    assert_eq!(assembled.tunings.len(), n_tunings);
    assert!(
        assembled.findings.len() < 40,
        "one finding for each kind of fault"
    );
    let n_file_bytes: usize = assembled
        .files
        .iter()
        .filter_map(|f| f.bytes.as_ref().map(Vec::len))
        .sum();
    assert!(n_file_bytes <= n_packet_bytes);
    for sample in &assembled.samples {
        assert!(!sample.to_string().is_empty());
    }
    let words = sample::assemble(dump.iter().copied());
    assert!(words.is_none_or(|w| w.len() <= 60 * dump.len()));
}
