//! Rebuilding the catalogue from the reels alone (I4).
//!
//! The new catalogue is built beside the old one and takes its place only when it is complete. What the old one
//! knew beyond the reels (checks, files read before, waiting notes) is carried over where it can be read; takes that
//! it knew and the reels lack are named, never forgotten silently.

use std::collections::HashSet;
use std::path::Path;

use crate::error::{Error, Kind, Result};
use crate::model::hash::Hash;
use crate::sys::World;
use crate::sys::disk;
use crate::vault::catalogue::{self, Catalogue, Dirty, LostTake, Mark, ReelCheck};
use crate::vault::reel::{self, Ending, Member};
use crate::vault::settings::Settings;
use crate::vault::{
    Vault, judge, recover, reel_numbers, remove_beside_catalogue, remove_catalogue,
};

/// What rebuilding found.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Rebuilt {
    /// Reels read.
    pub reels: u64,
    /// Takes found.
    pub takes: u64,
    /// Reels with something wrong: number and what.
    pub damaged: Vec<(u64, String)>,
    /// Files among the reels that only repeat others, by their number; they were moved to `incoming/`.
    pub set_aside: Vec<u64>,
    /// Takes that the old catalogue knew and the reels lack.
    pub lost: Vec<LostTake>,
}

/// Rebuilds the catalogue of the vault in `dir`. The caller holds the writer's lock and has repaired the tail.
///
/// # Errors
/// `Io`; the old catalogue is then untouched.
pub fn rebuild(dir: &Path, world: &World, settings: &Settings) -> Result<Rebuilt> {
    let disk = world.disk.as_ref();
    let path = dir.join(catalogue::FILE);
    let new_path = dir.join("catalogue-new.sqlite");
    remove_catalogue(disk, &new_path)?;
    let vault = Vault {
        dir: dir.to_path_buf(),
        world: world.clone(),
        settings: settings.clone(),
        catalogue: Catalogue::create(&new_path)?,
        writer_id: Default::default(),
        warnings: Default::default(),
        hash_so_far: Default::default(),
    };
    let old = disk::exists(disk, &path)
        .then(|| Catalogue::open(&path).ok())
        .flatten();
    let mut found = vault
        .catalogue
        .in_transaction(|_| read_all_reels(&vault, old.as_ref()))?;
    drop(old);
    if disk::exists(disk, &path) {
        // A catalogue that cannot be read any more has nothing to carry over.
        found.lost = vault.catalogue.carry_over(&path).unwrap_or_default();
    }
    found.takes = vault.catalogue.count_takes()?;
    vault.catalogue.gather()?;
    drop(vault);
    let pending = disk
        .meta(&catalogue::wal(&path))
        .is_ok_and(|meta| meta.size > 0);
    if pending {
        // Another process holds it open. Between the two steps there is no catalogue at all, and the next command
        // would build it again: without its other half the old one could not be trusted.
        remove_catalogue(disk, &path)?;
    } else {
        // The old one stays until the new one has its name: what only it knows is in there.
        remove_beside_catalogue(disk, &path)?;
    }
    disk.rename(&new_path, &path)
        .map_err(|e| Error::io(format!("cannot put the new {} in place", path.display()), e))?;
    // From here on only this run knows what is lost, so it must be told. Either catalogue serves after a power cut, and
    // what is left of the new one's making goes with the next rebuilding.
    let _ = disk.sync_folder(dir);
    let _ = remove_catalogue(disk, &new_path);
    Ok(found)
}

