//! The catalogue: a SQLite index over the reels, and the only place that speaks SQL.
//!
//! It can be deleted and rebuilt (I4). Facts enter only through [`Catalogue::apply`], live and when rebuilding, so
//! that both give the same rows. Schema: `migrations/`, one numbered file per step, `user_version` says how far.

mod apply;
mod carry;
mod check;
mod read;
mod readings;
mod retold;
mod rows;
mod search;
mod settle;

pub use apply::{Dirty, LOOSE, Stored, Where};
pub use carry::LostTake;
pub use check::{KnownFile, ReelCheck, ShelfCheck, ShelfReel};
pub use rows::{
    DeviceRow, FindingRow, Form, Holding, KeyPlace, LogRow, OriginRow, ReelRow, SectionRow,
    ShelfRow, SightingRow, SourceRow, TakeRow, VouchRow,
};
pub use search::{FoundFile, FoundPatch};
pub use settle::SectionTimeline;

use std::cell::RefCell;
use std::collections::HashMap;
use std::path::{Path, PathBuf};

use rusqlite::config::DbConfig;
use rusqlite::{Connection, OpenFlags, OptionalExtension};

use crate::error::{Error, Kind, Next, Result};
use crate::model::contents::READING;
use crate::sys::disk::{Disk, RealDisk, TemporaryFolder};

/// The schema steps, in order; a released one is never edited.
const STEPS: &[&str] = &[
    include_str!("../../../migrations/0001_first.sql"),
    include_str!("../../../migrations/0002_reels.sql"),
    include_str!("../../../migrations/0003_readings.sql"),
    include_str!("../../../migrations/0004_distant_shelves.sql"),
];

/// The catalogue's file name inside a vault.
pub const FILE: &str = "catalogue.sqlite";

/// An open catalogue.
#[derive(Debug)]
pub struct Catalogue {
    conn: Connection,
    path: PathBuf,
    /// Set while a copy is read because the original lies on a read-only disk and was not closed cleanly.
    copy: Option<TemporaryFolder>,
    /// Row ids of the file names that were recorded last.
    file_names: RefCell<HashMap<String, i64>>,
}

/// Where the reels stood when the last batch was acknowledged.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Mark {
    /// The last reel, 0 if there is none yet.
    pub reel: u64,
    /// Its acknowledged length in bytes; its whole length if it is closed.
    pub end: u64,
    /// True if that reel is closed.
    pub closed: bool,
    /// Number of the last ledger line.
    pub line: u64,
    /// Where the next batch's check begins in the open reel.
    pub batch_from: u64,
}

impl Catalogue {
    /// Creates a new catalogue at `path`, which must not exist.
    ///
    /// # Errors
    /// `AlreadyThere`, or `Io` when the disk refuses.
    pub fn create(path: &Path) -> Result<Catalogue> {
        if path.symlink_metadata().is_ok() {
            return Err(Error::new(
                Kind::AlreadyThere,
                format!("{} is already there; it was left alone", path.display()),
            ));
        }
        if !has_room(path) {
            return Err(Error::new(
                Kind::Io,
                format!("there is no room left for {}", path.display()),
            )
            .next(Next::say(
                "make room on that disk and run the same command again; what was kept before is not touched",
            )));
        }
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE
            | OpenFlags::SQLITE_OPEN_CREATE
            | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let conn = Connection::open_with_flags(path, flags)?;
        let catalogue = Catalogue {
            conn,
            path: path.to_path_buf(),
            copy: None,
            file_names: RefCell::default(),
        };
        catalogue.tune()?;
        catalogue.migrate()?;
        catalogue.read_all_anew(READING)?;
        Ok(catalogue)
    }

