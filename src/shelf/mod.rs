//! Copies far away: encryption, names and the places that hold them.

pub mod bucket;
pub mod by_hand;
pub mod cipher;
pub mod copying;
pub mod folder;
pub mod keyfile;
pub mod lent;
pub mod location;
pub mod name;
pub mod net;
pub mod plan;
pub mod registry;
pub mod secret;
pub mod share;
pub mod sheet;
pub mod typed;

use std::collections::BTreeMap;
use std::fmt::Debug;
use std::io::{self, Read, Write};

use serde::{Deserialize, Serialize};

use self::net::Trouble;
use crate::error::{Error, Kind, Result};
use crate::sys::disk::Replace;

/// The file that says whose shelf this is; a place without it is never written to.
pub const SHELF_JSON: &str = "shelf.json";
/// The file that tells a person how to recover by hand.
pub const README: &str = "README.txt";
/// The format of shelves that this program writes.
pub const FORMAT: u32 = 1;

/// The two folders of a shelf.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Part {
    /// `reels/`.
    Reels,
    /// `keys/`.
    Keys,
}

impl Part {
    /// The folder's name.
    pub fn as_str(self) -> &'static str {
        match self {
            Part::Reels => "reels",
            Part::Keys => "keys",
        }
    }

    /// The path at a shelf of the object `name` in this folder.
    pub fn path(self, name: &str) -> String {
        format!("{}/{name}", self.as_str())
    }
}

/// A regular object at a shelf.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Object {
    /// Its name inside its folder.
    pub name: String,
    /// Its length.
    pub bytes: u64,
}

/// A place that holds copies. Paths are `/`-separated and relative: `shelf.json`, `reels/<name>`.
///
/// An `io::Error` of reading is about the object, unless [`is_away`] says that it is about the way there.
pub trait Shelf: Debug + Send + Sync {
    /// Where it is, as a person would say it; never a secret.
    fn location(&self) -> String;

    /// True if looking there costs no network: questions that must be quick may ask it.
    fn is_near(&self) -> bool;

    /// How many objects may be sent side by side.
    fn side_by_side(&self) -> usize;

    /// The regular objects of a folder, by name; an absent folder is empty. Links, drafts and folders are left out.
    ///
    /// # Errors
    /// `Unreachable`, `Refused` or `Io`.
    fn list(&self, part: Part) -> Result<Vec<Object>>;

    /// Reads an object as it lies on the medium: cached pages are dropped before.
    ///
    /// # Errors
    /// Of reading; `NotFound`; `InvalidInput` if it is no regular object.
    fn read(&self, path: &str) -> io::Result<Box<dyn Read + Send + '_>>;

    /// Reads a small object whole; `None` if there is none of that name.
    ///
    /// # Errors
    /// Of reading; `InvalidData` if it is longer than `limit` bytes.
    fn read_small(&self, path: &str, limit: u64) -> io::Result<Option<Vec<u8>>>;

    /// Begins an object whose name is given only when all its bytes are there.
    ///
    /// # Errors
    /// `Unreachable` if the place has no shelf.json (an unmounted disk); `Refused`, `Io`.
    fn begin(&self) -> Result<Box<dyn Upload + '_>>;

    /// Puts back the shelf.json; for repair, and only where the shelf is known to be ours.
    ///
    /// # Errors
    /// `Unreachable`, `Refused`, `Io`.
    fn restore_shelf_json(&self, text: &[u8]) -> Result<()>;

    /// True if what a shelf stands on is there, with a shelf in it or without. Where it is not, [`Shelf::lay_out`] makes
    /// it, if it can be made.
    ///
    /// # Errors
    /// `Unreachable`, `Refused`.
    fn has_ground(&self) -> Result<bool> {
        Ok(true)
    }

    /// What stands there that no shelf of ours would hold: names, sorted; empty if a shelf may be laid out there.
    ///
    /// # Errors
    /// `Unreachable`, `Refused`, `Io`; a place that is not there yet holds nothing.
    fn foreign_names(&self) -> Result<Vec<String>>;

