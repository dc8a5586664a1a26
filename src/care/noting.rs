//! What is written down of shelves: reels that arrived, what a look found, notes for the ledger.

use std::time::Duration;

use crate::care::standing::MISSING;
use crate::care::survey::{Ours, ROTTED, Survey};
use crate::error::{Error, Kind, Result};
use crate::shelf::name::ReelName;
use crate::sys::clock::{day, rfc3339};
use crate::vault::Vault;
use crate::vault::catalogue::{ShelfReel, ShelfRow};
use crate::vault::ledger::{self, Event};

/// Writes down one reel that arrived and was read back.
///
/// # Errors
/// `Busy`, `Io`.
pub fn record_reel(
    vault: &Vault,
    row: &ShelfRow,
    name: &ReelName,
    bytes: u64,
    wait: Duration,
) -> Result<()> {
    let now = vault.world().now();
    let _lock = vault.lock(wait)?;
    vault.catalogue().in_transaction(|catalogue| {
        catalogue.set_shelf_reel(
            row.id,
            &ShelfReel {
                reel: name.number,
                object: name.to_string(),
                bytes,
                mirrored_at: Some(now),
                verified_at: Some(now),
                damage: None,
            },
        )
    })
}

/// Takes back that a reel arrived: it is not where it was sent.
///
/// # Errors
/// `Busy`, `Io`.
pub fn unrecord_reel(vault: &Vault, row: &ShelfRow, number: u64, wait: Duration) -> Result<()> {
    let _lock = vault.lock(wait)?;
    vault.catalogue().in_transaction(|catalogue| {
        let rows = catalogue.shelf_reels(row.id)?;
        let Some(reel) = rows.into_iter().find(|r| r.reel == number) else {
            return Ok(());
        };
        catalogue.set_shelf_reel(
            row.id,
            &ShelfReel {
                mirrored_at: None,
                verified_at: None,
                damage: None,
                ..reel
            },
        )
    })
}

/// Writes down what was seen of a shelf's reels: those read and found right, and those that are damaged or gone.
/// The caller holds the lock and a transaction.
///
/// # Errors
/// As the catalogue's.
pub fn record_survey(vault: &Vault, ours: &Ours, row: &ShelfRow, found: &Survey) -> Result<()> {
    let now = vault.world().now();
    let catalogue = vault.catalogue();
    let rows = catalogue.shelf_reels(row.id)?;
    let before = |number| rows.iter().find(|r| r.reel == number).cloned();
    let unfit = found.plan.unfit.iter();
    let unfit = unfit.filter_map(|n| Some((n.to_string(), *found.bytes.get(n)?)));
    catalogue.set_shelf_unfit(row.id, &unfit.collect())?;
    for (name, bytes) in &found.read {
        let is_ours = found.plan.present.get(&name.number) == Some(name);
        if is_ours && ours.hashes.contains_key(&name.number) {
            let earlier = before(name.number).and_then(|r| r.mirrored_at);
            catalogue.set_shelf_reel(
                row.id,
                &ShelfReel {
                    reel: name.number,
                    object: name.to_string(),
                    bytes: *bytes,
                    mirrored_at: earlier.or(Some(now)),
                    verified_at: Some(now),
                    damage: None,
                },
            )?;
        }
    }
    let blame = |number: u64, what: &str, object: Option<&ReelName>| {
        let mut reel = before(number).unwrap_or(ShelfReel {
            reel: number,
            object: object.map(|n| n.to_string()).unwrap_or_default(),
            bytes: 0,
            mirrored_at: None,
            verified_at: None,
            damage: None,
        });
        reel.damage = Some(what.to_string());
        catalogue.set_shelf_reel(row.id, &reel)
    };
    for (number, object) in &found.plan.damaged {
        let why = found.unreadable.iter().find(|(n, _)| n == object);
        blame(*number, why.map_or(ROTTED, |(_, w)| w), Some(object))?;
    }
    for number in &found.plan.missing {
        blame(*number, MISSING, None)?;
    }
    Ok(())
}

pub(super) fn note_mirrored(vault: &Vault, shelf: &str, through: u64, now: i64) -> Result<()> {
    let event = Event::Mirrored(ledger::Mirrored {
        shelf: shelf.to_string(),
        when: rfc3339(now),
        through,
    });
    let subject = format!("mirrored/{shelf}/{}", day(now, &vault.world().zone));
    vault.catalogue().put_note(&subject, &line(&event)?)
}

/// Keeps the note that reels were read back at a shelf; one of the same day takes in the one before.
///
/// # Errors
/// As the catalogue's.
pub fn note_verified(vault: &Vault, shelf: &str, reels: &[u64], now: i64) -> Result<()> {
    let subject = format!("verified/{shelf}/{}", day(now, &vault.world().zone));
    let mut all: Vec<(u64, u64)> = reels.iter().map(|n| (*n, *n)).collect();
    if all.is_empty() {
        return Ok(());
    }
    let waiting = vault.catalogue().note(&subject)?;
    if let Some(Event::Verified(before)) =
        waiting.and_then(|text| serde_json::from_str::<Event>(&text).ok())
    {
        all.extend(before.reels);
    }
    let event = Event::Verified(ledger::Verified {
        shelf: shelf.to_string(),
        when: rfc3339(now),
        reels: merged(all),
    });
    vault.catalogue().put_note(&subject, &line(&event)?)
}

fn line(event: &Event) -> Result<String> {
    serde_json::to_string(event)
        .map_err(|e| Error::new(Kind::Bug, "a note cannot be written").because(e))
}

/// Unbroken runs out of runs that may touch or overlap.
fn merged(mut runs: Vec<(u64, u64)>) -> Vec<(u64, u64)> {
    runs.sort_unstable();
    let mut out: Vec<(u64, u64)> = Vec::new();
    for (first, last) in runs {
        match out.last_mut() {
            Some(run) if first <= run.1.saturating_add(1) => run.1 = run.1.max(last),
            _ => out.push((first, last)),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::merged;

    #[test]
    fn runs_are_merged() {
        assert_eq!(
            merged(vec![(3, 3), (1, 1), (2, 2), (7, 9), (8, 8)]),
            [(1, 3), (7, 9)]
        );
        assert_eq!(merged(vec![]), []);
    }
}
