//! A vault from shelves and a key, when nothing else is left.
//!
//! ```text
//! look at every location ─> open each reel once, from the first whole object ─> tell lines apart ─> choose
//!   ─> reels/, settings, key, copying.toml, keys/ ─> catalogue ─> what was read here counts, nothing else does
//! ```
//! Until the end a file `.rescue-unfinished` stands in the new folder; a rescue that died is begun again there.

use std::collections::{BTreeMap, BTreeSet};
use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use crate::care::progress::Progress;
use crate::care::survey::LONGEST_OBJECT;
use crate::error::{Error, Kind, Next, Result};
use crate::lending::{BadInvite, Invite};
use crate::model::hash::Hash;
use crate::out::lines::{self, Line, Link};
use crate::shelf::cipher::{Identity, OpenError, open};
use crate::shelf::copying::Copying;
use crate::shelf::location::Location;
use crate::shelf::name::{KeysName, MacHasher, NameKey, ReelName, ReelTag};
use crate::shelf::registry::{HOST, Reach, Registry};
use crate::shelf::{Part, Shelf, ShelfJson, is_away, keyfile, lent, reading_error};
use crate::sys::World;
use crate::sys::clock::{day, rfc3339};
use crate::sys::disk::{self, Disk, Draft, Privacy, Replace};
use crate::sys::text::{counted, printable};
use crate::vault::catalogue::ShelfReel;
use crate::vault::ledger::{self, Event};
use crate::vault::reel::{self, LARGEST_REEL_BYTES, Member};
use crate::vault::settings::Settings;
use crate::vault::writer::ReelJson;
use crate::vault::{Vault, pieces, reindex};

/// Where the rescued vault ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Until {
    /// With this reel.
    Reel(u64),
    /// With the last reel that was finished by then, unix seconds.
    Instant(i64),
}

/// What is to be rescued.
pub struct RescueOptions<'a> {
    /// The ways to what holds copies; each may be damaged. A host needs nothing but its address.
    pub locations: Vec<Reach>,
    /// The key.
    pub identity: &'a Identity,
    /// The new vault's folder: empty, or not there yet.
    pub to: PathBuf,
    /// The tag of the newest reel of the line wanted, or its beginning.
    pub line: Option<String>,
    /// Nothing after this.
    pub until: Option<Until>,
    /// Told while copies are fetched.
    pub progress: Arc<dyn Progress>,
}

/// Something that is missing or damaged at every location.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Lost {
    /// The reel, if it is one.
    pub reel: Option<u64>,
    /// Device and number of the take, if it is one.
    pub take: Option<(String, u32)>,
    /// What is wrong.
    pub detail: String,
}

/// What was rescued.
#[derive(Debug, Clone, PartialEq)]
pub struct RescueReport {
    /// The new vault's folder.
    pub vault: PathBuf,
    /// Devices in it.
    pub devices: u64,
    /// Takes in it.
    pub takes: u64,
    /// Reels in it.
    pub reels: u64,
    /// Number of its newest reel.
    pub last_reel: u64,
    /// When the last thing was written to it, unix seconds.
    pub last_date: Option<i64>,
    /// What could not be had.
    pub damaged: Vec<Lost>,
    /// Shelves that hold back reels that were verified there once.
    pub withheld: Vec<String>,
    /// Reels of other lines, or after `until`, that were left where they are: number and tag.
    pub left: Vec<(u64, String)>,
    /// Things worth telling that stopped nothing.
    pub notes: Vec<String>,
}

/// Stands in the folder until the rescue is complete.
pub const UNFINISHED: &str = ".rescue-unfinished";

/// How far unproven names may drive the numbering on.
const FORGED_AHEAD: u64 = 1000;

/// A line may be named by so many characters of a tag.
const SHORTEST_TAG: usize = 6;

/// Rebuilds a vault. The new one knows no way to its shelves: `shelf add` takes them up again.
///
/// # Errors
/// `Refused` if the folder holds something; `Unreachable` or `NotFound` if no location holds copies; `WrongKey` if
/// the key opens none of them; `Refused` naming the lines if there are several; `Io`.
pub fn rescue(
    options: &RescueOptions<'_>,
    world: &World,
    wait: Duration,
) -> Result<(Vault, RescueReport)> {
    let disk = world.disk.as_ref();
    let name_key = options.identity.name_key();
    let (places, mut notes) = look(options, world)?;
    keep_out_of_shelves(disk, options)?;
    let (to, found) = prepare(disk, &options.to)?;
    let staging = to.join("incoming").join("rescue");
    make_folders(disk, &[&staging])?;
    let bench = Bench {
        places: &places,
        identity: options.identity,
        name_key: &name_key,
        disk,
        staging: &staging,
        progress: options.progress.as_ref(),
        read: AtomicU64::new(0),
    };
    let opened = bench.vault_id().and_then(|vault_id| {
        let bytes = places.iter().flat_map(|p| p.objects.values()).sum();
        options.progress.begins("reading copies", bytes);
        let gathered = bench.gather(&vault_id);
        options.progress.ends();
        let gathered = gathered?;
        let chosen = choose(&gathered, options)?;
        Ok((vault_id, gathered, chosen))
    });
    let (vault_id, mut gathered, chosen) = match opened {
        Ok(opened) => opened,
        // What was fetched by then is used when the same rescue is run again.
        Err(e) if e.kind == Kind::Unreachable => return Err(e),
        Err(e) => {
            // Opened reels lie there in plain: a rescue that is refused leaves nothing behind.
            give_up(disk, &to, &staging, found);
            return Err(e);
        }
    };
    notes.append(&mut gathered.notes);

    make_folders(disk, &[&to.join("reels"), &to.join("keys")])?;
    let numbers = put_in_place(&gathered, &chosen, disk, &to)?;
    let settings = settings_of(&gathered, &chosen, &vault_id);
    write_small_files(&places, options.identity, &settings, world, &to)?;
    reindex::rebuild(&to, world, &settings)?;
    // farshelf.toml comes last: until what notes tell of the shelves is forgotten, this is no vault.
    let vault = Vault::open_with(&to, world.clone(), settings.clone())?;
    let mut report = RescueReport {
        vault: to.clone(),
        devices: vault.catalogue().devices()?.len() as u64,
        takes: vault.catalogue().count_takes()?,
        reels: numbers.len() as u64,
        last_reel: numbers.last().copied().unwrap_or(0),
        last_date: chosen
            .reels
            .iter()
            .filter_map(|i| gathered.reels[*i].last_at)
            .max(),
        damaged: Vec::new(),
        withheld: withheld(&vault, &places, &gathered, &chosen)?,
        left: Vec::new(),
        notes,
    };
    tell_lost(&vault, &gathered, &chosen, &numbers, &name_key, &mut report)?;
    what_was_read_counts(&vault, &places, &gathered, &chosen)?;
    accept_the_rest(&vault, &gathered, &chosen, &mut report, wait)?;
    for file in disk.list(&staging).unwrap_or_default() {
        // Reels of lines that were not chosen: they stay at the shelf.
        let _ = disk.remove_file(&staging.join(file));
    }
    let _ = disk.remove_folder(&staging);
    settings.write(disk, &to, Replace::Yes)?;
    disk.remove_file(&to.join(UNFINISHED))
        .and_then(|()| disk.sync_folder(&to))
        .map_err(|e| Error::io(format!("cannot finish {}", to.display()), e))?;
    Ok((vault, report))
}

