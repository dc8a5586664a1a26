//! The one writer of a vault: pieces and events in, an acknowledged batch out.
//!
//! ```text
//! put_piece* ─> record* ─> commit: members and ledger appended ─> reel synced ─> folder synced when new
//!                                  ─> catalogue committed with the reel's new end ─> acknowledged      (I3)
//! ```
//! Until the catalogue's commit nothing counts; what a crash leaves past the recorded end is looked at by
//! `recover.rs`. A writer that met an error refuses further work and forgets its transaction when dropped.

use std::collections::BTreeMap;
use std::path::PathBuf;

use crate::error::{Error, Kind, Next, Result};
use crate::model::hash::Hash;
use crate::sys::clock::rfc3339;
use crate::sys::disk::{DiskFile, Privacy};
use crate::sys::lock::WriterLock;
use crate::vault::Vault;
use crate::vault::catalogue::{Dirty, Form, Mark, ReelCheck, Stored, Where};
use crate::vault::ledger::{self, Event};
use crate::vault::pieces::{self, Pieces};
use crate::vault::reel::{self, Member};
use crate::vault::tsv;

/// Ledger text past this size goes out as a batch of its own, so that every member stays under 2 MiB.
const BATCH_TEXT: usize = 768 << 10;
/// Bytes gathered before they are hashed and handed to the system: enough for both to be quick, and still in the
/// processor's own memory.
const APPEND_BUFFER: usize = 256 << 10;

/// The writer; holding it means holding the vault's lock.
#[derive(Debug)]
pub struct Writer<'v> {
    vault: &'v Vault,
    _lock: WriterLock,
    mark: Mark,
    open: Option<OpenReel>,
    lines: Vec<u8>,
    first_line: u64,
    next_line: u64,
    pieces_in_batch: u64,
    dirty: Dirty,
    now: i64,
    acknowledged: Mark,
    poisoned: bool,
}

#[derive(Debug)]
struct OpenReel {
    number: u64,
    path: PathBuf,
    file: Box<dyn DiskFile>,
    /// Bytes handed to the system so far.
    written: u64,
    buffer: Vec<u8>,
    /// How much of the buffer the hashes have seen.
    hashed: usize,
    /// Over everything since the last ledger member.
    batch: blake3::Hasher,
    /// Over the whole reel, if this process wrote all of it or read what was there and found it sound.
    whole: Option<blake3::Hasher>,
    is_new: bool,
}

/// The hash of a reel that this process began, kept from one writer to the next.
#[derive(Debug, Clone)]
pub(super) struct HashSoFar {
    reel: u64,
    end: u64,
    whole: blake3::Hasher,
}

impl OpenReel {
    fn end(&self) -> u64 {
        self.written + self.buffer.len() as u64
    }

    /// Hashes what was not hashed yet: in long runs, since many short ones cost several times as much.
    fn hash_up(&mut self) {
        let new = &self.buffer[self.hashed..];
        self.batch.update(new);
        if let Some(whole) = &mut self.whole {
            whole.update(new);
        }
        self.hashed = self.buffer.len();
    }

    fn spill(&mut self) -> Result<()> {
        if !self.buffer.is_empty() {
            self.hash_up();
            self.hashed = 0;
            self.file
                .write_at(&self.buffer, self.written)
                .map_err(|e| Error::io(format!("cannot write {}", self.path.display()), e))?;
            self.written += self.buffer.len() as u64;
            self.buffer.clear();
        }
        Ok(())
    }

    /// Brings what was written to the disk, and the file's name when it is new.
    fn sync(&mut self, vault: &Vault) -> Result<()> {
        let fail = |e| {
            let path = self.path.display();
            Error::io(format!("cannot bring {path} to the disk"), e)
        };
        self.file.sync().map_err(fail)?;
        if self.is_new {
            let folder = vault.reels_dir();
            vault.world().disk.sync_folder(&folder).map_err(fail)?;
            self.is_new = false;
        }
        Ok(())
    }

    fn append(&mut self, bytes: &[u8]) -> Result<()> {
        self.buffer.extend_from_slice(bytes);
        if self.buffer.len() >= APPEND_BUFFER {
            self.spill()
        } else {
            Ok(())
        }
    }

