//! `shelves.toml`: how to reach the shelves. It alone decides where a shelf is, and it never leaves the computer.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use serde::{Deserialize, Serialize};

use super::bucket::{Bucket, BucketAt};
use super::folder::Folder;
use super::location::Location;
use super::secret::SecretSource;
use super::share::Share;
use super::{Shelf, net};
use crate::error::{Error, Kind, Next, Result};
use crate::lending;
use crate::sys::World;
use crate::sys::disk::{self, Disk, Privacy, Replace};

/// The file's name inside a vault.
pub const FILE: &str = "shelves.toml";
/// The kind of a shelf that is a folder.
pub const FOLDER: &str = "folder";
/// The kind of a shelf that is an S3-compatible bucket.
pub const BUCKET: &str = "bucket";
/// The kind of a shelf that is a WebDAV share.
pub const SHARE: &str = "share";
/// The kind of a shelf that is lent by a friend's machine.
pub const HOST: &str = "host";
/// The region that requests are signed for where none is named.
const REGION: &str = "us-east-1";

/// The content of `shelves.toml`: one table per shelf.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Registry(BTreeMap<String, Reach>);

/// How to reach one shelf.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Reach {
    /// [`FOLDER`], [`BUCKET`], [`SHARE`] or [`HOST`].
    pub kind: String,
    /// Where it is: an absolute path, or the text of a [`Location`].
    pub location: String,
    /// The user of a share; the access key's id of a bucket or host.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub user: Option<String>,
    /// The region that requests to a bucket are signed for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub region: Option<String>,
    /// A file of certificates, in PEM, that are trusted beside the system's.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ca_file: Option<String>,
    /// The SHA-256 of a host's certificate, hex.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub print: Option<String>,
    /// A host's id.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub host: Option<String>,
    /// The generation of the secret at a host.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub generation: Option<u32>,
    /// True if a share may have its password in clear: without TLS others on the way can read it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub in_clear: Option<bool>,
    /// Bytes a second in each direction, such as `2MB/s`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub limit: Option<String>,
    /// Objects sent side by side, 2 to 8.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub side_by_side: Option<usize>,
    /// Seconds without a byte after which a transfer counts as stalled.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stall_seconds: Option<u64>,
    /// Attempts at each request.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tries: Option<u32>,
    /// The password or secret key.
    #[serde(flatten)]
    pub secret: SecretSource,
    /// What other programs of ours may have entered.
    #[serde(flatten)]
    pub more: toml::Table,
}

/// Objects sent side by side to a distant shelf unless told otherwise: one alone leaves the line idle while it is read
/// back.
const SIDE_BY_SIDE: usize = 4;

impl Reach {
    /// How to reach a folder.
    pub fn folder(location: &Path) -> Reach {
        Reach {
            kind: FOLDER.to_string(),
            location: location.to_string_lossy().into_owned(),
            ..Reach::default()
        }
    }

    /// True if looking there costs no network.
    pub fn is_near(&self) -> bool {
        self.kind == FOLDER
    }

