//! `shelf add|list|show|accept|drop`: the places that hold copies.

use std::collections::BTreeMap;
use std::path::Path;
use std::time::Duration;

use crate::care::standing::{self, Standing};
use crate::care::survey::{self, Known, Presence};
use crate::error::{Error, Kind, Next, Result};
use crate::lending::{BadInvite, Invite};
use crate::model::ids::ShelfName;
use crate::model::place::Place;
use crate::ops::way::{self, WayOptions};
use crate::shelf::copying::Copying;
use crate::shelf::lent;
use crate::shelf::location::Location;
use crate::shelf::name::ReelName;
use crate::shelf::registry::{FOLDER, HOST, Reach, Registry};
use crate::shelf::{FORMAT, Shelf, ShelfJson};
use crate::sys::disk::FileKind;
use crate::sys::entropy;
use crate::sys::text::printable;
use crate::vault::Vault;
use crate::vault::catalogue::{ShelfReel, ShelfRow};
use crate::vault::ledger::{self, Event};

/// What is asked for with `shelf add`.
#[derive(Debug, Clone)]
pub struct AddOptions {
    /// Its name.
    pub name: String,
    /// A folder, a location such as `bucket+https://…`, or the invite line of a host.
    pub location: String,
    /// How it is reached.
    pub way: WayOptions,
    /// Where it stands; `None` keeps what is known of a shelf that is taken up again.
    pub place: Option<Place>,
    /// A mirror is expected every so many days; `None`: 30, or as before.
    pub every_days: Option<u32>,
    /// The owner's word that it is another disk than the vault's.
    pub separate: bool,
}

/// What `shelf add` did.
#[derive(Debug, Clone, PartialEq)]
pub struct Added {
    /// The shelf as it stands now.
    pub shelf: Standing,
    /// What the server was seen to honour, in words; empty where nothing was to be found out.
    pub honours: BTreeMap<String, String>,
    /// True if a shelf that was there already was taken up again.
    pub taken_up: bool,
    /// True if it lies on the vault's own file system and was not said to be separate: it does not count as a copy.
    pub same_file_system: bool,
}

/// One shelf in full.
#[derive(Debug, Clone, PartialEq)]
pub struct ShelfShown {
    /// How it stands.
    pub shelf: Standing,
    /// Its id.
    pub shelf_id: String,
    /// A mirror is expected every so many days.
    pub every_days: u32,
    /// The owner's word that it is another disk.
    pub separate: bool,
    /// What the server was seen to honour when it was added.
    pub honours: BTreeMap<String, String>,
    /// The speed limit, such as `2MB/s`.
    pub limit: Option<String>,
    /// When it was last reached, unix seconds.
    pub seen_at: Option<i64>,
    /// What is wrong beside its reels, one sentence each, beginning with a stable code.
    pub damage: Vec<String>,
    /// What is known of each reel there, by number.
    pub reels: Vec<ShelfReel>,
}

/// What `shelf accept` accepted.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Accepted {
    /// The shelf.
    pub name: String,
    /// Number and tag of each reel of the other line.
    pub reels: Vec<(u64, String)>,
}

/// What `shelf drop` gave up.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Dropped {
    /// The shelf.
    pub name: String,
    /// Where its files lie; they were left alone.
    pub location: String,
}

/// Days after which a mirror is expected, if nothing else was said.
pub const EVERY_DAYS: u32 = 30;