/// One location.
struct Place {
    shelf: Box<dyn Shelf>,
    about: Option<ShelfJson>,
    /// What is named as a copy of a reel, with its length.
    objects: BTreeMap<ReelName, u64>,
}

/// What opening copies needs.
struct Bench<'a> {
    places: &'a [Place],
    identity: &'a Identity,
    name_key: &'a NameKey,
    disk: &'a dyn Disk,
    staging: &'a Path,
    progress: &'a dyn Progress,
    read: AtomicU64,
}

/// One reel, opened.
struct Opened {
    link: Link,
    place: usize,
    object: ReelName,
    /// True if that name is not the one it was made under, or it was not read in this run: it counts as a copy for
    /// nobody.
    uncounted: bool,
    object_bytes: u64,
    computer: String,
    shelves: BTreeMap<String, u64>,
    verified: BTreeMap<String, u64>,
    settings: Option<ledger::Settings>,
    last_at: Option<i64>,
    staged: PathBuf,
}

#[derive(Default)]
struct Gathered {
    reels: Vec<Opened>,
    /// Reels of which no location has a whole object, with the reason.
    bad: BTreeMap<(u64, ReelTag), String>,
    lines: Vec<Line>,
    notes: Vec<String>,
}

impl Gathered {
    fn links(&self) -> Vec<Link> {
        self.reels.iter().map(|r| r.link.clone()).collect()
    }
}

fn look(options: &RescueOptions<'_>, world: &World) -> Result<(Vec<Place>, Vec<String>)> {
    let mut places = Vec::new();
    let mut notes = Vec::new();
    for location in &options.locations {
        match open_and_list(options, world, location) {
            Ok((shelf, objects)) => {
                let listed = objects.len();
                let objects: BTreeMap<ReelName, u64> = objects
                    .into_iter()
                    // A length is the other side's word, and may be a lie.
                    .filter_map(|o| Some((o.name.parse().ok()?, o.bytes.min(LONGEST_OBJECT))))
                    .collect();
                if objects.len() < listed {
                    notes.push(format!(
                        "{} not named as copies of reels are in {}/{}; they were not looked at",
                        counted((listed - objects.len()) as u64, "file"),
                        location.location,
                        Part::Reels.as_str()
                    ));
                }
                places.push(Place {
                    about: ShelfJson::read(shelf.as_ref()).ok().flatten(),
                    objects,
                    shelf,
                });
            }
            // One that fails must not stop the others.
            Err(e) if options.locations.len() > 1 => notes.push(e.fact()),
            Err(e) => return Err(e),
        }
    }
    if places.iter().all(|p| p.objects.is_empty()) {
        let names: Vec<String> = options
            .locations
            .iter()
            .map(|l| l.location.clone())
            .collect();
        return Err(Error::new(
            Kind::NotFound,
            format!("{} holds no copies of a vault", names.join(" and ")),
        )
        .next(Next::say("name the folder that holds shelf.json and reels")));
    }
    Ok((places, notes))
}

/// A location, open, and what it lists as copies of reels.
fn open_and_list(
    options: &RescueOptions<'_>,
    world: &World,
    location: &Reach,
) -> Result<(Box<dyn Shelf>, Vec<crate::shelf::Object>)> {
    if location.is_near() {
        // A folder that is not there at all is a slip, and not an empty shelf.
        let path = Path::new(&location.location);
        world
            .disk
            .list(path)
            .map_err(|e| Error::io(format!("cannot read {}", path.display()), e))?;
    }
    let opened = match location.location.parse() {
        _ if Invite::is_one(&location.location) => {
            let invite = location.location.parse().map_err(|e: BadInvite| {
                Error::new(Kind::BadInput, "the invite line cannot be used").because(e)
            })?;
            let name_key = options.identity.name_key();
            let base = Reach {
                kind: HOST.to_string(),
                ..Reach::default()
            };
            lent::redeem(world, &name_key, &invite, &base)?.open(world)?
        }
        Ok(Location::Host(address)) if location.kind == HOST && location.secret.is_none() => {
            let name_key = options.identity.name_key();
            lent::way_in(world, &name_key, &address, location)?.open(world)?
        }
        _ => location.open(world)?,
    };
    let objects = opened.list(Part::Reels).map_err(|e| match e.kind {
        Kind::Refused if location.kind == HOST => e.next(Next::say(
            "ask the host's owner for fresh access (farshelf host invite NAME --again), and give that line in place of the address",
        )),
        _ => e,
    })?;
    Ok((opened, objects))
}

