//! A first copy that was carried over on a disk: a folder shelf becomes what the host holds for a guest.

use std::io;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use sha2::{Digest, Sha256};

use super::checks::Verdict;
use super::digest::Hashes;
use super::draft::{self, Draft};
use super::folder::HostFolder;
use super::guests::{Guest, make_shelf, make_uninvited};
use super::holding::{Arrival, Holding, Refusal};
use super::key;
use crate::error::{Error, Kind, Next, Result};
use crate::model::ids::GuestName;
use crate::sys::disk::{Disk, FileKind};
use crate::sys::text::size;

/// What was taken over.
#[derive(Debug, Clone)]
pub struct Adopted {
    /// The guest.
    pub guest: GuestName,
    /// True if the guest was made for it.
    pub new_guest: bool,
    /// True if nobody took up an invite of this guest yet.
    pub needs_invite: bool,
    /// Objects copied.
    pub copied: u64,
    /// Objects that were there already, with the same bytes.
    pub unchanged: u64,
    /// Bytes copied.
    pub bytes: u64,
}

/// Copies the folder shelf in `from` to the shelf of a guest, reads every copy back, and leaves `from` as it is.
/// `seen` is called with the bytes of each object.
///
/// # Errors
/// `BadInput` if `from` is no shelf or holds something else too; `Refused` if the guest's shelf is another one;
/// `Busy` while the host is being served; `Io`; `Damaged` if a copy does not read back as it was written.
pub fn adopt(
    host: &HostFolder,
    from: &Path,
    name: Option<&GuestName>,
    mut seen: impl FnMut(u64),
) -> Result<Adopted> {
    let disk = host.world.disk.as_ref();
    let keys = look_at(disk, from)?;
    let name = match name {
        Some(name) => name.clone(),
        None => name_for(disk, from)?,
    };
    let _lock = host.lock(Duration::ZERO)?;
    let guest = Guest::load(host, &name)?;
    if guest.as_ref().is_some_and(|g| g.retired) {
        return Err(
            Error::new(Kind::Refused, format!("{name} is on the way out"))
                .next(Next::say("name another guest with --as NAME")),
        );
    }
    match &guest {
        Some(_) => make_shelf(host, &name)?,
        None => make_uninvited(host, &name)?,
    }
    draft::clear(disk, &host.shelf(&name));
    let holding = Arc::new(Holding::open(host, &name)?);
    let mut adopted = Adopted {
        new_guest: guest.is_none(),
        needs_invite: guest.is_none_or(|g| g.access.is_none()),
        guest: name,
        copied: 0,
        unchanged: 0,
        bytes: 0,
    };
    for key in keys {
        let (bytes, arrival) = take_over(&holding, &key::path(from, &key), &key)?;
        if arrival == Arrival::Same {
            adopted.unchanged += 1;
        } else {
            adopted.copied += 1;
            adopted.bytes += bytes;
        }
        seen(bytes);
    }
    Ok(adopted)
}

/// What systems leave in folders: neither object nor foreign.
fn is_noise(name: &str) -> bool {
    name.starts_with('.')
        || matches!(
            name,
            "lost+found"
                | "System Volume Information"
                | "$RECYCLE.BIN"
                | "Thumbs.db"
                | "desktop.ini"
        )
}

/// The keys of the objects in a folder shelf, shelf.json first: a copy that is cut off is then known as a shelf.
fn look_at(disk: &dyn Disk, from: &Path) -> Result<Vec<String>> {
    let list = |path: &Path| {
        disk.list(path)
            .map_err(|e| Error::io(format!("cannot list {}", path.display()), e))
    };
    let mut keys = Vec::new();
    let mut foreign = Vec::new();
    for name in list(from)? {
        let name = name.to_string_lossy().into_owned();
        if is_noise(&name) {
            continue;
        }
        let kind = disk.meta(&from.join(&name)).map(|m| m.kind);
        match kind {
            Ok(FileKind::File) if key::TOP.contains(&name.as_str()) => keys.push(name),
            Ok(FileKind::Folder) if key::PARTS.contains(&name.as_str()) => {
                for inner in list(&from.join(&name))? {
                    let inner = inner.to_string_lossy().into_owned();
                    let key = format!("{name}/{inner}");
                    let file = disk.meta(&key::path(from, &key));
                    let is_file = file.is_ok_and(|m| m.kind == FileKind::File);
                    match key::valid(&key) && is_file {
                        true => keys.push(key),
                        false if is_noise(&inner) => {}
                        false => foreign.push(key),
                    }
                }
            }
            _ => foreign.push(name),
        }
    }
    let whole = keys.iter().position(|k| k == "shelf.json");
    let Some(at) = whole else {
        return Err(Error::new(
            Kind::BadInput,
            format!(
                "{} is no shelf: it holds no shelf.json; nothing was changed",
                from.display()
            ),
        )
        .next(Next::say(
            "name the folder that was given to farshelf shelf add",
        )));
    };
    if let Some(first) = foreign.first() {
        return Err(Error::new(
            Kind::BadInput,
            format!(
                "{} holds what is no part of a shelf: {first:?}{}; nothing was changed",
                from.display(),
                if foreign.len() > 1 { ", and more" } else { "" }
            ),
        )
        .next(Next::say(
            "move that elsewhere, then run the same command again",
        )));
    }
    keys.swap(0, at);
    Ok(keys)
}

