//! What every test against other people's programs needs: whether they are there, and a place to work in.
#![allow(dead_code)] // Each test binary uses its own share.

use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};

/// Says whether every program can be run. If not, prints one line, or fails where `FARSHELF_REQUIRE_OUTSIDE=1`.
pub fn there(test: &str, programs: &[&str]) -> bool {
    for program in programs {
        let found = Command::new("sh")
            .args(["-c", "command -v \"$0\"", program])
            .stdout(Stdio::null())
            .status()
            .is_ok_and(|status| status.success());
        if !found {
            let required = std::env::var("FARSHELF_REQUIRE_OUTSIDE").is_ok_and(|v| v == "1");
            assert!(!required, "{test}: {program} is missing");
            // Past the test harness, which swallows what passing tests print.
            let _ = writeln!(std::io::stderr(), "not run: {test} ({program} is missing)");
            return false;
        }
    }
    true
}

/// Runs a shell line in `folder` and gives its standard output; panics with both streams if it fails.
pub fn sh(folder: &Path, line: &str) -> Vec<u8> {
    let output = Command::new("sh")
        .args(["-c", line])
        .current_dir(folder)
        .output()
        .expect("sh runs");
    assert!(
        output.status.success(),
        "{line}\n{}{}",
        String::from_utf8_lossy(&output.stdout),
        String::from_utf8_lossy(&output.stderr)
    );
    output.stdout
}

/// Bytes that are half noise, half zeros; another `seed` gives others, the same one the same.
pub fn half_noise(seed: u8, length: usize) -> Vec<u8> {
    let mut bytes = vec![0; length];
    let mut source = blake3::Hasher::new();
    source.update(&[seed]);
    source.finalize_xof().fill(&mut bytes);
    for block in bytes.chunks_mut(64) {
        let half = block.len() / 2;
        block[half..].fill(0);
    }
    bytes
}