    /// Opens the catalogue at `path`. On a read-only file system it is opened for reading only.
    ///
    /// # Errors
    /// `NotFound`; `NewerFormat` if a newer program wrote it (nothing is changed then); `Damaged` if it is no
    /// catalogue any more.
    pub fn open(path: &Path) -> Result<Catalogue> {
        if path.symlink_metadata().is_err() {
            return Err(
                Error::new(Kind::NotFound, format!("{} is missing", path.display())).next(
                    Next::run("the reels hold everything it knew; rebuild it", "reindex"),
                ),
            );
        }
        let (conn, copy) = match has_room(path).then(|| open_for_writing(path)) {
            Some(Ok(conn)) if !conn.is_readonly("main")? => (conn, None),
            Some(Err(e)) if is_no_catalogue(&e) => return Err(e.into()),
            // A read-only disk, or one without room for the files that SQLite keeps beside its own.
            _ => open_for_reading(path)?,
        };
        let catalogue = Catalogue {
            conn,
            path: path.to_path_buf(),
            copy,
            file_names: RefCell::default(),
        };
        let version = catalogue.version()?;
        if version > STEPS.len() as i64 {
            return Err(Error::new(
                Kind::NewerFormat,
                format!(
                    "this vault was last used by a newer farshelf (catalogue {version}, this program reads up to {}); nothing was changed",
                    STEPS.len()
                ),
            )
            .next(Next::say("use the newer farshelf here")));
        }
        catalogue.tune()?;
        if version < STEPS.len() as i64 {
            catalogue.migrate()?;
        }
        Ok(catalogue)
    }

    /// True if it could be opened for reading only.
    ///
    /// # Errors
    /// As SQLite's.
    pub fn is_read_only(&self) -> Result<bool> {
        Ok(self.copy.is_some() || self.conn.is_readonly("main")?)
    }

    /// Where its file lies.
    pub fn path(&self) -> &Path {
        &self.path
    }

    fn version(&self) -> Result<i64> {
        Ok(self
            .conn
            .query_row("PRAGMA user_version", [], |r| r.get(0))?)
    }

    fn tune(&self) -> Result<()> {
        self.conn.busy_timeout(std::time::Duration::from_secs(10))?;
        if !self.conn.is_readonly("main")? {
            self.conn.pragma_update(None, "journal_mode", "WAL")?;
        }
        self.conn.pragma_update(None, "synchronous", "FULL")?;
        self.conn.pragma_update(None, "cache_size", -16_000)?;
        // 32 MiB of log before it is moved into the file: a long run writes each page there once, not many times.
        self.conn.pragma_update(None, "wal_autocheckpoint", 8_000)?;
        self.conn.pragma_update(None, "temp_store", "MEMORY")?;
        // Without it every new binding of a prepared statement plans the query again.
        self.conn
            .set_db_config(DbConfig::SQLITE_DBCONFIG_ENABLE_QPSG, true)?;
        self.conn.set_prepared_statement_cache_capacity(128);
        Ok(())
    }

    fn migrate(&self) -> Result<()> {
        for (step, sql) in STEPS
            .iter()
            .enumerate()
            .skip(self.version()?.max(0) as usize)
        {
            self.conn.execute_batch(&format!(
                "BEGIN IMMEDIATE; {sql}; PRAGMA user_version = {}; COMMIT;",
                step + 1
            ))?;
        }
        Ok(())
    }

    /// Begins the transaction of a writer. Nothing is seen by others until [`Catalogue::commit`].
    pub fn begin(&self) -> Result<()> {
        Ok(self.conn.execute_batch("BEGIN IMMEDIATE")?)
    }

    /// Makes everything since [`Catalogue::begin`] durable.
    pub fn commit(&self) -> Result<()> {
        self.index_new_texts()?;
        Ok(self.conn.execute_batch("COMMIT")?)
    }

    /// Forgets everything since [`Catalogue::begin`]; no error if there is no transaction.
    pub fn roll_back(&self) {
        if !self.conn.is_autocommit() {
            self.file_names.borrow_mut().clear();
            // The transaction also ends with the connection: nothing more can be done here.
            let _ = self.conn.execute_batch("ROLLBACK");
        }
    }

    /// Runs `work` in one durable transaction.
    pub fn in_transaction<T>(&self, work: impl FnOnce(&Catalogue) -> Result<T>) -> Result<T> {
        self.begin()?;
        let result = work(self);
        match result {
            Ok(value) => {
                self.commit()?;
                Ok(value)
            }
            Err(e) => {
                self.roll_back();
                Err(e)
            }
        }
    }

