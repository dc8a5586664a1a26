//! What lies at a shelf, judged against this vault's chain. Nothing is believed that was not read by this vault.

use std::collections::{BTreeMap, BTreeSet};
use std::io::Read;

use crate::care::holes::holes;
use crate::error::{Error, Kind, Next, Result};
use crate::model::hash::Hash;
use crate::shelf::cipher::check_mac;
use crate::shelf::name::{NameKey, ReelName, ReelTag};
use crate::shelf::plan::{Chain, Plan, Seen, plan};
use crate::shelf::{Part, Report, Shelf, ShelfJson, is_away, reading_error};
use crate::vault::Vault;
use crate::vault::catalogue::{ShelfReel, ShelfRow};

/// This vault's closed reels and chain as shelves are compared with them.
#[derive(Debug, Clone, Default)]
pub struct Ours {
    /// For the plan.
    pub chain: Chain,
    /// BLAKE3 of every closed reel.
    pub hashes: BTreeMap<u64, Hash>,
    /// Length of every closed reel.
    pub bytes: BTreeMap<u64, u64>,
    /// Reels that the chain names by hash and this vault lacks.
    pub holes: BTreeMap<ReelTag, Hash>,
}

/// Where a shelf stands before anything is done there.
#[derive(Debug)]
pub enum Presence {
    /// It is there and ours.
    There,
    /// It cannot be reached or does not let us in, or its disk is not mounted.
    Away(Error),
    /// It is there, but its shelf.json is not as it was made: nothing is written to it.
    Wrong(String),
}

/// What was found at a shelf.
#[derive(Debug, Default)]
pub struct Survey {
    /// What is to be done.
    pub plan: Plan,
    /// Every object that was judged.
    pub seen: Vec<Seen>,
    /// Objects that were read and found right: name and bytes.
    pub read: Vec<(ReelName, u64)>,
    /// Bytes of every listed object.
    pub bytes: BTreeMap<ReelName, u64>,
    /// Objects that could not be read, with the reason.
    pub unreadable: Vec<(ReelName, String)>,
    /// What the shelf's keeper says of it.
    pub report: Option<Report>,
}

/// What this vault knows of a shelf from earlier looks.
#[derive(Debug, Clone, Default)]
pub struct Known {
    /// Its reels.
    pub reels: Vec<ShelfReel>,
    /// Objects that were read and are no reels of ours: name and bytes.
    pub unfit: BTreeSet<(String, u64)>,
}

impl Known {
    /// What is known of the shelf `id`.
    ///
    /// # Errors
    /// As the catalogue's.
    pub fn of(vault: &Vault, id: i64) -> Result<Known> {
        Ok(Known {
            reels: vault.catalogue().shelf_reels(id)?,
            unfit: vault.catalogue().shelf_unfit(id)?,
        })
    }
}

/// What reading an object says of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Verdict {
    /// Its bytes are those it was named for.
    Good,
    /// They are not.
    Bad,
    /// They cannot be read, for this reason.
    Unreadable(String),
}

/// What a shelf's damage is called when its copy of a reel does not fit its name.
pub const ROTTED: &str = "its bytes are not those that were sent";
/// No copy of a reel is longer: a hostile side may serve an endless object.
pub const LONGEST_OBJECT: u64 = crate::vault::reel::LARGEST_REEL_BYTES + (1 << 20);

/// Gathers the chain.
///
/// # Errors
/// As the catalogue's.
pub fn ours(vault: &Vault, name_key: &NameKey) -> Result<Ours> {
    let catalogue = vault.catalogue();
    let mark = catalogue.mark()?;
    let mut ours = Ours::default();
    for reel in catalogue.reels()? {
        let Some(hash) = reel.blake3 else { continue };
        ours.hashes.insert(reel.number, hash);
        ours.bytes.insert(reel.number, reel.bytes);
        ours.chain.closed.insert(reel.number, name_key.tag(&hash.0));
    }
    ours.chain.open_facts = mark.reel > 0 && !mark.closed;
    for hash in holes(catalogue)?.into_iter().filter_map(|h| h.blake3) {
        let tag = name_key.tag(&hash.0);
        ours.chain.holes.insert(tag);
        ours.holes.insert(tag, hash);
    }
    for (number, tag) in catalogue.foreign_reels()? {
        if let Ok(tag) = tag.parse() {
            ours.chain.accepted.insert((number, tag));
        }
    }
    Ok(ours)
}

