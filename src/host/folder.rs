//! A host's folder: where its things lie, what `host.toml` says, and how a new one is made.

use std::io;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::time::Duration;

use serde::{Deserialize, Serialize};

use super::certificate;
use crate::error::{Error, Kind, Next, Result};
use crate::lending::{Address, CertificatePrint, HostId};
use crate::model::ids::GuestName;
use crate::sys::disk::{self, Privacy, Replace};
use crate::sys::lock::{self, WriterLock};
use crate::sys::{World, entropy};

const FORMAT: u32 = 1;
const SETTINGS: &str = "host.toml";
const LIMIT: u64 = 1 << 20;

/// A host's folder, with what its settings say.
#[derive(Debug, Clone)]
pub struct HostFolder {
    /// The outside world.
    pub world: World,
    /// Where it lies.
    pub root: PathBuf,
    /// The host's id.
    pub id: HostId,
    /// Where guests find it.
    pub address: Address,
    /// The address it listens on.
    pub listen: SocketAddr,
    /// The SHA-256 of its certificate.
    pub print: CertificatePrint,
}

/// What a new host is made with.
#[derive(Debug, Clone, Default)]
pub struct InitOptions {
    /// Where guests will find it: `name`, `name:port`, `[ipv6]:port`; without one, the computer's name.
    pub address: Option<String>,
}

#[derive(Debug, Serialize, Deserialize)]
struct Settings {
    format: u32,
    host: String,
    address: String,
    listen: String,
}

impl HostFolder {
    /// Makes a host in `root`, a new or empty folder, and remembers it on this computer for later commands.
    ///
    /// # Errors
    /// `AlreadyThere` if the folder holds something; `BadInput` for an address that is none; `Io`.
    pub fn init(world: &World, root: &Path, options: &InitOptions) -> Result<HostFolder> {
        let disk = world.disk.as_ref();
        match disk.list(root) {
            Ok(names) if names.iter().any(|n| n == SETTINGS) => {
                return Err(Error::new(
                    Kind::AlreadyThere,
                    format!("{} is a host already; nothing was changed", root.display()),
                )
                .next(Next::run("let a friend in", "host invite NAME")));
            }
            Ok(names) if !names.is_empty() => {
                return Err(Error::new(
                    Kind::AlreadyThere,
                    format!("{} is not empty; nothing was changed", root.display()),
                )
                .next(Next::say("name a new or empty folder")));
            }
            Ok(_) => {}
            Err(e) if e.kind() == io::ErrorKind::NotFound => {}
            Err(e) => return Err(Error::io(format!("cannot list {}", root.display()), e)),
        }
        let text = options.address.as_deref().unwrap_or(&world.computer);
        let address = parse_address(text)?;
        let id = entropy::identifier(world.entropy.as_ref())?;
        let made = certificate::make(&address.name)?;
        let make = |folder: PathBuf, privacy| {
            disk::create_durable_folders(disk, &folder, privacy)
                .map_err(|e| Error::io(format!("cannot create {}", folder.display()), e))
        };
        make(root.to_path_buf(), Privacy::Owner)?;
        for name in ["tls", "guests", "shelves", "seen", "checks"] {
            make(root.join(name), Privacy::Owner)?;
        }
        let write = |path: PathBuf, text: &str, privacy| {
            disk::publish(disk, &path, text.as_bytes(), privacy, Replace::No)
        };
        let tls = root.join("tls");
        write(tls.join("key.pem"), &made.key, Privacy::Owner)?;
        write(
            tls.join("certificate.pem"),
            &made.certificate,
            Privacy::Shared,
        )?;
        let settings = Settings {
            format: FORMAT,
            host: id,
            address: address.authority(),
            listen: format!("0.0.0.0:{}", address.port),
        };
        // The settings come last: a half-made folder is no host.
        write(root.join(SETTINGS), &as_toml(&settings)?, Privacy::Shared)?;
        let host = HostFolder::open(world, root)?;
        host.remember();
        Ok(host)
    }