    /// Appends a member and returns where its bytes begin.
    fn append_member(&mut self, member: &Member, data: &[u8]) -> Result<u64> {
        let header = reel::header(&member.to_string(), data.len() as u64)?;
        self.append(&header)?;
        let at = self.end();
        self.append(data)?;
        let fill = reel::padded(data.len() as u64) as usize - data.len();
        self.append(&[0u8; reel::BLOCK][..fill])?;
        Ok(at)
    }
}

impl<'v> Writer<'v> {
    /// Takes over a vault whose tail was repaired, under its lock.
    pub(super) fn begin(vault: &'v Vault, lock: WriterLock) -> Result<Writer<'v>> {
        vault.catalogue().begin()?;
        let mark = vault.catalogue().mark()?;
        let next_reel = vault.next_reel_number(mark.reel)?;
        if mark.line.max(next_reel) >= reel::LARGEST_NUMBER {
            return Err(Error::new(
                Kind::Refused,
                "the numbers of reels or of ledger lines are used up; nothing was changed",
            )
            .next(Next::say(
                "somebody wrote an invented number into a reel; see which with fixity, and mend it from a copy with repair",
            )));
        }
        let mut writer = Writer {
            vault,
            _lock: lock,
            mark,
            open: None,
            lines: Vec::new(),
            first_line: mark.line + 1,
            next_line: mark.line + 2,
            pieces_in_batch: 0,
            dirty: Dirty::default(),
            now: vault.world().now(),
            acknowledged: mark,
            poisoned: false,
        };
        writer.note_changed_settings()?;
        Ok(writer)
    }

    /// The vault being written.
    pub fn vault(&self) -> &'v Vault {
        self.vault
    }

    /// When this writer works, unix seconds: the date of everything it records.
    pub fn now(&self) -> i64 {
        self.now
    }

    /// A person may edit farshelf.toml: what it says now is a fact like any other.
    fn note_changed_settings(&mut self) -> Result<()> {
        let settings = self.vault.settings().to_ledger();
        if self.vault.catalogue().settings()?.as_ref() != Some(&settings) {
            self.record(&Event::Settings(settings))?;
        }
        Ok(())
    }

    /// Stores a piece's bytes unless a good holding is known. Returns true if they were stored.
    ///
    /// `form` is what kind of member it becomes; lists are stored with [`Writer::put_list`].
    pub fn put_piece(&mut self, form: Form, hash: Hash, bytes: &[u8]) -> Result<bool> {
        if self
            .vault
            .catalogue()
            .holding(&hash)?
            .is_some_and(|h| !h.damaged)
        {
            return Ok(false);
        }
        let member = match form {
            Form::Chunk => Member::Chunk(hash),
            Form::Layout => Member::Layout(hash),
            Form::Whole => Member::Dump(hash),
            Form::Chunked | Form::Folder => {
                return Err(Error::new(Kind::Bug, "a list was stored as a plain piece"));
            }
        };
        let (reel, at) = self.append(&member, bytes)?;
        let bytes = bytes.len() as u64;
        self.vault.catalogue().apply_piece(&Stored {
            hash,
            form,
            bytes,
            whole_bytes: bytes,
            reel,
            at,
        })?;
        Ok(true)
    }

    /// Stores a list unless a good holding is known. `text` is all of it; it is cut into parts under 2 MiB here.
    pub fn put_list(&mut self, form: Form, hash: Hash, text: &str) -> Result<bool> {
        if self
            .vault
            .catalogue()
            .holding(&hash)?
            .is_some_and(|h| !h.damaged)
        {
            return Ok(false);
        }
        for (index, part_text) in pieces::list_parts(text).into_iter().enumerate() {
            let part = index as u32 + 1;
            let (reel, at) = self.append(&Member::List { hash, part }, part_text.as_bytes())?;
            let stored = Stored {
                hash,
                form,
                bytes: part_text.len() as u64,
                whole_bytes: pieces::listed_bytes(part_text),
                reel,
                at,
            };
            if part == 1 {
                self.vault.catalogue().apply_piece(&stored)?;
            } else {
                self.vault
                    .catalogue()
                    .apply_list_part(&hash, part, &stored)?;
            }
        }
        // The list is read back from its reel to learn which reels it needs.
        if let Some(open) = self.open.as_mut() {
            open.spill()?;
        }
        let pieces = Pieces::new(self.vault);
        if let Some(id) = self.vault.catalogue().piece_id(&hash)? {
            let reels = pieces.reels_of_list(&hash)?;
            self.vault
                .catalogue()
                .set_spread(&BTreeMap::from([(id, reels)]))?;
        }
        Ok(true)
    }

