//! Mending from good copies: local reels from shelves, shelves from each other or from the local reels.
//!
//! Damage never spreads: every source is read and checked before its bytes are used, every target is read back after.
//! Nothing of either line of a fork is touched.

use std::collections::{BTreeMap, BTreeSet};
use std::io::{Read, Write};
use std::time::Duration;

use crate::care::copies::LOCAL;
use crate::care::fixity::{self, FixityOptions, check_local, record_local, takes_hit};
use crate::care::holes::holes;
use crate::care::noting::record_reel;
use crate::care::sending::{Job, NotSent, Reaching, Sender, Source, copy_keys, put_small, sources};
use crate::care::survey::{self, Known, Ours, Presence, Survey, Verdict};
use crate::error::{Error, Kind, Result};
use crate::model::hash::Hash;
use crate::shelf::by_hand::readme_text;
use crate::shelf::cipher::{Identity, open};
use crate::shelf::copying::Copying;
use crate::shelf::name::ReelName;
use crate::shelf::registry::Registry;
use crate::shelf::{Part, README, SHELF_JSON, Shelf, is_away};
use crate::sys::disk::{Draft, Privacy, Replace, exists};
use crate::vault::Vault;
use crate::vault::catalogue::{ReelRow, ShelfRow};
use crate::vault::recover;
use crate::vault::reel::{self, LARGEST_REEL_BYTES, Member};
use crate::vault::writer::ReelJson;

/// What was mended where facts were told again.
pub const RETOLD: &str = "facts";

/// Something that was mended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Repaired {
    /// `local`, or the shelf's name.
    pub place: String,
    /// The reel, if it is one.
    pub reel: Option<u64>,
    /// What it is, where it is no whole reel: `shelf.json`, `README.txt`, `keys/…`, or [`RETOLD`].
    pub what: String,
    /// Where the good copy came from: `local`, or a shelf's name.
    pub from: String,
}

/// Something that could not be mended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Unrepairable {
    /// `local`, or the shelf's name.
    pub place: String,
    /// The reel, if it is one.
    pub reel: Option<u64>,
    /// Why, and what could be done.
    pub detail: String,
}

/// What a repair did.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct RepairReport {
    /// What was mended.
    pub repaired: Vec<Repaired>,
    /// What could not be.
    pub unrepairable: Vec<Unrepairable>,
    /// Takes whose bytes are nowhere whole: device and number. Keeping the same dump again heals them.
    pub lost_takes: Vec<(String, u32)>,
    /// True if some of it needs the key, which was not given.
    pub key_needed: bool,
    /// True if reels were fetched that the catalogue has to be rebuilt for.
    pub reindex_needed: bool,
}

impl RepairReport {
    fn mended(&mut self, place: &str, reel: Option<u64>, what: impl Into<String>, from: &str) {
        self.repaired.push(Repaired {
            place: place.to_string(),
            reel,
            what: what.into(),
            from: from.to_string(),
        });
    }

    fn cannot(&mut self, place: &str, reel: Option<u64>, detail: impl Into<String>) {
        self.unrepairable.push(Unrepairable {
            place: place.to_string(),
            reel,
            detail: detail.into(),
        });
    }
}

/// Whether everything is read again before it is mended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Look {
    /// Read everything that can be reached first.
    Everywhere,
    /// Believe what the last fixity and mirror found.
    AsRecorded,
}

/// Mends what can be mended. `identity` is needed to open copies for local reels; without it the rest is done.
///
/// # Errors
/// `Busy`; `Io` of the vault itself.
pub fn repair(
    vault: &Vault,
    identity: Option<&Identity>,
    look: Look,
    wait: Duration,
) -> Result<RepairReport> {
    let disk = vault.world().disk.clone();
    let copying = match (Copying::read(disk.as_ref(), vault.dir()), identity) {
        (Ok(copying), _) => copying,
        (Err(_), Some(identity)) => {
            let copying = Copying::of(identity);
            copying.write(disk.as_ref(), vault.dir())?;
            copying
        }
        (Err(e), None) => return Err(e),
    };
    let mut report = RepairReport::default();
    if look == Look::Everywhere {
        fixity::fixity(vault, &FixityOptions::default(), wait)?;
    }
    let mut work = Work {
        vault,
        registry: Registry::read(disk.as_ref(), vault.dir())?,
        copying,
        identity,
        wait,
    };
    work.shelf_json(&mut report)?;
    work.open_reel(&mut report)?;
    work.local_reels(&mut report)?;
    work.missing_reels(&mut report)?;
    work.holes(&mut report)?;
    for row in vault.catalogue().shelves()? {
        work.shelf(&row, &mut report)?;
    }
    let broken: BTreeSet<u64> = report
        .unrepairable
        .iter()
        .filter(|u| u.place == LOCAL)
        .filter_map(|u| u.reel)
        .collect();
    report.lost_takes = takes_hit(vault, &broken)?;
    Ok(report)
}