/// The text that the shelf.json of `row` has to have.
pub fn shelf_json(vault: &Vault, row: &ShelfRow) -> ShelfJson {
    ShelfJson {
        format: crate::shelf::FORMAT,
        vault: vault.id().to_string(),
        shelf: row.record.shelf_id.clone(),
    }
}

/// Looks whether the shelf is there and the one it should be.
pub fn presence(vault: &Vault, row: &ShelfRow, shelf: &dyn Shelf) -> Presence {
    match ShelfJson::read(shelf) {
        // With reels beside it the place is there and the file is gone; without, its disk is not mounted.
        Ok(None) if list_reels(shelf).is_ok_and(|reels| !reels.is_empty()) => {
            Presence::Wrong("its shelf.json is missing".to_string())
        }
        Ok(None) => Presence::Away(match shelf.is_near() {
            true => Error::new(
                Kind::Unreachable,
                format!(
                    "{} holds no shelf.json: is its disk there?",
                    shelf.location()
                ),
            )
            .next(Next::say("plug in or mount its disk and try again")),
            false => Error::new(
                Kind::Refused,
                format!("{} holds no shelf.json", shelf.location()),
            )
            .next(Next::say(
                "check whether it still leads to the same place; what is kept here is not touched",
            )),
        }),
        Err(e) if e.kind == Kind::Damaged => Presence::Wrong(e.fact()),
        Err(e) => Presence::Away(e),
        Ok(Some(about)) if about.vault != vault.id() => {
            Presence::Wrong("its shelf.json names another vault".to_string())
        }
        Ok(Some(about)) if about != shelf_json(vault, row) => {
            Presence::Wrong("its shelf.json names another shelf".to_string())
        }
        Ok(Some(_)) => Presence::There,
    }
}

/// Lists the shelf and judges what is there. Objects that were verified before and still have their size are not
/// read again, unless the shelf's keeper says that they are damaged; all others are read.
///
/// # Errors
/// When the shelf cannot be listed, or is away before all is read.
pub fn survey(
    vault_id: &str,
    name_key: &NameKey,
    ours: &Ours,
    known: &Known,
    shelf: &dyn Shelf,
) -> Result<Survey> {
    let rows = &known.reels;
    let mut survey = Survey {
        report: shelf.report(),
        ..Survey::default()
    };
    let listed = list_reels(shelf)?;
    let on_record = |survey: &Survey, name: &ReelName, bytes: u64| {
        is_on_record(rows, name, bytes) && !survey.is_doubted(name)
    };
    // Of these one good object is there: a twin of it, damaged and never removed, is not fetched again and again.
    let settled: BTreeSet<(u64, ReelTag)> = listed
        .iter()
        .filter(|(name, bytes)| on_record(&survey, name, *bytes))
        .map(|(name, _)| (name.number, name.tag))
        .collect();
    for (name, bytes) in listed {
        survey.bytes.insert(name, bytes);
        if ours.chain.accepted.contains(&(name.number, name.tag)) {
            continue;
        }
        let is_known = on_record(&survey, &name, bytes);
        let is_ours = ours.chain.closed.get(&name.number) == Some(&name.tag);
        let is_unfit = !is_ours && known.unfit.contains(&(name.to_string(), bytes));
        if !is_known && (is_unfit || settled.contains(&(name.number, name.tag))) {
            survey.seen.push(Seen { name, good: false });
            continue;
        }
        let good = is_known || {
            match read_and_check(shelf, &name, vault_id, name_key)? {
                Verdict::Good => {
                    survey.read.push((name, bytes));
                    true
                }
                Verdict::Bad => false,
                Verdict::Unreadable(why) => {
                    survey.unreadable.push((name, why));
                    false
                }
            }
        };
        survey.seen.push(Seen { name, good });
    }
    survey.compare(&ours.chain, rows);
    Ok(survey)
}

impl Survey {
    /// Compares what was seen with the chain as it is now.
    pub fn compare(&mut self, chain: &Chain, rows: &[ShelfReel]) {
        self.plan = plan(chain, &self.seen, &verified_before(rows));
    }

