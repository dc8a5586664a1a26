//! The reading thread: files in the order of their jobs, handed over in bags as pieces and arrivals.

use std::collections::HashSet;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::{Arc, mpsc};

use crate::error::{Error, Kind, Result};
use crate::intake::examine::Lens;
use crate::intake::file::{read, read_folder, read_stream};
use crate::intake::walk::{self, Found, Left};
use crate::intake::{Arrival, Piece};
use crate::model::hash::Hash;
use crate::model::ids::DeviceId;
use crate::sys::disk::Disk;

/// One device's work: what to read.
#[derive(Debug)]
pub(super) struct Job {
    pub(super) device: Option<DeviceId>,
    /// With what its dumps are read.
    pub(super) lens: Arc<Lens>,
    pub(super) items: Vec<Item>,
    /// Folders whose files are read as well, and what each is called.
    pub(super) to_walk: Vec<(PathBuf, String)>,
}

#[derive(Debug)]
pub(super) enum Item {
    Stdin,
    File(Found),
    Folder(PathBuf),
}

/// From the reading thread.
pub(super) enum Parcel {
    Piece(Piece),
    Done(Box<Item>, Result<Box<Arrival>>),
    /// A path that could not be walked.
    Failed(PathBuf, Error),
    /// Everything of one device was read.
    EndOfJob,
}

/// Parcels on their way to the keeping side; many small ones go together, waking it for each would cost more than
/// reading them.
pub(super) struct Bag {
    send: mpsc::SyncSender<Vec<Parcel>>,
    parcels: Vec<Parcel>,
    bytes: usize,
    /// Pieces that went by in this run: once is enough.
    seen: HashSet<Hash>,
}

impl Bag {
    const BYTES: usize = 256 << 10;

    pub(super) fn new(send: mpsc::SyncSender<Vec<Parcel>>) -> Bag {
        Bag {
            send,
            parcels: Vec::new(),
            bytes: 0,
            seen: HashSet::new(),
        }
    }

    pub(super) fn put_piece(&mut self, piece: Piece) -> Result<()> {
        let new = match &piece {
            Piece::Whole(hash, _) | Piece::Chunk(hash, _) | Piece::ChunkList(hash, _) => {
                self.seen.insert(*hash)
            }
            Piece::FolderList(_) => true,
        };
        if new {
            self.put(Parcel::Piece(piece))
        } else {
            Ok(())
        }
    }

    pub(super) fn put(&mut self, parcel: Parcel) -> Result<()> {
        self.bytes += 512;
        if let Parcel::Piece(Piece::Whole(_, data) | Piece::Chunk(_, data)) = &parcel {
            self.bytes += data.len();
        }
        self.parcels.push(parcel);
        if self.bytes >= Bag::BYTES {
            self.hand_over()
        } else {
            Ok(())
        }
    }

    pub(super) fn hand_over(&mut self) -> Result<()> {
        self.bytes = 0;
        self.send
            .send(std::mem::take(&mut self.parcels))
            .map_err(|_| Error::new(Kind::Bug, "the keeping side is gone"))
    }
}

/// Reads everything of one job into the bag. Fails only if the keeping side is gone.
pub(super) fn read_job(
    disk: &dyn Disk,
    mut job: Job,
    stdin: &mut (dyn Read + Send),
    bag: &mut Bag,
) -> Result<()> {
    let mut walked = false;
    for (path, top) in std::mem::take(&mut job.to_walk) {
        let mut left = Left::default();
        match walk::folder(disk, &path, &top, &mut left) {
            Ok(found) => job.items.extend(found.into_iter().map(Item::File)),
            Err(e) => bag.put(Parcel::Failed(path, e))?,
        }
        for (path, e) in left.failed {
            bag.put(Parcel::Failed(path, e))?;
        }
        walked = true;
    }
    if walked {
        sort_by_date(&mut job.items);
    }
    for item in job.items {
        let mut sink = |piece: Piece| bag.put_piece(piece);
        let result = match &item {
            Item::Stdin => read_stream(&mut *stdin, &job.lens, &mut sink),
            Item::File(found) => read(disk, found, &job.lens, &mut sink),
            Item::Folder(path) => read_folder(disk, path, &mut sink),
        };
        bag.put(Parcel::Done(Box::new(item), result.map(Box::new)))?;
    }
    bag.put(Parcel::EndOfJob)
}

pub(super) fn file_path(item: &Item) -> Option<(Option<&Path>, &str)> {
    match item {
        Item::File(found) => Some((found.path.parent(), &found.name)),
        _ => None,
    }
}

pub(super) fn item_name(item: &Item) -> String {
    match item {
        Item::Stdin => "-".to_string(),
        Item::File(found) => found.path.display().to_string(),
        Item::Folder(path) => path.display().to_string(),
    }
}

/// Pieces lie in a reel in the order of their dates; neighbours of one device compress well.
pub(super) fn sort_by_date(items: &mut [Item]) {
    items.sort_by(|a, b| match (a, b) {
        (Item::File(a), Item::File(b)) => (a.mtime_ns, &a.path).cmp(&(b.mtime_ns, &b.path)),
        _ => std::cmp::Ordering::Equal,
    });
}