/// The new vault holds the key in plain: it must not lie where copies are kept.
fn keep_out_of_shelves(disk: &dyn Disk, options: &RescueOptions<'_>) -> Result<()> {
    // The part that is not there yet can hold no links.
    let mut there = options.to.as_path();
    let to = loop {
        match disk.canonical(if there.as_os_str().is_empty() {
            Path::new(".")
        } else {
            there
        }) {
            Ok(found) => break found.join(options.to.strip_prefix(there).unwrap_or(there)),
            Err(_) => match there.parent() {
                Some(parent) => there = parent,
                None => break options.to.clone(),
            },
        }
    };
    for location in &options.locations {
        let folder = Path::new(&location.location);
        if location.is_near() && disk.canonical(folder).is_ok_and(|l| to.starts_with(l)) {
            return Err(Error::new(
                Kind::Refused,
                format!(
                    "{} lies among the copies in {}; nothing was changed there",
                    to.display(),
                    location.location
                ),
            )
            .next(Next::say(
                "name a folder elsewhere with --to: the key will lie in it",
            )));
        }
    }
    Ok(())
}

/// What the new folder was before.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Before {
    Absent,
    Empty,
    Begun,
}

/// Takes back what `prepare` and the opening of reels left, as far as that can be done.
fn give_up(disk: &dyn Disk, to: &Path, staging: &Path, before: Before) {
    for name in disk.list(staging).unwrap_or_default() {
        let _ = disk.remove_file(&staging.join(name));
    }
    let _ = disk.remove_folder(staging);
    if before == Before::Begun {
        return;
    }
    let _ = disk.remove_folder(&to.join("incoming"));
    // While anything else is left, the mark lets the next rescue use this folder.
    if !disk
        .list(to)
        .is_ok_and(|held| held.iter().all(|n| n == UNFINISHED))
    {
        return;
    }
    let _ = disk.remove_file(&to.join(UNFINISHED));
    if before == Before::Absent {
        let _ = disk.remove_folder(to);
    }
}

/// Makes sure of the new folder: empty, or left by a rescue that died.
fn prepare(disk: &dyn Disk, to: &Path) -> Result<(PathBuf, Before)> {
    let absent = !disk::exists(disk, to);
    make_folders(disk, &[to])?;
    let fail = |e| Error::io(format!("cannot use {}", to.display()), e);
    let to = disk.canonical(to).map_err(fail)?;
    // A draft is what was left when the writing of one file was cut off; it holds nothing of anyone's.
    let (drafts, held): (Vec<_>, Vec<_>) = disk
        .list(&to)
        .map_err(fail)?
        .into_iter()
        .partition(|n| n.to_string_lossy().starts_with(disk::DRAFT_PREFIX));
    let begun = held.iter().any(|n| n == UNFINISHED);
    if !held.is_empty() && !begun {
        return Err(Error::new(
            Kind::Refused,
            format!("{} is not empty; nothing was changed there", to.display()),
        )
        .next(Next::say("name a new or an empty folder with --to")));
    }
    if begun && held.iter().any(|n| n == crate::vault::settings::FILE) {
        // It may have been used since: its reels must not be taken away.
        return Err(Error::new(
            Kind::Refused,
            format!(
                "a rescue into {} was cut off at its very end; nothing was changed there",
                to.display()
            ),
        )
        .next(Next::say(format!(
            "remove {UNFINISHED} there and use that vault, or name another folder with --to"
        ))));
    }
    for draft in drafts {
        let path = to.join(draft);
        disk.remove_file(&path)
            .map_err(|e| Error::io(format!("cannot remove {}", path.display()), e))?;
    }
    if !begun {
        let text = b"A rescue into this folder has not finished. Run it again.\n";
        disk::publish(
            disk,
            &to.join(UNFINISHED),
            text,
            Privacy::Owner,
            Replace::Yes,
        )?;
    }
    // What the one that died had brought in is brought in again.
    for name in disk.list(&to.join("reels")).unwrap_or_default() {
        let path = to.join("reels").join(name);
        disk.remove_file(&path)
            .map_err(|e| Error::io(format!("cannot remove {}", path.display()), e))?;
    }
    crate::vault::remove_catalogue(disk, &to.join(crate::vault::catalogue::FILE))?;
    let before = match (begun, absent) {
        (true, _) => Before::Begun,
        (false, true) => Before::Absent,
        (false, false) => Before::Empty,
    };
    Ok((to, before))
}

fn make_folders(disk: &dyn Disk, folders: &[&Path]) -> Result<()> {
    for folder in folders {
        disk::create_durable_folders(disk, folder, Privacy::Owner)
            .map_err(|e| Error::io(format!("cannot create {}", folder.display()), e))?;
    }
    Ok(())
}

