//! Reading everything again and comparing it with what was written.
//!
//! Cached pages are dropped first, so that the medium is read and not the memory. The lock is held only while the
//! outcome is written down.

use std::collections::BTreeSet;
use std::time::Duration;

use crate::care::survey::{self, Ours, Presence, Survey};
use crate::care::{mirror, standing};
use crate::error::Result;
use crate::model::hash::Hash;
use crate::shelf::by_hand::readme_text;
use crate::shelf::copying::Copying;
use crate::shelf::name::KeysName;
use crate::shelf::registry::Registry;
use crate::shelf::{Part, README, SHELF_JSON, Shelf};
use crate::sys::disk::{self, DiskFile};
use crate::vault::catalogue::{ReelCheck, ReelRow, ShelfReel, ShelfRow};
use crate::vault::{Vault, judge, recover, reel};

/// What is to be read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Extent {
    /// The vault's own reels.
    pub local: bool,
    /// These shelves; `None` is every shelf that can be reached.
    pub shelves: Option<Vec<String>>,
    /// At most so many bytes, what was not read for longest first.
    pub budget: Option<u64>,
}

impl Extent {
    /// Everything that can be reached.
    pub fn everything() -> Extent {
        Extent {
            local: true,
            shelves: None,
            budget: None,
        }
    }
}

/// Something that is not as it was written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Damage {
    /// `local`, or the shelf's name.
    pub where_: String,
    /// The reel, unless it is something beside the reels.
    pub reel: Option<u64>,
    /// What is wrong and where, in words.
    pub detail: String,
}

/// What was read and found.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Fixity {
    /// Reels read, each copy counted.
    pub checked_reels: u64,
    /// Bytes read.
    pub checked_bytes: u64,
    /// False if something that was asked for was not read: the budget ended, or a shelf was not there.
    pub complete: bool,
    /// What is not as it was written.
    pub damaged: Vec<Damage>,
    /// Worth knowing, but no damage: shelves that were not there, objects that are nobody's.
    pub notes: Vec<String>,
}

impl Fixity {
    /// True if nothing was found wrong.
    pub fn good(&self) -> bool {
        self.damaged.is_empty()
    }
}

/// Reads what `extent` says.
///
/// # Errors
/// `NotFound` for a name that is no shelf; `Busy`; `Io` of the catalogue. What cannot be read is damage, not an error.
pub fn fixity(vault: &Vault, extent: &Extent, wait: Duration) -> Result<Fixity> {
    let mut out = Fixity {
        complete: true,
        ..Fixity::default()
    };
    let rows = match &extent.shelves {
        None => vault.catalogue().shelves()?,
        Some(names) => names
            .iter()
            .map(|n| survey::shelf_row(vault, n))
            .collect::<Result<Vec<_>>>()?,
    };
    let due = due(vault, extent, &rows, &mut out)?;
    if extent.local {
        local(vault, &due.local, wait, &mut out)?;
    }
    if rows.is_empty() {
        return Ok(out);
    }
    let disk = &vault.world().disk;
    let registry = Registry::read(disk.as_ref(), vault.dir())?;
    let copying = Copying::read(disk.as_ref(), vault.dir())?;
    for row in &rows {
        let Some(reach) = registry.get(&row.name) else {
            out.complete &= extent.shelves.is_none();
            out.notes.push(format!(
                "shelf {} was not read: where it is is not known on this computer",
                row.name
            ));
            continue;
        };
        let shelf = reach.open(disk)?;
        let ours = survey::ours(vault, &copying.name_key)?;
        check_shelf(
            vault,
            &copying,
            &ours,
            row,
            shelf.as_ref(),
            &due,
            wait,
            &mut out,
        )?;
    }
    Ok(out)
}

/// What a budget leaves to be read now.
struct Due {
    local: BTreeSet<u64>,
    /// Shelf row id and reel; a reel that is not on record there is always read.
    shelves: BTreeSet<(i64, u64)>,
}

fn due(vault: &Vault, extent: &Extent, rows: &[ShelfRow], out: &mut Fixity) -> Result<Due> {
    let catalogue = vault.catalogue();
    // (last verified, where, reel, bytes); never verified sorts first.
    let mut items: Vec<(Option<i64>, Option<i64>, u64, u64)> = Vec::new();
    if extent.local {
        for reel in catalogue.reels()? {
            items.push((
                catalogue.reel_check(reel.number)?.verified_at,
                None,
                reel.number,
                reel.bytes,
            ));
        }
    }
    for row in rows {
        for reel in catalogue.shelf_reels(row.id)? {
            items.push((reel.verified_at, Some(row.id), reel.reel, reel.bytes));
        }
    }
    items.sort();
    let mut due = Due {
        local: BTreeSet::new(),
        shelves: BTreeSet::new(),
    };
    let mut left = extent.budget.unwrap_or(u64::MAX);
    for (n, (_, place, reel, bytes)) in items.into_iter().enumerate() {
        // The first one always fits: a budget below one reel must not check nothing for ever.
        if bytes > left && n > 0 {
            out.complete = false;
            break;
        }
        left = left.saturating_sub(bytes);
        match place {
            None => due.local.insert(reel),
            Some(shelf) => due.shelves.insert((shelf, reel)),
        };
    }
    Ok(due)
}

