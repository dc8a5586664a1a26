//! `copying.toml`: what mirroring and checking need without the identity, so that both work unattended.

use std::path::Path;

use serde::{Deserialize, Serialize};

use super::cipher::{Identity, Recipient};
use super::name::NameKey;
use crate::error::{Error, Kind, Next, Result};
use crate::sys::disk::{self, Disk, Privacy, Replace};

/// The file's name inside a vault.
pub const FILE: &str = "copying.toml";

/// To whom copies are sealed, and the key of their names.
#[derive(Debug)]
pub struct Copying {
    /// Copies are sealed to this.
    pub recipient: Recipient,
    /// Names and seals of copies are made with this.
    pub name_key: NameKey,
}

#[derive(Serialize, Deserialize)]
struct OnDisk {
    recipient: String,
    name_key: String,
}

impl Copying {
    /// What `identity` gives for copying.
    pub fn of(identity: &Identity) -> Copying {
        Copying {
            recipient: identity.recipient(),
            name_key: identity.name_key(),
        }
    }

    /// Reads the one of the vault in `dir`.
    ///
    /// # Errors
    /// `NotFound` or `BadInput` naming the file.
    pub fn read(disk: &dyn Disk, dir: &Path) -> Result<Copying> {
        let path = dir.join(FILE);
        let again = || {
            Next::run(
                "it is made again from the key; the copies are not touched",
                "key sheet",
            )
        };
        let bad = |what: &str| {
            Error::new(
                Kind::BadInput,
                format!("cannot use {}: {what}", path.display()),
            )
            .next(again())
        };
        let text = disk::read_text(disk, &path, 1 << 16)
            .map_err(|e| Error::io(format!("cannot read {}", path.display()), e).next(again()))?;
        // The message without the text of the line: it may hold the key of the names.
        let parsed: OnDisk = toml::from_str(&text).map_err(|e| bad(e.message()))?;
        Ok(Copying {
            recipient: parsed
                .recipient
                .parse()
                .map_err(|_| bad("the recipient is none"))?,
            name_key: NameKey::from_hex(&parsed.name_key)
                .map_err(|_| bad("the name key is none"))?,
        })
    }

    /// Writes the one of the vault in `dir`, for its owner's eyes only.
    ///
    /// # Errors
    /// `Io`.
    pub fn write(&self, disk: &dyn Disk, dir: &Path) -> Result<()> {
        let on_disk = OnDisk {
            recipient: self.recipient.to_string(),
            name_key: self.name_key.to_hex().to_string(),
        };
        let body = toml::to_string(&on_disk)
            .map_err(|e| Error::new(Kind::Bug, "copying.toml cannot be written").because(e))?;
        let text = format!(
            "# What copying to shelves needs; whoever has it can name copies but not read them.\n{body}"
        );
        disk::publish(
            disk,
            &dir.join(FILE),
            text.as_bytes(),
            Privacy::Owner,
            Replace::Yes,
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sys::disk::RealDisk;

    #[test]
    fn one_that_does_not_read_is_told_in_one_line_with_the_way_to_a_new_one() {
        let dir = tempfile::tempdir().unwrap();
        let check = |kind: Kind| {
            let e = Copying::read(&RealDisk, dir.path()).unwrap_err();
            assert_eq!(e.kind, kind);
            assert!(!e.fact().contains('\n'), "{}", e.fact());
            assert!(!e.fact().contains("s3cret"), "{}", e.fact());
            assert!(e.next_step().text().unwrap().contains("key"));
        };
        check(Kind::NotFound);
        std::fs::write(dir.path().join(FILE), "name_key = s3cret [").unwrap();
        check(Kind::BadInput);
    }
}
