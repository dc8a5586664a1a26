//! The only place that opens, syncs, renames and removes files.
//!
//! Everything durable goes through [`Disk`], so that tests can stand in a disk that crashes, fills up or lies.
//! A [`DiskFile`] whose write or sync failed refuses further work until it is opened again: a repeated sync that
//! succeeds proves nothing about the bytes of the first.

use std::fmt::Debug;
use std::fs;
use std::io::{self, Read, Write};
use std::os::unix::fs::{DirBuilderExt, FileExt, MetadataExt, OpenOptionsExt, PermissionsExt};
use std::path::{Path, PathBuf};

use crate::error::{Error, Result};

/// Who may read a new file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Privacy {
    /// Only its owner (mode 0600): keys and credentials.
    Owner,
    /// Whoever the system's defaults allow.
    Shared,
}

/// What is known about a file without opening it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Meta {
    /// What it is.
    pub kind: FileKind,
    /// Bytes.
    pub size: u64,
    /// Modification time, nanoseconds since 1970-01-01 UTC.
    pub mtime_ns: i128,
    /// Inode number.
    pub inode: u64,
    /// The file system it lies on.
    pub device: u64,
}

/// What a directory entry is; links are not followed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FileKind {
    /// A regular file.
    File,
    /// A directory.
    Folder,
    /// A symbolic link.
    Link,
    /// A pipe, socket or device.
    Other,
}

/// An open file.
pub trait DiskFile: Debug + Send {
    /// Reads up to `buf.len()` bytes at `offset`; 0 at the end.
    fn read_at(&self, buf: &mut [u8], offset: u64) -> io::Result<usize>;
    /// Writes all of `bytes` at `offset`. After a failure the file refuses further work.
    fn write_at(&mut self, bytes: &[u8], offset: u64) -> io::Result<()>;
    /// Cuts or extends the file to `len` bytes.
    fn set_len(&mut self, len: u64) -> io::Result<()>;
    /// Brings everything written to stable storage. After a failure the file refuses further work.
    fn sync(&mut self) -> io::Result<()>;
    /// What is known about the open file.
    fn meta(&self) -> io::Result<Meta>;
    /// Sets the modification time, unix seconds.
    fn set_modified(&mut self, seconds: i64) -> io::Result<()>;
    /// Asks the system to forget cached pages, so that the next read comes from the medium.
    fn drop_cached(&self);
}

/// A disk: files and folders by path.
pub trait Disk: Debug + Send + Sync {
    /// Opens an existing file for reading. Never blocks on pipes.
    fn open(&self, path: &Path) -> io::Result<Box<dyn DiskFile>>;
    /// Opens an existing file for reading and writing.
    fn open_write(&self, path: &Path) -> io::Result<Box<dyn DiskFile>>;
    /// Creates a file that must not exist.
    fn create_new(&self, path: &Path, privacy: Privacy) -> io::Result<Box<dyn DiskFile>>;
    /// Renames, replacing what is there.
    fn rename(&self, from: &Path, to: &Path) -> io::Result<()>;
    /// Renames unless something of that name is there (`AlreadyExists`).
    fn rename_new(&self, from: &Path, to: &Path) -> io::Result<()>;
    /// Removes a file.
    fn remove_file(&self, path: &Path) -> io::Result<()>;
    /// Removes an empty folder.
    fn remove_folder(&self, path: &Path) -> io::Result<()>;
    /// Creates a folder and its parents; no error if it is there. Private folders have mode 0700.
    fn create_folders(&self, path: &Path, privacy: Privacy) -> io::Result<()>;
    /// Brings a folder's entries to stable storage.
    fn sync_folder(&self, path: &Path) -> io::Result<()>;
    /// The names in a folder, sorted.
    fn list(&self, path: &Path) -> io::Result<Vec<std::ffi::OsString>>;
    /// What is known about a path; links are not followed.
    fn meta(&self, path: &Path) -> io::Result<Meta>;
    /// The absolute path with links resolved.
    fn canonical(&self, path: &Path) -> io::Result<PathBuf>;
    /// Free bytes on the file system of `path`.
    fn free_space(&self, path: &Path) -> io::Result<u64>;
}

/// The real disk.
#[derive(Debug, Clone, Copy)]
pub struct RealDisk;