fn local(vault: &Vault, due: &BTreeSet<u64>, wait: Duration, out: &mut Fixity) -> Result<()> {
    let mark = vault.catalogue().mark()?;
    let mut outcomes = Vec::new();
    for reel in vault.catalogue().reels()? {
        if !due.contains(&reel.number) {
            continue;
        }
        let is_open = reel.number == mark.reel && !mark.closed;
        let found = if is_open {
            match vault.judge_open_reel(reel.number, mark.end) {
                Ok(faults) => Ok(faults.first().map(|f| f.to_string())),
                Err(e) => Err(e.fact()),
            }
        } else {
            read_closed(vault, &reel)
        };
        out.checked_reels += 1;
        out.checked_bytes += reel.bytes;
        let detail = match found {
            Ok(detail) => detail,
            Err(why) => Some(why),
        };
        if let Some(detail) = &detail {
            out.damaged.push(Damage {
                where_: "local".to_string(),
                reel: Some(reel.number),
                detail: detail.clone(),
            });
        }
        outcomes.push((reel, detail));
    }
    let _lock = vault.lock(wait)?;
    let now = vault.world().now();
    vault.catalogue().in_transaction(|catalogue| {
        for (reel, damage) in &outcomes {
            if damage.is_some() {
                let verified_at = catalogue.reel_check(reel.number)?.verified_at;
                catalogue.set_reel_check(
                    reel.number,
                    &ReelCheck {
                        verified_at,
                        damage: damage.clone(),
                    },
                )?;
                let path = vault.reel_path(reel.number);
                let bytes =
                    disk::read_all(vault.world().disk.as_ref(), &path, reel::LARGEST_REEL_BYTES)
                        .unwrap_or_default();
                recover::mark_unfit(vault, reel.number, &bytes, now)?;
            } else {
                catalogue.set_reel_check(
                    reel.number,
                    &ReelCheck {
                        verified_at: Some(now),
                        damage: None,
                    },
                )?;
                catalogue.clear_piece_damage(reel.number)?;
            }
        }
        Ok(())
    })
}

/// Reads a closed reel: `Ok(None)` if it is as it was closed, else what is wrong.
fn read_closed(vault: &Vault, row: &ReelRow) -> std::result::Result<Option<String>, String> {
    let path = vault.reel_path(row.number);
    let file = match vault.world().disk.open(&path) {
        Ok(file) => file,
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => {
            return Ok(Some("the file is missing".to_string()));
        }
        Err(e) => return Err(format!("it cannot be read: {e}")),
    };
    file.drop_cached();
    let (hash, bytes) = hash_of(file.as_ref()).map_err(|e| format!("it cannot be read: {e}"))?;
    if Some(hash) == row.blake3 && bytes == row.bytes {
        return Ok(None);
    }
    let whole = disk::read_open(file.as_ref(), reel::LARGEST_REEL_BYTES)
        .map_err(|e| format!("it is not as it was closed, and cannot be looked into: {e}"))?;
    let faults = judge::faults(&whole, &reel::scan(&whole, 0));
    Ok(Some(match (faults.first(), bytes == row.bytes) {
        (Some(fault), _) => fault.to_string(),
        (None, true) => "it is not the reel that was closed".to_string(),
        (None, false) => format!("it has {bytes} bytes instead of {}", row.bytes),
    }))
}

/// Hash and length of an open file, one pass.
pub fn hash_of(file: &dyn DiskFile) -> std::io::Result<(Hash, u64)> {
    let mut hasher = blake3::Hasher::new();
    let mut buffer = vec![0u8; 1 << 20];
    let mut offset = 0u64;
    loop {
        let n = file.read_at(&mut buffer, offset)?;
        if n == 0 {
            return Ok((Hash::from(hasher.finalize()), offset));
        }
        hasher.update(&buffer[..n]);
        offset += n as u64;
    }
}