/// Adds a place as a shelf, or takes up again one that bears this vault's id.
///
/// # Errors
/// `BadInput` for a name, place or location that cannot be; `AlreadyThere`, `Refused` if the name or the place is
/// taken, a folder lies in the vault, or other things are there; `Unreachable`; `Busy`, `Io`.
pub fn add(vault: &Vault, options: &AddOptions, wait: Duration) -> Result<Added> {
    let name: ShelfName = options
        .name
        .parse()
        .map_err(|e: crate::model::ids::BadName| {
            Error::new(Kind::BadInput, "this cannot be a shelf's name").because(e)
        })?;
    let name = name.as_str();
    let world = vault.world();
    let disk = world.disk.clone();
    let same_name = vault
        .catalogue()
        .shelves()?
        .into_iter()
        .find(|s| s.name == name);
    let reach = reach(vault, options, name, same_name.as_ref())?;
    let location = reach.location.as_str();
    let shelf = reach.open(world)?;
    let about = match shelf.has_ground()? {
        true => ShelfJson::read(shelf.as_ref()),
        false => Ok(None),
    };
    let about = about.map_err(|e| match e.kind {
        Kind::Damaged => refused(
            format!("{location} holds a shelf, but {}", e.fact()),
            "if it is this vault's, put the file back from another copy; otherwise name another place",
        ),
        _ => e,
    })?;
    let known = about
        .as_ref()
        .map(|a| vault.catalogue().shelf_with_id(&a.shelf))
        .transpose()?
        .flatten();
    check_owner(
        vault,
        location,
        about.as_ref(),
        known.as_ref(),
        same_name.as_ref(),
        name,
    )?;

    let taken_up = about.is_some();
    let shelf_id = match about {
        Some(about) => about.shelf,
        None => {
            let id = entropy::identifier(world.entropy.as_ref())?;
            lay_out(vault, shelf.as_ref(), &reach, &id, options)?;
            id
        }
    };
    let before = known.as_ref().map(|k| &k.record);
    let place = match (&options.place, before) {
        (Some(place), _) => place.as_str().to_string(),
        // What was carried from a host to a disk stands where the disk stands.
        (None, Some(before)) if before.kind == reach.kind => before.place.clone(),
        (None, _) => return Err(no_place()),
    };
    let record = ledger::Shelf {
        shelf: name.to_string(),
        shelf_id,
        kind: reach.kind.clone(),
        location: reach.location.clone(),
        place,
        every_days: options
            .every_days
            .or(before.map(|b| b.every_days))
            .unwrap_or(EVERY_DAYS),
        separate: options.separate || before.is_some_and(|b| b.separate),
        honours: shelf.probe()?,
        dropped: false,
        more: before.map(|b| b.more.clone()).unwrap_or_default(),
    };
    let mut writer = vault.writer(wait)?;
    // Under the writer's lock: two commands must not lose each other's entry.
    let mut registry = Registry::read(disk.as_ref(), vault.dir())?;
    let is_where_it_was = match registry.get(name) {
        Some(was) => was.kind == reach.kind && was.location == reach.location,
        None => before.is_some_and(|b| b.location == record.location),
    };
    if before != Some(&record) {
        writer.record(&Event::Shelf(record))?;
    }
    if let Some(id) = vault.catalogue().shelf_id(name)?
        && !(is_where_it_was && known.as_ref().is_some_and(|k| k.name == name))
    {
        // What was verified elsewhere may be other bytes than these: they are read before they count. And the name
        // may have belonged to another shelf that was given up.
        vault.catalogue().forget_shelf_reels(id)?;
        vault.catalogue().set_shelf_check(id, &Default::default())?;
    }
    writer.commit()?;
    registry.insert(name, reach);
    registry.write(disk.as_ref(), vault.dir())?;
    drop(writer);

    let row = survey::shelf_row(vault, name)?;
    let own = disk.meta(vault.dir()).ok().map(|m| m.device);
    let same_file_system =
        !row.record.separate && shelf.file_system().is_some() && shelf.file_system() == own;
    Ok(Added {
        shelf: standing::standing(vault, &registry, &row)?,
        honours: row.record.honours.clone(),
        taken_up,
        same_file_system,
    })
}

/// The way to what is to be added. An invite is taken up, a host without one is asked for the shelf of this key.
fn reach(
    vault: &Vault,
    options: &AddOptions,
    name: &str,
    same_name: Option<&ShelfRow>,
) -> Result<Reach> {
    let world = vault.world();
    let disk = world.disk.as_ref();
    let registry = Registry::read(disk, vault.dir())?;
    let known = registry.get(name);
    if Invite::is_one(&options.location) {
        let invite: Invite = options.location.parse().map_err(|e: BadInvite| {
            Error::new(Kind::BadInput, "the invite line cannot be used")
                .because(e)
                .next(Next::say(
                    "copy the whole line again as it was sent, from host+ to its end",
                ))
        })?;
        if options.place.is_none() && same_name.is_none() {
            return Err(no_place());
        }
        let mut base = Reach {
            kind: HOST.to_string(),
            ..known
                .filter(|k| k.kind == HOST)
                .cloned()
                .unwrap_or_default()
        };
        way::fill(world, &mut base, &options.way)?;
        let copying = Copying::read(disk, vault.dir())?;
        return lent::redeem(world, &copying.name_key, &invite, &base);
    }
    let reach = way::way(world, &options.location, &options.way, known)?;
    if reach.kind == FOLDER {
        let here = disk
            .canonical(vault.dir())
            .map_err(|e| Error::io(format!("cannot find {}", vault.dir().display()), e))?;
        if Path::new(&reach.location).starts_with(&here) {
            return Err(refused(
                format!("{} lies inside the vault itself", reach.location),
                "name a folder on another disk",
            ));
        }
    }
    if reach.kind == HOST {
        let Ok(Location::Host(address)) = reach.location.parse() else {
            return Err(Error::new(Kind::Bug, "a host without an address"));
        };
        let copying = Copying::read(disk, vault.dir())?;
        return lent::way_in(world, &copying.name_key, &address, &reach);
    }
    Ok(reach)
}