    /// Opens the host in `root`.
    ///
    /// # Errors
    /// `NotFound` if there is none; `NewerFormat`; `Damaged` if its settings or certificate cannot be read.
    pub fn open(world: &World, root: &Path) -> Result<HostFolder> {
        let path = root.join(SETTINGS);
        let text =
            disk::read_text(world.disk.as_ref(), &path, LIMIT).map_err(|e| match e.kind() {
                io::ErrorKind::NotFound | io::ErrorKind::NotADirectory => Error::new(
                    Kind::NotFound,
                    format!("{} is no host: it holds no {SETTINGS}", root.display()),
                )
                .next(Next::run("make one", "host init FOLDER")),
                _ => Error::io(format!("cannot read {}", path.display()), e),
            })?;
        let damaged = |what: String| {
            Error::new(Kind::Damaged, format!("{}: {what}", path.display()))
                .next(Next::say("correct the file by hand; nothing was changed"))
        };
        let settings: Settings =
            toml::from_str(&text).map_err(|e| damaged(e.message().to_string()))?;
        if settings.format > FORMAT {
            return Err(Error::new(
                Kind::NewerFormat,
                format!(
                    "{} was made by a newer farshelf (format {}, this program reads up to {FORMAT}); nothing was changed",
                    root.display(),
                    settings.format
                ),
            )
            .next(Next::say("install a newer farshelf on this computer")));
        }
        let certificate = root.join("tls/certificate.pem");
        let pem = disk::read_all(world.disk.as_ref(), &certificate, LIMIT)
            .map_err(|e| Error::io(format!("cannot read {}", certificate.display()), e))?;
        Ok(HostFolder {
            world: world.clone(),
            root: root.to_path_buf(),
            id: settings
                .host
                .parse()
                .map_err(|_| damaged("the host's id is not as it was written".into()))?,
            address: Address::from_authority(&settings.address, true)
                .map_err(|e| damaged(format!("address: {e}")))?,
            listen: settings.listen.parse().map_err(|_| {
                damaged("listen is no address such as 0.0.0.0:7625 or [::]:7625".into())
            })?,
            print: certificate::print(&pem)?,
        })
    }

    /// Holds the folder for this process: two at once would not know of each other's uploads.
    ///
    /// # Errors
    /// `Busy` when another process holds it for longer than `wait`.
    pub fn lock(&self, wait: Duration) -> Result<WriterLock> {
        lock::acquire(
            &self.root.join("host.lock"),
            wait,
            self.world.clock.as_ref(),
        )
        .map_err(|e| match e.kind {
            Kind::Busy => Error::new(
                Kind::Busy,
                format!(
                    "the host in {} is in use by another farshelf; nothing was changed",
                    self.root.display()
                ),
            )
            .next(Next::say(
                "stop the farshelf host serve that runs there, then run the same command again",
            )),
            _ => e,
        })
    }

    /// Certificate and key, as PEM.
    ///
    /// # Errors
    /// `Io`.
    pub(super) fn tls(&self) -> Result<(Vec<u8>, Vec<u8>)> {
        let read = |name: &str| {
            let path = self.root.join("tls").join(name);
            disk::read_all(self.world.disk.as_ref(), &path, LIMIT)
                .map_err(|e| Error::io(format!("cannot read {}", path.display()), e))
        };
        Ok((read("certificate.pem")?, read("key.pem")?))
    }

    /// Where the records of the guests lie.
    pub(super) fn guests(&self) -> PathBuf {
        self.root.join("guests")
    }

    /// The folder of a guest's shelf.
    pub(super) fn shelf(&self, guest: &GuestName) -> PathBuf {
        self.root.join("shelves").join(guest.as_str())
    }

    /// The record of what came from a guest.
    pub(super) fn seen(&self, guest: &GuestName) -> PathBuf {
        self.root.join("seen").join(format!("{guest}.tsv"))
    }

