//! `create`: a new vault with its key.

use std::path::Path;

use crate::error::{Error, Kind, Next, Result};
use crate::model::place::Place;
use crate::ops::key;
use crate::shelf::cipher::Identity;
use crate::shelf::copying::Copying;
use crate::shelf::keyfile::{self, KeyFile};
use crate::sys::clock::rfc3339;
use crate::sys::disk::{self, Privacy, Replace};
use crate::sys::{World, entropy};
use crate::vault::{Vault, already, settings};

/// Makes a vault in `dir`. `farshelf.toml` comes last: until it is there, there is no vault, and `create` can be run
/// again. A key that an interrupted run left is used, never replaced.
///
/// # Errors
/// `AlreadyThere` if there is a vault, or if the folder holds other things; `Io`.
pub fn create(dir: &Path, place: Option<&Place>, world: &World) -> Result<Vault> {
    let disk = world.disk.as_ref();
    if disk::exists(disk, &dir.join(settings::FILE)) {
        return Err(already(dir));
    }
    let known = [
        "reels",
        "incoming",
        "keys",
        key::FILE,
        "copying.toml",
        "catalogue.sqlite",
        ".lock",
    ];
    if let Ok(names) = disk.list(dir) {
        let foreign = names.iter().find(|n| {
            let name = n.to_string_lossy();
            !known.iter().any(|k| name.starts_with(k)) && !name.starts_with(disk::DRAFT_PREFIX)
        });
        if let Some(name) = foreign {
            return Err(Error::new(
                Kind::AlreadyThere,
                format!(
                    "{} is not empty (it holds {}); nothing was changed",
                    dir.display(),
                    name.display()
                ),
            )
            .next(Next::say("name an empty or new folder with --vault DIR")));
        }
    }
    disk::create_durable_folders(disk, dir, Privacy::Owner)
        .map_err(|e| Error::io(format!("cannot create {}", dir.display()), e))?;
    let identity = key_of_new_vault(dir, world)?;
    Copying::of(&identity).write(disk, dir)?;
    let id = entropy::identifier(world.entropy.as_ref())?;
    let vault = Vault::create(dir, place, id, world.clone())?;
    disk.sync_folder(dir)
        .map_err(|e| Error::io(format!("cannot bring {} to the disk", dir.display()), e))?;
    // The settings are the first fact.
    vault.writer(std::time::Duration::from_secs(10))?.commit()?;
    Ok(vault)
}

fn key_of_new_vault(dir: &Path, world: &World) -> Result<Identity> {
    let disk = world.disk.as_ref();
    let path = dir.join(key::FILE);
    if disk::exists(disk, &path) {
        return match key::read(disk, dir)? {
            KeyFile::Open(identity) => Ok(identity),
            KeyFile::Locked(_) => Err(Error::new(
                Kind::AlreadyThere,
                format!(
                    "{} is there and locked; nothing was changed",
                    path.display()
                ),
            )
            .next(Next::say("name an empty folder with --vault DIR"))),
        };
    }
    let identity = Identity::generate();
    let text = keyfile::to_text(&identity, &rfc3339(world.now()));
    disk::publish(disk, &path, text.as_bytes(), Privacy::Owner, Replace::No)?;
    Ok(identity)
}
