//! What must hold for each input: no panic, bounded memory, and no more allocated in total than its length allows.

use std::sync::Once;
use std::sync::atomic::{AtomicUsize, Ordering::Relaxed};

use crate::memory::{Used, measured};

/// An input of at most this many bytes takes no more than [`SMALL_MOST`].
const SMALL: usize = 1024;
const SMALL_MOST: usize = 1 << 20;

/// How much a target may allocate for an input of `n` bytes.
#[derive(Debug, Clone, Copy)]
pub struct Limits {
    /// At any one time: this many bytes for each byte of an input, 1 MiB for a small one.
    pub most_per_byte: usize,
    /// Altogether: this many bytes for each byte of an input...
    pub total_per_byte: usize,
    /// ...and this many whatever its length.
    pub total: usize,
}

/// What was seen of all inputs of a target.
#[derive(Debug, Default)]
pub struct Seen {
    n: AtomicUsize,
    most_of_small: AtomicUsize,
    most_per_byte: AtomicUsize,
    total_per_byte: AtomicUsize,
    total: AtomicUsize,
    shown: OnceCell,
}

/// A [`Once`] with a default.
#[derive(Debug)]
struct OnceCell(Once);

impl Default for OnceCell {
    fn default() -> OnceCell {
        OnceCell(Once::new())
    }
}

impl Seen {
    /// Does `work` on `input` and judges what it took. `input` is all that is untrusted: messages, and a layout if it is
    /// made up, too.
    pub fn watch<T>(&self, limits: &Limits, input: &[&[u8]], work: impl FnOnce() -> T) -> T {
        if std::env::var_os("BOLERO_RANDOM_SEED").is_some() {
            self.shown.0.call_once(|| println!("input: {}", Hex(input)));
        }
        let n_bytes: usize = input.iter().map(|part| part.len()).sum();
        let (done, used) = measured(work);
        self.note(n_bytes, used);
        let most = match n_bytes {
            ..=SMALL => SMALL_MOST,
            _ => SMALL_MOST.max(limits.most_per_byte * n_bytes),
        };
        let Used { most: n, total } = used;
        assert!(
            n <= most,
            "{n_bytes} bytes took {n} bytes at one time: {}",
            Hex(input)
        );
        assert!(
            total <= limits.total + limits.total_per_byte * n_bytes,
            "{n_bytes} bytes took {total} bytes in total: {}",
            Hex(input)
        );
        done
    }

    fn note(&self, n_bytes: usize, used: Used) {
        self.n.fetch_add(1, Relaxed);
        if n_bytes <= SMALL {
            self.most_of_small.fetch_max(used.most, Relaxed);
            self.total.fetch_max(used.total, Relaxed);
        } else {
            self.most_per_byte
                .fetch_max(used.most.div_ceil(n_bytes), Relaxed);
            self.total_per_byte
                .fetch_max(used.total.div_ceil(n_bytes), Relaxed);
        }
    }

    /// Says what was seen.
    pub fn print(&self, target: &str) {
        println!(
            "{target}: {} inputs; at most {} bytes at one time for a small one ({} in total), {} times the length for others ({} in total)",
            self.n.load(Relaxed),
            self.most_of_small.load(Relaxed),
            self.total.load(Relaxed),
            self.most_per_byte.load(Relaxed),
            self.total_per_byte.load(Relaxed)
        );
    }
}

/// Parts of an input in hex, a bar between them.
struct Hex<'a>(&'a [&'a [u8]]);

impl std::fmt::Display for Hex<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        for (idx, part) in self.0.iter().enumerate() {
            if idx > 0 {
                f.write_str(" | ")?;
            }
            for byte in *part {
                write!(f, "{byte:02X}")?;
            }
        }
        Ok(())
    }
}

#[test]
fn too_much_is_noticed() {
    let limits = Limits {
        most_per_byte: 1000,
        total_per_byte: 1000,
        total: 4 << 20,
    };
    let take = |n_input: usize, n_taken: usize, n_times: usize| {
        let input = vec![0; n_input];
        std::panic::catch_unwind(|| {
            Seen::default().watch(&limits, &[&input], || {
                for _ in 0..n_times {
                    std::hint::black_box(vec![0u8; n_taken]);
                }
            });
        })
        .is_ok()
    };
    assert!(take(100, 1 << 20, 1));
    assert!(!take(100, (1 << 20) + 1, 1), "a small input takes 1 MiB");
    assert!(!take(1024, (1 << 20) + 1, 1));
    assert!(take(2000, 2_000_000, 1));
    assert!(!take(2000, 2_000_001, 1), "a larger one takes its share");
    assert!(take(100, 1 << 20, 4));
    assert!(!take(100, 1 << 20, 5), "again and again is work, too");
}
