//! What went wrong, said in two parts: the fact, and the next step a person can take.

use std::fmt;

/// What a caller can do about an error; the faces map it to exit codes and statuses.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// The arguments make no sense as given.
    Usage,
    /// The thing named does not exist.
    NotFound,
    /// Something of that name exists and was left alone.
    AlreadyThere,
    /// Bytes are not what was recorded.
    Damaged,
    /// No key at hand opens this, or the key is locked.
    WrongKey,
    /// A place cannot be reached now.
    Unreachable,
    /// The other side, or a rule of ours, says no.
    Refused,
    /// Another process holds the vault.
    Busy,
    /// Written by a newer program.
    NewerFormat,
    /// The input cannot be used.
    BadInput,
    /// The system failed to read or write.
    Io,
    /// A mistake in farshelf itself.
    Bug,
}

impl Kind {
    /// The stable word for this kind in JSON.
    pub fn as_str(self) -> &'static str {
        match self {
            Kind::Usage => "usage",
            Kind::NotFound => "not-found",
            Kind::AlreadyThere => "already-there",
            Kind::Damaged => "damaged",
            Kind::WrongKey => "wrong-key",
            Kind::Unreachable => "unreachable",
            Kind::Refused => "refused",
            Kind::Busy => "busy",
            Kind::NewerFormat => "newer-format",
            Kind::BadInput => "bad-input",
            Kind::Io => "io",
            Kind::Bug => "bug",
        }
    }
}

/// The step after an error or a finding; the faces word it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Next {
    /// Nothing sensible can be advised.
    Nothing,
    /// Advice in words.
    Say(String),
    /// A reason, then the arguments of a farshelf command that can be pasted.
    Run {
        /// Why one would run it, such as `see what is kept`.
        to: String,
        /// Arguments after the program's name.
        command: String,
    },
}

impl Next {
    /// Advice in words.
    pub fn say(text: impl Into<String>) -> Next {
        Next::Say(text.into())
    }

    /// A command to paste, and what it is for.
    pub fn run(to: impl Into<String>, command: impl Into<String>) -> Next {
        Next::Run {
            to: to.into(),
            command: command.into(),
        }
    }

    /// The text after `next: `, or `None` when there is nothing to advise.
    pub fn text(&self) -> Option<String> {
        match self {
            Next::Nothing => None,
            Next::Say(text) => Some(text.clone()),
            Next::Run { to, command } if to.is_empty() => Some(format!("farshelf {command}")),
            Next::Run { to, command } => Some(format!("{to}: farshelf {command}")),
        }
    }
}

/// A failure: its kind, one clause that says what happened to what, and the next step.
#[derive(Debug)]
pub struct Error {
    /// What a caller can do about it.
    pub kind: Kind,
    fact: String,
    next: Next,
    source: Option<Box<dyn std::error::Error + Send + Sync>>,
}

/// The result of anything in farshelf that can fail.
pub type Result<T> = std::result::Result<T, Error>;

impl Error {
    /// An error with a fact in one lowercase clause without a full stop.
    pub fn new(kind: Kind, fact: impl Into<String>) -> Error {
        Error {
            kind,
            fact: fact.into(),
            next: Next::Nothing,
            source: None,
        }
    }

    /// Wrong usage: the arguments make no sense as given.
    pub fn usage(fact: impl Into<String>) -> Error {
        Error::new(Kind::Usage, fact)
    }

