//! A serving host: its guests as their files say now, and what it holds for each of them.

use std::collections::HashMap;
use std::fmt;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

use tokio::sync::Semaphore;
use zeroize::Zeroizing;

use super::draft;
use super::folder::HostFolder;
use super::guests::{Guest, names};
use super::holding::{Holding, Room};
use super::net::Multiparts;
use crate::error::{Error, Result};
use crate::model::ids::GuestName;

/// Uploads that run at once for one guest; more wait.
const UPLOADS: usize = 16;
/// A folder changed so short ago may change again without its time showing it.
const SAME_TICK_NS: i128 = 100_000_000;

/// A guest that has access.
pub(super) struct Lodger {
    /// What it signs with.
    pub(super) secret: Zeroizing<String>,
    /// The generation of that secret.
    pub(super) generation: u32,
    /// Bytes it may hold.
    pub(super) quota: Option<u64>,
    /// What lies here for it.
    pub(super) rooms: Arc<Rooms>,
}

/// Never the secret.
impl fmt::Debug for Lodger {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Lodger")
            .field("generation", &self.generation)
            .finish_non_exhaustive()
    }
}

/// What lies here for a guest, whatever its secret is.
#[derive(Debug)]
pub(super) struct Rooms {
    /// Its objects.
    pub(super) holding: Arc<Holding>,
    /// Permits for uploads.
    pub(super) uploads: Arc<Semaphore>,
    /// Objects that come in parts.
    pub(super) multiparts: Multiparts,
}

#[derive(Debug, Default)]
struct Book {
    /// The time of the guests' folder when it was read, and whether it may have changed again in the same tick.
    read_at: Option<(i128, bool)>,
    by_access: HashMap<String, Arc<Lodger>>,
    rooms: HashMap<GuestName, Arc<Rooms>>,
}

/// A serving host.
#[derive(Debug)]
pub(super) struct House {
    /// Its folder.
    pub(super) host: HostFolder,
    room: Arc<Room>,
    book: Mutex<Book>,
    /// Invites are taken up one after the other.
    pub(super) redeeming: Mutex<()>,
    arrivals: AtomicU64,
    stopping: AtomicBool,
}

impl House {
    /// Reads all guests, and removes what an earlier run left unfinished. The caller holds the host's lock.
    ///
    /// # Errors
    /// `Io`, `Damaged`.
    pub(super) fn open(host: HostFolder) -> Result<House> {
        for name in names(&host)? {
            draft::clear(host.world.disk.as_ref(), &host.shelf(&name));
        }
        let house = House {
            room: Room::new(&host),
            host,
            book: Mutex::default(),
            redeeming: Mutex::default(),
            arrivals: AtomicU64::new(0),
            stopping: AtomicBool::new(false),
        };
        house.read_guests()?;
        Ok(house)
    }

    /// Counts an object that came.
    pub(super) fn count_arrival(&self) {
        self.arrivals.fetch_add(1, Ordering::Relaxed);
    }

    /// Objects that came since the start.
    pub(super) fn arrived(&self) -> u64 {
        self.arrivals.load(Ordering::Relaxed)
    }

    /// Tells everybody to come to an end.
    pub(super) fn stop(&self) {
        self.stopping.store(true, Ordering::Relaxed);
    }

    /// True once everybody should come to an end.
    pub(super) fn is_stopping(&self) -> bool {
        self.stopping.load(Ordering::Relaxed)
    }

    /// The guest that signs with this access id.
    ///
    /// # Errors
    /// `Io`, `Damaged`.
    pub(super) fn lodger(&self, access: &str) -> Result<Option<Arc<Lodger>>> {
        self.read_guests()?;
        let book = self.book.lock().unwrap_or_else(PoisonError::into_inner);
        Ok(book.by_access.get(access).cloned())
    }

    /// What lies here for each guest, also for those that have no access yet.
    pub(super) fn all_rooms(&self) -> Vec<Arc<Rooms>> {
        let book = self.book.lock().unwrap_or_else(PoisonError::into_inner);
        book.rooms.values().cloned().collect()
    }

    /// Reads the guests' files if their folder has changed; commands beside the server replace them.
    ///
    /// # Errors
    /// `Io`, `Damaged`.
    pub(super) fn read_guests(&self) -> Result<()> {
        let folder = self.host.guests();
        let changed_at = self
            .host
            .world
            .disk
            .meta(&folder)
            .map_err(|e| Error::io(format!("cannot read {}", folder.display()), e))?
            .mtime_ns;
        let mut book = self.book.lock().unwrap_or_else(PoisonError::into_inner);
        let settled = self.host.world.clock.now().as_nanosecond() - changed_at > SAME_TICK_NS;
        if book.read_at == Some((changed_at, true)) {
            return Ok(());
        }
        let mut by_access = HashMap::new();
        let mut rooms = HashMap::new();
        for name in names(&self.host)? {
            let Some(guest) = Guest::load(&self.host, &name)? else {
                continue;
            };
            if guest.retired {
                continue;
            }
            let mine = match book.rooms.remove(&name) {
                Some(mine) => mine,
                None => Arc::new(Rooms {
                    holding: Arc::new(Holding::open_in(&self.host, &name, self.room.clone())?),
                    uploads: Arc::new(Semaphore::new(UPLOADS)),
                    multiparts: Multiparts::default(),
                }),
            };
            if let (Some(access), Some(secret)) = (guest.access, guest.secret) {
                by_access.insert(
                    access,
                    Arc::new(Lodger {
                        secret: Zeroizing::new(secret),
                        generation: guest.generation,
                        quota: guest.quota,
                        rooms: mine.clone(),
                    }),
                );
            }
            rooms.insert(name, mine);
        }
        *book = Book {
            read_at: Some((changed_at, settled)),
            by_access,
            rooms,
        };
        Ok(())
    }
}

#[cfg(test)]
pub(super) mod tests {
    use std::path::Path;
    use std::sync::Arc;

    use crate::sys::World;
    use crate::sys::clock::SystemClock;
    use crate::sys::disk::RealDisk;
    use crate::sys::entropy::SystemEntropy;

    /// A world whose computer remembers things in `dir`.
    pub(in crate::host) fn world(dir: &Path) -> World {
        World {
            clock: Arc::new(SystemClock),
            entropy: Arc::new(SystemEntropy),
            disk: Arc::new(RealDisk),
            zone: jiff::tz::TimeZone::UTC,
            computer: "test-computer".into(),
            state_dir: Some(dir.join("state")),
        }
    }
}
