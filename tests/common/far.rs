//! Vaults with shelves that are far away, and everything a person would ask about them.
#![allow(dead_code)]

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use farshelf::care::standing::{ShelfState, Standing};
use farshelf::error::Result;
use farshelf::ops;
use farshelf::ops::fixity::{Damage, FixityOptions, FixityReport};
use farshelf::ops::mirror::{MirrorOptions, MirroredShelf, Silent};
use farshelf::ops::repair::{Look, RepairReport};
use farshelf::ops::rescue::{RescueOptions, RescueReport};
use farshelf::shelf::registry::{Reach, Registry};
use farshelf::shelf::secret::{Secret, SecretSource};
use farshelf::sys::disk::RealDisk;
use farshelf::vault::Vault;
use farshelf::vault::catalogue::ShelfReel;

use super::common::{self, Studio, WAIT, dump, keep, place};

/// Adds a distant shelf; nobody waits long for it afterwards.
pub fn add(vault: &Vault, name: &str, location: &str) {
    let options = ops::shelf::AddOptions {
        name: name.to_string(),
        location: location.to_string(),
        way: way(location, "access", "secret"),
        place: Some(place("lena's flat")),
        every_days: None,
        separate: false,
    };
    ops::shelf::add(vault, &options, WAIT).unwrap();
    hurry(vault.dir(), name);
}

/// User and secret where the location needs them.
pub fn way(location: &str, user: &str, secret: &str) -> ops::way::WayOptions {
    let mut way = ops::way::WayOptions::default();
    if !location.starts_with("host") {
        way.user = Some(user.to_string());
        way.secret = SecretSource {
            secret: Some(Secret::new(secret)),
            ..SecretSource::default()
        };
    }
    way
}

/// Two attempts are many, and a few seconds without a byte are long.
pub fn hurry(vault: &Path, name: &str) {
    stalls_after(vault, name, 8);
}

/// The same, with the seconds that are waited for a byte.
pub fn stalls_after(vault: &Path, name: &str, seconds: u64) {
    change(vault, name, |reach| {
        reach.stall_seconds = Some(seconds);
        reach.tries = Some(2);
    });
}

/// Time that passes, from any point on.
pub fn steady() -> Duration {
    use farshelf::sys::clock::Clock;
    farshelf::sys::clock::SystemClock.steady()
}

/// Changes how a shelf is reached.
pub fn change(vault: &Path, name: &str, with: impl FnOnce(&mut Reach)) {
    let mut registry = Registry::read(&RealDisk, vault).unwrap();
    let mut reach = registry.get(name).unwrap().clone();
    with(&mut reach);
    registry.insert(name, reach);
    registry.write(&RealDisk, vault).unwrap();
}

/// How a shelf is reached.
pub fn reach(vault: &Path, name: &str) -> Reach {
    Registry::read(&RealDisk, vault)
        .unwrap()
        .get(name)
        .unwrap()
        .clone()
}

/// Three reels of two takes each, on their way to the shelves by three mirrors.
pub fn three_reels(studio: &Studio, vault: &Vault) {
    for n in 0..3u32 {
        one_reel(vault, n);
        common::mirror(vault);
        studio.later(1);
    }
}

/// Keeps two takes; the reel stays open.
pub fn one_reel(vault: &Vault, n: u32) {
    keep(vault, "organ", 2 * n + 1, &dump(2 * n + 1));
    keep(vault, "organ", 2 * n + 2, &dump(2 * n + 2));
}

pub fn mirror(vault: &Vault, name: &str) -> MirroredShelf {
    let options = MirrorOptions::of(&[name.to_string()]);
    let mut report = ops::mirror::mirror(vault, &options, WAIT).unwrap();
    report.shelves.remove(0)
}

pub fn fixity(vault: &Vault, name: &str) -> FixityReport {
    let options = FixityOptions {
        shelves: vec![name.to_string()],
        ..FixityOptions::default()
    };
    ops::fixity::fixity(vault, &options, WAIT).unwrap()
}

/// What fixity found, each in one line: `2: its bytes …`.
pub fn found(report: &FixityReport) -> Vec<String> {
    let line = |d: &Damage| match d.reel {
        Some(reel) => format!("{reel}: {}", d.detail),
        None => d.detail.clone(),
    };
    report.damaged.iter().map(line).collect()
}

pub fn repair(studio: &Studio) -> RepairReport {
    let (_, report) = ops::repair::repair(
        studio.vault(),
        Some(&studio.identity),
        Look::Everywhere,
        WAIT,
    )
    .unwrap();
    report
}

/// The shelf as health tells of it.
pub fn standing(vault: &Vault, name: &str) -> Standing {
    let (_, shelves) = ops::health::health(vault).unwrap();
    shelves.into_iter().find(|s| s.name == name).unwrap()
}

pub fn state(vault: &Vault, name: &str) -> (ShelfState, String) {
    let standing = standing(vault, name);
    (standing.state, standing.reason.unwrap_or_default())
}

/// Numbers of the reels that count as verified at the shelf.
pub fn verified(vault: &Vault, name: &str) -> Vec<u64> {
    let counts = |r: &ShelfReel| r.verified_at.is_some() && r.damage.is_none();
    let rows = ops::shelf::show(vault, name).unwrap().reels;
    rows.iter().filter(|r| counts(r)).map(|r| r.reel).collect()
}

/// A rescue from these shelves of the vault into the new folder `to`, on another computer.
pub fn rescue(studio: &Studio, shelves: &[&str], to: &str) -> Result<(Vault, RescueReport)> {
    let vault = studio.path("vault");
    let options = RescueOptions {
        locations: shelves.iter().map(|s| reach(&vault, s)).collect(),
        identity: &studio.identity,
        to: studio.path(to),
        line: None,
        until: None,
        progress: Arc::new(Silent),
    };
    ops::rescue::rescue(&options, &studio.elsewhere(), WAIT)
}