    /// True if the shelf's keeper says that the object is not as it came. It is read then: a report raises alarms,
    /// and only reading settles them.
    pub fn is_doubted(&self, name: &ReelName) -> bool {
        let path = Part::Reels.path(&name.to_string());
        self.report
            .as_ref()
            .is_some_and(|r| r.damaged.contains(&path))
    }
}

/// The reels listed at a shelf with their sizes. These are the other side's word: one that no copy can have is brought
/// down to a byte more than the longest, so that sums of them stay sums.
///
/// # Errors
/// When the shelf cannot be listed.
pub fn list_reels(shelf: &dyn Shelf) -> Result<Vec<(ReelName, u64)>> {
    Ok(shelf
        .list(Part::Reels)?
        .into_iter()
        .filter_map(|o| Some((o.name.parse().ok()?, o.bytes.min(LONGEST_OBJECT + 1))))
        .collect())
}

/// True if this vault once read the object, found it right, and nothing has spoken against it since.
pub fn is_on_record(rows: &[ShelfReel], name: &ReelName, bytes: u64) -> bool {
    rows.iter().any(|row| {
        row.reel == name.number
            && row.bytes == bytes
            && row.verified_at.is_some()
            && row.damage.is_none()
            && row.object == name.to_string()
    })
}

/// Numbers of the reels that were verified at the shelf at some time.
pub fn verified_before(rows: &[ShelfReel]) -> BTreeSet<u64> {
    rows.iter()
        .filter(|r| r.verified_at.is_some())
        .map(|r| r.reel)
        .collect()
}

/// Reads an object to its end with cached pages dropped and recomputes its mac.
///
/// # Errors
/// `Unreachable` or `Refused` if the shelf could not be asked: nothing is known of the object then.
pub fn read_and_check(
    shelf: &dyn Shelf,
    name: &ReelName,
    vault_id: &str,
    name_key: &NameKey,
) -> Result<Verdict> {
    let read = || {
        shelf
            .read(&Part::Reels.path(&name.to_string()))
            .and_then(|object| check_mac(name, vault_id, name_key, object.take(LONGEST_OBJECT)))
    };
    let mut checked = read();
    if !shelf.is_near() && checked.as_ref().is_ok_and(|c| !c.good) {
        // A network may spoil bytes on their way here: only what is wrong twice is called damage.
        checked = read();
    }
    match checked {
        Ok(checked) if checked.good => Ok(Verdict::Good),
        Ok(_) => Ok(Verdict::Bad),
        Err(e) if is_away(&e) => Err(reading_error(
            format!("cannot read a copy at {}", shelf.location()),
            e,
        )),
        Err(e) => Ok(Verdict::Unreadable(format!("it cannot be read: {e}"))),
    }
}

/// Damage at a shelf beside its reels: several lines of `code: text`. Replaces the lines of `codes` by `found`.
pub fn replace_damage(
    before: Option<&str>,
    codes: &[&str],
    found: &[(&str, String)],
) -> Option<String> {
    let mut lines: Vec<String> = before
        .unwrap_or_default()
        .lines()
        .filter(|line| !codes.contains(&line.split(':').next().unwrap_or_default()))
        .map(str::to_string)
        .collect();
    lines.extend(
        found
            .iter()
            .map(|(code, text)| format!("{code}: {}", crate::sys::text::printable(text))),
    );
    (!lines.is_empty()).then(|| lines.join("\n"))
}

/// Names some reels by number and tag.
pub fn name_reels(reels: &[ReelName]) -> String {
    let mut text: Vec<String> = reels
        .iter()
        .take(5)
        .map(|n| format!("{} ({})", n.number, n.tag))
        .collect();
    if reels.len() > 5 {
        text.push(format!("and {} more", reels.len() - 5));
    }
    text.join(", ")
}

/// The shelf `name`, not given up.
///
/// # Errors
/// `NotFound`.
pub fn shelf_row(vault: &Vault, name: &str) -> Result<ShelfRow> {
    vault
        .catalogue()
        .shelves()?
        .into_iter()
        .find(|s| s.name == name)
        .ok_or_else(|| {
            Error::new(
                Kind::NotFound,
                format!("there is no shelf {}", crate::sys::text::printable(name)),
            )
            .next(Next::run("see which there are", "shelf list"))
        })
}