    /// Lays out a new shelf: shelf.json comes last, so a half-made one is no shelf yet.
    ///
    /// # Errors
    /// `Unreachable`, `Refused`, `Io`.
    fn lay_out(&self, about: &ShelfJson) -> Result<()>;

    /// The file system it lies on, where that means something.
    fn file_system(&self) -> Option<u64>;

    /// Finds out what the place honours, by words, where that is not known beforehand.
    ///
    /// # Errors
    /// `Unreachable`, `Refused`.
    fn probe(&self) -> Result<BTreeMap<String, String>> {
        Ok(BTreeMap::new())
    }

    /// Has `watch` told of the bytes that travel, in both directions; a near shelf has nothing to tell.
    fn watch(&mut self, _watch: net::Watch) {}

    /// What the one who keeps it found when reading its objects again, where there is one who does.
    fn report(&self) -> Option<Report> {
        None
    }
}

/// What the keeper of a shelf says about it: it raises alarms and never lowers them.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Report {
    /// When the oldest of its checks was done, unix seconds.
    pub checked_at: Option<i64>,
    /// Paths of objects that it found damaged or gone.
    pub damaged: Vec<String>,
}

/// What a person calls the object at `path`: names of reels are long, and say nothing.
pub fn in_words(path: &str) -> &str {
    match path.starts_with("reels/") {
        true => "a copy",
        false => path,
    }
}

/// True if `e` is about the way to a shelf and not about the object: nothing is known of the object then.
pub fn is_away(e: &io::Error) -> bool {
    let Some(inner) = e.get_ref() else {
        return false;
    };
    match (
        inner.downcast_ref::<Trouble>(),
        inner.downcast_ref::<Error>(),
    ) {
        (Some(trouble), _) => !trouble.is_missing_object(),
        (_, Some(error)) => matches!(error.kind, Kind::Unreachable | Kind::Refused),
        _ => false,
    }
}

/// `e` as an error, with the next step that fits trouble on the way.
pub fn reading_error(doing: impl Into<String>, e: io::Error) -> Error {
    match e.downcast::<Trouble>() {
        Ok(trouble) => trouble.error(doing),
        Err(e) => match e.downcast::<Error>() {
            Ok(error) => error,
            Err(e) => Error::io(doing, e),
        },
    }
}

/// An object that is being written; dropping it leaves nothing that could be taken for whole.
pub trait Upload: Write {
    /// Brings the bytes to stable storage and gives them their name, in one step.
    ///
    /// # Errors
    /// `Unreachable` if the place has no shelf.json any more; `Refused`, `Io`. With `Replace::No`, an `io::Error` of
    /// the kind `AlreadyExists` is the source if the name is taken.
    fn publish(self: Box<Self>, path: &str, replace: Replace) -> Result<()>;
}

/// The content of shelf.json. It never changes.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ShelfJson {
    /// Version of the shelf's format.
    pub format: u32,
    /// The vault's id.
    pub vault: String,
    /// The shelf's id.
    pub shelf: String,
}

impl ShelfJson {
    /// The one text it may have.
    pub fn text(&self) -> String {
        format!(
            "{{\n  \"format\": {},\n  \"vault\": {},\n  \"shelf\": {}\n}}\n",
            self.format,
            serde_json::Value::from(self.vault.as_str()),
            serde_json::Value::from(self.shelf.as_str())
        )
    }

    /// Reads the one of a shelf: `None` if there is none (the place is away).
    ///
    /// # Errors
    /// `Unreachable` or `Refused` if the place cannot be asked, `Damaged` if the file is there and cannot be read.
    pub fn read(shelf: &dyn Shelf) -> Result<Option<ShelfJson>> {
        let damaged =
            |why: String| Error::new(Kind::Damaged, format!("{SHELF_JSON} cannot be read: {why}"));
        match shelf.read_small(SHELF_JSON, 4096) {
            Ok(None) => Ok(None),
            Ok(Some(bytes)) => serde_json::from_slice(&bytes)
                .map(Some)
                .map_err(|e| damaged(e.to_string())),
            Err(e) if is_away(&e) => {
                let doing = format!("cannot look at {}", shelf.location());
                Err(reading_error(doing, e))
            }
            Err(e) => Err(damaged(e.to_string())),
        }
    }
}
