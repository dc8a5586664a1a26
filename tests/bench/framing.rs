//! How fast framing reads: MB/s on one core, best of a few passes. Run with `cargo bench --bench framing`.

#![expect(clippy::disallowed_methods, reason = "a benchmark reads the clock")]

use std::hint::black_box;
use std::time::Instant;

use farshelf::midi::framing::{frame, summarize};

const N_BYTES: usize = 64 << 20;
const N_PASSES: usize = 5;

fn main() {
    // One 32-voice bank: 4104 bytes with F0 and F7.
    measure("banks of 4,104 bytes", &message(4104));
    measure("messages of 200 bytes", &message(200));
    measure("real-time at every other byte", &[0x01, 0xF8]);
    measure("nothing but F0", &[0xF0]);
}

fn message(n_bytes: usize) -> Vec<u8> {
    let mut message: Vec<u8> = (0..n_bytes).map(|idx| (idx % 128) as u8).collect();
    message[0] = 0xF0;
    message[1] = 0x43;
    message[n_bytes - 1] = 0xF7;
    message
}

fn measure(name: &str, unit: &[u8]) {
    let mut input = unit.repeat(N_BYTES / unit.len());
    if unit[0] < 0x80 {
        // Inside a message, where real-time bytes hurt most.
        input.insert(0, 0xF0);
    }
    let summary_rate = best_rate(&input, || {
        black_box(summarize(black_box(&input)));
    });
    let frame_rate = best_rate(&input, || {
        black_box(frame(black_box(&input)));
    });
    println!("{name}: summarize {summary_rate:.0} MB/s, frame {frame_rate:.0} MB/s");
}

fn best_rate(input: &[u8], run: impl Fn()) -> f64 {
    let seconds = (0..N_PASSES)
        .map(|_| {
            let start = Instant::now();
            run();
            start.elapsed().as_secs_f64()
        })
        .fold(f64::INFINITY, f64::min);
    input.len() as f64 / 1e6 / seconds
}
