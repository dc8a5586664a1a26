//! A serving host: its guests as their files say now, and what it holds for each of them.

use std::collections::{BTreeSet, HashMap};
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
use crate::lending::CertificatePrint;
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
    /// Whose they are: a later guest of the same name is another.
    identity: String,
    /// Its objects.
    pub(super) holding: Arc<Holding>,
    /// Permits for uploads.
    pub(super) uploads: Arc<Semaphore>,
    /// Objects that come in parts.
    pub(super) multiparts: Multiparts,
}

/// What signs in, if anything does yet, and its rooms.
type Lodged = (Option<(String, Arc<Lodger>)>, Arc<Rooms>);

#[derive(Debug, Default)]
struct Book {
    /// The time of the guests' folder when it was read, and whether it may have changed again in the same tick.
    read_at: Option<(i128, bool)>,
    by_access: HashMap<String, Arc<Lodger>>,
    rooms: HashMap<GuestName, Arc<Rooms>>,
    /// Guests whose files could not be read, and what nobody was told yet of that.
    unreadable: BTreeSet<GuestName>,
    complaints: Vec<Error>,
}

/// A serving host.
#[derive(Debug)]
pub(super) struct House {
    /// Its folder.
    pub(super) host: HostFolder,
    /// The certificate with which it serves TLS itself.
    pub(super) print: Option<CertificatePrint>,
    room: Arc<Room>,
    book: Mutex<Book>,
    /// Invites are taken up one after the other.
    pub(super) redeeming: Mutex<()>,
    arrivals: AtomicU64,
    stopping: AtomicBool,
}

impl House {
    /// Reads all guests, and removes what an earlier run left unfinished; without TLS of its own if `plain`. The caller
    /// holds the host's lock.
    ///
    /// # Errors
    /// `Io`, `Damaged`.
    pub(super) fn open(host: HostFolder, plain: bool) -> Result<House> {
        for name in names(&host)? {
            draft::clear(host.world.disk.as_ref(), &host.shelf(&name));
        }
        let house = House {
            room: Room::new(&host),
            print: (!plain).then(|| host.print.clone()),
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

    /// What the owner has to know and was not told yet.
    pub(super) fn complaints(&self) -> Vec<Error> {
        let mut book = self.book.lock().unwrap_or_else(PoisonError::into_inner);
        std::mem::take(&mut book.complaints)
    }

    /// Reads the guests' files if their folder has changed; commands beside the server replace them. A guest whose file
    /// cannot be read goes on as it was known, and the others do not notice.
    ///
    /// # Errors
    /// `Io`.
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
        let names = names(&self.host)?;
        let was = std::mem::take(&mut *book);
        book.complaints = was.complaints;
        for name in names {
            let before = was.rooms.get(&name);
            match self.lodge(&name, before) {
                Ok(None) => {}
                Ok(Some((lodger, rooms))) => {
                    book.by_access.extend(lodger);
                    book.rooms.insert(name, rooms);
                }
                Err(e) => {
                    if !was.unreadable.contains(&name) {
                        book.complaints.push(e);
                    }
                    let known = was
                        .by_access
                        .iter()
                        .find(|(_, l)| l.rooms.holding.name == name);
                    book.by_access
                        .extend(known.map(|(access, l)| (access.clone(), l.clone())));
                    book.rooms
                        .extend(before.map(|rooms| (name.clone(), rooms.clone())));
                    book.unreadable.insert(name);
                }
            }
        }
        for (name, old) in &was.rooms {
            if !book.rooms.get(name).is_some_and(|r| Arc::ptr_eq(r, old)) {
                old.holding.end();
            }
        }
        // A file that is mended in place does not show in its folder.
        let settled = settled && book.unreadable.is_empty();
        book.read_at = Some((changed_at, settled));
        Ok(())
    }

    /// A guest as its file says now, with its access id if it took an invite up.
    fn lodge(&self, name: &GuestName, before: Option<&Arc<Rooms>>) -> Result<Option<Lodged>> {
        let Some(guest) = Guest::load(&self.host, name)?.filter(|g| !g.retired) else {
            return Ok(None);
        };
        let rooms = match before.filter(|rooms| rooms.identity == guest.identity()) {
            Some(rooms) => rooms.clone(),
            None => Arc::new(Rooms {
                identity: guest.identity().to_string(),
                holding: Arc::new(Holding::open_in(&self.host, name, self.room.clone())?),
                uploads: Arc::new(Semaphore::new(UPLOADS)),
                multiparts: Multiparts::default(),
            }),
        };
        let access = guest.access.zip(guest.secret).map(|(access, secret)| {
            let lodger = Lodger {
                secret: Zeroizing::new(secret),
                generation: guest.generation,
                quota: guest.quota,
                rooms: rooms.clone(),
            };
            (access, Arc::new(lodger))
        });
        Ok(Some((access, rooms)))
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