fn read_all_reels(vault: &Vault, old: Option<&Catalogue>) -> Result<Rebuilt> {
    let disk = vault.world.disk.as_ref();
    let catalogue = &vault.catalogue;
    let now = vault.world.now();
    let mut out = Rebuilt::default();
    let mut dirty = Dirty::default();
    let mut mark = Mark::default();
    let mut before: Option<(u64, Hash)> = None;
    let known_end = old.and_then(|o| o.mark().ok());
    out.set_aside = set_repeats_aside(vault)?;
    let numbers = reel_numbers(disk, &vault.reels_dir())?;
    // Batches that were read: a file that stands there twice must not be entered twice.
    let mut seen: HashSet<Member> = HashSet::new();
    for number in &numbers {
        let number = *number;
        let bytes = recover::read_reel(vault, number)?;
        let scan = reel::scan(&bytes, 0);
        let mut faults = judge::faults(&bytes, &scan);
        let mut odd = Vec::new();
        let size = disk.meta(&vault.reel_path(number)).map_or(0, |m| m.size);
        if size > bytes.len() as u64 {
            faults.push(judge::Fault {
                at: bytes.len() as u64,
                what: judge::What::Gap(size - bytes.len() as u64),
            });
        }
        catalogue.apply_reel(number, None, "unknown", "unknown", now)?;
        let mut batch_from = 0;
        for member in &scan.members {
            let data = &bytes[member.data.clone()];
            if !member.member.fits(data) {
                continue;
            }
            recover::index_member(catalogue, number, &bytes, member)?;
            if let Member::Ledger { first, last, .. } = member.member
                && seen.insert(member.member.clone())
                && let Some(lines) =
                    recover::index_lines(catalogue, number, data, first, last, &mut dirty)?
            {
                odd.extend(lines);
                mark.line = mark.line.max(last);
                batch_from = member.data.start as u64 + reel::padded(data.len() as u64);
            }
        }
        recover::spread_new_lists(vault)?;
        // The reel before is what this one says it was (its hash is in reel.json).
        if let (Some((earlier, its_hash)), Some(told)) =
            (before, catalogue.reel(number)?.and_then(|r| r.previous))
            && told != its_hash
            && earlier + 1 == number
        {
            let length = catalogue.reel(earlier)?.map_or(0, |r| r.bytes);
            catalogue.apply_reel_end(earlier, Some(told), length)?;
            let damage = "it is not the reel that the next one follows".to_string();
            catalogue.set_reel_check(
                earlier,
                &ReelCheck {
                    verified_at: None,
                    damage: Some(damage.clone()),
                },
            )?;
            if !out.damaged.iter().any(|(n, _)| *n == earlier) {
                out.damaged.push((earlier, damage));
            }
        }
        let is_last = Some(&number) == numbers.last();
        let open_and_whole =
            is_last && scan.ending == Ending::Open && faults.is_empty() && scan.end == batch_from;
        if open_and_whole {
            let told = odd.first().map(|line| recover::odd_line(*line));
            out.damaged.extend(told.map(|what| (number, what)));
            catalogue.apply_reel_end(number, None, scan.end)?;
            mark = Mark {
                reel: number,
                end: scan.end,
                closed: false,
                line: mark.line,
                batch_from,
            };
            continue;
        }
        recover::save_strays(vault, number, &bytes, &scan)?;
        let (hash, length) = match scan.ending {
            Ending::Closed => (Hash::of(&bytes), bytes.len() as u64),
            // A reel that is not the last one was closed; without its end it is damaged and repair may mend it.
            _ if !is_last => (Hash::of(&bytes), bytes.len() as u64),
            _ => recover::seal(vault, number, &bytes, &scan)?,
        };
        let recorded = old
            .and_then(|o| o.reel(number).ok().flatten())
            .and_then(|r| r.blake3);
        let right = recorded.unwrap_or(hash);
        catalogue.apply_reel_end(number, Some(right), length)?;
        if right != hash && faults.is_empty() {
            faults.push(judge::Fault {
                at: 0,
                what: judge::What::Batch,
            });
        }
        let damage = faults
            .first()
            .map(|f| f.to_string())
            .or(odd.first().map(|line| recover::odd_line(*line)));
        let verified_at = damage.is_none().then_some(now);
        catalogue.set_reel_check(
            number,
            &ReelCheck {
                verified_at,
                damage: damage.clone(),
            },
        )?;
        out.damaged.extend(damage.map(|d| (number, d)));
        before = Some((number, right));
        mark = Mark {
            reel: number,
            end: length,
            closed: true,
            line: mark.line,
            batch_from: 0,
        };
    }
    recover::settle(catalogue, &mut dirty)?;
    forget_healed(vault, &mut out)?;
    out.reels = numbers.len() as u64;
    if let Some(end) = known_end
        && end.reel > mark.reel
    {
        // Reels that were acknowledged are gone: their numbers are never given again.
        mark.reel = end.reel;
        mark.closed = true;
        mark.end = 0;
    }
    mark.line = mark.line.max(known_end.map_or(0, |e| e.line));
    catalogue.set_mark(&mark)?;
    Ok(out)
}

