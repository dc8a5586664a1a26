//! `keep`: takes dumps from files, folders and standard input.
//!
//! ```text
//! walk ─> one thread reads, hashes and frames ─> pieces and arrivals ─> gathered without the lock
//!      ─> lock: pieces stored, arrivals placed, committed ─> told
//! ```
//! Folders of devices that are new hold nothing to skip, so the reading thread walks them too.
//! The lock is held only while a gathered group is written; nothing is told before it is durable.

mod planning;
mod reading;
mod recognise;

use std::collections::HashMap;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::{Arc, mpsc};
use std::time::Duration;

use crate::error::{Error, Result};
use crate::intake::examine::Lens;
use crate::intake::walk::Found;
use crate::intake::{Arrival, Piece};
use crate::model::contents::Contents;
use crate::model::date::{DatedBy, Moment};
use crate::model::hash::Hash;
use crate::model::ids::DeviceId;
use crate::model::take::{Condition, Evidence, Finding};
use crate::model::timeline::Dated;
use crate::ops::layouts;
use crate::vault::Vault;
use crate::vault::catalogue::{DeviceRow, Form, OriginRow, SourceRow};
use crate::vault::keeping::{self, Incoming, Into};
use crate::vault::ledger::{self, Event};
use crate::vault::pieces::{self, Pieces};
use crate::vault::reel;
use crate::vault::writer::Writer;
use reading::{Bag, Item, Job, Parcel, item_name, read_job};

/// A group is written when it fills its reel, so that both are brought to the disk together; but never a smaller one.
const SMALLEST_GROUP_BYTES: u64 = 4 << 20;
/// What an arrival adds to its reel beside its bytes: its ledger line and its row.
const LINE_BYTES: u64 = 700;
/// Bags that the reading thread may be ahead of the writing one.
const BAGS_AHEAD: usize = 64;
/// Gathered arrivals are written when they reach this many.
const GROUP_ARRIVALS: usize = 34_000;
/// Bytes of what is already held that one run reads again to be sure of it.
const ASSURANCE_BYTES: u64 = 64 << 20;
/// The same for files that are skipped because they look unchanged, with 4 KiB counted for each.
const SKIP_ASSURANCE_BYTES: u64 = 16 << 20;

/// Which device the dumps belong to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Whose {
    /// All of this device.
    Device(DeviceId),
    /// Each sub-folder is a device of that id.
    ByFolder {
        /// Devices that are not there yet are added.
        add_devices: bool,
    },
    /// Each dump is recognised by its header.
    Recognised,
}

/// How the date of the dumps is known.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum When {
    /// From each file's modification time.
    FileTime,
    /// A person says so.
    Given(Moment),
}

/// What `keep` is asked to do.
#[derive(Debug, Clone)]
pub struct KeepOptions {
    /// Whose dumps they are.
    pub whose: Whose,
    /// Where they go.
    pub into: Into,
    /// When they were made.
    pub when: When,
    /// Each path is a folder that is one dump.
    pub as_one: bool,
    /// Files that look unchanged are read again.
    pub reread: bool,
    /// Files and folders; `-` is standard input.
    pub paths: Vec<PathBuf>,
    /// How long to wait for another writer.
    pub wait: Duration,
}

/// What became of one dump.
#[derive(Debug)]
pub struct KeepResult {
    /// Where it came from.
    pub source: String,
    /// Its device, once known.
    pub device: Option<String>,
    /// Its section; `None` if loose or not kept.
    pub section: Option<String>,
    /// The take that holds it.
    pub take: Option<u32>,
    /// Kept, unchanged or failed.
    pub status: Status,
    /// True if it is no state of the memory.
    pub loose: bool,
    /// Whole or doubtful.
    pub condition: Condition,
    /// Why one may believe it.
    pub evidence: Evidence,
    /// Bytes.
    pub bytes: u64,
    /// BLAKE3 of the bytes.
    pub blake3: Option<Hash>,
    /// Whole SysEx messages.
    pub messages: u64,
    /// What was noticed.
    pub findings: Vec<Finding>,
    /// Why it failed.
    pub error: Option<Error>,
}