impl Bench<'_> {
    /// The vault's id as a reel itself tells it: a shelf.json may be forged, a reel whose tag fits may not.
    fn vault_id(&self) -> Result<String> {
        let mut wrong_key = true;
        let mut reason = None;
        let mut away = None;
        for place in self.places {
            for name in place.objects.keys() {
                match self.open_object(place, name, None) {
                    Ok((path, hash)) => {
                        let about = self.name_key.tag(&hash.0) == name.tag;
                        let about = about
                            .then(|| read_reel_json(self.disk, &path, name.number))
                            .flatten();
                        if let Some(about) = about.filter(|a| !a.vault.contains('\n')) {
                            return Ok(about.vault);
                        }
                        wrong_key = false;
                    }
                    Err(Failed::Key) => {}
                    Err(Failed::Object(why)) => {
                        wrong_key = false;
                        reason.get_or_insert(format!(": reel {}: {why}", name.number));
                    }
                    Err(Failed::Way(e)) => {
                        away.get_or_insert(e);
                        break;
                    }
                    Err(Failed::Here(e)) => return Err(e),
                }
            }
        }
        if let Some(e) = away {
            return Err(e);
        }
        let kind = if wrong_key {
            Kind::WrongKey
        } else {
            Kind::Damaged
        };
        let where_: Vec<String> = self.places.iter().map(|p| p.shelf.location()).collect();
        let fact = if wrong_key {
            format!(
                "this key does not fit the copies in {}",
                where_.join(" and ")
            )
        } else {
            format!(
                "no copy in {} can be opened with this key{}",
                where_.join(" and "),
                reason.unwrap_or_default()
            )
        };
        Err(Error::new(kind, fact).next(Next::say(
        "use the key file or key sheet of the vault that made these copies; they were not touched",
    )))
    }

    /// Opens an object into the staging folder. With `mac` it is read to its end, whatever becomes of it, so that
    /// one way through the bytes gives both.
    fn open_object(
        &self,
        place: &Place,
        name: &ReelName,
        mac: Option<&mut MacCheck>,
    ) -> std::result::Result<(PathBuf, Hash), Failed> {
        let target = staged(self.staging, name);
        let here = |e| Failed::Here(Error::io(format!("cannot write {}", target.display()), e));
        if mac.is_none()
            && let Some(hash) = self.staged_before(&target, name)
        {
            return Ok((target, hash));
        }
        let object = place
            .shelf
            .read(&Part::Reels.path(&name.to_string()))
            .map_err(|e| failed_to_read(place, e))?;
        let mut object = Checked {
            object: object.take(LONGEST_OBJECT),
            mac,
        };
        let mut draft = Draft::beside(self.disk, &target, Privacy::Shared).map_err(here)?;
        let keys = std::slice::from_ref(self.identity);
        let opened = open(&mut object, keys, &mut draft, LARGEST_REEL_BYTES);
        if object.mac.is_some() && !matches!(opened, Err(OpenError::Write(_) | OpenError::Read(_)))
        {
            std::io::copy(&mut object, &mut std::io::sink())
                .map_err(|e| failed_to_read(place, e))?;
        }
        match opened {
            Ok(opened) => {
                draft.publish(&target, Replace::Yes).map_err(here)?;
                Ok((target, Hash(opened.blake3)))
            }
            Err(OpenError::Write(e)) => Err(here(e)),
            Err(OpenError::WrongKey) => Err(Failed::Key),
            Err(OpenError::Read(e)) => Err(failed_to_read(place, e)),
            Err(e) => Err(Failed::Object(e.to_string())),
        }
    }

    /// A reel that a rescue that was cut off, or a step before this one, has opened: its tag is keyed, so where it
    /// fits, these are the bytes.
    fn staged_before(&self, target: &Path, name: &ReelName) -> Option<Hash> {
        if !disk::exists(self.disk, target) {
            return None;
        }
        let bytes = disk::read_all(self.disk, target, LARGEST_REEL_BYTES).ok()?;
        let hash = Hash::of(&bytes);
        (self.name_key.tag(&hash.0) == name.tag).then_some(hash)
    }

    /// Opens every reel once, from the first location that holds it whole.
    fn gather(&self, vault_id: &str) -> Result<Gathered> {
        let mut gathered = Gathered::default();
        let mut candidates: BTreeMap<(u64, ReelTag), Vec<(usize, ReelName)>> = BTreeMap::new();
        for (index, place) in self.places.iter().enumerate() {
            for name in place.objects.keys() {
                candidates
                    .entry((name.number, name.tag))
                    .or_default()
                    .push((index, *name));
            }
        }
        let mut bad_at: BTreeMap<(u64, ReelTag), BTreeSet<usize>> = BTreeMap::new();
        let mut doubted: Vec<(usize, ReelName)> = Vec::new();
        let mut ours: BTreeSet<usize> = (0..self.places.len())
            .filter(|p| {
                self.places[*p]
                    .about
                    .as_ref()
                    .is_some_and(|a| a.vault == vault_id)
            })
            .collect();
        let mut away: BTreeSet<usize> = BTreeSet::new();
        let mut trouble = None;
        let mut lacking = false;
        for ((number, tag), objects) in candidates {
            let mut reasons = Vec::new();
            let mut unknown = false;
            let mut done = false;
            let at: BTreeSet<usize> = objects.iter().map(|(place, _)| *place).collect();
            for (place, name) in &objects {
                if away.contains(place) {
                    continue;
                }
                match self.take_in(*place, name, vault_id) {
                    Ok(opened) => {
                        ours.extend(&at);
                        gathered.reels.push(opened);
                        done = true;
                        break;
                    }
                    Err(Failed::Key) => reasons.push("the key does not open it".to_string()),
                    Err(Failed::Object(why)) => reasons.push(why),
                    Err(Failed::Way(e)) => {
                        // Another location may hold it. One that cannot be reached is not waited for again.
                        gathered.notes.push(e.fact());
                        if e.kind == Kind::Unreachable {
                            away.insert(*place);
                        }
                        unknown = true;
                        trouble.get_or_insert(e);
                    }
                    Err(Failed::Here(e)) => return Err(e),
                }
            }
            if !done && (unknown || !at.is_disjoint(&away)) {
                lacking = true;
                continue;
            }
            if !done {
                reasons.dedup();
                gathered.bad.insert((number, tag), reasons.join("; "));
                bad_at.insert((number, tag), at);
                doubted.extend(objects);
            }
        }
        if let Some(e) = trouble.filter(|_| lacking) {
            return Err(e);
        }
        for (place, name) in doubted {
            if away.contains(&place) {
                continue;
            }
            if self.take_in_renamed(place, &name, vault_id, &mut gathered)? {
                ours.insert(place);
            }
        }
        // A location with nothing of this vault is another vault's shelf: what lies there is no damage of ours.
        gathered
            .bad
            .retain(|key, _| bad_at.get(key).is_some_and(|at| !at.is_disjoint(&ours)));
        for (index, place) in self.places.iter().enumerate() {
            if !ours.contains(&index) {
                gathered.notes.push(format!(
                    "{} holds nothing of this vault that this key fits",
                    place.shelf.location()
                ));
            }
        }
        let links = gathered.links();
        gathered.lines = lines::lines(&links);
        Ok(gathered)
    }

    fn take_in(
        &self,
        place: usize,
        name: &ReelName,
        vault_id: &str,
    ) -> std::result::Result<Opened, Failed> {
        let at = &self.places[place];
        let listed = at.objects.get(name).copied().unwrap_or(0);
        let target = staged(self.staging, name);
        let again = self.staged_before(&target, name);
        let (path, hash, object_bytes) = match again {
            // What an earlier run fetched from far away is not fetched again; its copy counts only once it is read.
            Some(hash) if !at.shelf.is_near() => (target, hash, None),
            _ => {
                let mut read = self.open_and_check(at, name, vault_id);
                if !at.shelf.is_near() && matches!(read, Err(Failed::Object(_))) {
                    // A network may have spoiled the bytes on their way here.
                    read = self.open_and_check(at, name, vault_id);
                }
                let (path, hash, bytes) = read?;
                (path, hash, Some(bytes))
            }
        };
        let bytes = self.plain(name, &path, hash)?;
        let before = self.read.fetch_add(listed, Ordering::Relaxed);
        self.progress.at(before + listed);
        let opened = self.understood(place, name, name.number, path, hash, &bytes);
        Ok(Opened {
            object_bytes: object_bytes.unwrap_or(0),
            uncounted: object_bytes.is_none(),
            ..opened
        })
    }

    /// Opens an object that fits its name: where it is staged, the hash of its plain bytes, and its own length.
    fn open_and_check(
        &self,
        place: &Place,
        name: &ReelName,
        vault_id: &str,
    ) -> std::result::Result<(PathBuf, Hash, u64), Failed> {
        let mut mac = MacCheck {
            hasher: self.name_key.mac(vault_id, name.number, &name.tag),
            bytes: 0,
            whole: false,
        };
        let opened = self.open_object(place, name, Some(&mut mac));
        // What broke off says why; only all of it can be compared.
        if mac.whole
            && !mac.hasher.finish().matches(&name.mac)
            && !matches!(opened, Err(Failed::Here(_) | Failed::Way(_)))
        {
            return Err(Failed::Object("it is damaged or forged".to_string()));
        }
        let (path, hash) = opened?;
        if !mac.whole {
            return Err(Failed::Object("it was not read to its end".to_string()));
        }
        Ok((path, hash, mac.bytes))
    }

    /// Takes in a reel under another name than its own, and gives true if it was one. The tag in the name is keyed and
    /// over the plain bytes: where it fits, they are this vault's, and the reel itself says which it is.
    fn take_in_renamed(
        &self,
        place: usize,
        name: &ReelName,
        vault_id: &str,
        gathered: &mut Gathered,
    ) -> Result<bool> {
        let (path, hash, bytes) = match self.open_and_read(place, name) {
            Ok(opened) => opened,
            Err(Failed::Here(e)) => return Err(e),
            Err(Failed::Key | Failed::Object(_) | Failed::Way(_)) => return Ok(false),
        };
        let Some(number) = reel::first_number(&bytes) else {
            return Ok(false);
        };
        if about(&bytes, number).is_none_or(|a| a.vault != vault_id) {
            return Ok(false);
        }
        gathered.bad.remove(&(name.number, name.tag));
        gathered.bad.remove(&(number, name.tag));
        gathered.notes.push(format!(
            "{} holds reel {number} under another name: {name}",
            self.places[place].shelf.location()
        ));
        let tag = name.tag.to_string();
        let is_same = |r: &Opened| r.link.number == number && r.link.tag == tag;
        if !gathered.reels.iter().any(is_same) {
            let opened = self.understood(place, name, number, path, hash, &bytes);
            gathered.reels.push(Opened {
                uncounted: true,
                ..opened
            });
        }
        Ok(true)
    }

    /// Opens an object whose tag fits its plain bytes: where they are staged, their hash, and they themselves.
    fn open_and_read(
        &self,
        place: usize,
        name: &ReelName,
    ) -> std::result::Result<(PathBuf, Hash, Vec<u8>), Failed> {
        let (path, hash) = self.open_object(&self.places[place], name, None)?;
        let bytes = self.plain(name, &path, hash)?;
        Ok((path, hash, bytes))
    }

    /// The plain bytes of an object whose tag fits them.
    fn plain(
        &self,
        name: &ReelName,
        path: &Path,
        hash: Hash,
    ) -> std::result::Result<Vec<u8>, Failed> {
        if self.name_key.tag(&hash.0) != name.tag {
            return Err(Failed::Object(
                "it is not the reel it is named for".to_string(),
            ));
        }
        disk::read_all(self.disk, path, LARGEST_REEL_BYTES)
            .map_err(|e| Failed::Here(Error::io(format!("cannot read {}", path.display()), e)))
    }

    /// What reel `number` in `bytes` tells of itself.
    fn understood(
        &self,
        place: usize,
        name: &ReelName,
        number: u64,
        path: PathBuf,
        hash: Hash,
        bytes: &[u8],
    ) -> Opened {
        let about = about(bytes, number);
        let mut opened = Opened {
            link: Link {
                number,
                tag: name.tag.to_string(),
                hash,
                previous: about
                    .as_ref()
                    .and_then(|a| a.previous.as_deref())
                    .and_then(|h| h.parse().ok()),
                writer: about.as_ref().map_or(String::new(), |a| a.writer.clone()),
                accepts: Vec::new(),
            },
            place,
            object: *name,
            uncounted: false,
            object_bytes: 0,
            computer: about
                .as_ref()
                .map_or("unknown".into(), |a| a.computer.clone()),
            last_at: about
                .as_ref()
                .and_then(|a| a.opened_at.parse::<jiff::Timestamp>().ok())
                .map(|t| t.as_second()),
            shelves: about.map(|a| a.shelves).unwrap_or_default(),
            verified: BTreeMap::new(),
            settings: None,
            staged: path,
        };
        read_ledger(bytes, &mut opened);
        opened
    }
}