#[derive(Debug)]
struct RealFile {
    file: fs::File,
    failed: bool,
}

impl RealFile {
    fn boxed(file: fs::File) -> Box<dyn DiskFile> {
        Box::new(RealFile {
            file,
            failed: false,
        })
    }

    fn latched<T>(&mut self, work: impl FnOnce(&fs::File) -> io::Result<T>) -> io::Result<T> {
        if self.failed {
            return Err(io::Error::other("an earlier write to this file failed"));
        }
        let result = work(&self.file);
        self.failed = result.is_err();
        result
    }
}

impl DiskFile for RealFile {
    fn read_at(&self, buf: &mut [u8], offset: u64) -> io::Result<usize> {
        loop {
            match self.file.read_at(buf, offset) {
                Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
                other => return other,
            }
        }
    }

    fn write_at(&mut self, bytes: &[u8], offset: u64) -> io::Result<()> {
        self.latched(|file| file.write_all_at(bytes, offset))
    }

    fn set_len(&mut self, len: u64) -> io::Result<()> {
        self.latched(|file| file.set_len(len))
    }

    fn sync(&mut self) -> io::Result<()> {
        self.latched(|file| file.sync_data())
    }

    fn meta(&self) -> io::Result<Meta> {
        Ok(meta_of(&self.file.metadata()?))
    }

    fn set_modified(&mut self, seconds: i64) -> io::Result<()> {
        let since = std::time::Duration::from_secs(seconds.unsigned_abs());
        let time = match seconds {
            0.. => std::time::UNIX_EPOCH + since,
            _ => std::time::UNIX_EPOCH - since,
        };
        self.latched(|file| file.set_modified(time))
    }

    fn drop_cached(&self) {
        #[cfg(any(target_os = "linux", target_os = "android"))]
        let _ = rustix::fs::fadvise(&self.file, 0, None, rustix::fs::Advice::DontNeed);
    }
}

fn meta_of(m: &fs::Metadata) -> Meta {
    let kind = if m.is_file() {
        FileKind::File
    } else if m.is_dir() {
        FileKind::Folder
    } else if m.is_symlink() {
        FileKind::Link
    } else {
        FileKind::Other
    };
    Meta {
        kind,
        size: m.len(),
        mtime_ns: i128::from(m.mtime()) * 1_000_000_000 + i128::from(m.mtime_nsec()),
        inode: m.ino(),
        device: m.dev(),
    }
}

impl Disk for RealDisk {
    fn open(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        let file = fs::OpenOptions::new()
            .read(true)
            .custom_flags(rustix::fs::OFlags::NONBLOCK.bits() as i32)
            .open(path)?;
        Ok(RealFile::boxed(file))
    }

    fn open_write(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        Ok(RealFile::boxed(
            fs::OpenOptions::new().read(true).write(true).open(path)?,
        ))
    }