impl KeepResult {
    /// True if it is held and counts for nothing: it is doubtful and nobody vouched for it.
    pub fn is_doubtful(&self) -> bool {
        self.status != Status::Failed
            && self.condition == Condition::Doubtful
            && self.evidence != Evidence::Vouched
    }
}

/// The outcome for one dump.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Status {
    /// A new take was made.
    Kept,
    /// It was there already.
    Unchanged,
    /// It could not be kept.
    Failed,
}

impl Status {
    /// The word for JSON and people.
    pub fn as_str(self) -> &'static str {
        match self {
            Status::Kept => "kept",
            Status::Unchanged => "unchanged",
            Status::Failed => "failed",
        }
    }
}

/// How a run came out.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct KeepTotals {
    /// New takes.
    pub kept: u64,
    /// Dumps that were there already.
    pub unchanged: u64,
    /// Kept or unchanged ones that are doubtful.
    pub doubtful: u64,
    /// Dumps that could not be kept.
    pub failed: u64,
}

/// Keeps dumps; each result is told once it is durable. `stdin` is read if `-` is among the paths.
///
/// # Errors
/// If nothing can be done at all, or writing fails: what was told before is kept.
pub fn keep(
    vault: &Vault,
    options: &KeepOptions,
    stdin: &mut (dyn Read + Send),
    tell: &mut dyn FnMut(&KeepResult) -> Result<()>,
) -> Result<KeepTotals> {
    let mut run = Run {
        vault,
        options,
        tell,
        totals: KeepTotals::default(),
        pieces: Vec::new(),
        piece_bytes: 0,
        room: room(vault)?,
        groups: Vec::new(),
        arrivals: 0,
        assurance: ASSURANCE_BYTES,
        skip_assurance: SKIP_ASSURANCE_BYTES,
        damage_known: !vault.catalogue().damaged_pieces()?.is_empty(),
        new_devices: Vec::new(),
        devices: match options.whose {
            Whose::Recognised => vault.catalogue().devices()?,
            _ => Vec::new(),
        },
        own_layouts: vault.catalogue().layouts()?,
        lens: Arc::new(Lens {
            layouts: layouts::known(vault)?,
            preferred: None,
        }),
    };
    run.check_options()?;
    let jobs = run.plan()?;
    let jobs = run.skip_all_unchanged(jobs)?;
    run.work(jobs, stdin)?;
    run.flush()?;
    Ok(run.totals)
}

struct Run<'a, 'v> {
    vault: &'v Vault,
    options: &'a KeepOptions,
    tell: &'a mut dyn FnMut(&KeepResult) -> Result<()>,
    totals: KeepTotals,
    pieces: Vec<Piece>,
    /// Bytes that they will take in a reel.
    piece_bytes: u64,
    /// Bytes that fill the open reel.
    room: u64,
    groups: Vec<Group>,
    arrivals: usize,
    assurance: u64,
    skip_assurance: u64,
    damage_known: bool,
    new_devices: Vec<DeviceId>,
    /// All devices, where dumps have to be recognised.
    devices: Vec<DeviceRow>,
    /// The person's own layouts, as they were when this began.
    own_layouts: Vec<(String, Hash)>,
    /// With what dumps are read whose device has no layout of its own.
    lens: Arc<Lens>,
}

/// Arrivals of one device, complete.
struct Group {
    device: DeviceId,
    arrivals: Vec<Waiting>,
}

/// An arrival that waits to be written.
struct Waiting {
    arrival: Arrival,
    /// The file it came from.
    found: Option<Found>,
    /// Why it was taken for a dump of its device, where nobody said so, and what else is to be told.
    why: Vec<Finding>,
    /// Kept loose, whatever was asked: a file whose dumps are kept by themselves.
    loose: bool,
}

