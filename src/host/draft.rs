//! A file that is being received: it lies in the shelf's folder under a name that everybody ignores until it appears.

use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use crate::sys::disk::{DRAFT_PREFIX, Disk, DiskFile, Privacy, Replace};

/// The file; dropping it removes it.
#[derive(Debug)]
pub(super) struct Draft {
    disk: Arc<dyn Disk>,
    path: PathBuf,
    file: Option<Box<dyn DiskFile>>,
    /// Bytes written so far.
    pub(super) bytes: u64,
}

impl Draft {
    /// Begins one in the folder `shelf`.
    ///
    /// # Errors
    /// Of creating the file.
    pub(super) fn new(disk: Arc<dyn Disk>, shelf: &Path) -> io::Result<Draft> {
        static NEXT: AtomicU64 = AtomicU64::new(0);
        loop {
            let n = NEXT.fetch_add(1, Ordering::Relaxed);
            let path = shelf.join(format!("{DRAFT_PREFIX}{}-{n}-upload", std::process::id()));
            match disk.create_new(&path, Privacy::Shared) {
                Ok(file) => {
                    return Ok(Draft {
                        disk,
                        path,
                        file: Some(file),
                        bytes: 0,
                    });
                }
                Err(e) if e.kind() == io::ErrorKind::AlreadyExists => {}
                Err(e) => return Err(e),
            }
        }
    }

    /// The open file.
    pub(super) fn file(&self) -> io::Result<&dyn DiskFile> {
        self.file
            .as_deref()
            .ok_or_else(|| io::Error::other("it was closed before"))
    }

    /// Appends `bytes`.
    ///
    /// # Errors
    /// Of writing.
    pub(super) fn write(&mut self, bytes: &[u8]) -> io::Result<()> {
        let file = self
            .file
            .as_mut()
            .ok_or_else(|| io::Error::other("it was closed before"))?;
        file.write_at(bytes, self.bytes)?;
        self.bytes += bytes.len() as u64;
        Ok(())
    }

    /// Brings everything written to stable storage.
    ///
    /// # Errors
    /// Of syncing.
    pub(super) fn sync(&mut self) -> io::Result<()> {
        match self.file.as_mut() {
            Some(file) => file.sync(),
            None => Err(io::Error::other("it was closed before")),
        }
    }

    /// Gives the file its name; the caller syncs the folder.
    ///
    /// # Errors
    /// `AlreadyExists` if something of that name is there and may not be replaced.
    pub(super) fn appear(mut self, target: &Path, replace: Replace) -> io::Result<()> {
        match replace {
            Replace::Yes => self.disk.rename(&self.path, target)?,
            Replace::No => self.disk.rename_new(&self.path, target)?,
        }
        self.file = None;
        Ok(())
    }
}

impl Drop for Draft {
    fn drop(&mut self) {
        if self.file.take().is_some() {
            // A left-over is named so that nobody takes it for an object; the next start removes it.
            let _ = self.disk.remove_file(&self.path);
        }
    }
}

/// Removes what an earlier run left unfinished in the folder `shelf`.
pub(super) fn clear(disk: &dyn Disk, shelf: &Path) {
    let folders = std::iter::once(shelf.to_path_buf())
        .chain(super::key::PARTS.iter().map(|part| shelf.join(part)));
    for folder in folders {
        for name in disk.list(&folder).unwrap_or_default() {
            if name.to_string_lossy().starts_with(DRAFT_PREFIX) {
                let _ = disk.remove_file(&folder.join(name));
            }
        }
    }
}
