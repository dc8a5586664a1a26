//! How long a dump takes to be read by its layout: checksum, patch table and hashes. Run with `cargo bench --bench layout`.

#![expect(clippy::disallowed_methods, reason = "a benchmark reads the clock")]

use std::hint::black_box;
use std::time::Instant;

use farshelf::layout::{Layouts, Reader, Reading};

const N_PASSES: usize = 5;

fn main() {
    let layouts = Layouts::builtin();
    let bank = bank();
    measure("one bank of 32 patches", &layouts, &[&bank], 2_000);
    let many = vec![bank.as_slice(); 256];
    measure("256 banks in one dump", &layouts, &many, 20);
    let parameter: &[u8] = &[
        0xF0, 0x41, 0x10, 0x42, 0x12, 0x40, 0x00, 0x7F, 0x00, 0x41, 0xF7,
    ];
    let many = vec![parameter; 10_000];
    measure("10,000 short messages", &layouts, &many, 20);
}

/// 32 patches, each another, with a right checksum.
fn bank() -> Vec<u8> {
    let mut message = vec![0xF0, 0x43, 0x00, 0x09, 0x20, 0x00];
    message.extend((0..4096usize).map(|idx| 0x20 | (idx * 7 / 5 % 0x5f) as u8));
    let sum = message[6..]
        .iter()
        .fold(0u8, |sum, byte| sum.wrapping_add(*byte));
    message.push(sum.wrapping_neg() & 0x7f);
    message.push(0xF7);
    message
}

fn measure(name: &str, layouts: &Layouts, messages: &[&[u8]], n_times: usize) {
    let reading = read(layouts, messages);
    assert!(reading.findings.is_empty(), "{:?}", reading.findings);
    let seconds = (0..N_PASSES)
        .map(|_| {
            let start = Instant::now();
            for _ in 0..n_times {
                black_box(read(layouts, black_box(messages)));
            }
            start.elapsed().as_secs_f64() / n_times as f64
        })
        .fold(f64::INFINITY, f64::min);
    let n_bytes: usize = messages.iter().map(|message| message.len()).sum();
    println!(
        "{name}: {n_bytes} bytes, {} patches: {:.1} us, {:.0} MB/s",
        reading.patches.len(),
        1e6 * seconds,
        n_bytes as f64 / 1e6 / seconds
    );
}

fn read(layouts: &Layouts, messages: &[&[u8]]) -> Reading {
    let mut reader = Reader::new(layouts, None);
    for message in messages {
        reader.push(message);
    }
    reader.finish().expect("a layout fits")
}
