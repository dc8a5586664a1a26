//! `recall`: takes back into files, byte for byte, or changed as asked: one patch of it, for another SysEx number, as a MIDI
//! file.
//!
//! Every byte is read and checked before a file gets its name, and no file that is there is replaced unasked.

mod altered;

use std::collections::{BTreeSet, HashSet};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use crate::error::{Error, Kind, Next, Result};
use crate::model::hash::Hash;
use crate::model::ids::SectionName;
use crate::ops::refs::resolve;
use crate::sys::disk::{DRAFT_PREFIX, Disk, Draft, FileKind, Privacy, Replace};
use crate::vault::Vault;
use crate::vault::catalogue::{Form, TakeRow};
use crate::vault::pieces::Pieces;

pub use altered::{Altered, PatchRef};

/// A take that was written out.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Recalled {
    /// Its section; `None` if loose.
    pub section: Option<String>,
    /// Its number.
    pub take: u32,
    /// Bytes.
    pub bytes: u64,
    /// BLAKE3 of the bytes, or of a folder take's list.
    pub blake3: Hash,
    /// The only patch of it that was written, as the panel shows it.
    pub patch: Option<String>,
}

/// What `recall` wrote.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RecallResult {
    /// The device.
    pub device: String,
    /// The takes, in the order they were written.
    pub takes: Vec<Recalled>,
    /// Where to: a path, or `-`.
    pub to: String,
}

/// Writes the takes of a reference to `to` (`-` writes to `out`).
///
/// An existing folder gets one file per section (of two that would have one name the later is called `take-12-…`), a single take goes to exactly that path, several go to a `.syx` path
/// one after the other and to any other path as a new folder.
///
/// # Errors
/// `NotFound`, also for a single file into a folder that is not there; `AlreadyThere` unless `replace`; `Damaged` if the
/// bytes are not good any more (nothing is written then); `Io`.
pub fn recall(
    vault: &Vault,
    reference: &str,
    to: &Path,
    replace: Replace,
    altered: &Altered,
    out: &mut dyn Write,
) -> Result<RecallResult> {
    let named = resolve(vault, reference)?;
    let disk = vault.world().disk.clone();
    let items = altered::items(vault, &named, altered)?;
    let scribe = Scribe {
        vault,
        device: named.device.name.clone(),
        disk: disk.as_ref(),
        pieces: Pieces::new(vault),
        replace,
        as_midi_file: altered.as_midi_file,
    };
    let is_folder = disk
        .canonical(to)
        .and_then(|p| disk.meta(&p))
        .is_ok_and(|m| m.kind == FileKind::Folder);
    let only_a_folder = must_be_folder(to);
    if altered.as_midi_file && items.len() > 1 && !is_folder && !only_a_folder {
        let is_file = to.as_os_str() == "-" || to.extension().is_some();
        if is_file {
            return Err(Error::usage(
                "several takes do not go into one MIDI file; nothing was written",
            )
            .next(Next::say("name a folder with --to, or one section")));
        }
    }
    if to.as_os_str() == "-" {
        scribe.to_stream(&items, out)?;
    } else if is_folder {
        scribe.to_folder(&items, to)?;
    } else if let [item] = items.as_slice() {
        if only_a_folder && item.take.form != Form::Folder {
            return Err(no_folder(to));
        }
        scribe.one(item, to)?;
    } else if !only_a_folder
        && to
            .extension()
            .is_some_and(|e| e.eq_ignore_ascii_case("syx") || e.eq_ignore_ascii_case("mid"))
    {
        scribe.one_after_the_other(&items, to)?;
    } else {
        scribe.new_folder(&items, to)?;
    }
    Ok(RecallResult {
        device: named.device.name.clone(),
        takes: items
            .into_iter()
            .map(|item| Recalled {
                section: (!item.take.loose).then(|| item.take.section_name.clone()),
                take: item.take.number(),
                bytes: item
                    .made
                    .as_ref()
                    .map_or(item.take.bytes, |b| b.len() as u64),
                blake3: item.made.as_ref().map_or(item.take.hash, |b| Hash::of(b)),
                patch: item.patch,
            })
            .collect(),
        to: to.display().to_string(),
    })
}

/// A take on its way out.
#[derive(Debug)]
struct Item<'t> {
    take: &'t TakeRow,
    /// What is written instead of its bytes.
    made: Option<Vec<u8>>,
    /// The patch that this is.
    patch: Option<String>,
}

struct Scribe<'v> {
    vault: &'v Vault,
    device: String,
    disk: &'v dyn Disk,
    pieces: Pieces<'v>,
    replace: Replace,
    as_midi_file: bool,
}

