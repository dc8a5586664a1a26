//! `farshelf.toml`: what a vault is and what is asked of it. A person may edit it.

use std::path::Path;

use serde::{Deserialize, Serialize};

use crate::error::{Error, Kind, Next, Result};
use crate::model::place::Place;
use crate::sys::disk::{self, Disk, Privacy, Replace};
use crate::vault::ledger;

/// The file's name inside a vault.
pub const FILE: &str = "farshelf.toml";
/// The vault format that this program writes.
pub const FORMAT: u32 = 1;

/// The content of `farshelf.toml`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Settings {
    /// Version of the vault's formats.
    pub format: u32,
    /// The vault's id, 32 hex characters, for ever.
    pub vault: String,
    /// Where the vault stands. Without one, no shelf counts as being elsewhere.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub place: Option<String>,
    /// What is asked for.
    #[serde(default)]
    pub asked: Asked,
}

/// What is asked for, for the whole vault.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Asked {
    /// Copies of every device, counting the vault's own.
    pub copies: u32,
    /// Of those, in another place.
    pub offsite: u32,
    /// A dump of every expected section every so many days.
    pub dump_every_days: u32,
    /// Every copy verified within so many days.
    pub verified_within_days: u32,
}

impl Default for Asked {
    fn default() -> Asked {
        // Three copies, one of them elsewhere: the trade's rule of thumb.
        Asked {
            copies: 3,
            offsite: 1,
            dump_every_days: 90,
            verified_within_days: 35,
        }
    }
}

impl Settings {
    /// The settings of a new vault.
    pub fn new(vault: String, place: Option<&Place>) -> Settings {
        Settings {
            format: FORMAT,
            vault,
            place: place.map(|p| p.as_str().to_string()),
            asked: Asked::default(),
        }
    }

    /// Reads the settings of the vault in `dir`.
    ///
    /// # Errors
    /// `NotFound` if there is no vault; `NewerFormat`; `BadInput` naming the line if the file cannot be read.
    pub fn read(disk: &dyn Disk, dir: &Path) -> Result<Settings> {
        let path = dir.join(FILE);
        let text = disk::read_text(disk, &path, 1 << 20).map_err(|e| match e.kind() {
            std::io::ErrorKind::NotFound | std::io::ErrorKind::NotADirectory => Error::new(
                Kind::NotFound,
                format!("there is no vault in {}", dir.display()),
            )
            .next(Next::run(
                "make one, or name another with --vault DIR",
                "create --place \"studio\"",
            )),
            _ => Error::io(format!("cannot read {}", path.display()), e),
        })?;
        #[derive(Deserialize)]
        struct Version {
            format: u32,
        }
        let bad = |e: toml::de::Error| {
            let before = e.span().and_then(|at| text.get(..at.start));
            let place = before.map_or(String::new(), |before| {
                let number = before.matches('\n').count();
                let line = text.lines().nth(number).unwrap_or_default().trim();
                format!("line {}, {line}: ", number + 1)
            });
            Error::new(
                Kind::BadInput,
                format!(
                    "cannot understand {}: {place}{}",
                    path.display(),
                    e.message()
                ),
            )
            .next(Next::say(
                "put that line right; the kept dumps are not touched",
            ))
        };
        let version: Version = toml::from_str(&text).map_err(bad)?;
        if version.format > FORMAT {
            return Err(Error::new(
                Kind::NewerFormat,
                format!(
                    "this vault was made by a newer farshelf (format {}, this program knows {FORMAT}); nothing was changed",
                    version.format
                ),
            )
            .next(Next::say("use the newer farshelf here")));
        }
        let settings: Settings = toml::from_str(&text).map_err(bad)?;
        settings.place()?;
        Ok(settings)
    }

    /// Where the vault stands.
    ///
    /// # Errors
    /// `BadInput` if the text is no place.
    pub fn place(&self) -> Result<Option<Place>> {
        self.place
            .as_deref()
            .map(|text| {
                text.parse().map_err(|e| {
                    Error::new(
                        Kind::BadInput,
                        format!("the place in {FILE} cannot be used"),
                    )
                    .because(e)
                    .next(Next::say(
                        "write a few words there, such as place = \"studio\", or take the line out",
                    ))
                })
            })
            .transpose()
    }

    /// Writes the settings of the vault in `dir`; the file appears whole.
    ///
    /// # Errors
    /// `Io`.
    pub fn write(&self, disk: &dyn Disk, dir: &Path, replace: Replace) -> Result<()> {
        let body = toml::to_string(self)
            .map_err(|e| Error::new(Kind::Bug, "the settings cannot be written").because(e))?;
        let text = format!(
            "# A farshelf vault. You may edit this file; what it says is read at every command.\n{body}"
        );
        disk::publish(
            disk,
            &dir.join(FILE),
            text.as_bytes(),
            Privacy::Shared,
            replace,
        )
    }

    /// The settings of the vault `vault` as its ledger last told them.
    pub fn from_ledger(vault: String, told: &ledger::Settings) -> Settings {
        Settings {
            format: FORMAT,
            vault,
            place: told.place.clone(),
            asked: Asked {
                copies: told.copies,
                offsite: told.offsite,
                dump_every_days: told.dump_every_days,
                verified_within_days: told.verified_within_days,
            },
        }
    }

    /// The same as a ledger event.
    pub fn to_ledger(&self) -> ledger::Settings {
        ledger::Settings {
            place: self.place.clone(),
            copies: self.asked.copies,
            offsite: self.asked.offsite,
            dump_every_days: self.asked.dump_every_days,
            verified_within_days: self.asked.verified_within_days,
            more: Default::default(),
        }
    }
}
