//! Mending the vault and its shelves from good copies.
//!
//! Everything is read first ([`crate::care::fixity`]); every source is checked before it is used and every target is
//! read back, so damage never spreads. What no copy holds any more is named.

use std::collections::BTreeMap;
use std::io::Read;
use std::time::Duration;

use crate::care::fixity::{Extent, fixity, hash_of};
use crate::care::mirror::{self, Job, NotSent, Sender};
use crate::care::survey::{self, Ours, Presence, Survey};
use crate::error::{Error, Result};
use crate::model::hash::Hash;
use crate::shelf::by_hand::readme_text;
use crate::shelf::cipher::{Identity, open};
use crate::shelf::copying::Copying;
use crate::shelf::name::ReelName;
use crate::shelf::plan::Conflict;
use crate::shelf::registry::Registry;
use crate::shelf::{Part, README, Shelf};
use crate::sys::disk::{Draft, Privacy, Replace};
use crate::sys::text::counted;
use crate::vault::catalogue::{ReelCheck, ShelfRow};
use crate::vault::pieces::Pieces;
use crate::vault::writer::ReelJson;
use crate::vault::{Vault, recover, reel};

/// Something that was mended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mended {
    /// `local`, or the shelf's name.
    pub where_: String,
    /// The reel, unless it is something beside the reels.
    pub reel: Option<u64>,
    /// Where the good copy came from, or what was done.
    pub from: String,
}

/// Something that could not be mended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Unmended {
    /// `local`, or the shelf's name.
    pub where_: String,
    /// The reel, unless it is something beside the reels.
    pub reel: Option<u64>,
    /// Why, and what is lost by it.
    pub detail: String,
}

/// What `repair` did.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Repair {
    /// What was mended.
    pub repaired: Vec<Mended>,
    /// What could not be.
    pub unrepairable: Vec<Unmended>,
    /// Worth knowing: shelves that were not there.
    pub notes: Vec<String>,
}

/// Mends everything that some copy holds whole. Without `identity` (a locked key) the vault's own closed reels
/// cannot be mended; the shelves can.
///
/// # Errors
/// `Busy`; `Io` of the vault itself.
pub fn repair(vault: &Vault, identity: Option<&Identity>, wait: Duration) -> Result<Repair> {
    let found = fixity(vault, &Extent::everything(), wait)?;
    let mut out = Repair {
        notes: found.notes.clone(),
        ..Repair::default()
    };
    let disk = vault.world().disk.clone();
    let registry = Registry::read(disk.as_ref(), vault.dir())?;
    let copying = Copying::read(disk.as_ref(), vault.dir())?;
    let mut bench = Bench {
        vault,
        identity,
        copying,
        wait,
        shelves: Vec::new(),
    };
    bench.open_shelves(&registry, &mut out)?;
    bench.open_reel(&found.damaged, &mut out)?;
    bench.local_reels(&mut out)?;
    bench.fetch_ahead(&mut out)?;
    bench.shelves(&registry, &mut out)?;
    bench.name_lost_takes(&mut out)?;
    Ok(out)
}

struct Bench<'v> {
    vault: &'v Vault,
    identity: Option<&'v Identity>,
    copying: Copying,
    wait: Duration,
    shelves: Vec<Opened>,
}

struct Opened {
    row: ShelfRow,
    shelf: Box<dyn Shelf>,
    found: Survey,
}