/// All shelves that were not given up, by name.
///
/// # Errors
/// As the catalogue's; `BadInput` if shelves.toml cannot be read.
pub fn list(vault: &Vault) -> Result<Vec<Standing>> {
    standing::standings(vault)
}

/// One shelf in full.
///
/// # Errors
/// `NotFound`; as [`list`].
pub fn show(vault: &Vault, name: &str) -> Result<ShelfShown> {
    let row = survey::shelf_row(vault, name)?;
    let registry = Registry::read(vault.world().disk.as_ref(), vault.dir())?;
    let check = vault.catalogue().shelf_check(row.id)?;
    Ok(ShelfShown {
        shelf: standing::standing(vault, &registry, &row)?,
        shelf_id: row.record.shelf_id.clone(),
        every_days: row.record.every_days,
        separate: row.record.separate,
        honours: row.record.honours.clone(),
        limit: registry.get(name).and_then(|r| r.limit.clone()),
        seen_at: check.seen_at,
        damage: check
            .damage
            .iter()
            .flat_map(|d| d.lines().map(str::to_string))
            .collect(),
        reels: vault.catalogue().shelf_reels(row.id)?,
    })
}

/// Accepts the reels of another line that stand at a shelf: they no longer stop the upload and rescue skips them
/// unless it is asked for them.
///
/// # Errors
/// `NotFound`, `Unreachable`, `Busy`, `Io`; `NotFound` too if there is nothing to accept.
pub fn accept(vault: &Vault, name: &str, wait: Duration) -> Result<Accepted> {
    let row = survey::shelf_row(vault, name)?;
    let shelf = open(vault, &row)?;
    let copying = Copying::read(vault.world().disk.as_ref(), vault.dir())?;
    let ours = survey::ours(vault, &copying.name_key)?;
    let known = Known::of(vault, row.id)?;
    let found = survey::survey(vault.id(), &copying.name_key, &ours, &known, shelf.as_ref())?;
    if found.plan.foreign.is_empty() {
        return Err(Error::new(
            Kind::NotFound,
            format!("shelf {name} holds no reels of another line; nothing was changed"),
        ));
    }
    let text = |n: &ReelName| (n.number, n.tag.to_string());
    let reels: Vec<(u64, String)> = found.plan.foreign.iter().map(text).collect();
    vault.accept_reels(reels.clone(), wait)?;
    let _lock = vault.lock(wait)?;
    vault.catalogue().in_transaction(|catalogue| {
        for other in catalogue.shelves()? {
            // What remains of a conflict, here or at another shelf, the next mirror says.
            let mut check = catalogue.shelf_check(other.id)?;
            check.damage =
                survey::replace_damage(check.damage.as_deref(), &["ahead", "forked"], &[]);
            catalogue.set_shelf_check(other.id, &check)?;
        }
        Ok(())
    })?;
    Ok(Accepted {
        name: name.to_string(),
        reels,
    })
}

/// Gives a shelf up. Its files are left alone.
///
/// # Errors
/// `NotFound`, `Busy`, `Io`.
pub fn drop_shelf(vault: &Vault, name: &str, wait: Duration) -> Result<Dropped> {
    let row = survey::shelf_row(vault, name)?;
    let disk = vault.world().disk.clone();
    let mut writer = vault.writer(wait)?;
    writer.record(&Event::Shelf(ledger::Shelf {
        dropped: true,
        ..row.record.clone()
    }))?;
    writer.commit()?;
    let mut registry = Registry::read(disk.as_ref(), vault.dir())?;
    let location = registry
        .get(name)
        .map_or(row.record.location, |r| r.location.clone());
    registry.remove(name);
    registry.write(disk.as_ref(), vault.dir())?;
    drop(writer);
    Ok(Dropped {
        name: name.to_string(),
        location,
    })
}

