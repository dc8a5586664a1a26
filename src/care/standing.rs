//! How a shelf stands: damaged, away, behind or good, told from the catalogue and, where that costs no network, one
//! cheap look at the place. Of a distant shelf it tells what the last mirror or fixity found.

use std::collections::BTreeSet;

use crate::care::survey::{Presence, presence};
use crate::error::Result;
use crate::model::place::Place;
use crate::shelf::registry::Registry;
use crate::sys::disk::{self, FileKind};
use crate::sys::text::counted;
use crate::vault::Vault;
use crate::vault::catalogue::{ShelfReel, ShelfRow};

/// The states of a shelf, worst first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum ShelfState {
    /// Something there is not as it was, or another line went on there.
    Damaged,
    /// Not reached since longer than was asked for.
    Away,
    /// Facts of this vault are not there yet.
    Behind,
    /// All there, verified.
    Good,
}

impl ShelfState {
    /// The word for it.
    pub fn as_str(self) -> &'static str {
        match self {
            ShelfState::Damaged => "damaged",
            ShelfState::Away => "away",
            ShelfState::Behind => "behind",
            ShelfState::Good => "good",
        }
    }
}

/// One shelf as it stands.
#[derive(Debug, Clone, PartialEq)]
pub struct Standing {
    /// Its name.
    pub name: String,
    /// folder, and later kinds.
    pub kind: String,
    /// Where it is now; where it was when it is not known here.
    pub location: String,
    /// The place it stands in.
    pub place: String,
    /// True if that is not the vault's place.
    pub offsite: bool,
    /// How it stands.
    pub state: ShelfState,
    /// Why, if it is not good.
    pub reason: Option<String>,
    /// Closed reels verified there and not found damaged since.
    pub reels: u64,
    /// Takes with a ledger line or bytes in reels that are not verified there.
    pub behind_takes: u64,
    /// Bytes of those reels there.
    pub bytes: u64,
    /// When a mirror last left nothing to send, unix seconds.
    pub mirrored_at: Option<i64>,
    /// The oldest of the last verifications of its reels, unix seconds.
    pub verified_at: Option<i64>,
    /// When its copies were last opened in a drill, unix seconds.
    pub opened_at: Option<i64>,
    /// True if this computer knows where it is; `location` is only where it was otherwise.
    pub located: bool,
    /// True if the place can be written to now; of a distant one, if the last attempt to reach it succeeded.
    pub reachable: bool,
    /// When its keeper last checked all of it, by the keeper's word, unix seconds.
    pub reported_at: Option<i64>,
}

/// How every shelf stands that was not given up, by name.
///
/// # Errors
/// As the catalogue's; `BadInput` if shelves.toml cannot be read.
pub fn standings(vault: &Vault) -> Result<Vec<Standing>> {
    let registry = Registry::read(vault.world().disk.as_ref(), vault.dir())?;
    vault
        .catalogue()
        .shelves()?
        .iter()
        .map(|row| standing(vault, &registry, row))
        .collect()
}

