//! Reading what is held again: gently and for ever while serving, or all of it now.
//!
//! A host can tell whether an object's bytes are those that came. Whether those were right when they came, and whether
//! the name an object bears is its own, only the guest can tell: names are made with a key that the host has not.

use std::time::Duration;

use super::checks::{Check, Verdict};
use super::folder::HostFolder;
use super::guests::{Guest, names};
use super::holding::{Entry, Holding};
use super::house::House;
use crate::error::{Error, Kind, Next, Result};
use crate::model::ids::GuestName;
use crate::sys::disk::{self, Privacy, Replace};

/// Everything held is read again in about this many days.
const DAYS: u64 = 30;
/// A host that holds little reads at least so much a day.
const LEAST_A_DAY: u64 = 64 << 20;
const DAY_SECONDS: u64 = 86_400;
const NAP: Duration = Duration::from_millis(200);
/// Naps between two looks at the guests' files: three seconds.
const NAPS: u32 = 15;

/// An object that is not as it came.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Damage {
    /// Whose.
    pub guest: GuestName,
    /// Which.
    pub key: String,
    /// What is wrong with it, as the end of a sentence.
    pub detail: &'static str,
}

/// What a check found.
#[derive(Debug, Clone, Default)]
pub struct Checked {
    /// Objects read.
    pub objects: u64,
    /// Bytes read.
    pub bytes: u64,
    /// Objects that the owner had put there by hand and that are held to what they are from now on.
    pub recorded: u64,
    /// Objects like that which could not be recorded, because the host is being served.
    pub unrecorded: u64,
    /// What is not as it came.
    pub damaged: Vec<Damage>,
}

/// What became of one object.
enum Found {
    /// As it came.
    Good(u64),
    /// Nothing was recorded of it; this is its length.
    Unrecorded(u64),
    /// Its bytes are others.
    Altered(u64),
    /// It cannot be read.
    Unreadable,
    /// It was here and is not any more.
    Gone,
    /// It never appeared.
    Never,
}

fn look(holding: &Holding, key: &str, entry: &Entry) -> Found {
    match (holding.rehash(key), &entry.record) {
        (Ok(Some((bytes, sha256))), Some(record)) => {
            if bytes == record.bytes && sha256 == record.hashes.sha256 {
                Found::Good(bytes)
            } else {
                Found::Altered(bytes)
            }
        }
        (Ok(Some((bytes, _))), None) => Found::Unrecorded(bytes),
        // A line of the record that has no other sign of an object is of an upload that was cut off.
        (Ok(None), _) if entry.present.is_some() || entry.is_gone() => Found::Gone,
        (Ok(None), _) => Found::Never,
        (Err(_), _) => Found::Unreadable,
    }
}

impl Found {
    fn verdict(&self) -> Option<Verdict> {
        match self {
            Found::Good(_) => Some(Verdict::Good),
            Found::Altered(_) | Found::Unreadable => Some(Verdict::Damaged),
            Found::Gone => Some(Verdict::Gone),
            Found::Unrecorded(_) | Found::Never => None,
        }
    }

    fn bytes(&self) -> u64 {
        match self {
            Found::Good(bytes) | Found::Unrecorded(bytes) | Found::Altered(bytes) => *bytes,
            _ => 0,
        }
    }
}

/// Reads everything of one guest, or of all, and compares it with what was recorded when it came. `seen` is called with
/// the bytes of each object. While the host is being served, the results are handed to the server.
///
/// # Errors
/// `NotFound` for a guest that is none; `Io`. Damage is no error but part of the result.
pub fn check(
    host: &HostFolder,
    only: Option<&GuestName>,
    mut seen: impl FnMut(u64),
) -> Result<Checked> {
    let lock = match host.lock(Duration::ZERO) {
        Ok(lock) => Some(lock),
        Err(e) if e.kind == Kind::Busy => None,
        Err(e) => return Err(e),
    };
    let mut checked = Checked::default();
    for name in guests_to_read(host, only)? {
        let holding = Holding::open(host, &name)?;
        let mut lines = String::new();
        for (key, entry) in holding.entries() {
            let mut found = look(&holding, &key, &entry);
            if let Found::Unrecorded(bytes) = found {
                let recorded = lock.is_some() && matches!(holding.record_now(&key), Ok(Some(_)));
                if recorded {
                    checked.recorded += 1;
                    found = Found::Good(bytes);
                } else {
                    checked.unrecorded += 1;
                }
            }
            if !matches!(found, Found::Never | Found::Gone) {
                checked.objects += 1;
            }
            checked.bytes += found.bytes();
            seen(found.bytes());
            let detail = match found {
                Found::Altered(_) => Some("its bytes are not those that came"),
                Found::Unreadable => Some("it cannot be read"),
                Found::Gone => Some("it is gone"),
                _ => None,
            };
            if let Some(detail) = detail {
                checked.damaged.push(Damage {
                    guest: name.clone(),
                    key: key.clone(),
                    detail,
                });
            }
            if let Some(verdict) = found.verdict() {
                let at = host.world.now();
                match lock {
                    Some(_) => holding.set_check(&key, verdict, at),
                    None => {
                        lines.push_str(&Check { verdict, at }.line(&key));
                        lines.push('\n');
                    }
                }
            }
        }
        if lock.is_none() {
            disk::publish(
                host.world.disk.as_ref(),
                &host.checks_by_hand(&name),
                lines.as_bytes(),
                Privacy::Shared,
                Replace::Yes,
            )?;
        }
    }
    Ok(checked)
}

