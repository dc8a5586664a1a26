//! Reading one file, one folder as one, or standard input.

use std::io::Read;
use std::path::Path;

use crate::error::{Error, Kind, Next, Result};
use crate::intake::chunk;
use crate::intake::examine::{Examiner, Lens, examine};
use crate::intake::walk::{self, Found, Left};
use crate::intake::{Arrival, Origin, Piece, PieceSink};
use crate::model::contents::{Contents, READING};
use crate::model::hash::Hash;
use crate::model::list::entry_line;
use crate::model::take::{Evidence, Finding, Via};
use crate::sys::disk::{Disk, DiskFile, FileKind, FileReader, Meta};
use crate::sys::text::counted;

/// The key of a folder that is kept as one take.
pub const FOLDER_KEY: &str = "folder";

/// Reads a file into an arrival; its bytes go to `sink`.
///
/// # Errors
/// `Io` naming the file; `BadInput` if it is no regular file or changed while it was read (then nothing of it
/// counts: its pieces have no take).
pub fn read(disk: &dyn Disk, found: &Found, lens: &Lens, sink: PieceSink<'_>) -> Result<Arrival> {
    let name = found.name.clone();
    let path = &found.path;
    let mut at_once = None;
    let mut parts: Option<Examiner<'_>> = None;
    let (hash, bytes, mtime) = read_bytes(disk, found, sink, &mut |look| match look {
        Look::Whole(bytes) => at_once = Some(examine(&name, bytes, lens)),
        Look::Part(bytes) => parts
            .get_or_insert_with(|| Examiner::new(&name, lens))
            .push(bytes),
    })?;
    let examined =
        at_once.unwrap_or_else(|| parts.unwrap_or_else(|| Examiner::new(&name, lens)).finish());
    let origin = Origin {
        via: Via::File,
        folder: found.folder.clone(),
        name,
        mtime: Some(mtime),
    };
    Ok(Arrival::of(
        path.display().to_string(),
        origin,
        (hash, bytes),
        examined,
    ))
}

/// Reads standard input, or anything else without a name, into an arrival.
///
/// # Errors
/// `Io`.
pub fn read_stream(mut source: impl Read, lens: &Lens, sink: PieceSink<'_>) -> Result<Arrival> {
    let doing = "cannot read standard input";
    let mut examiner = Examiner::new("", lens);
    let mut first = Vec::new();
    source
        .by_ref()
        .take(chunk::WHOLE_BYTES + 1)
        .read_to_end(&mut first)
        .map_err(|e| Error::io(doing, e))?;
    let (hash, bytes) = if first.len() as u64 <= chunk::WHOLE_BYTES {
        examiner.push(&first);
        let hash = Hash::of(&first);
        let bytes = first.len() as u64;
        sink(Piece::Whole(hash, first))?;
        (hash, bytes)
    } else {
        let all = std::io::Cursor::new(first).chain(source);
        let cut = chunk::cut(all, u64::MAX, doing, sink, &mut |b| examiner.push(b))?;
        (cut.hash, cut.bytes)
    };
    let examined = examiner.finish();
    let origin = Origin {
        via: Via::Stdin,
        folder: String::new(),
        name: String::new(),
        mtime: None,
    };
    Ok(Arrival::of(
        "-".to_string(),
        origin,
        (hash, bytes),
        examined,
    ))
}

/// Takes `bytes` that stood inside the dump `from` as a dump of their own.
///
/// # Errors
/// As `sink`'s.
pub fn part(from: &Arrival, bytes: Vec<u8>, lens: &Lens, sink: PieceSink<'_>) -> Result<Arrival> {
    let mut part = read_stream(bytes.as_slice(), lens, sink)?;
    part.source.clone_from(&from.source);
    part.origin = from.origin.clone();
    Ok(part)
}

/// Reads a folder as one dump (a card, a USB stick): every file in it, and a list of them.
///
/// # Errors
/// As [`read`], for the first file that cannot be read: a folder is kept whole or not at all.
pub fn read_folder(disk: &dyn Disk, path: &Path, sink: PieceSink<'_>) -> Result<Arrival> {
    let name = path
        .file_name()
        .map(|n| n.to_string_lossy().into_owned())
        .unwrap_or_default();
    let mut files: Vec<(Hash, String)> = Vec::new();
    let (mut bytes, mut newest) = (0u64, None);
    let mut left = Left::default();
    let mut findings = Vec::new();
    let walked = walk::folder(disk, path, "", &mut left)?;
    if let Some((path, error)) = left.failed.into_iter().next() {
        return Err(Error::new(
            error.kind,
            format!(
                "cannot keep {name} as one: {} ({})",
                path.display(),
                error.fact()
            ),
        )
        .next(Next::say(
            "put that right and keep the folder again; nothing of it was kept",
        )));
    }
    for found in walked {
        let (hash, n, mtime) = read_bytes(disk, &found, sink, &mut |_| {})?;
        bytes += n;
        newest = newest.max(Some(mtime));
        let inner = match found.folder.is_empty() {
            true => found.name,
            false => format!("{}/{}", found.folder, found.name),
        };
        files.push((hash, inner));
    }
    if files.is_empty() {
        findings.push(Finding::error("empty", "the folder holds no files"));
    }
    for (count, code, what) in [
        (left.links, "links-left-out", "symbolic link"),
        (left.empty_folders, "empty-folders-left-out", "empty folder"),
        (
            left.odd_names,
            "odd-names",
            "name that is not text was written with \\x",
        ),
    ] {
        if count > 0 {
            findings.push(Finding::note(
                code,
                format!("{} in it", counted(count, what)),
            ));
        }
    }
    let text: String = files
        .iter()
        .map(|(hash, path)| entry_line(hash, path))
        .collect();
    let hash = Hash::of(text.as_bytes());
    sink(Piece::FolderList(files))?;
    let folder = String::new();
    Ok(Arrival {
        source: path.display().to_string(),
        origin: Origin {
            via: Via::File,
            folder,
            name,
            mtime: newest,
        },
        hash,
        content: hash,
        bytes,
        messages: 0,
        key: FOLDER_KEY.to_string(),
        sysex: false,
        evidence: Evidence::None,
        findings,
        contents: Contents {
            reading: READING,
            ..Contents::default()
        },
        parts: Vec::new(),
    })
}