    /// A failed system call: `doing` is the verb and its object, such as `cannot read pad.syx`.
    pub fn io(doing: impl Into<String>, source: std::io::Error) -> Error {
        let next = match source.kind() {
            std::io::ErrorKind::StorageFull | std::io::ErrorKind::QuotaExceeded => Next::say(
                "make room on that disk and run the same command again; what was kept before is not touched",
            ),
            std::io::ErrorKind::ReadOnlyFilesystem => Next::say(
                "make that file system writable and run the same command again; nothing was changed",
            ),
            std::io::ErrorKind::PermissionDenied => {
                Next::say("check who may read and write there, then run the same command again")
            }
            std::io::ErrorKind::NotFound => {
                Next::say("check the name and whether its disk is there")
            }
            std::io::ErrorKind::AlreadyExists | std::io::ErrorKind::NotADirectory => {
                Next::say("a file is in the way there; nothing was changed, name another path")
            }
            _ => Next::say(
                "check the disk, then run the same command again; what was kept before is not touched",
            ),
        };
        Error {
            kind: if source.kind() == std::io::ErrorKind::NotFound {
                Kind::NotFound
            } else {
                Kind::Io
            },
            fact: doing.into(),
            next,
            source: Some(Box::new(source)),
        }
    }

    /// The same error with a next step.
    pub fn next(mut self, next: Next) -> Error {
        self.next = next;
        self
    }

    /// The same error with its cause.
    pub fn because(mut self, source: impl std::error::Error + Send + Sync + 'static) -> Error {
        self.source = Some(Box::new(source));
        self
    }

    /// The fact with its causes, joined by `: `.
    pub fn fact(&self) -> String {
        let mut text = self.fact.clone();
        let mut cause = std::error::Error::source(self);
        while let Some(e) = cause {
            text.push_str(": ");
            text.push_str(&cause_text(&e.to_string()));
            cause = e.source();
        }
        text
    }

    /// The next step.
    pub fn next_step(&self) -> &Next {
        &self.next
    }
}

/// A cause as part of a sentence: the system's own words begin with a capital and end with a number.
fn cause_text(cause: &str) -> String {
    let cause = match cause.rsplit_once(" (os error ") {
        Some((words, _)) => words,
        None => cause,
    };
    let mut chars = cause.chars();
    match (chars.next(), chars.clone().next()) {
        (Some(first), Some(second)) if second.is_lowercase() => {
            first.to_lowercase().chain(chars).collect()
        }
        _ => cause.to_string(),
    }
}

impl fmt::Display for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.fact)
    }
}

impl std::error::Error for Error {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        self.source.as_ref().map(|e| e.as_ref() as _)
    }
}

/// True if a disk without room is the reason: also where SQLite could not make the files beside its own.
fn is_full(e: &rusqlite::Error) -> bool {
    const SHARED_MEMORY_SIZE: std::ffi::c_int = 4874; // SQLITE_IOERR_SHMSIZE
    matches!(e, rusqlite::Error::SqliteFailure(f, _)
        if f.code == rusqlite::ErrorCode::DiskFull || f.extended_code == SHARED_MEMORY_SIZE)
}

impl From<rusqlite::Error> for Error {
    fn from(e: rusqlite::Error) -> Error {
        use rusqlite::ErrorCode as C;
        let (kind, next) = match e.sqlite_error_code() {
            Some(C::DatabaseCorrupt | C::NotADatabase) => (
                Kind::Damaged,
                Next::run("the reels hold everything it knew; rebuild it", "reindex"),
            ),
            _ if is_full(&e) => (
                Kind::Io,
                Next::say(
                    "make room on that disk and run the same command again; what was kept before is not touched",
                ),
            ),
            Some(C::DatabaseBusy | C::DatabaseLocked) => (
                Kind::Busy,
                Next::say("another farshelf is at work here; try again in a moment"),
            ),
            Some(C::ReadOnly) => (
                Kind::Io,
                Next::say(
                    "make the vault's folder writable and run the same command again; nothing was changed",
                ),
            ),
            _ => (
                Kind::Io,
                Next::say(
                    "check the disk, then run the same command again; what was kept before is not touched",
                ),
            ),
        };
        let fact = match is_full(&e) {
            true => "there is no room left on the vault's disk",
            false => "cannot use the vault's catalogue",
        };
        Error::new(kind, fact).next(next).because(e)
    }
}