    fn create_new(&self, path: &Path, privacy: Privacy) -> io::Result<Box<dyn DiskFile>> {
        let mode = match privacy {
            Privacy::Owner => 0o600,
            Privacy::Shared => 0o666,
        };
        let file = fs::OpenOptions::new()
            .read(true)
            .write(true)
            .create_new(true)
            .mode(mode)
            .open(path)?;
        Ok(RealFile::boxed(file))
    }

    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        fs::rename(from, to)
    }

    fn rename_new(&self, from: &Path, to: &Path) -> io::Result<()> {
        #[cfg(any(target_os = "linux", target_os = "android"))]
        {
            use rustix::fs::{CWD, RenameFlags, renameat_with};
            match renameat_with(CWD, from, CWD, to, RenameFlags::NOREPLACE) {
                // Some file systems (FAT on a stick, old network drives) do not know the flag.
                Err(
                    rustix::io::Errno::INVAL | rustix::io::Errno::NOSYS | rustix::io::Errno::NOTSUP,
                ) => {}
                other => return other.map_err(io::Error::from),
            }
        }
        match fs::symlink_metadata(to) {
            Ok(_) => Err(io::Error::from(io::ErrorKind::AlreadyExists)),
            Err(e) if e.kind() == io::ErrorKind::NotFound => fs::rename(from, to),
            Err(e) => Err(e),
        }
    }

    fn remove_file(&self, path: &Path) -> io::Result<()> {
        fs::remove_file(path)
    }

    fn remove_folder(&self, path: &Path) -> io::Result<()> {
        fs::remove_dir(path)
    }

    fn create_folders(&self, path: &Path, privacy: Privacy) -> io::Result<()> {
        let mode = match privacy {
            Privacy::Owner => 0o700,
            Privacy::Shared => 0o777,
        };
        fs::DirBuilder::new()
            .recursive(true)
            .mode(mode)
            .create(path)
    }

    fn sync_folder(&self, path: &Path) -> io::Result<()> {
        let dir = fs::File::open(path)?;
        match dir.sync_all() {
            // File systems without durable folders say so; there is nothing more to do there.
            Err(e) if e.raw_os_error() == Some(rustix::io::Errno::INVAL.raw_os_error()) => Ok(()),
            other => other,
        }
    }

    fn list(&self, path: &Path) -> io::Result<Vec<std::ffi::OsString>> {
        let mut names = Vec::new();
        for entry in fs::read_dir(path)? {
            names.push(entry?.file_name());
        }
        names.sort();
        Ok(names)
    }

    fn meta(&self, path: &Path) -> io::Result<Meta> {
        Ok(meta_of(&fs::symlink_metadata(path)?))
    }

    fn canonical(&self, path: &Path) -> io::Result<PathBuf> {
        fs::canonicalize(path)
    }

    fn free_space(&self, path: &Path) -> io::Result<u64> {
        let s = rustix::fs::statvfs(path)?;
        Ok(s.f_bavail.saturating_mul(s.f_frsize))
    }
}

/// The size of the file system of `path`, in bytes.
pub fn total_space(path: &Path) -> io::Result<u64> {
    let s = rustix::fs::statvfs(path)?;
    Ok(s.f_blocks.saturating_mul(s.f_frsize))
}

/// True if something lies at `path` (a dangling link counts).
pub fn exists(disk: &dyn Disk, path: &Path) -> bool {
    disk.meta(path).is_ok()
}

/// Creates a folder and its parents like [`Disk::create_folders`] and brings their names to stable storage: a folder
/// whose name a power cut takes away is gone with everything that was synced in it.
pub fn create_durable_folders(disk: &dyn Disk, path: &Path, privacy: Privacy) -> io::Result<()> {
    let is_new = |p: &&Path| !p.as_os_str().is_empty() && !exists(disk, p);
    let new = path.ancestors().take_while(is_new).count();
    disk.create_folders(path, privacy)?;
    // One that is there may have been made by a command that was broken off before it synced it.
    for folder in path.ancestors().take(new.max(1)) {
        disk.sync_folder(parent_of(folder))?;
    }
    Ok(())
}

fn parent_of(path: &Path) -> &Path {
    path.parent()
        .filter(|p| !p.as_os_str().is_empty())
        .unwrap_or(Path::new("."))
}

/// Reads a whole file of at most `limit` bytes.
///
/// # Errors
/// `InvalidData` if it is longer.
pub fn read_all(disk: &dyn Disk, path: &Path, limit: u64) -> io::Result<Vec<u8>> {
    let file = disk.open(path)?;
    read_open(file.as_ref(), limit)
}

/// Reads an open file from its start, at most `limit` bytes.
///
/// # Errors
/// `InvalidData` if it is longer.
pub fn read_open(file: &dyn DiskFile, limit: u64) -> io::Result<Vec<u8>> {
    let meta = file.meta()?;
    if meta.kind == FileKind::Folder {
        return Err(io::Error::from(io::ErrorKind::IsADirectory));
    }
    let size = meta.size;
    let mut bytes = Vec::with_capacity(size.min(limit).min(1 << 26) as usize + 1);
    let read = FileReader::new(file)
        .take(limit + 1)
        .read_to_end(&mut bytes)?;
    if read as u64 > limit {
        return Err(io::Error::new(
            io::ErrorKind::InvalidData,
            format!("it is longer than {limit} bytes"),
        ));
    }
    Ok(bytes)
}

