//! Which places hold a healthy copy of which take, told from the catalogue and the lengths of the vault's own files.
//!
//! 1. A take has a copy at a place if every reel with its ledger line and its pieces is there, was verified, and was
//!    not found damaged since. The copy counts while that verification is no older than asked.
//! 2. For the vault's own reels the acknowledged write is the first verification; closing and fixity are later ones.
//! 3. Copies on one file system count once, unless a shelf was added with `--separate`. A disk is in one place: what
//!    lies on one with the vault, or with a shelf that is here, is not off-site, whatever its place is called.
//! 4. A vault without a place has no off-site shelf.

use std::collections::{HashMap, HashSet};

use crate::care::holes::holes;
use crate::error::Result;
use crate::model::place::Place;
use crate::vault::Vault;
use crate::vault::catalogue::TakeRow;
use crate::vault::pieces::Pieces;

/// The name under which the vault's own copy is told; no shelf can have it.
pub const LOCAL: &str = "local";

/// Seconds of a day.
pub(crate) const DAY_S: i64 = 86_400;

/// One copy of a take.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Copy {
    /// `local` or the shelf's name.
    pub where_: String,
    /// The place, as it was typed; none for a vault that does not say where it stands.
    pub place: Option<String>,
    /// True if it lies in another place than the vault.
    pub offsite: bool,
    /// When the part of it that was not read for longest was last found right, unix seconds.
    pub verified_at: i64,
    /// True if that is recent enough for the copy to count.
    pub recent: bool,
    /// Copies with the same number lie on one file system and count once.
    pub disk: usize,
}

/// How many copies there are.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Tally {
    /// All of them, one for each file system.
    pub copies: u32,
    /// Those in another place.
    pub offsite: u32,
}

/// Something wrong with one of the vault's own reels.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    /// The reel.
    pub reel: u64,
    /// One clause that says what; it may quote what was found.
    pub detail: String,
}

/// What is known of all copies of one vault at one moment.
#[derive(Debug)]
pub struct Copies<'v> {
    vault: &'v Vault,
    now: i64,
    within_s: i64,
    holders: Vec<Holder>,
    own: HashMap<u64, OwnReel>,
    problems: Vec<Problem>,
    /// Pieces that cannot be had from the vault's own reels, with the lists that need them.
    bad: HashSet<i64>,
    /// Those of them that no shelf's verified copy holds either.
    nowhere: HashSet<i64>,
}

/// A place that holds copies; the first is the vault itself.
#[derive(Debug)]
struct Holder {
    name: String,
    place: Option<Place>,
    offsite: bool,
    disk: usize,
    /// Reels not known to be damaged, and when each was verified.
    reels: HashMap<u64, i64>,
}

/// One of the vault's own reels that nothing is known against.
#[derive(Debug)]
struct OwnReel {
    verified_at: Option<i64>,
    opened_at: i64,
}

/// How much of a reel's file is there.
enum There {
    All,
    None,
    Bytes(u64),
}

/// Counts copies: one for each file system. Give it only those that should count.
pub fn tally<'c>(copies: impl IntoIterator<Item = &'c Copy>) -> Tally {
    let disks: HashMap<usize, bool> = copies.into_iter().map(|c| (c.disk, c.offsite)).collect();
    Tally {
        copies: disks.len() as u32,
        offsite: disks.values().filter(|offsite| **offsite).count() as u32,
    }
}

/// The copies of a take that count now, the vault's own first, then by shelf.
///
/// # Errors
/// As the catalogue's.
pub fn copies_of_take(vault: &Vault, take: &TakeRow) -> Result<Vec<Copy>> {
    let mut copies = Copies::of(vault)?.of_take(take)?;
    copies.retain(|copy| copy.recent);
    Ok(copies)
}