/// The mac of what was read of an object, and how much that was.
struct MacCheck {
    hasher: MacHasher,
    bytes: u64,
    /// True once all of it was read.
    whole: bool,
}

/// An object that is checked while it is read.
struct Checked<'m, R> {
    object: R,
    mac: Option<&'m mut MacCheck>,
}

impl<R: Read> Read for Checked<'_, R> {
    fn read(&mut self, buf: &mut [u8]) -> std::io::Result<usize> {
        let n = self.object.read(buf)?;
        if let Some(mac) = &mut self.mac {
            mac.hasher.update(&buf[..n]);
            mac.bytes += n as u64;
            mac.whole |= n == 0 && !buf.is_empty();
        }
        Ok(n)
    }
}

/// What cannot be read is damaged, unless the way there failed: then nothing is known of it.
fn failed_to_read(place: &Place, e: std::io::Error) -> Failed {
    if is_away(&e) {
        let doing = format!("cannot read a copy at {}", place.shelf.location());
        return Failed::Way(reading_error(doing, e));
    }
    Failed::Object(format!("it cannot be read: {e}"))
}

enum Failed {
    /// The key does not open it.
    Key,
    /// It is damaged or no reel.
    Object(String),
    /// The way to it failed: nothing is known of it.
    Way(Error),
    /// This computer failed.
    Here(Error),
}