/// A file's bytes as they go by.
enum Look<'a> {
    /// All of it.
    Whole(&'a [u8]),
    /// The next part of a large one.
    Part(&'a [u8]),
}

/// Hands a file's bytes out; gives its hash, length and modification time (unix seconds).
fn read_bytes(
    disk: &dyn Disk,
    found: &Found,
    sink: PieceSink<'_>,
    look: &mut dyn FnMut(Look<'_>),
) -> Result<(Hash, u64, i64)> {
    let path = &found.path;
    let doing = || format!("cannot read {}", path.display());
    let fail = |e| Error::io(doing(), e);
    let file = disk.open(path).map_err(fail)?;
    if let Some((bytes, meta)) = read_as_found(file.as_ref(), found) {
        look(Look::Whole(&bytes));
        let hash = Hash::of(&bytes);
        sink(Piece::Whole(hash, bytes))?;
        return Ok((hash, meta.size, seconds(&meta)));
    }
    let before = file.meta().map_err(fail)?;
    if before.kind != FileKind::File {
        return Err(Error::new(
            Kind::BadInput,
            format!("{} is not a regular file", path.display()),
        )
        .next(Next::say(
            "name the file that holds the dump; nothing of it was kept",
        )));
    }
    let (hash, bytes) = if before.size <= chunk::WHOLE_BYTES {
        let all = read_sized(file.as_ref(), before.size).map_err(fail)?;
        look(Look::Whole(&all));
        let hash = Hash::of(&all);
        let bytes = all.len() as u64;
        if unchanged(file.as_ref(), &before, bytes).map_err(fail)? {
            sink(Piece::Whole(hash, all))?;
            return Ok((hash, bytes, seconds(&before)));
        }
        (hash, bytes)
    } else {
        let cut = chunk::cut(
            FileReader::new(file.as_ref()),
            before.size + 1,
            &doing(),
            sink,
            &mut |part| look(Look::Part(part)),
        )?;
        (cut.hash, cut.bytes)
    };
    if !unchanged(file.as_ref(), &before, bytes).map_err(fail)? {
        return Err(Error::new(
            Kind::BadInput,
            format!(
                "{} changed while it was being read; nothing of it was kept",
                path.display()
            ),
        )
        .next(Next::say(
            "wait until nothing writes to it, then keep it again",
        )));
    }
    Ok((hash, bytes, seconds(&before)))
}

/// The bytes of a small file that still is what the walk found, which is nearly every one: a single look at it,
/// after reading, tells. `None` for all others, which are read with more care.
fn read_as_found(file: &dyn DiskFile, found: &Found) -> Option<(Vec<u8>, Meta)> {
    if found.size > chunk::WHOLE_BYTES {
        return None;
    }
    let bytes = read_sized(file, found.size).ok()?;
    let meta = file.meta().ok()?;
    let same = meta.kind == FileKind::File
        && meta.size == found.size
        && meta.mtime_ns == found.mtime_ns
        && meta.inode == found.inode
        && bytes.len() as u64 == found.size;
    same.then_some((bytes, meta))
}

/// Reads a file that should hold `size` bytes; one that grew shows by a byte more.
fn read_sized(file: &dyn DiskFile, size: u64) -> std::io::Result<Vec<u8>> {
    let mut all = vec![0u8; size as usize + 1];
    let mut filled = 0;
    while filled < all.len() {
        let n = file.read_at(&mut all[filled..], filled as u64)?;
        filled += n;
        if n == 0 || filled as u64 == size {
            break;
        }
    }
    all.truncate(filled);
    Ok(all)
}

fn unchanged(file: &dyn DiskFile, before: &Meta, read: u64) -> std::io::Result<bool> {
    let after = file.meta()?;
    Ok(after.size == before.size && after.mtime_ns == before.mtime_ns && read == before.size)
}

fn seconds(meta: &Meta) -> i64 {
    (meta.mtime_ns.div_euclid(1_000_000_000)) as i64
}