fn guests_to_read(host: &HostFolder, only: Option<&GuestName>) -> Result<Vec<GuestName>> {
    match only {
        None => names(host),
        Some(name) if Guest::load(host, name)?.is_some() => Ok(vec![name.clone()]),
        Some(name) => Err(
            Error::new(Kind::NotFound, format!("there is no guest {name}"))
                .next(Next::run("see who there is", "host list")),
        ),
    }
}

/// Reads one object after the other while the host serves, the one longest unread first, at a gentle pace.
pub(super) fn keep_reading(house: &House) {
    let clock = house.host.world.clock.clone();
    while !house.is_stopping() {
        // A folder that cannot be listed is told to whoever asks for a guest.
        let _ = house.read_guests();
        let read = read_next(house);
        let held: u64 = house
            .all_rooms()
            .iter()
            .map(|rooms| rooms.holding.held())
            .sum();
        let a_day = (held / DAYS).max(LEAST_A_DAY);
        let rest = match read {
            Some(bytes) => Duration::from_millis(bytes.saturating_mul(DAY_SECONDS * 1000) / a_day),
            None => Duration::from_secs(60),
        };
        let until = clock.steady() + rest.max(NAP);
        let mut naps = 0;
        while !house.is_stopping() && clock.steady() < until {
            clock.sleep(NAP);
            naps += 1;
            // The records of a guest that is none any more are let go also if nobody asks.
            if naps % NAPS == 0 {
                let _ = house.read_guests();
            }
        }
    }
}

/// Reads the object that was longest unread; its length, or none if there is nothing to read.
fn read_next(house: &House) -> Option<u64> {
    let mut next: Option<(
        Option<i64>,
        std::sync::Arc<super::house::Rooms>,
        String,
        Entry,
    )> = None;
    for rooms in house.all_rooms() {
        let _ = rooms.holding.refresh();
        for (key, entry) in rooms.holding.entries() {
            let due = entry.present.is_some()
                || (entry.is_gone() && entry.check.is_some_and(|c| c.verdict != Verdict::Gone));
            if due
                && next
                    .as_ref()
                    .is_none_or(|(at, ..)| entry.checked_at() < *at)
            {
                next = Some((entry.checked_at(), rooms.clone(), key, entry));
            }
        }
    }
    let (_, rooms, key, entry) = next?;
    let holding = &rooms.holding;
    let mut found = look(holding, &key, &entry);
    if let Found::Unrecorded(bytes) = found
        && matches!(holding.record_now(&key), Ok(Some(_)))
    {
        found = Found::Good(bytes);
    }
    if let Some(verdict) = found.verdict() {
        holding.set_check(&key, verdict, house.host.world.now());
    }
    Some(found.bytes())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::host::holding::tests::{host, put};

    #[test]
    fn a_serving_host_reads_what_was_longest_unread() {
        let dir = tempfile::tempdir().unwrap();
        let (host, name) = host(dir.path());
        let house = House::open(host, true).unwrap();
        let rooms = house.all_rooms().remove(0);
        assert_eq!(rooms.holding.name, name);
        for (key, bytes) in [("keys/a", &b"abc"[..]), ("reels/a", b"d"), ("reels/b", b"")] {
            put(&rooms.holding, key, bytes).unwrap();
        }
        for (key, at) in [("reels/b", 7), ("keys/a", 5)] {
            // The first word after the arrival is a later one; the second says when.
            rooms.holding.set_check(key, Verdict::Good, at);
            rooms.holding.set_check(key, Verdict::Good, at);
        }
        let shelf = rooms.holding.shelf.clone();
        std::fs::write(shelf.join("keys/a"), b"abX").unwrap();
        std::fs::remove_file(shelf.join("reels/b")).unwrap();
        let verdict = |key: &str| rooms.holding.entry(key).check.map(|c| c.verdict);
        // Never read; then the one read at 5; then the one read at 7.
        assert_eq!(read_next(&house), Some(1));
        assert_eq!(verdict("reels/a"), Some(Verdict::Good));
        assert_eq!(verdict("keys/a"), Some(Verdict::Good));
        assert_eq!(read_next(&house), Some(3));
        assert_eq!(verdict("keys/a"), Some(Verdict::Damaged));
        assert_eq!(verdict("reels/b"), Some(Verdict::Good));
        assert_eq!(read_next(&house), Some(0));
        assert_eq!(verdict("reels/b"), Some(Verdict::Gone));
        let report = rooms.holding.report(None);
        assert_eq!(report.damaged, ["keys/a", "reels/b"]);
        assert!(report.checked_at.is_some());
    }
}
