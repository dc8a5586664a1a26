//! A text file that only grows by whole lines; a torn last line, of a write that was cut off, is no line.

use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::sys::disk::{self, Disk, DiskFile, Privacy};

/// More than any host has objects, times the longest line.
const LIMIT: u64 = 4 << 30;

/// Whether a line has to outlive a power cut before the next step.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Durable {
    /// It is on stable storage when appending returns.
    Yes,
    /// The system may write it later.
    No,
}

/// The file, open for more lines.
#[derive(Debug)]
pub(super) struct Journal {
    disk: Arc<dyn Disk>,
    path: PathBuf,
    /// None after a failure: it is opened and measured anew by whoever appends next.
    open: Option<(Box<dyn DiskFile>, u64)>,
}

impl Journal {
    /// The journal at `path`; nothing is read.
    pub(super) fn new(disk: Arc<dyn Disk>, path: PathBuf) -> Journal {
        Journal {
            disk,
            path,
            open: None,
        }
    }

    /// Appends `line`, which holds no line break.
    ///
    /// # Errors
    /// Of writing; what stands in the file stays readable.
    pub(super) fn append(&mut self, line: &str, durable: Durable) -> io::Result<()> {
        let (mut file, end) = match self.open.take() {
            Some(open) => open,
            None => self.reopen()?,
        };
        let mut bytes = Vec::with_capacity(line.len() + 1);
        bytes.extend_from_slice(line.as_bytes());
        bytes.push(b'\n');
        file.write_at(&bytes, end)?;
        if durable == Durable::Yes {
            file.sync()?;
        }
        self.open = Some((file, end + bytes.len() as u64));
        Ok(())
    }

    fn reopen(&self) -> io::Result<(Box<dyn DiskFile>, u64)> {
        let mut file = match self.disk.open_write(&self.path) {
            Ok(file) => file,
            Err(e) if e.kind() == io::ErrorKind::NotFound => {
                let mut file = self.disk.create_new(&self.path, Privacy::Shared)?;
                file.sync()?;
                let folder = self.path.parent().unwrap_or(Path::new("."));
                self.disk.sync_folder(folder)?;
                file
            }
            Err(e) => return Err(e),
        };
        let end = whole_end(file.as_ref())?;
        // A torn line must not become the beginning of the next.
        if end != file.meta()?.size {
            file.set_len(end)?;
        }
        Ok((file, end))
    }
}

/// The offset behind the last line break.
fn whole_end(file: &dyn DiskFile) -> io::Result<u64> {
    let mut end = file.meta()?.size;
    let mut block = [0u8; 4096];
    while end > 0 {
        let start = end.saturating_sub(block.len() as u64);
        let wanted = (end - start) as usize;
        let mut filled = 0;
        while filled < wanted {
            match file.read_at(&mut block[filled..wanted], start + filled as u64)? {
                0 => break,
                n => filled += n,
            }
        }
        if let Some(at) = block[..filled].iter().rposition(|b| *b == b'\n') {
            return Ok(start + at as u64 + 1);
        }
        end = start;
    }
    Ok(0)
}

/// The whole lines of the journal at `path`; none if it is not there. Bytes that are no text become marks.
///
/// # Errors
/// Of reading.
pub(super) fn lines(disk: &dyn Disk, path: &Path) -> io::Result<Vec<String>> {
    let bytes = match disk::read_all(disk, path, LIMIT) {
        Ok(bytes) => bytes,
        Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(e) => return Err(e),
    };
    let whole = bytes
        .iter()
        .rposition(|b| *b == b'\n')
        .map_or(0, |at| at + 1);
    Ok(String::from_utf8_lossy(&bytes[..whole])
        .lines()
        .map(str::to_string)
        .collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sys::disk::RealDisk;

    #[test]
    fn a_torn_last_line_is_forgotten_and_never_joined() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.tsv");
        let open = || Journal::new(Arc::new(RealDisk), path.clone());
        assert_eq!(lines(&RealDisk, &path).unwrap(), [""; 0]);
        open().append("one", Durable::Yes).unwrap();
        let long = "x".repeat(9000);
        std::fs::write(&path, format!("one\ntwo{long}")).unwrap();
        assert_eq!(lines(&RealDisk, &path).unwrap(), ["one"]);
        let mut journal = open();
        journal.append("three", Durable::No).unwrap();
        journal.append("four", Durable::Yes).unwrap();
        assert_eq!(lines(&RealDisk, &path).unwrap(), ["one", "three", "four"]);
    }
}
