//! Which files a path on the command line means.

use std::ffi::OsStr;
use std::path::{Path, PathBuf};

use crate::error::{Error, Kind, Next, Result};
use crate::sys::disk::{DRAFT_PREFIX, Disk, FileKind};

/// A file to be read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Found {
    /// Where it is.
    pub path: PathBuf,
    /// Its folder below what was named, with `/`; empty for a file that was named itself.
    pub folder: String,
    /// Its name.
    pub name: String,
    /// Bytes.
    pub size: u64,
    /// Modification time, nanoseconds.
    pub mtime_ns: i128,
    /// Inode.
    pub inode: u64,
}

/// What a walk left out.
#[derive(Debug, Default)]
pub struct Left {
    /// What could not be read or is no file: each with its own error.
    pub failed: Vec<(PathBuf, Error)>,
    /// Symbolic links inside folders: they are not followed.
    pub links: u64,
    /// Folders without a file.
    pub empty_folders: u64,
    /// Names that are not UTF-8, written with `\x..`.
    pub odd_names: u64,
}

/// Folders inside folders go no deeper than this.
const DEEPEST: usize = 128;

/// True for what systems leave behind in folders: never a dump.
fn is_clutter(name: &OsStr) -> bool {
    let bytes = name.as_encoded_bytes();
    matches!(bytes, b".DS_Store" | b"Thumbs.db" | b"desktop.ini")
        || bytes.starts_with(b"._")
        || bytes.starts_with(DRAFT_PREFIX.as_bytes())
}

/// A name as text; bytes that are not UTF-8 become `\x..`.
pub fn name_text(name: &OsStr, left: &mut Left) -> String {
    if let Some(text) = name.to_str() {
        return text.to_string();
    }
    left.odd_names += 1;
    let mut out = String::new();
    for chunk in name.as_encoded_bytes().utf8_chunks() {
        out.push_str(chunk.valid());
        for b in chunk.invalid() {
            out.push_str(&format!("\\x{b:02x}"));
        }
    }
    out
}

/// All files in a folder and below, by path. `inner` is put in front of their folders.
///
/// # Errors
/// Only if `path` itself cannot be listed; everything below that cannot be read stands in `left`.
pub fn folder(disk: &dyn Disk, path: &Path, inner: &str, left: &mut Left) -> Result<Vec<Found>> {
    let mut found = Vec::new();
    walk(disk, path, inner, 0, left, &mut found)?;
    Ok(found)
}

fn walk(
    disk: &dyn Disk,
    path: &Path,
    inner: &str,
    depth: usize,
    left: &mut Left,
    found: &mut Vec<Found>,
) -> Result<()> {
    let names = disk
        .list(path)
        .map_err(|e| Error::io(format!("cannot list {}", path.display()), e))?;
    if names.is_empty() {
        left.empty_folders += 1;
    }
    for name in names {
        if is_clutter(&name) {
            continue;
        }
        let child = path.join(&name);
        let meta = match disk.meta(&child) {
            Ok(meta) => meta,
            Err(e) => {
                left.failed.push((
                    child.clone(),
                    Error::io(format!("cannot look at {}", child.display()), e),
                ));
                continue;
            }
        };
        let text = name_text(&name, left);
        match meta.kind {
            FileKind::File => found.push(Found {
                path: child,
                folder: inner.to_string(),
                name: text,
                size: meta.size,
                mtime_ns: meta.mtime_ns,
                inode: meta.inode,
            }),
            FileKind::Folder if depth < DEEPEST => {
                let inner = if inner.is_empty() {
                    text
                } else {
                    format!("{inner}/{text}")
                };
                if let Err(e) = walk(disk, &child, &inner, depth + 1, left, found) {
                    left.failed.push((child, e));
                }
            }
            FileKind::Folder => left.failed.push((
                child.clone(),
                Error::new(
                    Kind::BadInput,
                    format!("{} lies too deep in folders", child.display()),
                )
                .next(Next::say("name that folder itself")),
            )),
            FileKind::Link => {
                left.links += 1;
                left.failed.push((child.clone(), not_followed(&child)));
            }
            FileKind::Other => left.failed.push((child.clone(), not_a_file(&child))),
        }
    }
    Ok(())
}

fn not_followed(path: &Path) -> Error {
    Error::new(
        Kind::BadInput,
        format!(
            "{} is a symbolic link inside a folder; it was not followed",
            path.display()
        ),
    )
    .next(Next::say("name the file or folder it points to"))
}

fn not_a_file(path: &Path) -> Error {
    Error::new(
        Kind::BadInput,
        format!(
            "{} is not a regular file; it was left alone",
            path.display()
        ),
    )
    .next(Next::say("name the file that holds the dump"))
}

/// What a path that was named is: links that a person names are followed.
///
/// # Errors
/// `NotFound`, `Io`; `BadInput` if it is neither file nor folder.
pub fn named(disk: &dyn Disk, path: &Path) -> Result<(PathBuf, FileKind, Option<Found>)> {
    let fail = |e| Error::io(format!("cannot read {}", path.display()), e);
    let mut meta = disk.meta(path).map_err(fail)?;
    let mut real = path.to_path_buf();
    if meta.kind == FileKind::Link {
        real = disk.canonical(path).map_err(fail)?;
        meta = disk.meta(&real).map_err(fail)?;
    }
    match meta.kind {
        FileKind::File => {
            let name = path.file_name().unwrap_or(path.as_os_str());
            let found = Found {
                path: real.clone(),
                folder: String::new(),
                name: name_text(name, &mut Left::default()),
                size: meta.size,
                mtime_ns: meta.mtime_ns,
                inode: meta.inode,
            };
            Ok((real, FileKind::File, Some(found)))
        }
        FileKind::Folder => Ok((real, FileKind::Folder, None)),
        _ => Err(not_a_file(path)),
    }
}