    /// What reading a guest's objects again found.
    pub(super) fn checks(&self, guest: &GuestName) -> PathBuf {
        self.root.join("checks").join(format!("{guest}.tsv"))
    }

    /// The same, written by a check by hand while the host served.
    pub(super) fn checks_by_hand(&self, guest: &GuestName) -> PathBuf {
        self.root
            .join("checks")
            .join(format!("{guest}.by-hand.tsv"))
    }

    fn remember(&self) {
        let Some(state) = &self.world.state_dir else {
            return;
        };
        let disk = self.world.disk.as_ref();
        let root = disk.canonical(&self.root).unwrap_or(self.root.clone());
        // Only a convenience: without it, commands ask for --folder.
        let _ = disk
            .create_folders(state, Privacy::Owner)
            .map_err(|e| Error::io("cannot remember the host", e))
            .and_then(|()| {
                let text = format!("{}\n", root.display());
                let path = state.join(REMEMBERED);
                disk::publish(disk, &path, text.as_bytes(), Privacy::Shared, Replace::Yes)
            });
    }
}

const REMEMBERED: &str = "host";

/// The folder of the host that was last made on this computer, if it is remembered.
pub fn remembered(world: &World) -> Option<PathBuf> {
    let path = world.state_dir.as_ref()?.join(REMEMBERED);
    let text = disk::read_text(world.disk.as_ref(), &path, LIMIT).ok()?;
    Some(PathBuf::from(text.trim_end_matches('\n')))
}

/// Reads the address that a person gave.
///
/// # Errors
/// `BadInput`.
pub(super) fn parse_address(text: &str) -> Result<Address> {
    Address::from_authority(text, true).map_err(|e| {
        Error::new(Kind::BadInput, format!("{text:?} is no address: {e}")).next(Next::say(
            "name it as others reach this computer, such as --address lena.example:7625",
        ))
    })
}

/// A value as TOML.
///
/// # Errors
/// `Bug` if it has no such form.
pub(super) fn as_toml(value: &impl Serialize) -> Result<String> {
    toml::to_string(value)
        .map_err(|e| Error::new(Kind::Bug, "settings have no TOML form").because(e))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::host::house::tests::world;

    #[test]
    fn a_host_is_made_once_and_found_again() {
        let dir = tempfile::tempdir().unwrap();
        let world = world(dir.path());
        let root = dir.path().join("host");
        let options = InitOptions {
            address: Some("lena.example".into()),
        };
        let made = HostFolder::init(&world, &root, &options).unwrap();
        assert_eq!(made.address.authority(), "lena.example:7625");
        let again = HostFolder::open(&world, &root).unwrap();
        assert_eq!((again.id, again.print), (made.id, made.print));
        assert_eq!(remembered(&world), Some(root.canonicalize().unwrap()));
        let twice = HostFolder::init(&world, &root, &options).unwrap_err();
        assert_eq!(twice.kind, Kind::AlreadyThere);
        assert!(disk::is_open_to_others(&root.join("tls/certificate.pem")));
        assert!(!disk::is_open_to_others(&root.join("tls/key.pem")));
    }

    #[test]
    fn a_newer_host_is_refused_and_left_alone() {
        let dir = tempfile::tempdir().unwrap();
        let world = world(dir.path());
        let root = dir.path().join("host");
        HostFolder::init(&world, &root, &InitOptions::default()).unwrap();
        let path = root.join(SETTINGS);
        let text = std::fs::read_to_string(&path).unwrap();
        std::fs::write(&path, text.replace("format = 1", "format = 2")).unwrap();
        let error = HostFolder::open(&world, &root).unwrap_err();
        assert_eq!(error.kind, Kind::NewerFormat);
        let none = HostFolder::open(&world, dir.path()).unwrap_err();
        assert_eq!(none.kind, Kind::NotFound);
    }
}
