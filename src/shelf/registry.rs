//! `shelves.toml`: how to reach the shelves. It alone decides where a shelf is, and it never leaves the computer.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use serde::{Deserialize, Serialize};

use super::Shelf;
use super::folder::Folder;
use crate::error::{Error, Kind, Next, Result};
use crate::sys::disk::{self, Disk, Privacy, Replace};

/// The file's name inside a vault.
pub const FILE: &str = "shelves.toml";
/// The kind of a shelf that is a folder.
pub const FOLDER: &str = "folder";

/// The content of `shelves.toml`: one table per shelf.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Registry(BTreeMap<String, Reach>);

/// How to reach one shelf.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Reach {
    /// `folder`, and later kinds.
    pub kind: String,
    /// Where it is: for a folder its absolute path.
    pub location: String,
    /// Settings of other kinds.
    #[serde(flatten)]
    pub more: toml::Table,
}

impl Reach {
    /// How to reach a folder.
    pub fn folder(location: &Path) -> Reach {
        Reach {
            kind: FOLDER.to_string(),
            location: location.to_string_lossy().into_owned(),
            more: toml::Table::new(),
        }
    }

    /// The shelf itself; whether it is there is not looked at.
    ///
    /// # Errors
    /// `NewerFormat` for a kind this program does not know.
    pub fn open(&self, disk: &Arc<dyn Disk>) -> Result<Box<dyn Shelf>> {
        match self.kind.as_str() {
            FOLDER => Ok(Box::new(Folder::new(
                Arc::clone(disk),
                PathBuf::from(&self.location),
            ))),
            kind => Err(Error::new(
                Kind::NewerFormat,
                format!(
                    "{FILE} names a shelf of the kind {kind:?}, which this farshelf does not know"
                ),
            )
            .next(Next::say("use the farshelf that added it"))),
        }
    }
}

impl Registry {
    /// Reads the one of the vault in `dir`; without a file it is empty.
    ///
    /// # Errors
    /// `BadInput` naming the line, `Io`.
    pub fn read(disk: &dyn Disk, dir: &Path) -> Result<Registry> {
        let path = dir.join(FILE);
        let text = match disk::read_text(disk, &path, 1 << 20) {
            Ok(text) => text,
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(Registry::default()),
            Err(e) => return Err(Error::io(format!("cannot read {}", path.display()), e)),
        };
        toml::from_str(&text).map(Registry).map_err(|e| {
            // The message without the text of the line: it may hold a secret.
            Error::new(
                Kind::BadInput,
                format!("cannot understand {}: {}", path.display(), e.message()),
            )
            .next(Next::say("put that file right; the copies are not touched"))
        })
    }

    /// Writes the one of the vault in `dir`, for its owner's eyes only.
    ///
    /// # Errors
    /// `Io`.
    pub fn write(&self, disk: &dyn Disk, dir: &Path) -> Result<()> {
        let body = toml::to_string(&self.0)
            .map_err(|e| Error::new(Kind::Bug, format!("{FILE} cannot be written")).because(e))?;
        let text = format!("# How to reach the shelves. Keep this file to yourself.\n{body}");
        disk::publish(
            disk,
            &dir.join(FILE),
            text.as_bytes(),
            Privacy::Owner,
            Replace::Yes,
        )
    }

    /// How to reach the shelf `name`.
    pub fn get(&self, name: &str) -> Option<&Reach> {
        self.0.get(name)
    }

    /// Enters or replaces a shelf.
    pub fn insert(&mut self, name: &str, reach: Reach) {
        self.0.insert(name.to_string(), reach);
    }

    /// Forgets how to reach a shelf.
    pub fn remove(&mut self, name: &str) {
        self.0.remove(name);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sys::disk::{RealDisk, is_open_to_others};

    #[test]
    fn it_reads_back_what_it_wrote_and_keeps_what_it_does_not_know() {
        let dir = tempfile::tempdir().unwrap();
        assert_eq!(
            Registry::read(&RealDisk, dir.path()).unwrap(),
            Registry::default()
        );
        let text = "[barn]\nkind = \"folder\"\nlocation = \"/mnt/barn\"\ncolour = \"red\"\n";
        std::fs::write(dir.path().join(FILE), text).unwrap();
        let mut registry = Registry::read(&RealDisk, dir.path()).unwrap();
        registry.insert("loft", Reach::folder(Path::new("/mnt/loft")));
        registry.write(&RealDisk, dir.path()).unwrap();
        let read = Registry::read(&RealDisk, dir.path()).unwrap();
        assert_eq!(read, registry);
        assert_eq!(
            read.get("barn").unwrap().more["colour"].as_str(),
            Some("red")
        );
        assert!(!is_open_to_others(&dir.path().join(FILE)));
    }

    #[test]
    fn a_file_that_does_not_read_never_shows_its_text() {
        let dir = tempfile::tempdir().unwrap();
        std::fs::write(dir.path().join(FILE), "[x]\nsecret = hunter2\n").unwrap();
        let error = Registry::read(&RealDisk, dir.path()).unwrap_err();
        assert_eq!(error.kind, Kind::BadInput);
        assert!(!error.fact().contains("hunter2"), "{}", error.fact());
    }
}