/// Reads a text file of at most `limit` bytes as UTF-8.
///
/// # Errors
/// `InvalidData` if it is longer or not UTF-8.
pub fn read_text(disk: &dyn Disk, path: &Path, limit: u64) -> io::Result<String> {
    String::from_utf8(read_all(disk, path, limit)?)
        .map_err(|_| io::Error::new(io::ErrorKind::InvalidData, "it is not UTF-8 text"))
}

/// Reads an open file front to back through `std::io::Read`.
#[derive(Debug)]
pub struct FileReader<'a> {
    file: &'a dyn DiskFile,
    offset: u64,
}

impl<'a> FileReader<'a> {
    /// A reader from the file's start.
    pub fn new(file: &'a dyn DiskFile) -> FileReader<'a> {
        FileReader { file, offset: 0 }
    }
}

impl Read for FileReader<'_> {
    fn read(&mut self, buf: &mut [u8]) -> io::Result<usize> {
        let n = self.file.read_at(buf, self.offset)?;
        self.offset += n as u64;
        Ok(n)
    }
}

/// A new file that appears under its name only when [`Draft::publish`] has brought it to stable storage.
///
/// Dropping it removes what was written.
#[derive(Debug)]
pub struct Draft<'d> {
    disk: &'d dyn Disk,
    file: Option<Box<dyn DiskFile>>,
    temporary: PathBuf,
    written: u64,
    buffer: Vec<u8>,
}

/// Whether publishing may replace a file of that name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Replace {
    /// The new file takes the place of the old one.
    Yes,
    /// A file of that name stays and publishing fails with `AlreadyExists`.
    No,
}

const DRAFT_BUFFER: usize = 1 << 20;
/// The beginning of every temporary name; files so named are left-overs of an interrupted command.
pub const DRAFT_PREFIX: &str = ".unfinished-";

impl<'d> Draft<'d> {
    /// Starts a file next to `target`, under a temporary name.
    pub fn beside(disk: &'d dyn Disk, target: &Path, privacy: Privacy) -> io::Result<Draft<'d>> {
        let folder = parent_of(target);
        let stem = target
            .file_name()
            .map(|n| n.to_string_lossy().into_owned())
            .unwrap_or_default();
        let stem: String = stem.chars().take(40).collect();
        let pid = std::process::id();
        for n in 0..10_000u32 {
            let temporary = folder.join(format!("{DRAFT_PREFIX}{pid}-{n}-{stem}"));
            match disk.create_new(&temporary, privacy) {
                Ok(file) => {
                    return Ok(Draft {
                        disk,
                        file: Some(file),
                        temporary,
                        written: 0,
                        buffer: Vec::new(),
                    });
                }
                Err(e) if e.kind() == io::ErrorKind::AlreadyExists => {}
                Err(e) => return Err(e),
            }
        }
        Err(io::Error::from(io::ErrorKind::AlreadyExists))
    }

    fn spill(&mut self) -> io::Result<()> {
        if let Some(file) = self.file.as_mut() {
            file.write_at(&self.buffer, self.written)?;
            self.written += self.buffer.len() as u64;
            self.buffer.clear();
        }
        Ok(())
    }

    /// Syncs the bytes, gives the file its name and syncs the folder.
    pub fn publish(self, target: &Path, replace: Replace) -> io::Result<()> {
        let disk = self.disk;
        let folder = parent_of(target);
        self.publish_without_folder(target, replace)?;
        disk.sync_folder(folder)
    }

    /// Like [`Draft::publish`] without syncing the folder: the caller does so once for many files.
    pub fn publish_without_folder(mut self, target: &Path, replace: Replace) -> io::Result<()> {
        self.spill()?;
        if let Some(file) = self.file.as_mut() {
            file.sync()?;
        }
        match replace {
            Replace::Yes => self.disk.rename(&self.temporary, target)?,
            Replace::No => self.disk.rename_new(&self.temporary, target)?,
        }
        self.file = None;
        Ok(())
    }
}

impl Write for Draft<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.buffer.extend_from_slice(bytes);
        if self.buffer.len() >= DRAFT_BUFFER {
            self.spill()?;
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        self.spill()
    }
}

impl Drop for Draft<'_> {
    fn drop(&mut self) {
        if self.file.take().is_some() {
            // Best effort: a left-over draft is named so that nobody takes it for a whole file.
            let _ = self.disk.remove_file(&self.temporary);
        }
    }
}

