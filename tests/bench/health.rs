//! How long `health` takes as takes grow: `cargo bench --bench health -- DEVICES TAKES_EACH [DIR]` (1,000 and 1,000).
//! With DIR, which must not exist, the vault is left there for other measurements.
//!
//! The catalogue is filled through the same door as by a writer; the reels are empty files of the right length.

#![expect(clippy::disallowed_methods, reason = "a benchmark reads the clock")]

use std::time::Instant;

use farshelf::model::contents::READING;
use farshelf::model::hash::Hash;
use farshelf::ops::health::health_beside;
use farshelf::sys::World;
use farshelf::sys::clock::rfc3339;
use farshelf::vault::Vault;
use farshelf::vault::catalogue::{
    Catalogue, Dirty, Form, Mark, ReelCheck, ShelfReel, Stored, Where,
};
use farshelf::vault::ledger::{self, Event};

const DAY: i64 = 86_400;
const TAKES_PER_REEL: u64 = 7_000;
const REEL_BYTES: u64 = 4096;
const SHELVES: usize = 3;

fn main() {
    let numbers: Vec<u64> = std::env::args().filter_map(|a| a.parse().ok()).collect();
    let devices = numbers.first().copied().unwrap_or(1_000);
    let takes = numbers.get(1).copied().unwrap_or(1_000);
    let root = tempfile::tempdir().unwrap();
    let place = "studio".parse().unwrap();
    let world = World::real();
    let now = world.now();
    let left_at = std::env::args()
        .skip(1)
        .find(|a| a.contains('/'))
        .map(std::path::PathBuf::from);
    let dir = left_at.clone().unwrap_or_else(|| root.path().join("vault"));
    let vault = Vault::create(&dir, Some(&place), "0".repeat(32), world).unwrap();
    let began = Instant::now();
    let catalogue = vault.catalogue();
    catalogue
        .in_transaction(|c| fill(c, devices, takes, now))
        .unwrap();
    for reel in catalogue.reels().unwrap() {
        let file = std::fs::File::create(vault.reel_path(reel.number)).unwrap();
        file.set_len(reel.bytes).unwrap();
    }
    println!(
        "{devices} devices, {} takes, {} reels, filled in {:.1} s",
        devices * takes,
        catalogue.reels().unwrap().len(),
        began.elapsed().as_secs_f64()
    );
    if left_at.is_some() {
        return;
    }
    for _ in 0..5 {
        let vault = Vault::open(&dir, World::real()).unwrap();
        let began = Instant::now();
        let health = health_beside(&vault, vec![]).unwrap();
        let ms = began.elapsed().as_secs_f64() * 1e3;
        let first = &health.devices[0];
        println!(
            "health: {ms:.1} ms ({} copies, {})",
            first.copies, first.state
        );
    }
}

fn fill(c: &Catalogue, devices: u64, takes: u64, now: i64) -> farshelf::error::Result<()> {
    let reels = (devices * takes).div_ceil(TAKES_PER_REEL);
    for reel in 1..=reels {
        c.apply_reel(reel, None, "w", "desk", now)?;
        c.apply_reel_end(reel, Some(Hash::of(b"")), REEL_BYTES)?;
        let verified_at = Some(now);
        c.set_reel_check(
            reel,
            &ReelCheck {
                verified_at,
                damage: None,
            },
        )?;
    }
    let mut dirty = Dirty::default();
    let mut line = 0;
    // Device by device after each other in time, so that each device's takes lie in many reels.
    for take in 1..=takes {
        for device in 0..devices {
            line += 1;
            let place = Where {
                line,
                reel: 1 + (line - 1) / TAKES_PER_REEL,
                at: now,
            };
            let hash = Hash::of(&line.to_le_bytes());
            c.apply_piece(&Stored {
                hash,
                form: Form::Whole,
                bytes: 64,
                whole_bytes: 64,
                reel: place.reel,
                at: 512,
            })?;
            let date = now - (takes - take) as i64 * DAY;
            let event = Event::Take(ledger::Take {
                device: format!("synth-{device:04}"),
                take: take as u32,
                section: Some("all".into()),
                by_hand: false,
                key: "f0".into(),
                blake3: hash.to_string(),
                content: None,
                bytes: 64,
                messages: 1,
                doubtful: false,
                evidence: "checksum".into(),
                findings: vec![],
                reading: READING,
                sysex_number: None,
                patches: 0,
                date: rfc3339(date),
                by: "captured".into(),
                origin: ledger::Origin::default(),
            });
            c.apply(&event, place, &mut dirty)?;
        }
    }
    for section in &dirty.sections {
        c.settle(*section)?;
    }
    for shelf in 1..=SHELVES {
        let name = format!("shelf-{shelf}");
        let event = Event::Shelf(ledger::Shelf {
            shelf: name.clone(),
            shelf_id: name.clone(),
            kind: "folder".into(),
            location: name.clone(),
            place: name.clone(),
            every_days: 30,
            separate: true,
            honours: Default::default(),
            dropped: false,
            more: Default::default(),
        });
        let place = Where {
            line: line + 1,
            reel: 1,
            at: now,
        };
        c.apply(&event, place, &mut dirty)?;
        let id = c.shelf_id(&name)?.unwrap_or_default();
        for reel in 1..=reels {
            let row = ShelfReel {
                reel,
                object: String::new(),
                bytes: 1,
                mirrored_at: Some(now),
                verified_at: Some(now),
                damage: None,
            };
            c.set_shelf_reel(id, &row)?;
        }
    }
    // As after a closed reel, so that opening finds nothing to put right.
    c.set_mark(&Mark {
        reel: reels,
        end: REEL_BYTES,
        closed: true,
        line: line + 1,
        batch_from: 0,
    })
}