fn staged(staging: &Path, name: &ReelName) -> PathBuf {
    staging.join(format!(
        "{}-{}.tar",
        crate::shelf::name::reel_number(name.number),
        name.tag
    ))
}

fn read_reel_json(disk: &dyn Disk, path: &Path, number: u64) -> Option<ReelJson> {
    let bytes = disk::read_all(disk, path, LARGEST_REEL_BYTES).ok()?;
    about(&bytes, number)
}

fn about(bytes: &[u8], number: u64) -> Option<ReelJson> {
    let scan = reel::scan(bytes, 0);
    let first = scan.members.first()?;
    let about: ReelJson = serde_json::from_slice(&bytes[first.data.clone()]).ok()?;
    (matches!(first.member, Member::Reel(n) if n == number) && about.number == number)
        .then_some(about)
}

fn read_ledger(bytes: &[u8], opened: &mut Opened) {
    for found in reel::scan(bytes, 0).members {
        let data = &bytes[found.data.clone()];
        let Member::Ledger { first, last, .. } = found.member else {
            continue;
        };
        if !found.member.fits(data) {
            continue;
        }
        for line in ledger::read_batch(data, first, last).unwrap_or_default() {
            let ledger::Read::Known(line) = line else {
                continue;
            };
            match line.event {
                Event::Batch(batch) => {
                    let at = batch.at.parse::<jiff::Timestamp>().ok();
                    opened.last_at = opened.last_at.max(at.map(|t| t.as_second()));
                }
                Event::Settings(settings) => opened.settings = Some(settings),
                Event::Accept(accept) => opened.link.accepts.extend(accept.reels),
                Event::Verified(note) => {
                    let last = note.reels.iter().map(|r| r.1).max().unwrap_or(0);
                    let told = opened.verified.entry(note.shelf).or_default();
                    *told = last.max(*told);
                }
                _ => {}
            }
        }
    }
}

/// The line that becomes the vault, cut where it is to end.
fn choose(gathered: &Gathered, options: &RescueOptions<'_>) -> Result<Line> {
    let links = gathered.links();
    let mut fitting: Vec<&Line> = lines::standing(&links, &gathered.lines);
    if let Some(tag) = &options.line {
        if tag.len() < SHORTEST_TAG {
            return Err(Error::usage(format!(
                "--line takes a reel's tag or at least its first {SHORTEST_TAG} characters"
            )));
        }
        let named: BTreeSet<usize> = (0..links.len())
            .filter(|i| links[*i].tag.starts_with(tag.as_str()))
            .collect();
        let holds = |line: &&Line| line.reels.iter().any(|i| named.contains(i));
        let holding: Vec<&Line> = gathered.lines.iter().filter(holds).collect();
        let ends: Vec<&Line> = holding
            .iter()
            .copied()
            .filter(|l| l.reels.last().is_some_and(|i| named.contains(i)))
            .collect();
        fitting = match (named.len(), holding.len()) {
            (0 | 1, 0 | 1) => holding,
            // Where a line went on across a gap, its end may lie in the other one too.
            (1, _) if ends.len() == 1 => ends,
            (1, _) => fitting.into_iter().filter(holds).collect(),
            _ => holding,
        };
    }
    let keeps = |index: &usize| match options.until {
        None => true,
        Some(Until::Reel(number)) => links[*index].number <= number,
        Some(Until::Instant(at)) => gathered.reels[*index].last_at.is_some_and(|l| l <= at),
    };
    let cut =
        |line: &Line| -> Vec<usize> { line.reels.iter().copied().take_while(keeps).collect() };
    if options.until.is_some() {
        // Lines that part only after the end asked for are one.
        let mut apart: Vec<&Line> = Vec::new();
        for line in fitting {
            let reels = cut(line);
            if apart.iter().any(|l| cut(l).starts_with(&reels)) {
                continue;
            }
            apart.retain(|l| !reels.starts_with(&cut(l)));
            apart.push(line);
        }
        fitting = apart;
    }
    let line = match fitting.as_slice() {
        [line] => (*line).clone(),
        [] if options.line.is_some() => {
            return Err(several(
                gathered,
                &gathered.lines.iter().collect::<Vec<_>>(),
                options,
                "no line holds a reel of that tag",
            ));
        }
        [] => {
            let reason = gathered.bad.iter().next();
            let reason = reason.map_or_else(String::new, |((number, _), why)| {
                format!(": reel {number}: {why}")
            });
            return Err(Error::new(
                Kind::Damaged,
                format!("no reel can be opened, every copy is damaged{reason}"),
            )
            .next(Next::say(
                "try with further shelves: rescue takes several locations",
            )));
        }
        several_of_them => {
            return Err(several(
                gathered,
                several_of_them,
                options,
                "these copies hold more than one line of the vault",
            ));
        }
    };
    if options.until.is_none() {
        return Ok(line);
    }
    let reels = cut(&line);
    let Some(last) = reels.last().map(|i| links[*i].number) else {
        return Err(Error::new(
            Kind::NotFound,
            "nothing was finished by then: the vault would be empty",
        )
        .next(Next::say("name a later reel or date with --until")));
    };
    let holes = line.holes.into_iter().filter(|(n, _)| *n < last).collect();
    Ok(Line { reels, holes })
}