fn name_for(disk: &dyn Disk, from: &Path) -> Result<GuestName> {
    let whole = disk.canonical(from).unwrap_or(from.to_path_buf());
    let text = whole.file_name().unwrap_or_default().to_string_lossy();
    GuestName::fold(&text).ok_or_else(|| {
        Error::new(
            Kind::BadInput,
            format!("the folder's name {text:?} makes no name for a guest; nothing was changed"),
        )
        .next(Next::say("name the guest with --as NAME"))
    })
}

fn take_over(holding: &Arc<Holding>, from: &Path, key: &str) -> Result<(u64, Arrival)> {
    let disk = holding.shared_disk();
    let cannot = |e: io::Error| Error::io(format!("cannot copy {}", from.display()), e);
    let refused = |refusal: Refusal| {
        match refusal {
        Refusal::Io(e) => cannot(e),
        Refusal::DiskNearlyFull | Refusal::Quota(..) => Error::new(
            Kind::Refused,
            format!("the host's disk has no room for {}", from.display()),
        )
        .next(Next::say(
            "make room there and run the same command again; what was copied stays",
        )),
        Refusal::TooMany(limit) => Error::new(
            Kind::Refused,
            format!("a host holds {limit} objects for a guest at most; what was copied stays"),
        )
        .next(Next::say("take the rest over for another guest, with --as NAME")),
        Refusal::Busy | Refusal::Ended => Error::new(
            Kind::Busy,
            format!("{} is being changed by somebody else", holding.name),
        )
        .next(Next::say("run the same command again; what was copied stays")),
        Refusal::Exists | Refusal::OnlyAdds => Error::new(
            Kind::Refused,
            format!(
                "{} holds other bytes under the name {key}; they stay as they are",
                holding.name
            ),
        )
        .next(Next::say(
            "that is another shelf, or a damaged one: name another guest with --as NAME, or let the guest mirror again",
        )),
    }
    };
    let file = disk.open(from).map_err(cannot)?;
    file.drop_cached();
    let length = file.meta().map_err(cannot)?.size;
    let promised = holding
        .promise(key, length, None, false, None)
        .map_err(refused)?;
    let mut draft = Draft::new(disk, &holding.shelf).map_err(cannot)?;
    let mut hasher = Sha256::new();
    let mut buffer = vec![0u8; 1 << 20];
    loop {
        match file.read_at(&mut buffer, draft.bytes).map_err(cannot)? {
            0 => break,
            n => {
                hasher.update(&buffer[..n]);
                draft.write(&buffer[..n]).map_err(cannot)?;
            }
        }
    }
    draft.sync().map_err(cannot)?;
    let bytes = draft.bytes;
    let hashes = Hashes {
        sha256: hasher.finalize().into(),
        md5: None,
    };
    let (arrival, _) = holding
        .publish(draft, key, hashes, false)
        .map_err(refused)?;
    drop(promised);
    match holding.rehash(key).map_err(cannot)? {
        Some((read, sha256)) if read == bytes && sha256 == hashes.sha256 => {
            holding.set_check(key, Verdict::Good, holding.now());
            Ok((bytes, arrival))
        }
        _ => {
            holding.set_check(key, Verdict::Damaged, holding.now());
            Err(Error::new(
                Kind::Damaged,
                format!(
                    "the copy of {} ({}) does not read back as it was written",
                    from.display(),
                    size(bytes)
                ),
            )
            .next(Next::say(
                "the host's disk may be failing: check it, then run the same command again",
            )))
        }
    }
}
