//! Reels that the vault must have had and that are not there: told from the chain that the others form.

use std::collections::BTreeSet;

use crate::error::Result;
use crate::model::hash::Hash;
use crate::vault::catalogue::Catalogue;

/// A reel that is missing without a trace of its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Hole {
    /// Its number. Where numbers were skipped, the last one that it can have had.
    pub reel: u64,
    /// The reel that follows on it, if one does.
    pub before: Option<u64>,
    /// What it was, if that reel says so.
    pub blake3: Option<Hash>,
}

impl Hole {
    /// One clause for people.
    pub fn text(&self) -> String {
        match self.before {
            Some(next) => format!("the reel before reel {next} is missing"),
            None => "it was kept and is missing".to_string(),
        }
    }
}

/// The holes in the vault's own chain, by number.
///
/// # Errors
/// As the catalogue's.
pub fn holes(catalogue: &Catalogue) -> Result<Vec<Hole>> {
    let reels = catalogue.reels()?;
    let known: BTreeSet<Hash> = reels.iter().filter_map(|r| r.blake3).collect();
    let mut holes = Vec::new();
    for (index, reel) in reels.iter().enumerate() {
        let below = index.checked_sub(1).and_then(|i| reels.get(i));
        let missing = match reel.previous {
            Some(hash) => !known.contains(&hash),
            // It was begun when the reel before it was lost already. One that is lost but still in the catalogue
            // tells so itself.
            None => below.is_some_and(|b| b.number + 1 < reel.number && b.blake3.is_some()),
        };
        if missing {
            holes.push(Hole {
                reel: reel.number.saturating_sub(1),
                before: Some(reel.number),
                blake3: reel.previous,
            });
        }
    }
    let last = catalogue.mark()?.reel;
    if last > reels.last().map_or(0, |r| r.number) {
        holes.push(Hole {
            reel: last,
            before: None,
            blake3: None,
        });
    }
    Ok(holes)
}