    /// Records a fact: it is applied to the catalogue now and becomes durable with [`Writer::commit`].
    pub fn record(&mut self, event: &Event) -> Result<()> {
        self.guard()?;
        let line = self.next_line;
        // The reel of a line is the one its batch goes to; a batch never moves to another reel once it has lines.
        self.make_room(0)?;
        let reel = self.reel()?.number;
        ledger::write_line(line, event, &mut self.lines)?;
        self.next_line += 1;
        self.vault.catalogue().apply(
            event,
            Where {
                line,
                reel,
                at: self.now,
            },
            &mut self.dirty,
        )?;
        if self.lines.len() >= BATCH_TEXT {
            self.end_batch()?;
        }
        Ok(())
    }

    /// Arranges the timelines of all touched sections, so that what was recorded so far can be read back settled.
    pub fn settle(&mut self) -> Result<()> {
        let sections = std::mem::take(&mut self.dirty.sections);
        for section in sections {
            let changed = self.vault.catalogue().settle(section)?;
            self.dirty.takes.extend(changed);
        }
        Ok(())
    }

    /// Makes everything recorded since the last commit durable: only then may it be told.
    pub fn commit(&mut self) -> Result<()> {
        self.guard()?;
        self.poisoned = true;
        self.end_batch()?;
        self.sync_and_mark()?;
        self.vault.catalogue().commit()?;
        self.acknowledged = self.mark;
        self.vault.catalogue().begin()?;
        self.poisoned = false;
        if let Some(OpenReel {
            number,
            written,
            whole: Some(whole),
            ..
        }) = &self.open
        {
            self.vault.keep_hash_so_far(HashSoFar {
                reel: *number,
                end: *written,
                whole: whole.clone(),
            });
        }
        Ok(())
    }

    /// The same, and closes the reel if it is nearly full: both together need no more syncs than one of them.
    pub fn commit_group(&mut self) -> Result<()> {
        const NEARLY_FULL: u64 = reel::REEL_BYTES - reel::REEL_BYTES / 5;
        self.guard()?;
        self.end_batch()?;
        if self.open.as_ref().is_some_and(|o| o.end() >= NEARLY_FULL) {
            self.close_open_reel()
        } else {
            self.commit()
        }
    }

    /// Closes the open reel if it holds facts; afterwards a byte of it may leave the machine.
    pub fn close_reel(&mut self) -> Result<()> {
        self.guard()?;
        self.end_batch()?;
        if self.mark.reel == 0 || self.mark.closed {
            return self.commit();
        }
        if self.open.is_none() {
            self.open = self.reopen()?;
        }
        self.close_open_reel()
    }

    fn guard(&self) -> Result<()> {
        if self.poisoned {
            return Err(Error::new(
                Kind::Io,
                "an earlier step of this command failed; nothing after it was kept",
            ));
        }
        Ok(())
    }

    fn sync_and_mark(&mut self) -> Result<()> {
        if let Some(open) = self.open.as_mut() {
            open.spill()?;
            if open.written != self.acknowledged.end || open.number != self.acknowledged.reel {
                open.sync(self.vault)?;
            }
            self.mark.reel = open.number;
            self.mark.end = open.written;
            self.mark.closed = false;
            self.vault
                .catalogue()
                .apply_reel_end(open.number, None, open.written)?;
        }
        self.vault.catalogue().set_mark(&self.mark)
    }

    /// Writes the lines gathered so far as one batch into the open reel.
    fn end_batch(&mut self) -> Result<()> {
        self.settle()?;
        if self.lines.is_empty() && self.pieces_in_batch == 0 {
            return Ok(());
        }
        self.add_waiting_notes()?;
        self.settle()?;
        let takes = std::mem::take(&mut self.dirty.takes);
        let mut tables = tsv::tables(self.vault.catalogue(), &takes)?.into_iter();
        // Usually there is one table; the rest of a long one goes with batches that hold nothing else.
        self.write_batch(tables.next())?;
        for more in tables {
            self.write_batch(Some(more))?;
        }
        Ok(())
    }

