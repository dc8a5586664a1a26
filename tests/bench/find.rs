//! How long `find` takes as patches grow: `cargo bench --bench find -- TAKES PATCHES_EACH` (31,250 and 32: a million).
//!
//! The catalogue is filled through the same door as by a writer. Names are invented: two syllables and a number, so that
//! most differ; each take holds those of the one before but for one in twenty.

#![expect(clippy::disallowed_methods, reason = "a benchmark reads the clock")]

use std::time::Instant;

use farshelf::model::contents::READING;
use farshelf::model::hash::Hash;
use farshelf::ops::find::find;
use farshelf::sys::World;
use farshelf::vault::Vault;
use farshelf::vault::catalogue::{Catalogue, Dirty, Where};
use farshelf::vault::ledger::{self, Event};

const SYLLABLES: &[&str] = &[
    "BAS", "LED", "PAD", "KEY", "ORG", "STR", "BRS", "BEL", "PLK", "DRM", "SWP", "CHO", "VOX",
    "ICE",
];
const DEVICES: u64 = 250;

/// A small generator is enough: the names only have to differ.
struct Dice(u64);

impl Dice {
    fn roll(&mut self, sides: u64) -> u64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1);
        (self.0 >> 33) % sides
    }

    fn name(&mut self) -> String {
        let n = SYLLABLES.len() as u64;
        let (a, b) = (self.roll(n) as usize, self.roll(n) as usize);
        format!("{} {} {}", SYLLABLES[a], SYLLABLES[b], self.roll(100_000))
    }
}

fn main() {
    let numbers: Vec<u64> = std::env::args().filter_map(|a| a.parse().ok()).collect();
    let takes = numbers.first().copied().unwrap_or(31_250);
    let patches = numbers.get(1).copied().unwrap_or(32);
    let root = tempfile::tempdir().unwrap();
    let dir = root.path().join("vault");
    let vault = Vault::create(&dir, None, "0".repeat(32), World::real()).unwrap();
    let began = Instant::now();
    vault
        .catalogue()
        .in_transaction(|c| fill(c, takes, patches))
        .unwrap();
    println!(
        "{takes} takes, {} patches, filled in {:.1} s",
        takes * patches,
        began.elapsed().as_secs_f64()
    );
    vault.catalogue().gather().unwrap();
    let bytes = std::fs::metadata(vault.catalogue().path()).unwrap().len();
    println!(
        "catalogue: {:.1} bytes a patch",
        bytes as f64 / (takes * patches) as f64
    );
    for text in [
        "GLASS PAD",
        "PAD KEY 77",
        "pad key",
        "pad",
        "pa",
        "nothing",
        "dump-17",
    ] {
        let mut best = f64::MAX;
        let mut hits = 0;
        for _ in 0..5 {
            let began = Instant::now();
            hits = find(&vault, text).unwrap().len();
            best = best.min(began.elapsed().as_secs_f64());
        }
        println!("find {text:?}: {:.1} ms, {hits} hits", best * 1e3);
    }
}

fn fill(c: &Catalogue, takes: u64, patches: u64) -> farshelf::error::Result<()> {
    let mut dirty = Dirty::default();
    let mut dice = Dice(1);
    let mut banks: Vec<Vec<String>> = vec![Vec::new(); DEVICES as usize];
    for line in 1..=takes {
        let device = line % DEVICES;
        let number = (line / DEVICES + 1) as u32;
        let bank = &mut banks[device as usize];
        if bank.is_empty() {
            bank.extend((0..patches).map(|_| dice.name()));
            if device == 7 {
                bank[3] = "GLASS PAD".to_string();
            }
        }
        for slot in (0..patches as usize).filter(|slot| *slot != 3) {
            if dice.roll(20) == 0 {
                bank[slot] = dice.name();
            }
        }
        let event = Event::Take(ledger::Take {
            device: format!("synth-{device:03}"),
            take: number,
            section: Some("all".into()),
            by_hand: false,
            key: "43 xx 09 20 00".into(),
            blake3: Hash::of(&line.to_le_bytes()).to_string(),
            content: None,
            bytes: 4104,
            messages: 1,
            doubtful: false,
            evidence: "checksum".into(),
            findings: vec![],
            reading: READING,
            sysex_number: Some(0),
            patches: patches as u32,
            date: "2026-01-01".into(),
            by: "given".into(),
            origin: ledger::Origin {
                via: "file".into(),
                folder: format!("synth-{device:03}"),
                name: format!("dump-{number}.syx"),
                mtime: None,
            },
        });
        let place = Where {
            line,
            reel: 1,
            at: 0,
        };
        c.apply(&event, place, &mut dirty)?;
        let id = (c.device_id(&format!("synth-{device:03}"))?.unwrap() << 32) | i64::from(number);
        c.set_patches(id, (1..).zip(bank.iter().map(String::as_str)))?;
    }
    Ok(())
}