fn several(gathered: &Gathered, lines: &[&Line], options: &RescueOptions<'_>, fact: &str) -> Error {
    let mut told = Vec::new();
    let mut first = None;
    for line in lines {
        let Some(head) = line.reels.last().map(|i| &gathered.reels[*i]) else {
            continue;
        };
        first.get_or_insert(head.link.tag.clone());
        told.push(format!(
            "{} (reel {}, written on {} {})",
            head.link.tag,
            head.link.number,
            printable(&head.computer),
            head.last_at
                .map_or("at an unknown time".to_string(), rfc3339)
        ));
    }
    let locations: Vec<String> = options
        .locations
        .iter()
        .map(|l| l.location.clone())
        .collect();
    Error::new(Kind::Refused, format!("{fact}: {}", told.join(", "))).next(Next::run(
        "choose one; the other can be rescued into a folder of its own",
        format!(
            "rescue {} --key FILE --to {} --line {}",
            locations.join(" "),
            options.to.display(),
            first.unwrap_or_default()
        ),
    ))
}

fn put_in_place(
    gathered: &Gathered,
    chosen: &Line,
    disk: &dyn Disk,
    to: &Path,
) -> Result<Vec<u64>> {
    let folder = to.join("reels");
    let mut numbers = Vec::new();
    for index in &chosen.reels {
        let reel = &gathered.reels[*index];
        let target = folder.join(reel::file_name(reel.link.number));
        disk.rename(&reel.staged, &target)
            .map_err(|e| Error::io(format!("cannot write {}", target.display()), e))?;
        numbers.push(reel.link.number);
    }
    disk.sync_folder(&folder)
        .map_err(|e| Error::io(format!("cannot bring {} to the disk", folder.display()), e))?;
    Ok(numbers)
}

fn settings_of(gathered: &Gathered, chosen: &Line, vault_id: &str) -> Settings {
    chosen
        .reels
        .iter()
        .rev()
        .find_map(|i| gathered.reels[*i].settings.as_ref())
        .map_or_else(
            || Settings::new(vault_id.to_string(), None),
            |told| Settings::from_ledger(vault_id.to_string(), told),
        )
}

fn write_small_files(
    places: &[Place],
    identity: &Identity,
    settings: &Settings,
    world: &World,
    to: &Path,
) -> Result<()> {
    let disk = world.disk.as_ref();
    let text = keyfile::to_text(identity, &day(world.now(), &world.zone));
    disk::publish(
        disk,
        &to.join("key.txt"),
        text.as_bytes(),
        Privacy::Owner,
        Replace::Yes,
    )?;
    Copying::of(identity).write(disk, to)?;
    Registry::default().write(disk, to)?;
    for place in places {
        let foreign = place
            .about
            .as_ref()
            .is_some_and(|a| a.vault != settings.vault);
        // They are a convenience: a shelf whose keys/ cannot be read must not stop the rescue.
        let objects = place.shelf.list(Part::Keys).unwrap_or_default();
        for object in objects.iter().filter(|_| !foreign).take(1000) {
            let Ok(parsed) = object.name.parse::<KeysName>() else {
                continue;
            };
            let path = Part::Keys.path(&object.name);
            if let Ok(Some(bytes)) = place.shelf.read_small(&path, 1 << 16)
                && KeysName::of(parsed.number, &bytes) == parsed
            {
                let target = to.join("keys").join(&object.name);
                disk::publish(disk, &target, &bytes, Privacy::Shared, Replace::Yes)?;
            }
        }
    }
    Ok(())
}

/// The shelf that a location is, by the id in its shelf.json.
fn shelf_of(vault: &Vault, place: &Place) -> Result<Option<crate::vault::catalogue::ShelfRow>> {
    match &place.about {
        Some(about) if about.vault == vault.id() => vault.catalogue().shelf_with_id(&about.shelf),
        _ => Ok(None),
    }
}

/// Shelves that were verified up to a reel that they do not show any more.
fn withheld(
    vault: &Vault,
    places: &[Place],
    gathered: &Gathered,
    chosen: &Line,
) -> Result<Vec<String>> {
    let mut out = Vec::new();
    for place in places {
        let Some(shelf) = shelf_of(vault, place)? else {
            continue;
        };
        let told = chosen
            .reels
            .iter()
            .map(|i| &gathered.reels[*i])
            .flat_map(|r| [r.shelves.get(&shelf.name), r.verified.get(&shelf.name)])
            .flatten()
            .max()
            .copied()
            .unwrap_or(0);
        let missing: Vec<String> = chosen
            .reels
            .iter()
            .map(|i| &gathered.reels[*i].link)
            .filter(|link| link.number <= told)
            .filter(|link| {
                !place
                    .objects
                    .keys()
                    .any(|o| o.number == link.number && o.tag.to_string() == link.tag)
            })
            .map(|link| link.number.to_string())
            .collect();
        let shown = place.objects.keys().map(|o| o.number).max().unwrap_or(0);
        if !missing.is_empty() {
            out.push(format!(
                "shelf {} ({}) was verified up to reel {told} and lacks reel {}",
                printable(&shelf.name),
                place.shelf.location(),
                missing.join(", ")
            ));
        } else if told > shown {
            out.push(format!(
                "shelf {} ({}) was verified up to reel {told} and shows none after {shown}",
                printable(&shelf.name),
                place.shelf.location()
            ));
        }
    }
    Ok(out)
}