    fn write_batch(&mut self, table: Option<String>) -> Result<()> {
        let (first, last) = (self.first_line, self.next_line - 1);
        let lines = std::mem::take(&mut self.lines);
        let now = self.now;
        let from = if self.mark.closed {
            0
        } else {
            self.mark.batch_from
        };
        let open = self.reel()?;
        if let Some(table) = table {
            open.append_member(&Member::Takes { first, last }, table.as_bytes())?;
        }
        open.hash_up();
        let batch = Event::Batch(ledger::Batch {
            at: rfc3339(now),
            program: format!("farshelf {}", env!("CARGO_PKG_VERSION")),
            from,
            check: Hash::from(open.batch.finalize()).to_string(),
        });
        let mut text = Vec::with_capacity(lines.len() + 256);
        ledger::write_line(first, &batch, &mut text)?;
        text.extend_from_slice(&lines);
        open.append_member(&Member::ledger(first, last, &text), &text)?;
        open.hash_up();
        open.batch.reset();
        let (end, number) = (open.end(), open.number);
        self.mark.reel = number;
        self.mark.closed = false;
        self.mark.batch_from = end;
        self.mark.line = last;
        self.first_line = last + 1;
        self.next_line = last + 2;
        self.pieces_in_batch = 0;
        Ok(())
    }

    fn add_waiting_notes(&mut self) -> Result<()> {
        let notes = self.vault.catalogue().notes()?;
        if notes.is_empty() {
            return Ok(());
        }
        for (_, line) in notes {
            let Ok(event) = serde_json::from_str::<Event>(&line) else {
                continue;
            };
            ledger::write_line(self.next_line, &event, &mut self.lines)?;
            self.next_line += 1;
        }
        self.vault.catalogue().clear_notes()
    }

    fn append(&mut self, member: &Member, data: &[u8]) -> Result<(u64, u64)> {
        self.guard()?;
        self.make_room(data.len() as u64)?;
        let open = self.reel()?;
        let at = open.append_member(member, data)?;
        let number = open.number;
        self.pieces_in_batch += 1;
        Ok((number, at))
    }

    /// Closes the open reel when a member of `size` bytes and the batch's end would make it too long.
    fn make_room(&mut self, size: u64) -> Result<()> {
        let end = self.reel()?.end();
        if end + reel::padded(size) + reel::BLOCK as u64 <= reel::REEL_BYTES {
            return Ok(());
        }
        self.end_batch()?;
        self.close_open_reel()
    }

    /// Ends the open reel, whose last batch is written, and commits: batch, end and hash in one step. A crash before
    /// the commit leaves whole batches and an end past the recorded one; the batches count and the end is cut.
    fn close_open_reel(&mut self) -> Result<()> {
        self.poisoned = true;
        let Some(mut open) = self.open.take() else {
            self.poisoned = false;
            return self.commit();
        };
        open.append(&[0u8; reel::TRAILER])?;
        open.spill()?;
        open.sync(self.vault)?;
        let (hash, damage) = match &open.whole {
            Some(whole) => (Hash::from(whole.finalize()), None),
            None => self
                .vault
                .read_and_judge(open.number, self.mark.end, self.now)?,
        };
        let catalogue = self.vault.catalogue();
        catalogue.apply_reel_end(open.number, Some(hash), open.written)?;
        let verified_at = damage.is_none().then_some(self.now);
        catalogue.set_reel_check(
            open.number,
            &ReelCheck {
                verified_at,
                damage,
            },
        )?;
        self.mark.end = open.written;
        self.mark.closed = true;
        self.mark.batch_from = 0;
        catalogue.set_mark(&self.mark)?;
        catalogue.commit()?;
        self.acknowledged = self.mark;
        catalogue.begin()?;
        self.poisoned = false;
        Ok(())
    }

    /// The open reel, opened or begun when needed.
    fn reel(&mut self) -> Result<&mut OpenReel> {
        if self.open.is_none() {
            let open = if self.mark.reel > 0 && !self.mark.closed {
                self.reopen()?
            } else {
                None
            };
            let open = match open {
                Some(open) => open,
                None => self.begin_reel()?,
            };
            self.open = Some(open);
        }
        self.open
            .as_mut()
            .ok_or_else(|| Error::new(Kind::Bug, "no reel is open"))
    }