    /// Moves everything into the one file, so that it can be renamed.
    pub fn gather(&self) -> Result<()> {
        self.conn
            .query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(()))?;
        Ok(())
    }

    /// A setting of the catalogue's own.
    pub fn meta(&self, key: &str) -> Result<Option<String>> {
        Ok(self
            .conn
            .prepare_cached("SELECT value FROM meta WHERE key = ?1")?
            .query_row([key], |r| r.get(0))
            .optional()?)
    }

    /// Sets a setting of the catalogue's own.
    pub fn set_meta(&self, key: &str, value: &str) -> Result<()> {
        self.conn
            .prepare_cached("INSERT OR REPLACE INTO meta (key, value) VALUES (?1, ?2)")?
            .execute([key, value])?;
        Ok(())
    }

    /// Where the reels stood at the last acknowledgement.
    pub fn mark(&self) -> Result<Mark> {
        let number =
            |key| -> Result<u64> { Ok(self.meta(key)?.and_then(|v| v.parse().ok()).unwrap_or(0)) };
        Ok(Mark {
            reel: number("reel")?,
            end: number("end")?,
            closed: number("closed")? == 1,
            line: number("line")?,
            batch_from: number("batch_from")?,
        })
    }

    /// Records where the reels stand.
    pub fn set_mark(&self, mark: &Mark) -> Result<()> {
        self.set_meta("reel", &mark.reel.to_string())?;
        self.set_meta("end", &mark.end.to_string())?;
        self.set_meta("closed", if mark.closed { "1" } else { "0" })?;
        self.set_meta("line", &mark.line.to_string())?;
        self.set_meta("batch_from", &mark.batch_from.to_string())
    }
}

/// True if SQLite can make the files that it keeps beside its own. One of them is mapped into memory: where the disk
/// cannot back a page of it, the system kills the program, so this is asked before and not found out.
fn has_room(path: &Path) -> bool {
    const ROOM: u64 = 512 << 10;
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty());
    RealDisk
        .free_space(folder.unwrap_or(Path::new(".")))
        .is_ok_and(|free| free >= ROOM)
}

/// Where SQLite keeps what is committed but not yet in the file itself.
pub(crate) fn wal(path: &Path) -> PathBuf {
    path.with_extension("sqlite-wal")
}

fn open_for_writing(path: &Path) -> rusqlite::Result<Connection> {
    let conn = Connection::open_with_flags(
        path,
        OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX,
    )?;
    first_look(&conn)?;
    Ok(conn)
}

/// Reads something, which makes SQLite open all its files.
fn first_look(conn: &Connection) -> rusqlite::Result<()> {
    conn.query_row("SELECT count(*) FROM sqlite_schema", [], |_| Ok(()))
}

fn is_no_catalogue(e: &rusqlite::Error) -> bool {
    use rusqlite::ErrorCode::{DatabaseCorrupt, NotADatabase};
    matches!(e.sqlite_error_code(), Some(DatabaseCorrupt | NotADatabase))
}

type Opened = (Connection, Option<TemporaryFolder>);

fn open_for_reading(path: &Path) -> Result<Opened> {
    let wal = wal(path);
    let pending = wal.metadata().is_ok_and(|m| m.len() > 0);
    if pending {
        // In exclusive mode the index of the pending part is kept in memory and needs no file; but that mode wants
        // to write. On a read-only disk a copy is read.
        return match open_exclusive(path) {
            Ok(conn) => Ok((conn, None)),
            Err(_) => open_copy(path, &wal),
        };
    }
    // Without anything pending the file is complete by itself and needs no helper files beside it.
    let mut uri = String::from("file:");
    for b in path.as_os_str().as_encoded_bytes() {
        match b {
            b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'/' | b'.' | b'-' | b'_' => {
                uri.push(char::from(*b))
            }
            b => uri.push_str(&format!("%{b:02X}")),
        }
    }
    uri.push_str("?mode=ro&immutable=1");
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY
        | OpenFlags::SQLITE_OPEN_URI
        | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    Ok((Connection::open_with_flags(uri, flags)?, None))
}

fn open_exclusive(path: &Path) -> rusqlite::Result<Connection> {
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let conn = Connection::open_with_flags(path, flags)?;
    conn.pragma_update(None, "locking_mode", "EXCLUSIVE")?;
    first_look(&conn)?;
    Ok(conn)
}

fn open_copy(path: &Path, wal: &Path) -> Result<Opened> {
    let fail = |e| {
        Error::io(
            format!("cannot make a copy of {} to read", path.display()),
            e,
        )
    };
    let folder = TemporaryFolder::new().map_err(fail)?;
    let copied = folder.take_copy(path).map_err(fail)?;
    folder.take_copy(wal).map_err(fail)?;
    let conn = open_for_writing(&copied)?;
    Ok((conn, Some(folder)))
}
