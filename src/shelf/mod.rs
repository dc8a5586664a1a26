//! Copies far away: encryption, names and the places that hold them.

pub mod by_hand;
pub mod cipher;
pub mod copying;
pub mod folder;
pub mod keyfile;
pub mod name;
pub mod net;
pub mod plan;

pub mod registry;
pub mod sheet;
pub mod typed;

use std::fmt::Debug;
use std::io::{self, Read, Write};

use serde::{Deserialize, Serialize};

use crate::error::Result;
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
pub trait Shelf: Debug + Send + Sync {
    /// Where it is, as a person would say it; never a secret.
    fn location(&self) -> String;

    /// The regular objects of a folder, by name; an absent folder is empty. Links, drafts and folders are left out.
    ///
    /// # Errors
    /// `Unreachable` or `Io`.
    fn list(&self, part: Part) -> Result<Vec<Object>>;

    /// Reads an object as it lies on the medium: cached pages are dropped before.
    ///
    /// # Errors
    /// Of reading; `InvalidInput` if it is no regular object.
    fn read(&self, path: &str) -> io::Result<Box<dyn Read + Send>>;

    /// Reads a small object whole; `None` if there is none of that name.
    ///
    /// # Errors
    /// Of reading; `InvalidData` if it is longer than `limit` bytes.
    fn read_small(&self, path: &str, limit: u64) -> io::Result<Option<Vec<u8>>>;

    /// Begins an object whose name is given only when all its bytes are there.
    ///
    /// # Errors
    /// `Unreachable` if the place has no shelf.json (an unmounted disk); `Io`.
    fn begin(&self) -> Result<Box<dyn Upload + '_>>;

    /// Puts back the shelf.json; for repair, and only where the shelf is known to be ours.
    ///
    /// # Errors
    /// `Io`.
    fn restore_shelf_json(&self, text: &[u8]) -> Result<()>;

    /// The file system it lies on, where that means something.
    fn file_system(&self) -> Option<u64>;
}

/// An object that is being written; dropping it leaves nothing that could be taken for whole.
pub trait Upload: Write {
    /// Brings the bytes to stable storage and gives them their name, in one step.
    ///
    /// # Errors
    /// `Unreachable` if the place has no shelf.json any more; `Io`.
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

    /// Reads the one of a shelf: `None` if there is none (the place is away), an error text if it cannot be read.
    pub fn read(shelf: &dyn Shelf) -> std::result::Result<Option<ShelfJson>, String> {
        match shelf.read_small(SHELF_JSON, 4096) {
            Ok(None) => Ok(None),
            Ok(Some(bytes)) => serde_json::from_slice(&bytes)
                .map(Some)
                .map_err(|e| format!("{SHELF_JSON} cannot be read: {e}")),
            Err(e) => Err(format!("{SHELF_JSON} cannot be read: {e}")),
        }
    }
}