    fn reopen(&mut self) -> Result<Option<OpenReel>> {
        let number = self.mark.reel;
        let path = self.vault.reel_path(number);
        let file = self
            .vault
            .world()
            .disk
            .open_write(&path)
            .map_err(|e| Error::io(format!("cannot open {}", path.display()), e))?;
        let whole = self
            .vault
            .take_hash_so_far(number, self.mark.end)
            .or_else(|| self.vault.hash_of_sound_start(number, self.mark.end));
        let open = OpenReel {
            number,
            path,
            file,
            written: self.mark.end,
            buffer: Vec::new(),
            hashed: 0,
            batch: blake3::Hasher::new(),
            whole,
            is_new: false,
        };
        let ours = self.vault.catalogue().reel(number)?.map(|r| r.writer);
        if ours.as_deref() == Some(self.vault.writer_id()?.as_str()) {
            return Ok(Some(open));
        }
        // This folder woke up elsewhere: what the other computer began stays as it is (one chain, one writer).
        self.open = Some(open);
        self.close_open_reel()?;
        Ok(None)
    }

    fn begin_reel(&mut self) -> Result<OpenReel> {
        let catalogue = self.vault.catalogue();
        let number = self.vault.next_reel_number(self.mark.reel)?;
        let previous = match catalogue.reel(self.mark.reel)? {
            Some(reel) => reel.blake3,
            None => None,
        };
        let writer = self.vault.writer_id()?;
        let computer = self.vault.world().computer.clone();
        let about = reel_json(self.vault, number, previous, &writer, &computer, self.now)?;
        let path = self.vault.reel_path(number);
        let file = self
            .vault
            .world()
            .disk
            .create_new(&path, Privacy::Shared)
            .map_err(|e| Error::io(format!("cannot create {}", path.display()), e))?;
        let mut open = OpenReel {
            number,
            path,
            file,
            written: 0,
            buffer: Vec::new(),
            hashed: 0,
            batch: blake3::Hasher::new(),
            whole: Some(blake3::Hasher::new()),
            is_new: true,
        };
        open.append_member(&Member::Reel(number), &about)?;
        catalogue.apply_reel(number, previous, &writer, &computer, self.now)?;
        self.mark.batch_from = 0;
        Ok(open)
    }
}

impl HashSoFar {
    /// The hash over the reel's first `end` bytes, if it is that.
    pub(super) fn over(self, reel: u64, end: u64) -> Option<blake3::Hasher> {
        (self.reel == reel && self.end == end).then_some(self.whole)
    }
}

impl Drop for Writer<'_> {
    fn drop(&mut self) {
        self.vault.catalogue().roll_back();
    }
}

/// The text of a reel's first member.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct ReelJson {
    /// 1.
    pub format: u32,
    /// The vault's id.
    pub vault: String,
    /// The reel's number.
    pub number: u64,
    /// BLAKE3 of the closed reel before it; absent for the first.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub previous: Option<String>,
    /// Who wrote it.
    pub writer: String,
    /// On which computer.
    pub computer: String,
    /// When, RFC 3339.
    pub opened_at: String,
    /// The last reel verified at each shelf by then.
    #[serde(default)]
    pub shelves: BTreeMap<String, u64>,
}

fn reel_json(
    vault: &Vault,
    number: u64,
    previous: Option<Hash>,
    writer: &str,
    computer: &str,
    now: i64,
) -> Result<Vec<u8>> {
    let mut shelves = BTreeMap::new();
    for shelf in vault.catalogue().shelves()? {
        let last = vault.catalogue().shelf_reels(shelf.id)?;
        let verified = last
            .iter()
            .filter(|r| r.verified_at.is_some())
            .map(|r| r.reel)
            .max();
        shelves.insert(shelf.name, verified.unwrap_or(0));
    }
    let about = ReelJson {
        format: 1,
        vault: vault.id().to_string(),
        number,
        previous: previous.map(|h| h.to_string()),
        writer: writer.to_string(),
        computer: computer.to_string(),
        opened_at: rfc3339(now),
        shelves,
    };
    let mut text = serde_json::to_vec_pretty(&about)
        .map_err(|e| Error::new(Kind::Bug, "reel.json cannot be written").because(e))?;
    text.push(b'\n');
    Ok(text)
}