/// Writes a small file so that its name always shows either the old or the new bytes, whole.
///
/// # Errors
/// `Io` naming the file; the old one is then untouched.
pub fn publish(
    disk: &dyn Disk,
    path: &Path,
    bytes: &[u8],
    privacy: Privacy,
    replace: Replace,
) -> Result<()> {
    let work = || -> io::Result<()> {
        let mut draft = Draft::beside(disk, path, privacy)?;
        draft.write_all(bytes)?;
        draft.publish(path, replace)
    };
    work().map_err(|e| Error::io(format!("cannot write {}", path.display()), e))
}

/// A private folder among the system's temporary files; it goes with its contents when dropped.
#[derive(Debug)]
pub struct TemporaryFolder(PathBuf);

impl TemporaryFolder {
    /// A new folder for this process.
    ///
    /// # Errors
    /// If none can be made.
    pub fn new() -> io::Result<TemporaryFolder> {
        for n in 0..10_000u32 {
            let name = format!("farshelf-{}-{n}", std::process::id());
            let path = crate::sys::settings::temporary_folder().join(name);
            match fs::DirBuilder::new().mode(0o700).create(&path) {
                Ok(()) => return Ok(TemporaryFolder(path)),
                Err(e) if e.kind() == io::ErrorKind::AlreadyExists => {}
                Err(e) => return Err(e),
            }
        }
        Err(io::Error::from(io::ErrorKind::AlreadyExists))
    }

    /// Copies `from` into the folder, under its own name, and gives the copy's path.
    ///
    /// # Errors
    /// Of reading or writing.
    pub fn take_copy(&self, from: &Path) -> io::Result<PathBuf> {
        let to = self.0.join(from.file_name().unwrap_or_default());
        fs::copy(from, &to)?;
        fs::set_permissions(&to, fs::Permissions::from_mode(0o600))?;
        Ok(to)
    }
}

impl Drop for TemporaryFolder {
    fn drop(&mut self) {
        // The system clears such folders in the end.
        let _ = fs::remove_dir_all(&self.0);
    }
}

/// True if `path` is readable by others than its owner.
pub fn is_open_to_others(path: &Path) -> bool {
    fs::metadata(path).is_ok_and(|m| m.permissions().mode() & 0o077 != 0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_draft_appears_whole_or_not_at_all() {
        let dir = tempfile::tempdir().unwrap();
        let target = dir.path().join("a.txt");
        {
            let mut draft = Draft::beside(&RealDisk, &target, Privacy::Shared).unwrap();
            draft.write_all(b"half").unwrap();
        }
        assert!(RealDisk.list(dir.path()).unwrap().is_empty());
        publish(&RealDisk, &target, b"one", Privacy::Owner, Replace::No).unwrap();
        assert_eq!(
            fs::metadata(&target).unwrap().permissions().mode() & 0o777,
            0o600
        );
        assert!(publish(&RealDisk, &target, b"two", Privacy::Owner, Replace::No).is_err());
        assert_eq!(fs::read(&target).unwrap(), b"one");
        publish(&RealDisk, &target, b"two", Privacy::Owner, Replace::Yes).unwrap();
        assert_eq!(fs::read(&target).unwrap(), b"two");
        assert_eq!(RealDisk.list(dir.path()).unwrap().len(), 1);
    }

    #[test]
    fn a_rename_that_must_be_new_leaves_the_old_file() {
        let dir = tempfile::tempdir().unwrap();
        let (a, b) = (dir.path().join("a"), dir.path().join("b"));
        fs::write(&a, "a").unwrap();
        fs::write(&b, "b").unwrap();
        let e = RealDisk.rename_new(&a, &b).unwrap_err();
        assert_eq!(e.kind(), io::ErrorKind::AlreadyExists);
        assert_eq!(fs::read(&b).unwrap(), b"b");
    }

    #[test]
    fn a_longer_file_than_asked_for_is_refused() {
        let dir = tempfile::tempdir().unwrap();
        let a = dir.path().join("a");
        fs::write(&a, "12345").unwrap();
        assert_eq!(read_all(&RealDisk, &a, 5).unwrap(), b"12345");
        assert!(read_all(&RealDisk, &a, 4).is_err());
    }
}