impl Bench<'_> {
    fn ours(&self) -> Result<Ours> {
        survey::ours(self.vault, &self.copying.name_key)
    }

    fn open_shelves(&mut self, registry: &Registry, out: &mut Repair) -> Result<()> {
        let ours = self.ours()?;
        for row in self.vault.catalogue().shelves()? {
            let Some(reach) = registry.get(&row.name) else {
                continue;
            };
            let shelf = reach.open(&self.vault.world().disk)?;
            let presence = survey::presence(self.vault, &row, shelf.as_ref());
            let listed = survey::list_reels(shelf.as_ref()).unwrap_or_default();
            let holds_ours = listed.iter().any(|(name, _)| {
                ours.chain.closed.get(&name.number) == Some(&name.tag)
                    && survey::read_and_check(
                        shelf.as_ref(),
                        name,
                        self.vault.id(),
                        &self.copying.name_key,
                    ) == Ok(true)
            });
            if !matches!(presence, Presence::There) {
                if !holds_ours {
                    continue;
                }
                // The reels there prove whose shelf it is.
                shelf.restore_shelf_json(survey::shelf_json(self.vault, &row).text().as_bytes())?;
                out.repaired.push(Mended {
                    where_: row.name.clone(),
                    reel: None,
                    from: "shelf.json was written anew".to_string(),
                });
            }
            let rows = self.vault.catalogue().shelf_reels(row.id)?;
            // What fixity just read and found right is on record and is not read twice.
            match survey::survey(
                self.vault.id(),
                &self.copying.name_key,
                &ours,
                &rows,
                shelf.as_ref(),
            ) {
                Ok(found) => self.shelves.push(Opened { row, shelf, found }),
                Err(e) => out
                    .notes
                    .push(format!("shelf {} was not read: {}", row.name, e.fact())),
            }
        }
        Ok(())
    }

    /// No shelf holds an open reel: a damaged one is closed as it stands, and keeping the files again heals it.
    fn open_reel(&self, damaged: &[crate::care::fixity::Damage], out: &mut Repair) -> Result<()> {
        let mark = self.vault.catalogue().mark()?;
        let hit = damaged
            .iter()
            .find(|d| d.where_ == "local" && d.reel == Some(mark.reel) && !mark.closed);
        let Some(damage) = hit else { return Ok(()) };
        self.vault.close_damaged_open_reel(self.wait)?;
        out.unrepairable.push(Unmended {
            where_: "local".to_string(),
            reel: Some(mark.reel),
            detail: format!(
                "{}; it was not copied anywhere yet, so it was closed as it stands",
                damage.detail
            ),
        });
        Ok(())
    }

    fn local_reels(&self, out: &mut Repair) -> Result<()> {
        let catalogue = self.vault.catalogue();
        for row in catalogue.reels()? {
            let check = catalogue.reel_check(row.number)?;
            let (Some(damage), Some(hash)) = (check.damage, row.blake3) else {
                continue;
            };
            match self.fetch(row.number, &hash)? {
                Ok(from) => {
                    let _lock = self.vault.lock(self.wait)?;
                    let now = self.vault.world().now();
                    catalogue.in_transaction(|c| {
                        c.set_reel_check(
                            row.number,
                            &ReelCheck {
                                verified_at: Some(now),
                                damage: None,
                            },
                        )?;
                        c.clear_piece_damage(row.number)
                    })?;
                    let where_ = "local".to_string();
                    out.repaired.push(Mended {
                        where_,
                        reel: Some(row.number),
                        from,
                    });
                }
                Err(why) => {
                    let told = out
                        .unrepairable
                        .iter()
                        .any(|u| u.where_ == "local" && u.reel == Some(row.number));
                    if !told {
                        out.unrepairable.push(Unmended {
                            where_: "local".to_string(),
                            reel: Some(row.number),
                            detail: format!("{damage}; {why}"),
                        });
                    }
                }
            }
        }
        Ok(())
    }

    /// Puts a good copy of a closed reel in its place. `Ok(Err)` says why there is none.
    fn fetch(&self, number: u64, hash: &Hash) -> Result<std::result::Result<String, String>> {
        let tag = self.copying.name_key.tag(&hash.0);
        let mut why = "no shelf that can be reached holds it whole".to_string();
        for opened in &self.shelves {
            let names = opened
                .found
                .seen
                .iter()
                .filter(|s| s.good && s.name.number == number && s.name.tag == tag);
            for seen in names {
                let Some(identity) = self.identity else {
                    return Ok(Err(format!(
                        "shelf {} holds it, but the key is locked",
                        opened.row.name
                    )));
                };
                match self.bring(opened.shelf.as_ref(), &seen.name, identity, hash) {
                    Ok(()) => return Ok(Ok(opened.row.name.clone())),
                    Err(e) if e.kind == crate::error::Kind::Io => return Err(e),
                    Err(e) => {
                        why = format!("the copy at {} did not open: {}", opened.row.name, e.fact())
                    }
                }
            }
        }
        Ok(Err(why))
    }

    fn bring(
        &self,
        shelf: &dyn Shelf,
        name: &ReelName,
        identity: &Identity,
        hash: &Hash,
    ) -> Result<()> {
        let target = self.vault.reel_path(name.number);
        let disk = self.vault.world().disk.as_ref();
        let write = |e| Error::io(format!("cannot write {}", target.display()), e);
        let good = survey::read_and_check(shelf, name, self.vault.id(), &self.copying.name_key);
        if good != Ok(true) {
            return Err(Error::new(
                crate::error::Kind::Damaged,
                "it changed since it was read",
            ));
        }
        let object = shelf
            .read(&Part::Reels.path(&name.to_string()))
            .map_err(|e| {
                Error::new(crate::error::Kind::Unreachable, "it cannot be read").because(e)
            })?;
        let mut draft = Draft::beside(disk, &target, Privacy::Shared).map_err(write)?;
        let identities = std::slice::from_ref(identity);
        let limit = reel::LARGEST_REEL_BYTES;
        let opened = open(
            object.take(limit + (1 << 20)),
            identities,
            &mut draft,
            limit,
        )
        .map_err(|e| Error::new(crate::error::Kind::Damaged, e.to_string()))?;
        if opened.blake3 != hash.0 {
            return Err(Error::new(
                crate::error::Kind::Damaged,
                "it is another reel than its name says",
            ));
        }
        draft.publish(&target, Replace::Yes).map_err(write)?;
        let file = disk.open(&target).map_err(write)?;
        file.drop_cached();
        let (back, _) = hash_of(file.as_ref()).map_err(write)?;
        if back != *hash {
            return Err(Error::new(
                crate::error::Kind::Io,
                format!(
                    "{} did not read back as it was written; its disk may be failing",
                    target.display()
                ),
            ));
        }
        Ok(())
    }

    /// A shelf that is ahead of an old copy of this vault gives back what it lacks.
    fn fetch_ahead(&mut self, out: &mut Repair) -> Result<()> {
        let Some(at) = self
            .shelves
            .iter()
            .position(|o| o.found.plan.conflict == Some(Conflict::Ahead))
        else {
            return Ok(());
        };
        let name = self.shelves[at].row.name.clone();
        let foreign = self.shelves[at].found.plan.foreign.clone();
        let Some(identity) = self.identity else {
            out.unrepairable.push(Unmended {
                where_: name,
                reel: foreign.first().map(|n| n.number),
                detail: "it holds reels that this vault lacks, but the key is locked".to_string(),
            });
            return Ok(());
        };
        let lock = self.vault.lock(self.wait)?;
        let mark = self.vault.catalogue().mark()?;
        let mut last = self
            .vault
            .catalogue()
            .reel(mark.reel)?
            .and_then(|r| r.blake3);
        let mut number = mark.reel;
        for object in &foreign {
            // The chain decides, not the number: each has to follow the one before.
            match self.place_next(at, object, identity, last)? {
                Ok(hash) => {
                    last = Some(hash);
                    number = object.number;
                    out.repaired.push(Mended {
                        where_: "local".to_string(),
                        reel: Some(object.number),
                        from: name.clone(),
                    });
                }
                Err(why) => {
                    out.unrepairable.push(Unmended {
                        where_: name.clone(),
                        reel: Some(object.number),
                        detail: why,
                    });
                    break;
                }
            }
        }
        if number > mark.reel {
            recover::repair_tail(self.vault)?;
        }
        drop(lock);
        let ours = self.ours()?;
        for opened in &mut self.shelves {
            let rows = self.vault.catalogue().shelf_reels(opened.row.id)?;
            opened.found.compare(&ours.chain, &rows);
        }
        Ok(())
    }

    fn place_next(
        &self,
        at: usize,
        name: &ReelName,
        identity: &Identity,
        last: Option<Hash>,
    ) -> Result<std::result::Result<Hash, String>> {
        let shelf = self.shelves[at].shelf.as_ref();
        let mut plain = Vec::new();
        let object = match shelf.read(&Part::Reels.path(&name.to_string())) {
            Ok(object) => object,
            Err(e) => return Ok(Err(format!("it cannot be read: {e}"))),
        };
        let limit = reel::LARGEST_REEL_BYTES;
        let opened = match open(
            object.take(limit + (1 << 20)),
            std::slice::from_ref(identity),
            &mut plain,
            limit,
        ) {
            Ok(opened) => opened,
            Err(e) => return Ok(Err(e.to_string())),
        };
        let hash = Hash(opened.blake3);
        let about: Option<ReelJson> = reel::scan(&plain, 0)
            .members
            .first()
            .and_then(|m| serde_json::from_slice(&plain[m.data.clone()]).ok());
        let follows = about
            .and_then(|a| a.previous)
            .map(|p| p.parse::<Hash>().ok())
            == Some(last);
        if !follows && last.is_some() {
            return Ok(Err("it does not follow this vault's last reel".to_string()));
        }
        if self.copying.name_key.tag(&hash.0) != name.tag {
            return Ok(Err("it is another reel than its name says".to_string()));
        }
        self.bring(shelf, name, identity, &hash)?;
        Ok(Ok(hash))
    }

    fn shelves(&self, registry: &Registry, out: &mut Repair) -> Result<()> {
        let ours = self.ours()?;
        let disk = self.vault.world().disk.clone();
        let sender = Sender {
            reels: &self.vault.reels_dir(),
            disk: disk.as_ref(),
            vault_id: self.vault.id(),
            copying: &self.copying,
        };
        for opened in &self.shelves {
            let name = &opened.row.name;
            if let Some(conflict) = opened.found.plan.conflict {
                let (_, words) = mirror::conflict_words(&opened.found)
                    .unwrap_or((conflict.as_str(), String::new()));
                out.unrepairable.push(Unmended {
                    where_: name.clone(),
                    reel: opened.found.plan.foreign.first().map(|n| n.number),
                    detail: format!(
                        "{words}; to let both stand: farshelf shelf accept {name}; to look at the other: farshelf rescue --line TAG"
                    ),
                });
                continue;
            }
            let sources = mirror::sources(self.vault, registry, name)?;
            let mut wanted: BTreeMap<u64, Hash> = BTreeMap::new();
            let plan = &opened.found.plan;
            for number in plan.damaged.keys().chain(&plan.missing) {
                wanted.extend(ours.hashes.get(number).map(|h| (*number, *h)));
            }
            for (number, hash) in wanted {
                let job = Job { number, hash };
                match sender.send(opened.shelf.as_ref(), &sources, &job, Replace::Yes) {
                    Ok((object, bytes)) => {
                        mirror::record_reel(self.vault, &opened.row, &object, bytes, self.wait)?;
                        let source = sources
                            .iter()
                            .find(|s| s.objects.get(&number) == Some(&object));
                        out.repaired.push(Mended {
                            where_: name.clone(),
                            reel: Some(number),
                            from: source.map_or("local".to_string(), |s| s.name.clone()),
                        });
                    }
                    Err(NotSent::Local(why)) => out.unrepairable.push(Unmended {
                        where_: name.clone(),
                        reel: Some(number),
                        detail: format!("no copy holds it whole: {why}"),
                    }),
                    Err(NotSent::Shelf(e)) => out.unrepairable.push(Unmended {
                        where_: name.clone(),
                        reel: Some(number),
                        detail: e.fact(),
                    }),
                }
            }
            self.beside(opened, out)?;
        }
        Ok(())
    }

    fn beside(&self, opened: &Opened, out: &mut Repair) -> Result<()> {
        let shelf = opened.shelf.as_ref();
        let mut done: Vec<String> = Vec::new();
        let mut failed: Vec<String> = Vec::new();
        let text = readme_text();
        let right =
            matches!(shelf.read_small(README, 1 << 16), Ok(Some(t)) if t == text.as_bytes());
        if !right {
            match mirror::put_small(shelf, README, text.as_bytes(), Replace::Yes) {
                Ok(()) => done.push("README.txt was written anew".to_string()),
                Err(e) => failed.push(e.fact()),
            }
        }
        match mirror::copy_keys(self.vault, shelf, Replace::Yes) {
            Ok(names) => done.extend(
                names
                    .into_iter()
                    .map(|n| format!("keys/{n} was written anew")),
            ),
            Err(e) => failed.push(e.fact()),
        }
        let where_ = opened.row.name.clone();
        if failed.is_empty() {
            let _lock = self.vault.lock(self.wait)?;
            let mut check = self.vault.catalogue().shelf_check(opened.row.id)?;
            check.damage = survey::replace_damage(
                check.damage.as_deref(),
                &["shelf.json", "README.txt", "keys", "ahead"],
                &[],
            );
            self.vault
                .catalogue()
                .set_shelf_check(opened.row.id, &check)?;
        }
        out.repaired.extend(done.into_iter().map(|from| Mended {
            where_: where_.clone(),
            reel: None,
            from,
        }));
        out.unrepairable
            .extend(failed.into_iter().map(|detail| Unmended {
                where_: where_.clone(),
                reel: None,
                detail,
            }));
        Ok(())
    }

    /// Says which takes are hit by what could not be mended.
    fn name_lost_takes(&self, out: &mut Repair) -> Result<()> {
        let catalogue = self.vault.catalogue();
        let damaged: std::collections::HashSet<i64> =
            catalogue.damaged_pieces()?.into_iter().collect();
        if damaged.is_empty() {
            return Ok(());
        }
        let pieces = Pieces::new(self.vault);
        let mut hit = Vec::new();
        let mut count = 0u64;
        catalogue.each_take(|take| {
            if pieces
                .parts(&take.hash)?
                .iter()
                .any(|p| damaged.contains(p))
            {
                count += 1;
                if hit.len() < 5 {
                    hit.push(format!(
                        "{}@{}",
                        catalogue.device_name(take.device())?,
                        take.number()
                    ));
                }
            }
            Ok(())
        })?;
        if count > 0 {
            let more = if count > hit.len() as u64 {
                ", …"
            } else {
                ""
            };
            out.unrepairable.push(Unmended {
                where_: "local".to_string(),
                reel: None,
                detail: format!(
                    "{} cannot be read from the vault: {}{more}; keep their files again if you still have them",
                    counted(count, "take"),
                    hit.join(", ")
                ),
            });
        }
        Ok(())
    }
}