/// How one shelf stands.
///
/// # Errors
/// As [`standings`].
pub fn standing(vault: &Vault, registry: &Registry, row: &ShelfRow) -> Result<Standing> {
    let catalogue = vault.catalogue();
    let check = catalogue.shelf_check(row.id)?;
    let reels = catalogue.shelf_reels(row.id)?;
    let reach = registry.get(&row.name);
    let near = reach.filter(|r| r.is_near());
    let opened = near.map(|r| r.open(vault.world())).transpose()?;
    let presence = opened.as_ref().map(|s| presence(vault, row, s.as_ref()));
    let mark = catalogue.mark()?;

    let mut closed = BTreeSet::new();
    let mut lacking = BTreeSet::new();
    for reel in catalogue.reels()? {
        let is_open = reel.number == mark.reel && !mark.closed;
        if reel.blake3.is_some() {
            closed.insert(reel.number);
        }
        if is_open || (reel.blake3.is_some() && !reels.iter().any(|r| counts(r, reel.number))) {
            lacking.insert(reel.number);
        }
    }
    let there: Vec<&ShelfReel> = reels
        .iter()
        .filter(|r| closed.contains(&r.reel) && counts(r, r.reel))
        .collect();
    let behind_takes = catalogue.takes_needing(&lacking)?.len() as u64;
    let keys = match &opened {
        Some(shelf) => keys_waiting(vault, shelf.as_ref(), presence.as_ref()),
        None => {
            let seen = check.keys.as_deref().unwrap_or_default();
            // Before anything was sent, the takes say that it is behind.
            check.mirrored_at.is_some() && lacks_keys(vault, &seen.lines().collect())
        }
    };

    let mut damage: Vec<String> = check
        .damage
        .iter()
        .flat_map(|d| d.lines())
        .map(str::to_string)
        .collect();
    if let Some(Presence::Wrong(what)) = &presence
        && !damage.iter().any(|d| d.starts_with("shelf.json"))
    {
        damage.push(format!("shelf.json: {what}"));
    }
    for reel in &reels {
        if let Some(what) = reel.damage.as_ref().filter(|_| closed.contains(&reel.reel)) {
            damage.push(if what == MISSING {
                format!("missing: reel {} was there and is gone", reel.reel)
            } else {
                format!("reel {}: {what}", reel.reel)
            });
        }
    }
    let away = if reach.is_none() {
        Some("where it is is not known on this computer; shelf add takes it up again".to_string())
    } else {
        let why = match &presence {
            Some(Presence::Away(e)) => Some(e.fact()),
            Some(_) => None,
            None => check.away.clone(),
        };
        let patience = i64::from(row.record.every_days) * 86_400;
        let overdue = check
            .mirrored_at
            .is_none_or(|at| vault.world().now() - at > patience);
        why.filter(|_| overdue)
    };
    let (state, reason) = if let Some(first) = damage.first() {
        let more = damage.len() - 1;
        let reason = match more {
            0 => first.clone(),
            n => format!("{first} (and {n} more)"),
        };
        (ShelfState::Damaged, Some(reason))
    } else if let Some(why) = away {
        (ShelfState::Away, Some(why))
    } else if !lacking.is_empty() {
        let reason = match behind_takes {
            0 => "behind by changes that are no takes".to_string(),
            n => format!("behind by {}", counted(n, "take")),
        };
        (ShelfState::Behind, Some(reason))
    } else if keys {
        (
            ShelfState::Behind,
            Some("a further key is not there yet".to_string()),
        )
    } else {
        (ShelfState::Good, None)
    };
    Ok(Standing {
        name: row.name.clone(),
        kind: reach.map_or(row.record.kind.clone(), |r| r.kind.clone()),
        location: reach.map_or(row.record.location.clone(), |r| r.location.clone()),
        place: row.record.place.clone(),
        offsite: is_offsite(vault, &row.record.place)?,
        state,
        reason,
        reels: there.len() as u64,
        behind_takes,
        bytes: there.iter().map(|r| r.bytes).sum(),
        mirrored_at: check.mirrored_at,
        verified_at: there.iter().filter_map(|r| r.verified_at).min(),
        opened_at: None,
        located: reach.is_some(),
        reachable: match &presence {
            Some(presence) => matches!(presence, Presence::There),
            None => reach.is_some() && check.seen_at.is_some() && check.away.is_none(),
        },
        reported_at: check.reported_at,
    })
}

/// The damage of a reel that was verified at a shelf and is gone.
pub const MISSING: &str = "missing";

/// True if `place` is another than the vault's; a vault without a place has nothing off-site.
///
/// # Errors
/// `BadInput` if the vault's own place cannot be read.
pub fn is_offsite(vault: &Vault, place: &str) -> Result<bool> {
    let own = vault.settings().place()?;
    Ok(match (own, place.parse::<Place>()) {
        (Some(own), Ok(place)) => own != place,
        _ => false,
    })
}

fn counts(row: &ShelfReel, reel: u64) -> bool {
    row.reel == reel && row.verified_at.is_some() && row.damage.is_none()
}

/// True if the vault has a further key that the shelf lacks.
fn keys_waiting(
    vault: &Vault,
    shelf: &dyn crate::shelf::Shelf,
    presence: Option<&Presence>,
) -> bool {
    let Some(Presence::There) = presence else {
        return false;
    };
    let there = shelf.list(crate::shelf::Part::Keys).unwrap_or_default();
    lacks_keys(vault, &there.iter().map(|o| o.name.as_str()).collect())
}

fn lacks_keys(vault: &Vault, there: &BTreeSet<&str>) -> bool {
    let ours = key_files(vault);
    ours.iter().any(|name| !there.contains(name.as_str()))
}

/// The names of the vault's further key files.
pub fn key_files(vault: &Vault) -> Vec<String> {
    let disk = vault.world().disk.as_ref();
    let folder = vault.dir().join("keys");
    disk.list(&folder)
        .unwrap_or_default()
        .iter()
        .filter_map(|n| n.to_str())
        .filter(|n| n.parse::<crate::shelf::name::KeysName>().is_ok())
        .filter(|n| {
            disk.meta(&folder.join(n))
                .is_ok_and(|m| m.kind == FileKind::File)
        })
        .map(str::to_string)
        .collect()
}

/// The bytes of one of the vault's further key files, if they fit their name.
pub fn key_file(vault: &Vault, name: &str) -> Option<Vec<u8>> {
    let path = vault.dir().join("keys").join(name);
    let bytes = disk::read_all(vault.world().disk.as_ref(), &path, 1 << 16).ok()?;
    let parsed: crate::shelf::name::KeysName = name.parse().ok()?;
    (crate::shelf::name::KeysName::of(parsed.number, &bytes) == parsed).then_some(bytes)
}