#[expect(
    clippy::too_many_arguments,
    reason = "one shelf with all it is compared with"
)]
fn check_shelf(
    vault: &Vault,
    copying: &Copying,
    ours: &Ours,
    row: &ShelfRow,
    shelf: &dyn Shelf,
    due: &Due,
    wait: Duration,
    out: &mut Fixity,
) -> Result<()> {
    let rows = vault.catalogue().shelf_reels(row.id)?;
    let presence = survey::presence(vault, row, shelf);
    let mut beside: Vec<(&str, String)> = Vec::new();
    match &presence {
        Presence::There => {}
        Presence::Wrong(why) => beside.push((SHELF_JSON, why.clone())),
        Presence::Away(why) => {
            // Without its shelf.json a folder is an unmounted disk, unless our reels lie there.
            let holds_ours = survey::list_reels(shelf)
                .unwrap_or_default()
                .iter()
                .any(|(name, _)| ours.chain.closed.get(&name.number) == Some(&name.tag));
            if !holds_ours {
                out.complete = false;
                out.notes
                    .push(format!("shelf {} was not read: {why}", row.name));
                return Ok(());
            }
            beside.push((SHELF_JSON, "it is missing".to_string()));
        }
    }
    // Only what is not due stays on record; everything else is read.
    let kept: Vec<ShelfReel> = rows
        .iter()
        .filter(|r| !due.shelves.contains(&(row.id, r.reel)))
        .cloned()
        .collect();
    let mut found = match survey::survey(vault.id(), &copying.name_key, ours, &kept, shelf) {
        Ok(found) => found,
        Err(e) => {
            out.complete = false;
            out.notes
                .push(format!("shelf {} was not read: {}", row.name, e.fact()));
            return Ok(());
        }
    };
    found.compare(&ours.chain, &rows);
    beside.extend(beside_reels(vault, shelf));
    tell(row, &found, &beside, out);
    record(vault, ours, row, shelf, &found, &beside, wait)
}

/// What lies beside the reels, compared byte for byte.
fn beside_reels(vault: &Vault, shelf: &dyn Shelf) -> Vec<(&'static str, String)> {
    let mut wrong = Vec::new();
    match shelf.read_small(README, 1 << 16) {
        Ok(Some(text)) if text == readme_text().as_bytes() => {}
        Ok(Some(_)) => wrong.push((README, "it is not as it was written".to_string())),
        Ok(None) => wrong.push((README, "it is missing".to_string())),
        Err(e) => wrong.push((README, format!("it cannot be read: {e}"))),
    }
    if let Ok(objects) = shelf.list(Part::Keys) {
        let mine = standing::key_files(vault);
        for object in objects {
            let Ok(name) = object.name.parse::<KeysName>() else {
                continue;
            };
            let path = Part::Keys.path(&object.name);
            let right = match shelf.read_small(&path, 1 << 16) {
                Ok(Some(bytes)) if mine.contains(&object.name) => {
                    standing::key_file(vault, &object.name).is_none_or(|own| own == bytes)
                        && KeysName::of(name.number, &bytes) == name
                }
                Ok(Some(bytes)) => KeysName::of(name.number, &bytes) == name,
                _ => false,
            };
            if !right {
                wrong.push(("keys", format!("{path} is not as it was written")));
            }
        }
    }
    wrong
}

fn tell(row: &ShelfRow, found: &Survey, beside: &[(&str, String)], out: &mut Fixity) {
    out.checked_reels += found.read.len() as u64 + found.plan.damaged.len() as u64;
    out.checked_bytes += found.read.iter().map(|(_, bytes)| bytes).sum::<u64>();
    let mut damage = |reel: Option<u64>, detail: String| {
        out.damaged.push(Damage {
            where_: row.name.clone(),
            reel,
            detail,
        });
    };
    for (number, object) in &found.plan.damaged {
        let why = found.unreadable.iter().find(|(n, _)| n == object);
        let detail = why.map_or("it is not as it was written".to_string(), |(_, w)| {
            w.clone()
        });
        damage(
            Some(*number),
            format!("{} {detail}", short(&object.to_string())),
        );
    }
    for number in &found.plan.missing {
        damage(Some(*number), "it was there and is missing".to_string());
    }
    if let Some((_, words)) = mirror::conflict_words(found) {
        damage(found.plan.foreign.first().map(|n| n.number), words);
    }
    for (what, detail) in beside {
        damage(None, format!("{what}: {detail}"));
    }
    for object in &found.plan.unfit {
        out.notes.push(format!(
            "shelf {}: {} is no reel of this vault: forged, renamed or rotten; nothing depends on it",
            row.name,
            short(&object.to_string())
        ));
    }
}

/// The beginning of a long object name is enough to find it.
fn short(object: &str) -> String {
    let head: String = object.chars().take(24).collect();
    format!("{head}…")
}

fn record(
    vault: &Vault,
    ours: &Ours,
    row: &ShelfRow,
    shelf: &dyn Shelf,
    found: &Survey,
    beside: &[(&str, String)],
    wait: Duration,
) -> Result<()> {
    let _lock = vault.lock(wait)?;
    let now = vault.world().now();
    vault.catalogue().in_transaction(|catalogue| {
        mirror::record_survey(vault, ours, row, found)?;
        let read: Vec<u64> = found
            .read
            .iter()
            .filter(|(name, _)| found.plan.present.get(&name.number) == Some(name))
            .map(|(name, _)| name.number)
            .collect();
        mirror::note_verified(vault, &row.name, &read, now)?;
        let mut check = catalogue.shelf_check(row.id)?;
        check.seen_at = Some(now);
        check.file_system = shelf.file_system();
        let mut damage: Vec<(&str, String)> = beside.to_vec();
        damage.extend(mirror::conflict_words(found));
        check.damage = survey::replace_damage(
            check.damage.as_deref(),
            &["ahead", "forked", SHELF_JSON, README, "keys"],
            &damage,
        );
        catalogue.set_shelf_check(row.id, &check)
    })
}
