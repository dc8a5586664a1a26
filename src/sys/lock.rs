//! One writer at a time: the vault's lock, and who holds it.

use std::fs::{File, OpenOptions, TryLockError};
use std::io::{Read, Seek, Write};
use std::path::Path;
use std::time::Duration;

use crate::error::{Error, Kind, Next, Result};
use crate::sys::clock::Clock;

/// The held lock; dropping it, or the end of the process, lets it go.
#[derive(Debug)]
pub struct WriterLock {
    _file: File,
}

/// Takes the lock at `path`, waiting at most `wait`.
///
/// The lock belongs to the open file, so a killed process never leaves it behind. The file's text only says who
/// wrote it last, for the message to others.
///
/// # Errors
/// `Busy` naming the holder when it is not free in time; `Io` when the file cannot be opened.
pub fn acquire(path: &Path, wait: Duration, clock: &dyn Clock) -> Result<WriterLock> {
    let start = clock.steady();
    loop {
        if let Some(lock) = try_acquire(path)? {
            return Ok(lock);
        }
        if clock.steady().saturating_sub(start) >= wait {
            let holder = holder(path);
            return Err(Error::new(
                Kind::Busy,
                format!("the vault is in use by {holder}; nothing was changed"),
            )
            .next(Next::say(
                "try again when it is done, or wait longer with --wait SECONDS",
            )));
        }
        clock.sleep(Duration::from_millis(20));
    }
}

/// Takes the lock at `path` if nobody holds it.
///
/// # Errors
/// `Io` when the file cannot be opened.
pub fn try_acquire(path: &Path) -> Result<Option<WriterLock>> {
    let fail = |e| Error::io(format!("cannot open the lock {}", path.display()), e);
    let mut file = OpenOptions::new()
        .read(true)
        .write(true)
        .create(true)
        .truncate(false)
        .open(path)
        .map_err(fail)?;
    match file.try_lock() {
        Ok(()) => {
            // Only a courtesy to others: failing to write it must not stop the work.
            let _ = file.set_len(0);
            let _ = file.rewind();
            let command: Vec<String> = std::env::args().skip(1).take(2).collect();
            let _ = write!(
                file,
                "process {} (farshelf {})",
                std::process::id(),
                command.join(" ")
            );
            Ok(Some(WriterLock { _file: file }))
        }
        Err(TryLockError::WouldBlock) => Ok(None),
        Err(TryLockError::Error(e)) => Err(fail(e)),
    }
}

fn holder(path: &Path) -> String {
    let mut text = String::new();
    let read = File::open(path).and_then(|f| f.take(200).read_to_string(&mut text));
    match read {
        Ok(_) if !text.trim().is_empty() => crate::sys::text::printable(text.trim()),
        _ => "another farshelf".to_string(),
    }
}