/// Names the reels that are nowhere whole and the takes that lost bytes, or cannot be known, by that.
fn tell_lost(
    vault: &Vault,
    gathered: &Gathered,
    chosen: &Line,
    numbers: &[u64],
    name_key: &NameKey,
    report: &mut RescueReport,
) -> Result<()> {
    let last = numbers.last().copied().unwrap_or(0);
    let lost = |reel: Option<u64>, take: Option<(String, u32)>, detail: String| Lost {
        reel,
        take,
        detail,
    };
    let mut broken: BTreeSet<(u64, ReelTag)> = BTreeSet::new();
    for (number, hash) in &chosen.holes {
        let tag = name_key.tag(&hash.0);
        let detail = gathered.bad.get(&(*number, tag)).map_or_else(
            || "it is at none of the locations".to_string(),
            |why| format!("no whole copy of it is left: {why}"),
        );
        broken.insert((*number, tag));
        report.damaged.push(lost(Some(*number), None, detail));
        // Several reels in a row may be gone; only the last of them is named by its hash.
        let before = numbers
            .iter()
            .copied()
            .filter(|n| n < number)
            .max()
            .unwrap_or(0);
        for between in before + 1..*number {
            let known = gathered.bad.iter().find(|((n, _), _)| *n == between);
            report.damaged.push(lost(
                Some(between),
                None,
                known.map_or_else(
                    || "it is at none of the locations".to_string(),
                    |(_, why)| format!("no whole copy of it is left: {why}"),
                ),
            ));
            broken.extend(known.map(|(k, _)| *k));
        }
    }
    let accepted: BTreeSet<(u64, String)> =
        vault.catalogue().foreign_reels()?.into_iter().collect();
    for (key, why) in &gathered.bad {
        if accepted.contains(&(key.0, key.1.to_string()))
            || accepted.contains(&(key.0, String::new()))
        {
            continue;
        }
        if key.0 > last && !broken.contains(key) {
            report.damaged.push(lost(
                Some(key.0),
                None,
                format!("no whole copy of it is left: {why}"),
            ));
        } else if !broken.contains(key) && !numbers.contains(&key.0) {
            report.damaged.push(lost(Some(key.0), None, why.clone()));
        } else if !broken.contains(key) {
            // Nothing of the line chosen is missing by it, unless it is a newer reel under a wrong number.
            report.notes.push(format!(
                "beside reel {0}, what is named reel {0} with the tag {1} is damaged, forged or renamed",
                key.0, key.1
            ));
        }
    }
    report.damaged.sort_by_key(|l| l.reel);
    report.damaged.dedup();
    let pieces = pieces::Pieces::new(vault);
    let mut present: BTreeMap<String, BTreeSet<u32>> = BTreeMap::new();
    let mut hit = Vec::new();
    vault.catalogue().each_take(|take| {
        let device = vault.catalogue().device_name(take.device())?;
        let whole = match vault.catalogue().holding(&take.hash)? {
            Some(h) if h.damaged => false,
            // Lists need all they lead to.
            Some(h) => {
                use crate::vault::catalogue::Form;
                !matches!(h.form, Form::Chunked | Form::Folder) || pieces.check(&take.hash).is_ok()
            }
            None => false,
        };
        if !whole {
            hit.push((device.clone(), take.number()));
        }
        present.entry(device).or_default().insert(take.number());
        Ok(())
    })?;
    for (device, number) in hit {
        let detail = "its bytes were in a reel that is gone".to_string();
        report
            .damaged
            .push(lost(None, Some((device, number)), detail));
    }
    for (device, numbers) in present {
        let highest = numbers.last().copied().unwrap_or(0);
        for number in (1..highest).filter(|n| !numbers.contains(n)) {
            report.damaged.push(lost(
                None,
                Some((device.clone(), number)),
                "all that is known of it was in a reel that is gone".to_string(),
            ));
        }
    }
    Ok(())
}

/// What was read here and found right counts as verified for its shelf, and nothing that notes tell does.
fn what_was_read_counts(
    vault: &Vault,
    places: &[Place],
    gathered: &Gathered,
    chosen: &Line,
) -> Result<()> {
    let now = vault.world().now();
    let mut rows = Vec::new();
    for (index, place) in places.iter().enumerate() {
        let Some(shelf) = shelf_of(vault, place)? else {
            continue;
        };
        for reel in chosen.reels.iter().map(|i| &gathered.reels[*i]) {
            if reel.place == index && !reel.uncounted {
                rows.push((
                    shelf.id,
                    ShelfReel {
                        reel: reel.link.number,
                        object: reel.object.to_string(),
                        bytes: reel.object_bytes,
                        mirrored_at: None,
                        verified_at: Some(now),
                        damage: None,
                    },
                ));
            }
        }
    }
    vault.catalogue().in_transaction(|catalogue| {
        catalogue.forget_all_shelf_checks()?;
        for (shelf, row) in &rows {
            catalogue.set_shelf_reel(*shelf, row)?;
        }
        Ok(())
    })
}

/// Reels of other lines, cut off ones and unreadable later ones stay at the shelves: numbering goes on past them.
fn accept_the_rest(
    vault: &Vault,
    gathered: &Gathered,
    chosen: &Line,
    report: &mut RescueReport,
    wait: Duration,
) -> Result<()> {
    let known: BTreeSet<(u64, String)> = vault.catalogue().foreign_reels()?.into_iter().collect();
    let mine: BTreeSet<usize> = chosen.reels.iter().copied().collect();
    let mut rest: BTreeSet<(u64, String)> = gathered
        .reels
        .iter()
        .enumerate()
        .filter(|(i, _)| !mine.contains(i))
        .map(|(_, r)| (r.link.number, r.link.tag.clone()))
        .collect();
    report.left = rest.iter().cloned().collect();
    rest.extend(
        gathered
            .bad
            .keys()
            // Their names are not proven: a forged one must not drive the numbers up without end.
            .filter(|(number, _)| {
                (report.last_reel + 1..=report.last_reel + FORGED_AHEAD).contains(number)
            })
            // Nobody accepted what nobody could read: without a tag the number alone is taken, and a whole copy
            // that turns up later is told as a reel that this vault lacks.
            .map(|(number, _)| (*number, String::new())),
    );
    rest.retain(|r| !known.contains(r));
    if rest.is_empty() {
        return Ok(());
    }
    report.notes.push(format!(
        "{} stay at the shelf and are left aside from now on",
        counted(rest.len() as u64, "later or other reel")
    ));
    vault.accept_reels(rest.into_iter().collect(), wait)
}
