//! The end of a guest, by the owner's own hand: access ends, and what was held is moved aside, never removed.

use std::io;
use std::path::{Path, PathBuf};

use super::draft;
use super::folder::HostFolder;
use super::guests::Guest;
use crate::error::{Error, Kind, Next, Result};
use crate::model::ids::GuestName;
use crate::sys::clock;
use crate::sys::disk::{self, Privacy};

/// A guest that is none any more.
#[derive(Debug, Clone)]
pub struct Retired {
    /// Who it was.
    pub guest: GuestName,
    /// Where everything lies that was held for it.
    pub moved_to: PathBuf,
}

/// Ends a guest's access and moves what is held for it to `retired/`. Broken off, it is finished by the same command.
///
/// # Errors
/// `NotFound` if there is no such guest; `Io`.
pub fn retire(host: &HostFolder, name: &GuestName) -> Result<Retired> {
    let Some(mut guest) = Guest::load(host, name)? else {
        return Err(
            Error::new(Kind::NotFound, format!("there is no guest {name}"))
                .next(Next::run("see who there is", "host list")),
        );
    };
    // A serving host lets the guest in no more from here on.
    guest.retired = true;
    guest.save(host, name)?;
    let disk = host.world.disk.as_ref();
    let day = clock::day(host.world.now(), &host.world.zone);
    let retired = host.root.join("retired");
    let to = (1u32..)
        .map(|n| match n {
            1 => retired.join(format!("{name}-{day}")),
            n => retired.join(format!("{name}-{day}-{n}")),
        })
        .find(|path| !disk::exists(disk, path))
        .unwrap_or(retired);
    disk::create_durable_folders(disk, &to, Privacy::Owner)
        .map_err(|e| Error::io(format!("cannot create {}", to.display()), e))?;
    let guest_file = host.guests().join(format!("{name}.toml"));
    // What was still being sent is no object, also if it came while the folder moved.
    draft::clear(disk, &host.shelf(name));
    // The guest's file goes last: as long as it is there, the rest can be found by its name.
    for (from, as_name) in [
        (host.shelf(name), "shelf"),
        (host.seen(name), "seen.tsv"),
        (host.checks(name), "checks.tsv"),
        (host.checks_by_hand(name), "checks.by-hand.tsv"),
        (guest_file, "guest.toml"),
    ] {
        move_durably(disk, &from, &to.join(as_name))
            .map_err(|e| Error::io(format!("cannot move {}", from.display()), e))?;
        if as_name == "shelf" {
            draft::clear(disk, &to.join(as_name));
        }
    }
    Ok(Retired {
        guest: name.clone(),
        moved_to: to,
    })
}

fn move_durably(disk: &dyn disk::Disk, from: &Path, to: &Path) -> io::Result<()> {
    match disk.rename_new(from, to) {
        Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(()),
        moved => moved?,
    }
    for path in [to, from] {
        if let Some(folder) = path.parent() {
            disk.sync_folder(folder)?;
        }
    }
    Ok(())
}