impl Run<'_, '_> {
    /// Reads the jobs' files on a thread of its own and gathers what they give.
    fn work(&mut self, jobs: Vec<Job>, stdin: &mut (dyn Read + Send)) -> Result<()> {
        let mut devices = jobs
            .iter()
            .map(|job| job.device.clone())
            .collect::<Vec<_>>()
            .into_iter();
        let disk = self.vault.world().disk.clone();
        let (send, receive) = mpsc::sync_channel::<Vec<Parcel>>(BAGS_AHEAD);
        std::thread::scope(|scope| {
            scope.spawn(move || {
                let mut bag = Bag::new(send);
                for job in jobs {
                    if read_job(disk.as_ref(), job, stdin, &mut bag).is_err() {
                        return;
                    }
                }
                // If the keeping side is gone it has said why.
                let _ = bag.hand_over();
            });
            // The receiver must be gone before the scope ends, or the reader could wait for ever.
            let receive = receive;
            let mut group = devices.next().flatten().map(Group::new);
            for parcel in receive.iter().flatten() {
                match parcel {
                    Parcel::Piece(piece) => self.gather(piece)?,
                    Parcel::Done(item, Err(e)) => {
                        let device = group.as_ref().map(|g| g.device.clone());
                        self.failed(item_name(&item), device.as_ref(), e)?;
                    }
                    Parcel::Failed(path, e) => {
                        let device = group.as_ref().map(|g| g.device.clone());
                        self.failed(path.display().to_string(), device.as_ref(), e)?;
                    }
                    Parcel::Done(item, Ok(arrival)) => self.take_in(&mut group, *item, *arrival)?,
                    Parcel::EndOfJob => {
                        // A folder without files makes no device.
                        let complete = group.take().filter(|g| !g.arrivals.is_empty());
                        self.groups.extend(complete);
                        group = devices.next().flatten().map(Group::new);
                    }
                }
            }
            Ok::<(), Error>(())
        })
    }

    fn take_in(&mut self, group: &mut Option<Group>, item: Item, arrival: Arrival) -> Result<()> {
        let found = match item {
            Item::File(found) => Some(found),
            _ => None,
        };
        match group {
            Some(group) => group.arrivals.push(Waiting {
                arrival,
                found,
                why: Vec::new(),
                loose: false,
            }),
            None => self.recognise(arrival, found)?,
        }
        self.arrivals += 1;
        if self.arrivals >= GROUP_ARRIVALS {
            self.groups.extend(group.as_mut().map(Group::split_off));
            self.flush()?;
        }
        Ok(())
    }

    /// Takes a piece unless it is held and good.
    fn gather(&mut self, piece: Piece) -> Result<()> {
        let (hash, bytes) = match &piece {
            Piece::Whole(hash, data) | Piece::Chunk(hash, data) => (*hash, data.len()),
            Piece::ChunkList(hash, chunks) => (*hash, chunks.len() * 72),
            Piece::FolderList(files) => {
                let text = list_text(files);
                (Hash::of(text.as_bytes()), text.len())
            }
        };
        if self.is_held(&hash)? {
            return Ok(());
        }
        self.piece_bytes += reel::padded(bytes as u64) + reel::BLOCK as u64;
        self.pieces.push(piece);
        if self.piece_bytes + self.arrivals as u64 * LINE_BYTES >= self.room {
            self.flush()?;
        }
        Ok(())
    }

    fn is_held(&mut self, hash: &Hash) -> Result<bool> {
        let Some(holding) = self.vault.catalogue().holding(hash)? else {
            return Ok(false);
        };
        if holding.damaged {
            return Ok(false);
        }
        let list = matches!(holding.form, Form::Chunked | Form::Folder);
        if list {
            return Ok(Pieces::new(self.vault).check_list(hash).is_ok());
        }
        if self.assurance > 0 {
            self.assurance = self.assurance.saturating_sub(holding.bytes + 512);
            return Ok(Pieces::new(self.vault).check(hash).is_ok());
        }
        Ok(true)
    }