impl Scribe<'_> {
    fn copy(&self, item: &Item<'_>, out: &mut dyn Write) -> Result<()> {
        match &item.made {
            Some(made) => out
                .write_all(made)
                .map_err(|e| Error::io("cannot write the bytes out", e)),
            None => self.pieces.copy(&item.take.hash, out).map(|_| ()),
        }
    }

    /// `bank-a.syx`: the section, or `take-12` for a loose one, with the extension of what was kept.
    fn file_name(&self, item: &Item<'_>) -> Result<String> {
        let take = item.take;
        let stem = (!take.loose)
            .then(|| stem_of(&take.section_name))
            .flatten()
            .unwrap_or_else(|| format!("take-{}", take.number()));
        if take.form == Form::Folder {
            return Ok(stem);
        }
        let kept_as = self.vault.catalogue().file_name_of_take(take.id)?;
        let extension = match extension_of(&take.key) {
            _ if self.as_midi_file => "mid".to_string(),
            _ if item.made.is_some() => "syx".to_string(),
            Some(extension) => extension.to_string(),
            // A MIDI file goes out as it came in.
            None if kept_as.to_lowercase().ends_with(".mid") => "mid".to_string(),
            None if take.messages > 0 => "syx".to_string(),
            None if kept_as.to_lowercase().ends_with(".syx") => "syx".to_string(),
            None => "bin".to_string(),
        };
        Ok(format!("{stem}.{extension}"))
    }

    fn to_stream(&self, items: &[Item<'_>], out: &mut dyn Write) -> Result<()> {
        for item in items {
            if item.take.form == Form::Folder {
                return Err(Error::usage(format!(
                    "{}@{} is a folder; it cannot go to standard output",
                    self.device,
                    item.take.number()
                ))
                .next(Next::say("name a new folder with --to")));
            }
            // All of it is checked before the first byte goes out.
            if item.made.is_none() {
                self.pieces.check(&item.take.hash)?;
            }
        }
        for item in items {
            self.copy(item, out)?;
        }
        out.flush()
            .map_err(|e| Error::io("cannot write to standard output", e))
    }

    fn one(&self, item: &Item<'_>, to: &Path) -> Result<()> {
        if item.take.form == Form::Folder {
            return self.folder_take(item.take, to);
        }
        self.refuse_existing(to)?;
        let mut draft = self.draft(to)?;
        self.copy(item, &mut draft)?;
        draft
            .publish(to, self.replace)
            .map_err(|e| cannot_write(to, e))
    }

    fn one_after_the_other(&self, items: &[Item<'_>], to: &Path) -> Result<()> {
        self.refuse_existing(to)?;
        let mut draft = self.draft(to)?;
        for item in items {
            if item.take.form == Form::Folder || item.take.messages == 0 {
                return Err(Error::usage(format!(
                    "{}@{} is no SysEx and cannot stand in one file with others",
                    self.device,
                    item.take.number()
                ))
                .next(Next::say("name a folder with --to")));
            }
            self.copy(item, &mut draft)?;
        }
        draft
            .publish(to, self.replace)
            .map_err(|e| cannot_write(to, e))
    }

    fn to_folder(&self, items: &[Item<'_>], to: &Path) -> Result<()> {
        let mut targets = Vec::new();
        // Folders on some disks do not tell capitals from small letters.
        let mut taken = HashSet::new();
        for item in items {
            let mut name = self.file_name(item)?;
            while !taken.insert(name.to_lowercase()) {
                name = format!("take-{}-{name}", item.take.number());
            }
            let target = to.join(name);
            self.refuse_existing(&target)?;
            targets.push(target);
        }
        // Everything is read and checked before the first file gets its name.
        let mut drafts = Vec::new();
        for (item, target) in items.iter().zip(&targets) {
            if item.take.form != Form::Folder {
                let mut draft = self.draft(target)?;
                self.copy(item, &mut draft)?;
                drafts.push((draft, target));
            }
        }
        for (item, target) in items.iter().zip(&targets) {
            if item.take.form == Form::Folder {
                self.folder_take(item.take, target)?;
            }
        }
        for (draft, target) in drafts {
            draft
                .publish(target, self.replace)
                .map_err(|e| cannot_write(target, e))?;
        }
        Ok(())
    }

    fn new_folder(&self, items: &[Item<'_>], to: &Path) -> Result<()> {
        self.refuse_existing(to)?;
        self.build(to, |folder| self.to_folder(items, folder))
    }

    fn folder_take(&self, take: &TakeRow, to: &Path) -> Result<()> {
        if self.disk.meta(to).is_ok() {
            return Err(Error::new(
                Kind::AlreadyThere,
                format!(
                    "{} is already there; a folder is never written into",
                    to.display()
                ),
            )
            .next(Next::say("name a folder that does not exist yet with --to")));
        }
        let entries = self.pieces.entries(&take.hash)?;
        self.build(to, |folder| {
            let mut parents = BTreeSet::from([folder.to_path_buf()]);
            for entry in &entries {
                // The list was checked: its paths stay inside the folder.
                let target = folder.join(&entry.path);
                if let Some(parent) = target.parent() {
                    self.disk
                        .create_folders(parent, Privacy::Shared)
                        .map_err(|e| cannot_write(parent, e))?;
                    parents.insert(parent.to_path_buf());
                }
                let mut draft = self.draft(&target)?;
                self.pieces.copy(&entry.hash, &mut draft)?;
                draft
                    .publish_without_folder(&target, Replace::No)
                    .map_err(|e| cannot_write(&target, e))?;
            }
            for parent in parents {
                self.disk
                    .sync_folder(&parent)
                    .map_err(|e| cannot_write(&parent, e))?;
            }
            Ok(())
        })
    }

    /// Builds a folder under a temporary name and gives it its own when it is complete.
    fn build(&self, to: &Path, fill: impl FnOnce(&Path) -> Result<()>) -> Result<()> {
        let parent = to
            .parent()
            .filter(|p| !p.as_os_str().is_empty())
            .unwrap_or(Path::new("."));
        let name = to
            .file_name()
            .map(|n| n.to_string_lossy().into_owned())
            .unwrap_or_default();
        let temporary = parent.join(format!("{DRAFT_PREFIX}{}-{name}", std::process::id()));
        let work = || -> Result<()> {
            self.disk
                .create_folders(&temporary, Privacy::Shared)
                .map_err(|e| cannot_write(&temporary, e))?;
            fill(&temporary)?;
            self.disk
                .rename_new(&temporary, to)
                .and_then(|()| self.disk.sync_folder(parent))
                .map_err(|e| cannot_write(to, e))
        };
        work().inspect_err(|_| remove_tree(self.disk, &temporary))
    }

    fn draft(&self, target: &Path) -> Result<Draft<'_>> {
        Draft::beside(self.disk, target, Privacy::Shared).map_err(|e| cannot_write(target, e))
    }

    fn refuse_existing(&self, to: &Path) -> Result<()> {
        let kind = self.disk.meta(to).map(|m| m.kind);
        match kind {
            Err(_) => Ok(()),
            Ok(FileKind::File | FileKind::Link) if self.replace == Replace::Yes => Ok(()),
            Ok(FileKind::File | FileKind::Link) => Err(there(to)),
            Ok(_) => Err(Error::new(
                Kind::AlreadyThere,
                format!(
                    "{} is already there and is no file; it was left alone",
                    to.display()
                ),
            )
            .next(Next::say("name another path with --to"))),
        }
    }
}

/// True if the path ends like `folder/`: no file can have that name.
fn must_be_folder(to: &Path) -> bool {
    let last = to.as_os_str().as_encoded_bytes().last();
    last.is_some_and(|byte| std::path::is_separator(char::from(*byte)))
}

fn no_folder(to: &Path) -> Error {
    Error::new(
        Kind::NotFound,
        format!("there is no folder {}; nothing was written", to.display()),
    )
    .next(Next::say(
        "create it, or name a file without the / at its end",
    ))
}

fn there(to: &Path) -> Error {
    Error::new(
        Kind::AlreadyThere,
        format!("{} is already there; it was left alone", to.display()),
    )
    .next(Next::say(
        "name another path with --to, or replace it with --force",
    ))
}

fn cannot_write(to: &Path, e: io::Error) -> Error {
    if e.kind() == io::ErrorKind::AlreadyExists {
        return there(to);
    }
    Error::io(format!("cannot write {}", to.display()), e)
}

/// Removes an unfinished folder as far as that goes; its name tells what it is.
fn remove_tree(disk: &dyn Disk, path: &Path) {
    let Ok(names) = disk.list(path) else { return };
    for name in names {
        let child: PathBuf = path.join(name);
        match disk.meta(&child).map(|m| m.kind) {
            Ok(FileKind::Folder) => remove_tree(disk, &child),
            _ => {
                let _ = disk.remove_file(&child);
            }
        }
    }
    let _ = disk.remove_folder(path);
}

/// The section as a file name. Names come out of a ledger, perhaps another's: none may lead out of the folder.
fn stem_of(section: &str) -> Option<String> {
    SectionName::fold(section).map(|name| name.to_string())
}

/// The extension in a key like `*.wav`, if it is a plain one.
fn extension_of(key: &str) -> Option<&str> {
    key.strip_prefix("*.")
        .filter(|e| e.len() <= 16 && e.bytes().all(|b| b.is_ascii_alphanumeric()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_name_of_a_ledger_leads_out_of_the_folder() {
        assert_eq!(stem_of("bank-a").as_deref(), Some("bank-a"));
        assert_eq!(extension_of("*.wav"), Some("wav"));
        assert_eq!(extension_of("*./../../up"), None);
        for section in ["../../up", "..", ".", "/etc/up", "a/../../up", "up\\..", ""] {
            let stem = stem_of(section).unwrap_or_default();
            assert!(
                !stem.contains(['/', '\\']) && !stem.starts_with('.'),
                "{stem}"
            );
        }
    }
}