    /// The shelf itself; whether it is there is not looked at. Fetches the secret where one is needed.
    ///
    /// # Errors
    /// `NewerFormat` for a kind this program does not know; `BadInput` for settings that make no sense; of fetching
    /// the secret.
    pub fn open(&self, world: &World) -> Result<Box<dyn Shelf>> {
        let bad = |what: &str| {
            Error::new(
                Kind::BadInput,
                format!("{FILE}: {what} of {} makes no sense", self.location),
            )
            .next(Next::say(
                "add the shelf again under its name; the copies are not touched",
            ))
        };
        let side_by_side = self.side_by_side.unwrap_or(SIDE_BY_SIDE);
        if self.kind == FOLDER {
            let path = PathBuf::from(&self.location);
            return Ok(Box::new(Folder::new(Arc::clone(&world.disk), path)));
        }
        if ![BUCKET, SHARE, HOST].contains(&self.kind.as_str()) {
            return Err(Error::new(
                Kind::NewerFormat,
                format!(
                    "{FILE} names a shelf of the kind {:?}, which this farshelf does not know",
                    self.kind
                ),
            )
            .next(Next::say("use the farshelf that added it")));
        }
        let settings = self.settings(world)?;
        match self.location.parse::<Location>() {
            Ok(Location::Bucket(at)) if self.kind == BUCKET => {
                let access = self.user.clone().ok_or_else(|| bad("the access key"))?;
                let at = BucketAt {
                    endpoint: at.endpoint,
                    bucket: at.bucket,
                    prefix: at.prefix,
                    region: self.region.clone().unwrap_or_else(|| REGION.to_string()),
                    access,
                    secret: self.secret.fetch(world)?,
                    shown: self.location.clone(),
                    reports: false,
                };
                Ok(Box::new(Bucket::new(world, at, &settings, side_by_side)?))
            }
            Ok(Location::Host(address)) if self.kind == HOST => {
                let access = self.user.clone().ok_or_else(|| bad("the access id"))?;
                let at = BucketAt {
                    endpoint: address.url(),
                    bucket: lending::BUCKET.to_string(),
                    prefix: String::new(),
                    region: lending::REGION.to_string(),
                    access,
                    secret: self.secret.fetch(world)?,
                    shown: self.location.clone(),
                    reports: true,
                };
                Ok(Box::new(Bucket::new(world, at, &settings, side_by_side)?))
            }
            Ok(Location::Share(url)) if self.kind == SHARE => {
                let secret = match self.secret.is_none() {
                    true => None,
                    false => Some(self.secret.fetch(world)?),
                };
                let user = self.user.as_deref();
                let share = Share::new(
                    world,
                    &url,
                    &self.location,
                    user,
                    secret,
                    &settings,
                    side_by_side,
                )?;
                Ok(Box::new(match self.in_clear {
                    Some(true) => share.even_in_clear(),
                    _ => share,
                }))
            }
            _ => Err(bad("the location")),
        }
    }

    /// How the server is reached.
    ///
    /// # Errors
    /// `BadInput` for a limit or print that makes no sense; `Io` of the file of certificates.
    pub fn settings(&self, world: &World) -> Result<net::Settings> {
        let bad = |what: &str| {
            Error::new(
                Kind::BadInput,
                format!("{FILE}: {what} of {} makes no sense", self.location),
            )
            .next(Next::say(
                "add the shelf again under its name; the copies are not touched",
            ))
        };
        let authority = match &self.ca_file {
            None => None,
            Some(path) => Some(
                disk::read_all(world.disk.as_ref(), Path::new(path), 1 << 20)
                    .map_err(|e| Error::io(format!("cannot read the certificates in {path}"), e))?,
            ),
        };
        let mut patience = net::Patience::default();
        if let Some(seconds) = self.stall_seconds {
            patience.stall = Duration::from_secs(seconds.clamp(1, 3600));
            patience.connect = patience.connect.min(patience.stall);
        }
        if let Some(tries) = self.tries {
            patience.tries = tries.clamp(1, 100);
        }
        Ok(net::Settings {
            authority,
            print: match &self.print {
                Some(print) => Some(print.parse().map_err(|_| bad("the certificate's print"))?),
                None => None,
            },
            limit: match &self.limit {
                Some(limit) => Some(limit.parse().map_err(|_| bad("the limit"))?),
                None => None,
            },
            patience,
        })
    }
}

impl Registry {
    /// Reads the one of the vault in `dir`; without a file it is empty.
    ///
    /// # Errors
    /// `BadInput` naming the line, `Io`.
    pub fn read(disk: &dyn Disk, dir: &Path) -> Result<Registry> {
        let path = dir.join(FILE);
        match Registry::read_file(disk, &path) {
            Err(e) if e.kind == Kind::NotFound => Ok(Registry::default()),
            read => read,
        }
    }

    /// Reads a file of this kind, wherever it lies.
    ///
    /// # Errors
    /// `NotFound`; `BadInput` naming the line; `Io`.
    pub fn read_file(disk: &dyn Disk, path: &Path) -> Result<Registry> {
        let text = disk::read_text(disk, path, 1 << 20)
            .map_err(|e| Error::io(format!("cannot read {}", path.display()), e))?;
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

    /// The shelves named, by name.
    pub fn iter(&self) -> impl Iterator<Item = (&str, &Reach)> {
        self.0.iter().map(|(name, reach)| (name.as_str(), reach))
    }

    /// Sets one limit for all distant shelves, in memory only.
    pub fn limit_all(&mut self, limit: net::Rate) {
        for reach in self.0.values_mut().filter(|r| !r.is_near()) {
            reach.limit = Some(limit.to_string());
        }
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
