//! Trying every point of something: a spread of them by default, all with `FARSHELF_FAULT_POINTS=all`.

use std::io::Write;
use std::panic::{AssertUnwindSafe, catch_unwind};

/// How many points there are and how many of them a plain `cargo test` tries.
#[derive(Debug, Clone, Copy)]
pub struct Spread {
    /// The first so many are tried always.
    pub always: usize,
    /// All of them.
    pub all: usize,
    /// Of the others, about so many are tried by default.
    pub few: usize,
}

impl Spread {
    /// The points to try now. The stride is a prime, so that it falls on no block or field again and again.
    fn chosen(self) -> Vec<usize> {
        let stride = match std::env::var("FARSHELF_FAULT_POINTS") {
            Ok(value) if value == "all" => 1,
            _ => prime_from((self.all - self.always) / self.few.max(1)),
        };
        let others = (self.always..self.all).step_by(stride);
        (0..self.always).chain(others).collect()
    }
}

/// Calls `point` for the points of `spread`, says how many of how many it tried, and fails naming the bad ones.
/// A point that panics is bad.
pub fn try_points(what: &str, spread: Spread, mut point: impl FnMut(usize) -> Result<(), String>) {
    let chosen = spread.chosen();
    let mut bad = Vec::new();
    for index in &chosen {
        match catch_unwind(AssertUnwindSafe(|| point(*index))) {
            Ok(Ok(())) => {}
            Ok(Err(why)) => bad.push(format!("point {index}: {why}")),
            Err(_) => bad.push(format!("point {index}: a panic")),
        }
    }
    let line = format!(
        "{what}: {} of {} points tried, {} bad\n",
        chosen.len(),
        spread.all,
        bad.len()
    );
    // Past the test harness, which swallows what passing tests print.
    let _ = std::io::stderr().write_all(line.as_bytes());
    let shown = bad.len().min(40);
    assert!(bad.is_empty(), "{line}{}", bad[..shown].join("\n"));
}

fn prime_from(at_least: usize) -> usize {
    let is_prime = |n: &usize| {
        (2..)
            .take_while(|d| d * d <= *n)
            .all(|d| !n.is_multiple_of(d))
    };
    (at_least.max(2)..).find(is_prime).unwrap_or(2)
}