    /// Writes everything gathered, and tells it once it is durable.
    fn flush(&mut self) -> Result<()> {
        if self.pieces.is_empty() && self.groups.is_empty() {
            return Ok(());
        }
        let mut writer = self.vault.writer(self.options.wait)?;
        // With a layout that another command added meanwhile, what came in has to be read again.
        let is_read = self.vault.catalogue().layouts()? == self.own_layouts;
        for piece in std::mem::take(&mut self.pieces) {
            store(&mut writer, piece)?;
        }
        self.piece_bytes = 0;
        let mut told = Vec::new();
        for group in std::mem::take(&mut self.groups) {
            if let Some(at) = self.new_devices.iter().position(|d| *d == group.device) {
                self.new_devices.swap_remove(at);
                writer.record(&Event::Device(ledger::Device {
                    device: group.device.to_string(),
                    ..ledger::Device::default()
                }))?;
            }
            self.place(&mut writer, group, is_read, &mut told)?;
        }
        writer.commit_group()?;
        drop(writer);
        self.arrivals = 0;
        self.room = room(self.vault)?;
        for result in &told {
            self.tell(result)?;
        }
        Ok(())
    }

    fn place(
        &mut self,
        writer: &mut Writer<'_>,
        group: Group,
        is_read: bool,
        told: &mut Vec<KeepResult>,
    ) -> Result<()> {
        let now = self.vault.world().clock.now();
        let mut incoming = Vec::with_capacity(group.arrivals.len());
        let mut files = Vec::with_capacity(group.arrivals.len());
        for Waiting {
            arrival,
            found,
            why,
            loose,
        } in group.arrivals
        {
            let seen = match &self.options.when {
                When::Given(moment) => Dated {
                    moment: *moment,
                    by: DatedBy::Given,
                },
                When::FileTime => match arrival.origin.mtime {
                    Some(mtime) => Dated {
                        moment: Moment::from_file_time(mtime, now),
                        by: DatedBy::File,
                    },
                    None => Dated {
                        moment: Moment::UNKNOWN,
                        by: DatedBy::Given,
                    },
                },
            };
            incoming.push(Incoming {
                into: match loose {
                    true => Into::Loose,
                    false => self.options.into.clone(),
                },
                hash: arrival.hash,
                content: arrival.content,
                bytes: arrival.bytes,
                messages: arrival.messages,
                key: arrival.key,
                sysex: arrival.sysex,
                evidence: arrival.evidence,
                findings: arrival.findings,
                contents: Contents {
                    reading: if is_read { arrival.contents.reading } else { 0 },
                    ..arrival.contents
                },
                seen: vec![seen],
                origin: OriginRow {
                    via: arrival.origin.via,
                    folder: arrival.origin.folder,
                    name: arrival.origin.name,
                    mtime: arrival.origin.mtime,
                },
                tie: arrival.source,
            });
            files.push((found, why));
        }
        let placed = keeping::place(writer, &group.device, &mut incoming)?;
        let catalogue = self.vault.catalogue();
        let device_row = catalogue.device_id(group.device.as_str())?.unwrap_or(0);
        let mut folders: HashMap<PathBuf, i64> = HashMap::new();
        for ((item, (found, why)), placed) in incoming.into_iter().zip(files).zip(placed) {
            if placed.new && is_read && item.contents.patches.n_patches() > 0 {
                let row = (device_row << 32) | i64::from(placed.take);
                catalogue.set_patches(row, item.contents.patches.named())?;
            }
            if let Some(found) = found.as_ref().filter(|_| placed.take != 0)
                && let Some(folder) = found.path.parent()
            {
                let row = match folders.get(folder) {
                    Some(row) => *row,
                    None => {
                        let row = catalogue.folder_id(&source_folder(self.vault, folder))?;
                        folders.insert(folder.to_path_buf(), row);
                        row
                    }
                };
                catalogue.put_source(
                    row,
                    &SourceRow {
                        name: found.name.clone(),
                        size: found.size,
                        mtime_ns: i64::try_from(found.mtime_ns).unwrap_or(0),
                        inode: found.inode as i64,
                        take: (device_row << 32) | i64::from(placed.take),
                    },
                )?;
            }
            let mut findings = placed.findings;
            findings.extend(why);
            if item.origin.mtime.is_none() && self.options.when == When::FileTime {
                findings.push(Finding::note(
                    "date-unknown",
                    "when it was made is not known; say so with --today or --date, or later with label REF --date",
                ));
            }
            let condition = Condition::of(&findings);
            let take = match condition {
                // Perhaps somebody vouched for it since.
                Condition::Doubtful if !placed.new => {
                    catalogue.take((device_row << 32) | i64::from(placed.take))?
                }
                _ => None,
            };
            told.push(KeepResult {
                source: item.tie,
                device: Some(group.device.to_string()),
                loose: placed.section.is_none(),
                section: placed.section,
                take: Some(placed.take),
                status: if placed.new {
                    Status::Kept
                } else {
                    Status::Unchanged
                },
                condition,
                evidence: take.map_or(item.evidence, |t| t.evidence),
                bytes: item.bytes,
                blake3: Some(item.hash),
                messages: item.messages,
                findings,
                error: None,
            });
        }
        Ok(())
    }