/// Opens a shelf that has to be there.
///
/// # Errors
/// `Unreachable` with the reason; `Damaged` if its shelf.json is not as it was.
pub fn open(vault: &Vault, row: &ShelfRow) -> Result<Box<dyn Shelf>> {
    let registry = Registry::read(vault.world().disk.as_ref(), vault.dir())?;
    let Some(reach) = registry.get(&row.name) else {
        return Err(Error::new(
            Kind::Unreachable,
            format!("where shelf {} is is not known on this computer", row.name),
        )
        .next(Next::run(
            "take it up again",
            format!("shelf add {} LOCATION", row.name),
        )));
    };
    let shelf = reach.open(vault.world())?;
    match survey::presence(vault, row, shelf.as_ref()) {
        Presence::There => Ok(shelf),
        Presence::Away(e) => Err(Error::new(
            Kind::Unreachable,
            format!("shelf {} is away: {}", row.name, e.fact()),
        )
        .next(e.next_step().clone())),
        Presence::Wrong(why) => Err(Error::new(
            Kind::Damaged,
            format!("shelf {} cannot be used: {why}", row.name),
        )
        .next(Next::run("mend what can be mended", "repair"))),
    }
}

fn check_owner(
    vault: &Vault,
    location: &str,
    about: Option<&ShelfJson>,
    known: Option<&ShelfRow>,
    same_name: Option<&ShelfRow>,
    name: &str,
) -> Result<()> {
    if let Some(about) = about {
        if about.vault != vault.id() {
            return Err(refused(
                format!(
                    "{} holds another vault's shelf; it was left alone",
                    location
                ),
                "name another folder",
            ));
        }
        if about.format > FORMAT {
            return Err(Error::new(
                Kind::NewerFormat,
                format!(
                    "the shelf in {} was made by a newer farshelf (format {}); it was left alone",
                    location, about.format
                ),
            )
            .next(Next::say("use the newer farshelf here")));
        }
        if let Some(known) = known.filter(|k| !k.dropped && k.name != name) {
            return Err(refused(
                format!(
                    "{} holds the shelf {} already",
                    location,
                    printable(&known.name)
                ),
                format!(
                    "take it up under its name: farshelf shelf add {} {}",
                    known.name, location
                ),
            ));
        }
    }
    if let Some(same) = same_name
        && about.is_none_or(|a| a.shelf != same.record.shelf_id)
    {
        return Err(Error::new(
            Kind::AlreadyThere,
            format!("there is a shelf {name} already; it was left alone"),
        )
        .next(Next::run("see where it is", format!("shelf show {name}"))));
    }
    Ok(())
}

fn lay_out(
    vault: &Vault,
    shelf: &dyn Shelf,
    reach: &Reach,
    id: &str,
    options: &AddOptions,
) -> Result<()> {
    if options.place.is_none() {
        return Err(no_place());
    }
    let location = &reach.location;
    if let Ok(meta) = vault.world().disk.meta(Path::new(location))
        && reach.kind == FOLDER
        && meta.kind != FileKind::Folder
    {
        return Err(refused(format!("{location} is no folder"), "name a folder"));
    }
    if let Some(first) = shelf.foreign_names()?.first() {
        return Err(refused(
            format!(
                "{location} holds other things ({}) and no shelf.json",
                printable(first)
            ),
            format!(
                "name a new folder in it: farshelf shelf add {} {}/farshelf",
                options.name,
                location.trim_end_matches('/')
            ),
        ));
    }
    let about = ShelfJson {
        format: FORMAT,
        vault: vault.id().to_string(),
        shelf: id.to_string(),
    };
    shelf.lay_out(&about)?;
    match ShelfJson::read(shelf)? {
        Some(found) if found == about => Ok(()),
        _ => Err(refused(
            format!("{location} took what was written there and does not have it"),
            "name another place: this one does not keep what it is given",
        )),
    }
}

fn no_place() -> Error {
    Error::usage("a new shelf needs the place it stands in")
        .next(Next::say("add --place, such as --place \"lena's flat\""))
}

fn refused(fact: String, next: impl Into<String>) -> Error {
    Error::new(Kind::Refused, fact).next(Next::say(next))
}