impl<'v> Copies<'v> {
    /// Looks at the vault's own reels (their lengths only) and at what is recorded of every shelf.
    ///
    /// # Errors
    /// As the catalogue's; `BadInput` if the vault's place cannot be read.
    pub fn of(vault: &'v Vault) -> Result<Copies<'v>> {
        let mut copies = Copies {
            vault,
            now: vault.world().now(),
            within_s: i64::from(vault.settings().asked.verified_within_days) * DAY_S,
            holders: holders(vault)?,
            own: HashMap::new(),
            problems: Vec::new(),
            bad: HashSet::new(),
            nowhere: HashSet::new(),
        };
        copies.look_at_own_reels()?;
        Ok(copies)
    }

    /// What is wrong with the vault's own reels, by number.
    pub fn problems(&self) -> &[Problem] {
        &self.problems
    }

    /// What there would be if every place held everything.
    pub fn reach(&self) -> Tally {
        let all: Vec<Copy> = self.holders.iter().map(|h| h.copy(0, true)).collect();
        tally(&all)
    }

    /// Shelves that lie on the vault's own disk, or on that of another shelf before them, by name: they add no copy.
    pub fn sharing_a_disk(&self) -> Vec<&str> {
        let mut seen = HashSet::new();
        self.holders
            .iter()
            .filter(|h| !seen.insert(h.disk))
            .map(|h| h.name.as_str())
            .collect()
    }

    /// All copies of a take that were ever verified and not found damaged since, also those too old to count.
    ///
    /// # Errors
    /// As the catalogue's.
    pub fn of_take(&self, take: &TakeRow) -> Result<Vec<Copy>> {
        let catalogue = self.vault.catalogue();
        let reels = catalogue.reels_of_take(take.id)?;
        let mut own_is_bad = false;
        if !self.bad.is_empty() {
            let piece = catalogue.piece_id(&take.hash)?;
            own_is_bad = piece.is_none_or(|piece| self.bad.contains(&piece));
            if piece.is_some_and(|piece| self.nowhere.contains(&piece)) {
                return Ok(Vec::new());
            }
        }
        let mut copies = Vec::new();
        for (index, holder) in self.holders.iter().enumerate() {
            if index == 0 && own_is_bad {
                continue;
            }
            let verified = |reel: &u64| match index {
                0 => self.own_verified(*reel, take),
                _ => holder.reels.get(reel).copied(),
            };
            let oldest: Option<Vec<i64>> = reels.iter().map(verified).collect();
            if let Some(at) = oldest.and_then(|all| all.into_iter().min()) {
                copies.push(holder.copy(at, self.is_recent(at)));
            }
        }
        Ok(copies)
    }

    /// Row ids of the takes whose bytes are nowhere: some of them are damaged or missing here, and no shelf has a
    /// verified copy of the reel they lay in. Walks over all takes, but only if something is missing everywhere.
    ///
    /// # Errors
    /// As the catalogue's.
    pub fn lost_takes(&self) -> Result<Vec<i64>> {
        let mut lost = Vec::new();
        if !self.nowhere.is_empty() {
            self.vault.catalogue().each_piece_of_take(|take, piece| {
                if self.nowhere.contains(&piece) {
                    lost.push(take);
                }
            })?;
        }
        Ok(lost)
    }

    fn is_recent(&self, at: i64) -> bool {
        // A time in the future was written by a clock that went wrong: it says nothing.
        (self.now - self.within_s..=self.now + DAY_S).contains(&at)
    }

    fn own_verified(&self, reel: u64, take: &TakeRow) -> Option<i64> {
        let own = self.own.get(&reel)?;
        // Rule 2. Nothing in a reel was written before it was opened.
        let written = if reel == take.reel {
            take.kept_at
        } else {
            own.opened_at
        };
        Some(own.verified_at.map_or(written, |at| at.max(written)))
    }

    fn look_at_own_reels(&mut self) -> Result<()> {
        let catalogue = self.vault.catalogue();
        let mut bad: Vec<(i64, u64, bool)> = catalogue.damaged_holdings()?;
        let mut missing = HashSet::new();
        for reel in catalogue.reels()? {
            let check = catalogue.reel_check(reel.number)?;
            let (there, detail) = self.length(reel.number, reel.bytes, reel.blake3.is_some());
            if !matches!(there, There::All) {
                let kept = if let There::Bytes(n) = there { n } else { 0 };
                for (_, holding) in catalogue.pieces_of_reel(reel.number)? {
                    if holding.at + holding.bytes > kept {
                        bad.push((holding.piece, reel.number, false));
                    }
                }
                missing.insert(reel.number);
            }
            match detail.or(check.damage) {
                Some(detail) => self.problems.push(Problem {
                    reel: reel.number,
                    detail,
                }),
                None => {
                    let own = OwnReel {
                        verified_at: check.verified_at,
                        opened_at: reel.opened_at,
                    };
                    self.own.insert(reel.number, own);
                }
            }
        }
        for hole in holes(catalogue)? {
            self.problems.push(Problem {
                reel: hole.reel,
                detail: hole.text(),
            });
        }
        for &(_, reel, _) in &bad {
            if !self.problems.iter().any(|p| p.reel == reel) {
                self.problems.push(Problem {
                    reel,
                    detail: "some of what it held is damaged or missing".to_string(),
                });
            }
        }
        self.problems.sort_by_key(|p| p.reel);
        if !bad.is_empty() || !missing.is_empty() {
            self.spread_damage(&bad, &missing)?;
        }
        Ok(())
    }

    /// How much of a reel's file is there, and what is wrong with that.
    fn length(&self, number: u64, recorded: u64, closed: bool) -> (There, Option<String>) {
        match self.vault.world().disk.meta(&self.vault.reel_path(number)) {
            Ok(meta) if meta.size < recorded => (
                There::Bytes(meta.size),
                Some(format!("its file has {} bytes of {}", meta.size, recorded)),
            ),
            // Past the end of an open reel may lie what another process is writing just now.
            Ok(meta) if closed && meta.size > recorded => (
                There::All,
                Some(format!(
                    "its file has {} bytes where {} were written",
                    meta.size, recorded
                )),
            ),
            Ok(_) => (There::All, None),
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => {
                (There::None, Some("its file is missing".to_string()))
            }
            // Not to be read now is not lost: the disk may come back.
            Err(e) => (
                There::All,
                Some(format!("its file cannot be looked at: {e}")),
            ),
        }
    }

    /// From pieces that are damaged or missing to the lists that need them.
    fn spread_damage(&mut self, bad: &[(i64, u64, bool)], missing: &HashSet<u64>) -> Result<()> {
        let elsewhere = |reel: &u64| self.holders[1..].iter().any(|h| h.reels.contains_key(reel));
        let mut all: HashSet<i64> = bad.iter().map(|(piece, _, _)| *piece).collect();
        let mut nowhere: HashSet<i64> = bad
            .iter()
            // What was damaged before its reel was closed is so in every copy of it.
            .filter(|(_, reel, everywhere)| *everywhere || !elsewhere(reel))
            .map(|(piece, _, _)| *piece)
            .collect();
        let catalogue = self.vault.catalogue();
        let reels: HashSet<u64> = bad
            .iter()
            .map(|(_, reel, _)| *reel)
            .chain(missing.iter().copied())
            .collect();
        let spread_is_known = catalogue.meta("spread")?.as_deref() != Some("stale");
        let mut lists = Vec::new();
        for (list, hash, _) in catalogue.lists()? {
            let spread = catalogue.spread_of(list)?;
            if spread_is_known && !spread.iter().any(|reel| reels.contains(reel)) {
                continue;
            }
            for part in catalogue.list_parts(list)? {
                if missing.contains(&part.reel) {
                    all.insert(list);
                    if !elsewhere(&part.reel) {
                        nowhere.insert(list);
                    }
                }
            }
            lists.push((list, hash));
        }
        let pieces = Pieces::new(self.vault);
        for (list, hash) in lists {
            let parts = pieces.parts(&hash)?;
            for set in [&mut all, &mut nowhere] {
                if parts.iter().any(|part| set.contains(part)) {
                    set.insert(list);
                }
            }
        }
        self.bad = all;
        self.nowhere = nowhere;
        Ok(())
    }
}

impl Holder {
    fn copy(&self, verified_at: i64, recent: bool) -> Copy {
        Copy {
            where_: self.name.clone(),
            place: self.place.as_ref().map(|p| p.as_str().to_string()),
            offsite: self.offsite,
            verified_at,
            recent,
            disk: self.disk,
        }
    }
}

fn holders(vault: &Vault) -> Result<Vec<Holder>> {
    let disk = vault.world().disk.as_ref();
    let home = vault.settings().place()?;
    let own_file_system = disk
        .canonical(vault.dir())
        .and_then(|dir| disk.meta(&dir))
        .ok()
        .map(|meta| meta.device);
    let mut disks: HashMap<u64, usize> = HashMap::new();
    disks.extend(own_file_system.map(|fs| (fs, 0)));
    let mut holders = vec![Holder {
        name: LOCAL.to_string(),
        place: home.clone(),
        offsite: false,
        disk: 0,
        reels: HashMap::new(),
    }];
    let catalogue = vault.catalogue();
    for shelf in catalogue.shelves()? {
        let own = holders.len();
        let file_system = catalogue.shelf_check(shelf.id)?.file_system;
        let disk = match file_system {
            Some(fs) if !shelf.record.separate => *disks.entry(fs).or_insert(own),
            _ => own,
        };
        let place: Option<Place> = shelf.record.place.parse().ok();
        let away = home.is_some() && place.is_some() && place != home;
        let reels = catalogue
            .shelf_reels(shelf.id)?
            .into_iter()
            .filter(|reel| reel.damage.is_none())
            .filter_map(|reel| Some((reel.reel, reel.verified_at?)))
            .collect();
        holders.push(Holder {
            name: shelf.name,
            place,
            offsite: away,
            disk,
            reels,
        });
    }
    // Rule 3: a disk is in one place, so one holder that is here says that all of them are.
    let here: HashSet<usize> = holders
        .iter()
        .filter(|holder| !holder.offsite)
        .map(|holder| holder.disk)
        .collect();
    for holder in &mut holders {
        holder.offsite = !here.contains(&holder.disk);
    }
    Ok(holders)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn copy(disk: usize, offsite: bool) -> Copy {
        Copy {
            where_: String::new(),
            place: None,
            offsite,
            verified_at: 0,
            recent: true,
            disk,
        }
    }

    #[test]
    fn copies_on_one_disk_count_once() {
        let check = |copies: &[(usize, bool)], expected: (u32, u32)| {
            let copies: Vec<Copy> = copies.iter().map(|c| copy(c.0, c.1)).collect();
            let got = tally(&copies);
            assert_eq!((got.copies, got.offsite), expected, "{copies:?}");
        };
        check(&[], (0, 0));
        check(&[(0, false)], (1, 0));
        check(&[(0, false), (1, true), (2, true)], (3, 2));
        check(&[(0, false), (1, true), (1, true)], (2, 1));
        check(&[(0, false), (0, false)], (1, 0));
    }
}