    fn failed(&mut self, source: String, device: Option<&DeviceId>, error: Error) -> Result<()> {
        self.tell(&KeepResult {
            source,
            device: device.map(|d| d.to_string()),
            section: None,
            take: None,
            status: Status::Failed,
            loose: false,
            condition: Condition::Doubtful,
            evidence: Evidence::None,
            bytes: 0,
            blake3: None,
            messages: 0,
            findings: Vec::new(),
            error: Some(error),
        })
    }

    fn tell(&mut self, result: &KeepResult) -> Result<()> {
        match result.status {
            Status::Kept => self.totals.kept += 1,
            Status::Unchanged => self.totals.unchanged += 1,
            Status::Failed => self.totals.failed += 1,
        }
        self.totals.doubtful += u64::from(result.is_doubtful());
        (self.tell)(result)
    }
}

/// Bytes to gather for the next group: what is left of the open reel, or a whole one, less a little.
fn room(vault: &Vault) -> Result<u64> {
    let mark = vault.catalogue().mark()?;
    let used = if mark.closed { 0 } else { mark.end };
    let left = reel::REEL_BYTES.saturating_sub(used);
    Ok((left - left / 16).max(SMALLEST_GROUP_BYTES))
}

impl Group {
    fn new(device: DeviceId) -> Group {
        Group {
            device,
            arrivals: Vec::new(),
        }
    }

    /// The arrivals so far as a group of their own.
    fn split_off(&mut self) -> Group {
        Group {
            device: self.device.clone(),
            arrivals: std::mem::take(&mut self.arrivals),
        }
    }
}

fn source_folder(vault: &Vault, folder: &Path) -> String {
    let absolute = if folder.as_os_str().is_empty() {
        Path::new(".")
    } else {
        folder
    };
    let real = vault
        .world()
        .disk
        .canonical(absolute)
        .unwrap_or_else(|_| folder.to_path_buf());
    format!("//{}", real.display())
}

fn list_text(files: &[(Hash, String)]) -> String {
    files
        .iter()
        .map(|(hash, path)| crate::model::list::entry_line(hash, path))
        .collect()
}

/// Stores one piece.
pub(super) fn store(writer: &mut Writer<'_>, piece: Piece) -> Result<()> {
    match piece {
        Piece::Whole(hash, bytes) => writer.put_piece(Form::Whole, hash, &bytes).map(|_| ()),
        Piece::Chunk(hash, bytes) => writer.put_piece(Form::Chunk, hash, &bytes).map(|_| ()),
        Piece::ChunkList(hash, chunks) => {
            let text: String = chunks
                .iter()
                .map(|(h, n)| pieces::chunk_line(h, *n))
                .collect();
            writer.put_list(Form::Chunked, hash, &text).map(|_| ())
        }
        Piece::FolderList(files) => {
            let text = list_text(&files);
            writer
                .put_list(Form::Folder, Hash::of(text.as_bytes()), &text)
                .map(|_| ())
        }
    }
}