struct Work<'v> {
    vault: &'v Vault,
    registry: Registry,
    copying: Copying,
    identity: Option<&'v Identity>,
    wait: Duration,
}

impl Work<'_> {
    /// The shelf of `row`, with how it is there; `None` if it is not known where it is.
    fn reach(&self, row: &ShelfRow) -> Result<Option<(Box<dyn Shelf>, Presence)>> {
        let Some(reach) = self.registry.get(&row.name) else {
            return Ok(None);
        };
        // One that cannot be opened now was told by fixity; nothing can be mended there.
        let Ok(shelf) = reach.open(self.vault.world()) else {
            return Ok(None);
        };
        let presence = survey::presence(self.vault, row, shelf.as_ref());
        Ok(Some((shelf, presence)))
    }

    fn survey(&self, ours: &Ours, row: &ShelfRow, shelf: &dyn Shelf) -> Result<Survey> {
        let known = Known::of(self.vault, row.id)?;
        survey::survey(self.vault.id(), &self.copying.name_key, ours, &known, shelf)
    }

    /// A shelf.json is put back only where reels with right macs say that the shelf is ours.
    fn shelf_json(&mut self, report: &mut RepairReport) -> Result<()> {
        let ours = survey::ours(self.vault, &self.copying.name_key)?;
        for row in self.vault.catalogue().shelves()? {
            let Some((shelf, presence)) = self.reach(&row)? else {
                continue;
            };
            let right = survey::shelf_json(self.vault, &row).text();
            let why = match presence {
                Presence::Away(_) => continue,
                Presence::Wrong(why) => why,
                Presence::There => match shelf.read_small(SHELF_JSON, 4096) {
                    Err(e) if is_away(&e) => continue,
                    Ok(Some(text)) if text == right.as_bytes() => continue,
                    _ => "its shelf.json is not as it was written".to_string(),
                },
            };
            // Recorded verifications count for nothing here: it has to be seen now.
            let found = survey::survey(
                self.vault.id(),
                &self.copying.name_key,
                &ours,
                &Known::default(),
                shelf.as_ref(),
            );
            if !found.is_ok_and(|f| !f.plan.present.is_empty()) {
                report.cannot(
                    &row.name,
                    None,
                    format!("{why}, and no reel there is this vault's; if it is the right place, add it as a new shelf"),
                );
                continue;
            }
            match shelf.restore_shelf_json(right.as_bytes()) {
                Ok(()) => {
                    self.clear_damage(&row, &["shelf.json"])?;
                    report.mended(&row.name, None, SHELF_JSON, LOCAL);
                }
                Err(e) => report.cannot(&row.name, None, e.fact()),
            }
        }
        Ok(())
    }

    fn clear_damage(&self, row: &ShelfRow, codes: &[&str]) -> Result<()> {
        let _lock = self.vault.lock(self.wait)?;
        self.vault.catalogue().in_transaction(|catalogue| {
            let mut check = catalogue.shelf_check(row.id)?;
            check.damage = survey::replace_damage(check.damage.as_deref(), codes, &[]);
            catalogue.set_shelf_check(row.id, &check)
        })
    }

    fn local_reels(&self, report: &mut RepairReport) -> Result<()> {
        let vault = self.vault;
        let mark = vault.catalogue().mark()?;
        for row in vault.catalogue().reels()? {
            if row.number == mark.reel && !mark.closed {
                continue;
            }
            let Some(hash) = row.blake3 else {
                self.retell(row.number, report)?;
                if !recover::is_made_good(vault, row.number)? {
                    report.cannot(
                        LOCAL,
                        Some(row.number),
                        "it was lost before a copy of it was made; keep the takes named again",
                    );
                }
                continue;
            };
            let size = vault.world().disk.meta(&vault.reel_path(row.number));
            let looks_right = size.is_ok_and(|m| m.size == row.bytes);
            let known = vault.catalogue().reel_check(row.number)?.damage;
            if looks_right && known.is_none() {
                continue;
            }
            let now = check_local(vault, &row)?;
            record_local(vault, row.number, &now, self.wait)?;
            match (now.damage, now.same) {
                (None, _) => {}
                (Some(_), true) => self.closed_with_damage(&row, report)?,
                (Some(detail), false) => self.local_reel(&row, hash, &detail, report)?,
            }
        }
        Ok(())
    }

    /// Every copy of such a reel is the same: what its lost lines told is told again, and what its lost bytes were
    /// has to be kept again.
    fn closed_with_damage(&self, row: &ReelRow, report: &mut RepairReport) -> Result<()> {
        let bytes = self.vault.read_reel(row.number).unwrap_or_default();
        if recover::has_lost_lines(self.vault, row.number, &bytes)? {
            self.retell(row.number, report)?;
        }
        let now = check_local(self.vault, row)?;
        record_local(self.vault, row.number, &now, self.wait)?;
        if let Some(detail) = now.damage {
            report.cannot(
                LOCAL,
                Some(row.number),
                format!("{detail}; every copy of it is the same; keep the takes named again"),
            );
        }
        Ok(())
    }

    fn retell(&self, number: u64, report: &mut RepairReport) -> Result<()> {
        if self.vault.retell(number, self.wait)? {
            report.mended(LOCAL, Some(number), RETOLD, LOCAL);
        }
        Ok(())
    }

    fn local_reel(
        &self,
        row: &ReelRow,
        hash: Hash,
        detail: &str,
        report: &mut RepairReport,
    ) -> Result<()> {
        let tag = self.copying.name_key.tag(&hash.0);
        let places: Vec<Source> = sources(self.vault, &self.registry, "", Reaching::All)?
            .into_iter()
            .filter(|s| s.objects.get(&row.number).is_some_and(|n| n.tag == tag))
            .collect();
        if places.is_empty() {
            report.cannot(
                LOCAL,
                Some(row.number),
                format!("{detail}; no shelf within reach holds it whole"),
            );
            return Ok(());
        }
        let Some(identity) = self.identity else {
            report.key_needed = true;
            report.cannot(
                LOCAL,
                Some(row.number),
                format!(
                    "{detail}; shelf {} holds it whole, and opening it needs the key",
                    places[0].name
                ),
            );
            return Ok(());
        };
        let mut reasons = Vec::new();
        for source in &places {
            let Some(name) = source.objects.get(&row.number) else {
                continue;
            };
            match self.fetch(source.shelf.as_ref(), name, identity, hash) {
                Ok(()) => {
                    let after = check_local(self.vault, row)?;
                    record_local(self.vault, row.number, &after, self.wait)?;
                    if after.same {
                        report.mended(LOCAL, Some(row.number), "", &source.name);
                        return Ok(());
                    }
                    reasons.push("it did not read back as it was written".to_string());
                }
                Err(e) => reasons.push(format!("shelf {}: {}", source.name, e.fact())),
            }
        }
        report.cannot(LOCAL, Some(row.number), reasons.join("; "));
        Ok(())
    }

    /// Opens an object into the file of its reel; the file appears only when every byte was checked.
    fn fetch(&self, shelf: &dyn Shelf, name: &ReelName, key: &Identity, hash: Hash) -> Result<()> {
        let wrong = |what: String| Error::new(Kind::Damaged, what);
        match survey::read_and_check(shelf, name, self.vault.id(), &self.copying.name_key) {
            Ok(Verdict::Good) => {}
            Ok(Verdict::Bad) => return Err(wrong("its copy is damaged too".to_string())),
            Ok(Verdict::Unreadable(why)) => return Err(wrong(format!("its copy: {why}"))),
            Err(e) => return Err(e),
        }
        let target = self.vault.reel_path(name.number);
        let disk = self.vault.world().disk.as_ref();
        let fail = |e| Error::io(format!("cannot write {}", target.display()), e);
        let object = shelf
            .read(&Part::Reels.path(&name.to_string()))
            .map_err(|e| wrong(format!("its copy cannot be read: {e}")))?
            .take(survey::LONGEST_OBJECT);
        let mut draft = Draft::beside(disk, &target, Privacy::Shared).map_err(fail)?;
        let keys = std::slice::from_ref(key);
        let opened = open(object, keys, &mut draft, LARGEST_REEL_BYTES)
            .map_err(|e| wrong("its copy cannot be opened".to_string()).because(e))?;
        if opened.blake3 != hash.0 {
            return Err(wrong(
                "its copy is not the reel that was closed".to_string(),
            ));
        }
        draft.flush().map_err(fail)?;
        self.set_other_reel_aside(name.number)?;
        draft.publish(&target, Replace::Yes).map_err(fail)
    }

    /// A file that calls itself another reel may be the only one of that reel (two files were exchanged, perhaps the
    /// open reel's): before ours takes its place it is moved to `incoming/` (I8).
    fn set_other_reel_aside(&self, number: u64) -> Result<()> {
        let vault = self.vault;
        let Ok(bytes) = vault.read_reel(number) else {
            return Ok(());
        };
        let Some(other) = reel::first_number(&bytes).filter(|n| *n != number) else {
            return Ok(());
        };
        let (from, folder) = (vault.reel_path(number), vault.dir().join("incoming"));
        let name = format!("reel-{number:06}-{:.16}.tar", Hash::of(&bytes));
        let disk = vault.world().disk.as_ref();
        disk.rename(&from, &folder.join(&name))
            .and_then(|()| disk.sync_folder(&folder))
            .map_err(|e| Error::io(format!("cannot move {} to incoming/", from.display()), e))?;
        vault.warn(format!(
            "what stood as reel {number} calls itself reel {other}; it was moved to incoming/{name}"
        ));
        Ok(())
    }

    /// Reels of our own chain that only shelves have: holes in it, and what follows where this folder is an older
    /// copy of the vault.
    fn missing_reels(&self, report: &mut RepairReport) -> Result<()> {
        for row in self.vault.catalogue().shelves()? {
            let Some((shelf, Presence::There)) = self.reach(&row)? else {
                continue;
            };
            let ours = survey::ours(self.vault, &self.copying.name_key)?;
            let Ok(found) = self.survey(&ours, &row, shelf.as_ref()) else {
                continue;
            };
            if found.plan.found.is_empty() && found.plan.conflict.is_none() {
                continue;
            }
            let Some(identity) = self.identity else {
                report.key_needed = true;
                continue;
            };
            for name in &found.plan.found {
                let Some(hash) = ours.holes.get(&name.tag) else {
                    continue;
                };
                if exists(
                    self.vault.world().disk.as_ref(),
                    &self.vault.reel_path(name.number),
                ) {
                    continue;
                }
                match self.fetch(shelf.as_ref(), name, identity, *hash) {
                    Ok(()) => {
                        report.reindex_needed = true;
                        report.mended(LOCAL, Some(name.number), "", &row.name);
                    }
                    Err(e) => report.cannot(LOCAL, Some(name.number), e.fact()),
                }
            }
            self.later_reels(&row, shelf.as_ref(), &found.plan.foreign, identity, report)?;
        }
        Ok(())
    }

    /// Tells the reels that others follow on, that are not here, and that nothing within reach gave back.
    fn holes(&self, report: &mut RepairReport) -> Result<()> {
        for hole in holes(self.vault.catalogue())? {
            let told = |u: &Unrepairable| u.place == LOCAL && u.reel == Some(hole.reel);
            // A file that was fetched just now counts; the catalogue hears of it later.
            let path = self.vault.reel_path(hole.reel);
            if exists(self.vault.world().disk.as_ref(), &path)
                || report.unrepairable.iter().any(told)
            {
                continue;
            }
            report.cannot(
                LOCAL,
                Some(hole.reel),
                "its file is missing, and no shelf that is known and within reach gave it back; \
                 take up any other shelf with shelf add, then repair again",
            );
        }
        Ok(())
    }

    /// Fetches the reels that follow on ours, one by one, as long as each proves to be the next of our chain.
    fn later_reels(
        &self,
        row: &ShelfRow,
        shelf: &dyn Shelf,
        foreign: &[ReelName],
        identity: &Identity,
        report: &mut RepairReport,
    ) -> Result<()> {
        let vault = self.vault;
        for name in foreign {
            let mark = vault.catalogue().mark()?;
            if name.number < mark.reel || (mark.closed && name.number == mark.reel) {
                return Ok(());
            }
            let Some(bytes) = self.opened(shelf, name, identity) else {
                continue;
            };
            let taken_up = if !mark.closed && mark.reel > 0 {
                name.number == mark.reel && vault.complete_open_reel(&bytes, self.wait)?
            } else {
                let last = vault.catalogue().reel(mark.reel)?.and_then(|r| r.blake3);
                follows(&bytes, name.number, last) && self.take_up(name.number, &bytes)?
            };
            if taken_up {
                report.mended(LOCAL, Some(name.number), "", &row.name);
            }
        }
        Ok(())
    }

    fn opened(&self, shelf: &dyn Shelf, name: &ReelName, identity: &Identity) -> Option<Vec<u8>> {
        let object = shelf.read(&Part::Reels.path(&name.to_string())).ok()?;
        let object = object.take(survey::LONGEST_OBJECT);
        let mut bytes = Vec::new();
        let keys = std::slice::from_ref(identity);
        let opened = open(object, keys, &mut bytes, LARGEST_REEL_BYTES).ok()?;
        // The tag is keyed: only who has the key could have made one for these bytes.
        (self.copying.name_key.tag(&opened.blake3) == name.tag).then_some(bytes)
    }

    fn take_up(&self, number: u64, bytes: &[u8]) -> Result<bool> {
        crate::sys::disk::publish(
            self.vault.world().disk.as_ref(),
            &self.vault.reel_path(number),
            bytes,
            Privacy::Shared,
            Replace::No,
        )?;
        self.vault.take_up_reels(self.wait)?;
        let row = self.vault.catalogue().reel(number)?;
        Ok(row.and_then(|r| r.blake3) == Some(Hash::of(bytes)))
    }

    /// A damaged open reel has no copy: it is closed as it stands, so that the next one begins, and mended as such.
    fn open_reel(&self, report: &mut RepairReport) -> Result<()> {
        let mark = self.vault.catalogue().mark()?;
        if mark.reel == 0 || mark.closed {
            return Ok(());
        }
        match self.vault.close_damaged_reel(self.wait) {
            Ok(_) => {}
            Err(e) if e.kind == Kind::Busy => return Err(e),
            Err(e) => report.cannot(LOCAL, Some(mark.reel), e.fact()),
        }
        Ok(())
    }

    fn shelf(&self, row: &ShelfRow, report: &mut RepairReport) -> Result<()> {
        let Some((shelf, Presence::There)) = self.reach(row)? else {
            return Ok(());
        };
        let shelf = shelf.as_ref();
        self.small_files(row, shelf, report)?;
        let ours = survey::ours(self.vault, &self.copying.name_key)?;
        let found = match self.survey(&ours, row, shelf) {
            Ok(found) => found,
            Err(e) => {
                report.cannot(&row.name, None, e.fact());
                return Ok(());
            }
        };
        for name in &found.plan.unfit {
            report.cannot(
                &row.name,
                Some(name.number),
                format!(
                    "forged or renamed: {name} is no reel of this vault; remove that file by hand"
                ),
            );
        }
        if let Some((code, words)) = crate::care::mirror::conflict_words(&found) {
            let how = match (code, self.identity) {
                ("ahead", None) => "repair fetches them with the key".to_string(),
                _ => format!(
                    "rescue --line TAG rebuilds the other line, shelf accept {} lets both stand",
                    row.name
                ),
            };
            report.cannot(&row.name, None, format!("{words}; {how}"));
            return Ok(());
        }
        self.clear_damage(row, &["ahead", "forked"])?;
        self.reels_at(row, shelf, &ours, &found, report)
    }

    fn reels_at(
        &self,
        row: &ShelfRow,
        shelf: &dyn Shelf,
        ours: &Ours,
        found: &Survey,
        report: &mut RepairReport,
    ) -> Result<()> {
        let mut wanted: BTreeMap<u64, &str> = BTreeMap::new();
        wanted.extend(found.plan.damaged.keys().map(|n| (*n, "damaged")));
        wanted.extend(found.plan.missing.iter().map(|n| (*n, "missing")));
        for (name, bytes) in &found.read {
            if found.plan.present.get(&name.number) == Some(name) {
                record_reel(self.vault, row, name, *bytes, self.wait)?;
            }
        }
        if wanted.is_empty() {
            return Ok(());
        }
        let sources = sources(self.vault, &self.registry, &row.name, Reaching::All)?;
        let disk = self.vault.world().disk.clone();
        let sender = Sender {
            reels: &self.vault.reels_dir(),
            disk: disk.as_ref(),
            vault_id: self.vault.id(),
            copying: &self.copying,
        };
        for (number, what) in wanted {
            let Some(hash) = ours.hashes.get(&number) else {
                continue;
            };
            let job = Job {
                number,
                hash: *hash,
                bytes: ours.bytes.get(&number).copied().unwrap_or(0),
            };
            let mut sent = sender.send(shelf, &sources, &job, Replace::Yes);
            if matches!(&sent, Err(NotSent::Shelf(e)) if matches!(e.kind, Kind::Refused | Kind::Damaged))
            {
                // A shelf that only adds keeps a damaged object under its name, and may say so or say nothing; sealed
                // anew, the reel has another.
                sent = sender.send(shelf, &[], &job, Replace::No);
            }
            match sent {
                Ok((name, bytes)) => {
                    record_reel(self.vault, row, &name, bytes, self.wait)?;
                    let from = sources
                        .iter()
                        .find(|s| s.objects.get(&number) == Some(&name))
                        .map_or(LOCAL, |s| s.name.as_str());
                    report.mended(&row.name, Some(number), "", from);
                }
                Err(NotSent::Local(why)) => report.cannot(
                    &row.name,
                    Some(number),
                    format!("it is {what} and no other shelf within reach holds it whole; {why}"),
                ),
                Err(NotSent::Shelf(e)) => report.cannot(&row.name, Some(number), e.fact()),
            }
        }
        Ok(())
    }

    fn small_files(
        &self,
        row: &ShelfRow,
        shelf: &dyn Shelf,
        report: &mut RepairReport,
    ) -> Result<()> {
        let text = readme_text();
        let text = text.as_bytes();
        let found = shelf.read_small(README, 1 << 20);
        if found.as_ref().is_err_and(is_away) {
            return Ok(());
        }
        if !matches!(found, Ok(Some(found)) if found == text) {
            match put_small(shelf, README, text, Replace::Yes) {
                Ok(()) => report.mended(&row.name, None, README, LOCAL),
                // The keys matter more, and may be taken where this is not.
                Err(e) => report.cannot(&row.name, None, e.fact()),
            }
        }
        match copy_keys(self.vault, shelf, Replace::Yes) {
            Ok(written) => {
                for name in written {
                    report.mended(&row.name, None, Part::Keys.path(&name), LOCAL);
                }
            }
            Err(e) => {
                report.cannot(&row.name, None, e.fact());
                return Ok(());
            }
        }
        self.clear_damage(row, &["readme", "keys"])
    }
}

/// True if the closed reel in `bytes` is number `number` and says that it follows `last`.
fn follows(bytes: &[u8], number: u64, last: Option<Hash>) -> bool {
    let scan = reel::scan(bytes, 0);
    let Some(first) = scan.members.first() else {
        return false;
    };
    let about: Option<ReelJson> = serde_json::from_slice(&bytes[first.data.clone()]).ok();
    about.is_some_and(|about| {
        matches!(first.member, Member::Reel(n) if n == number)
            && about.number == number
            && about.previous == last.map(|h| h.to_string())
    })
}