/// Takes reels off the list that were closed with damage and whose takes were kept and told again since.
fn forget_healed(vault: &Vault, out: &mut Rebuilt) -> Result<()> {
    let catalogue = &vault.catalogue;
    let mut damaged = Vec::new();
    for (number, damage) in std::mem::take(&mut out.damaged) {
        let bytes = recover::read_reel(vault, number)?;
        let as_closed = catalogue
            .reel(number)?
            .is_some_and(|r| r.blake3 == Some(Hash::of(&bytes)));
        if as_closed && recover::unhealed(vault, number, &bytes)?.is_none() {
            let verified_at = Some(vault.world.now());
            let damage = None;
            catalogue.set_reel_check(
                number,
                &ReelCheck {
                    verified_at,
                    damage,
                },
            )?;
        } else {
            damaged.push((number, damage));
        }
    }
    out.damaged = damaged;
    Ok(())
}

/// Moves files away that stand among the reels under a wrong number while the reel they repeat is there too.
fn set_repeats_aside(vault: &Vault) -> Result<Vec<u64>> {
    let disk = vault.world.disk.as_ref();
    let numbers = reel_numbers(disk, &vault.reels_dir())?;
    let mut aside = Vec::new();
    for number in &numbers {
        let Some(right) = number_inside(vault, *number).filter(|n| n != number) else {
            continue;
        };
        if number_inside(vault, right) != Some(right) {
            continue;
        }
        let bytes = recover::read_reel(vault, *number)?;
        let scan = reel::scan(&bytes, 0);
        let original = recover::read_reel(vault, right)?;
        let there = reel::scan(&original, 0);
        let names: HashSet<&Member> = there.members.iter().map(|m| &m.member).collect();
        if judge::faults(&original, &there).is_empty()
            && scan.members.iter().all(|m| names.contains(&m.member))
        {
            recover::set_aside(vault, *number, &bytes, &scan)?;
            aside.push(*number);
        }
    }
    Ok(aside)
}

/// The number that the file of reel `number` gives itself in its first member.
fn number_inside(vault: &Vault, number: u64) -> Option<u64> {
    let mut block = [0u8; 2 * reel::BLOCK];
    let file = vault.world.disk.open(&vault.reel_path(number)).ok()?;
    file.read_at(&mut block, 0).ok()?;
    reel::first_number(&block)
}

impl Vault {
    /// Rebuilds this vault's catalogue under the writer's lock, after repairing the tail.
    ///
    /// # Errors
    /// `Busy`, `Io`; the old catalogue is then untouched.
    pub fn reindex(
        dir: &Path,
        world: World,
        wait: std::time::Duration,
    ) -> Result<(Vault, Rebuilt)> {
        let settings = Settings::read(world.disk.as_ref(), dir)?;
        super::must_be_its_reels(world.disk.as_ref(), dir, &settings)?;
        let lock = crate::sys::lock::acquire(&dir.join(super::LOCK), wait, world.clock.as_ref())?;
        let opened = match Catalogue::open(&dir.join(catalogue::FILE)) {
            Ok(catalogue) => Some(catalogue),
            // What a newer program notes there would be forgotten.
            Err(e) if e.kind == Kind::NewerFormat => return Err(e),
            Err(_) => None,
        };
        if let Some(catalogue) = opened {
            let vault = Vault {
                dir: dir.to_path_buf(),
                world: world.clone(),
                settings: settings.clone(),
                catalogue,
                writer_id: Default::default(),
                warnings: Default::default(),
                hash_so_far: Default::default(),
            };
            if recover::tail_differs(&vault)? {
                recover::repair_tail(&vault)?;
            }
        }
        let rebuilt = rebuild(dir, &world, &settings)?;
        drop(lock);
        Ok((Vault::open(dir, world)?, rebuilt))
    }
}
