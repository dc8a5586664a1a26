//! What a crash left at the end of the reels: whole batches count, the rest was never acknowledged and goes.
//!
//! ```text
//! catalogue's end == file's end, no later reel      nothing to do
//! bytes past the recorded end                       index whole batches, cut the rest (if all before it reads whole)
//! something before the recorded end does not read   cut nothing; close the reel as it stands, begin a new one
//! file shorter than the recorded end                takes are missing: mark them, close as it stands
//! ```
//! Closed reels are left to fixity and repair.

use std::collections::{BTreeMap, BTreeSet, HashSet};
use std::io::Read as _;

use crate::error::{Error, Kind, Next, Result};
use crate::model::hash::Hash;
use crate::sys::disk::{self, DiskFile, FileReader};
use crate::vault::Vault;
use crate::vault::catalogue::{Catalogue, Dirty, Form, Holding, Mark, ReelCheck, Stored, Where};
use crate::vault::judge::{self, Fault, What};
use crate::vault::ledger::{self, Event, Read};
use crate::vault::pieces::{self, Pieces};
use crate::vault::reel::{self, Ending, Found, Member, Scan};
use crate::vault::settings::FORMAT;
use crate::vault::writer::ReelJson;

/// True if the reels on disk are not where the catalogue says.
pub fn tail_differs(vault: &Vault) -> Result<bool> {
    let mark = vault.catalogue().mark()?;
    let later = vault
        .world()
        .disk
        .meta(&vault.reel_path(vault.next_reel_number(mark.reel)?))
        .is_ok()
        || vault
            .world()
            .disk
            .meta(&vault.reel_path(mark.reel + 1))
            .is_ok();
    if mark.reel == 0 {
        return Ok(later);
    }
    let length = vault
        .world()
        .disk
        .meta(&vault.reel_path(mark.reel))
        .map(|m| m.size);
    Ok(later || !matches!(length, Ok(n) if n == mark.end))
}

/// Brings catalogue and reels together again. The caller holds the writer's lock.
///
/// # Errors
/// `Io`; nothing that was acknowledged is touched in any case.
pub fn repair_tail(vault: &Vault) -> Result<()> {
    let mut mark = vault.catalogue().mark()?;
    if mark.reel > 0 && !mark.closed {
        mark = vault
            .catalogue()
            .in_transaction(|_| repair_open(vault, mark))?;
    }
    for number in vault.reel_numbers()? {
        if number > mark.reel {
            mark = vault
                .catalogue()
                .in_transaction(|_| take_up_reel(vault, mark, number))?;
        }
    }
    Ok(())
}

pub(super) fn read_reel(vault: &Vault, number: u64) -> Result<Vec<u8>> {
    vault
        .read_reel(number)
        .map_err(|e| Error::io(format!("cannot read reel {number}"), e))
}

fn repair_open(vault: &Vault, mut mark: Mark) -> Result<Mark> {
    let number = mark.reel;
    let bytes = match read_reel(vault, number) {
        Ok(bytes) => bytes,
        Err(e) if e.kind == Kind::NotFound => return lost_reel(vault, mark),
        Err(e) => return Err(e),
    };
    if bytes.len() as u64 == mark.end {
        return Ok(mark);
    }
    let scan = reel::scan(&bytes, 0);
    let mut faults: Vec<Fault> = judge::faults(&bytes, &scan)
        .into_iter()
        .filter(|f| f.at < mark.end)
        .collect();
    if (bytes.len() as u64) < mark.end {
        faults.push(Fault {
            at: bytes.len() as u64,
            what: What::Short(mark.end - bytes.len() as u64),
        });
    }
    if let Some(Member::Reel(other)) = scan.members.first().map(|m| &m.member)
        && *other != number
    {
        // Somebody exchanged files: nothing of it may be cut.
        faults.push(Fault {
            at: 0,
            what: What::Unfit(Member::Reel(*other)),
        });
    }
    let stands_on_an_edge = mark.end == 0 || scan.members.iter().any(|m| end_of(m) == mark.end);
    let tail: Vec<&Found> = scan.members.iter().filter(|m| m.at >= mark.end).collect();
    index_whole_batches(vault, number, &bytes, &tail, &mut mark)?;
    if faults.is_empty() && scan.ending == Ending::Closed && scan.end == mark.end {
        // It was closed after the catalogue was last written: what left the machine must not be opened again.
        found_closed(vault, &mut mark, &bytes)?;
        vault.catalogue().set_mark(&mark)?;
        return Ok(mark);
    }
    if faults.is_empty() && stands_on_an_edge {
        cut(vault, number, mark.end)?;
        vault.catalogue().apply_reel_end(number, None, mark.end)?;
        vault.catalogue().set_mark(&mark)?;
        return Ok(mark);
    }
    if faults.is_empty() {
        faults.push(Fault {
            at: mark.end,
            what: What::Batch,
        });
    }
    close_as_it_stands(vault, mark, &bytes, &scan, &faults)
}

/// Records that the reel at the mark is closed and, all of it in `bytes`, was read and found right.
fn found_closed(vault: &Vault, mark: &mut Mark, bytes: &[u8]) -> Result<()> {
    mark.end = bytes.len() as u64;
    mark.closed = true;
    mark.batch_from = 0;
    let catalogue = vault.catalogue();
    catalogue.apply_reel_end(mark.reel, Some(Hash::of(bytes)), mark.end)?;
    catalogue.set_reel_check(
        mark.reel,
        &ReelCheck {
            verified_at: Some(vault.world().now()),
            damage: None,
        },
    )
}

fn end_of(found: &Found) -> u64 {
    found.at + reel::BLOCK as u64 + reel::padded(found.data.len() as u64)
}

/// Indexes the batches in `tail` as long as they are whole and follow on; returns where the last of them ends.
fn index_whole_batches(
    vault: &Vault,
    number: u64,
    bytes: &[u8],
    tail: &[&Found],
    mark: &mut Mark,
) -> Result<u64> {
    let catalogue = vault.catalogue();
    let mut dirty = Dirty::default();
    let mut batch: Vec<&Found> = Vec::new();
    let mut expected = mark.end;
    for found in tail {
        if found.at != expected {
            break;
        }
        expected = end_of(found);
        let data = &bytes[found.data.clone()];
        if !found.member.fits(data) {
            break;
        }
        let Member::Ledger { first, last, .. } = found.member else {
            batch.push(found);
            continue;
        };
        if first != mark.line + 1
            || !judge::batch_fits(bytes, data, first, last, mark.batch_from, found.at)
        {
            break;
        }
        for member in batch.drain(..) {
            index_member(catalogue, number, bytes, member)?;
        }
        spread_new_lists(vault)?;
        if let Some(odd) = index_lines(catalogue, number, data, first, last, &mut dirty)? {
            odd.iter().for_each(|line| vault.warn(odd_line(*line)));
        }
        mark.line = last;
        mark.end = end_of(found);
        mark.batch_from = mark.end;
    }
    settle(catalogue, &mut dirty)?;
    Ok(mark.end)
}

/// Enters one member that is not a ledger member.
pub(super) fn index_member(
    catalogue: &Catalogue,
    number: u64,
    bytes: &[u8],
    found: &Found,
) -> Result<()> {
    let data = &bytes[found.data.clone()];
    let at = found.data.start as u64;
    let length = data.len() as u64;
    let stored = |hash, form, whole_bytes| Stored {
        hash,
        form,
        bytes: length,
        whole_bytes,
        reel: number,
        at,
    };
    match &found.member {
        Member::Dump(hash) => catalogue.apply_piece(&stored(*hash, Form::Whole, length)),
        Member::Chunk(hash) => catalogue.apply_piece(&stored(*hash, Form::Chunk, length)),
        Member::Layout(hash) => catalogue.apply_piece(&stored(*hash, Form::Layout, length)),
        Member::List { hash, part } => {
            let text = String::from_utf8_lossy(data);
            let listed = pieces::listed_bytes(&text);
            if *part == 1 {
                catalogue.apply_piece(&stored(*hash, pieces::list_form(&text), listed))
            } else {
                catalogue.apply_list_part(hash, *part, &stored(*hash, Form::Chunked, listed))
            }
        }
        Member::Reel(_) => {
            let about: Option<ReelJson> = serde_json::from_slice(data).ok();
            if let Some(newer) = about.as_ref().filter(|a| a.format > FORMAT) {
                return Err(newer_reel(number, newer.format));
            }
            let about = about.filter(|a| a.number == number);
            catalogue.apply_reel(
                number,
                about
                    .as_ref()
                    .and_then(|a| a.previous.as_deref())
                    .and_then(|h| h.parse().ok()),
                about.as_ref().map_or("unknown", |a| &a.writer),
                about.as_ref().map_or("unknown", |a| &a.computer),
                about
                    .as_ref()
                    .and_then(|a| a.opened_at.parse().ok())
                    .map_or(0, |t: jiff::Timestamp| t.as_second()),
            )
        }
        Member::Ledger { .. } | Member::Takes { .. } | Member::Other(_) => Ok(()),
    }
}

fn newer_reel(number: u64, format: u32) -> Error {
    Error::new(
        Kind::NewerFormat,
        format!(
            "reel {number} was written by a newer farshelf (format {format}, this program knows {FORMAT}); nothing was changed"
        ),
    )
    .next(Next::say("use the newer farshelf here"))
}

/// What to say of a ledger line that was left out.
pub(super) fn odd_line(line: u64) -> String {
    format!("line {line} of the ledger makes no sense and was left out")
}

/// Applies the lines of one ledger member. Gives the numbers of those that make no sense, or nothing if the member
/// does not read at all.
pub(super) fn index_lines(
    catalogue: &Catalogue,
    number: u64,
    text: &[u8],
    first: u64,
    last: u64,
    dirty: &mut Dirty,
) -> Result<Option<Vec<u64>>> {
    let Some(lines) = ledger::read_batch(text, first, last) else {
        return Ok(None);
    };
    let mut odd = Vec::new();
    let mut at = 0;
    for line in lines {
        let Read::Known(line) = line else { continue };
        if let Event::Batch(batch) = &line.event {
            at = batch
                .at
                .parse::<jiff::Timestamp>()
                .map_or(0, |t| t.as_second());
        }
        let place = Where {
            line: line.number,
            reel: number,
            at,
        };
        match catalogue.apply(&line.event, place, dirty) {
            Err(e) if e.kind == Kind::BadInput => odd.push(line.number),
            other => other?,
        }
    }
    Ok(Some(odd))
}

pub(super) fn settle(catalogue: &Catalogue, dirty: &mut Dirty) -> Result<()> {
    for section in std::mem::take(&mut dirty.sections) {
        catalogue.settle(section)?;
    }
    Ok(())
}

/// Works out which reels every list needs; needed when chunks lie in other places than before.
pub(super) fn spread_new_lists(vault: &Vault) -> Result<()> {
    let catalogue = vault.catalogue();
    let pieces = Pieces::new(vault);
    let mut spread: BTreeMap<i64, BTreeSet<u64>> = BTreeMap::new();
    for (id, hash, _) in catalogue.lists()? {
        if catalogue.spread_of(id)?.is_empty() {
            spread.insert(id, pieces.reels_of_list(&hash).unwrap_or_default());
        }
    }
    catalogue.set_spread(&spread)
}

fn cut(vault: &Vault, number: u64, end: u64) -> Result<()> {
    let path = vault.reel_path(number);
    let fail = |e| {
        Error::io(
            format!("cannot cut the unfinished end of {}", path.display()),
            e,
        )
    };
    let mut file = vault.world().disk.open_write(&path).map_err(fail)?;
    file.set_len(end).map_err(fail)?;
    file.sync().map_err(fail)
}

/// The whole open reel is gone: everything in it is missing.
fn lost_reel(vault: &Vault, mut mark: Mark) -> Result<Mark> {
    let now = vault.world().now();
    for (_, holding) in vault.catalogue().pieces_of_reel(mark.reel)? {
        vault.catalogue().mark_piece_damaged(holding.piece, now)?;
    }
    let damage = Some("the file is missing".to_string());
    vault.catalogue().set_reel_check(
        mark.reel,
        &ReelCheck {
            verified_at: None,
            damage,
        },
    )?;
    mark.closed = true;
    mark.end = 0;
    mark.batch_from = 0;
    vault.catalogue().set_mark(&mark)?;
    Ok(mark)
}

/// Closes a damaged open reel without cutting anything and marks what it no longer holds.
fn close_as_it_stands(
    vault: &Vault,
    mut mark: Mark,
    bytes: &[u8],
    scan: &Scan,
    faults: &[Fault],
) -> Result<Mark> {
    let number = mark.reel;
    let now = vault.world().now();
    save_strays(vault, number, bytes, scan)?;
    let (hash, length) = seal(vault, number, bytes, scan)?;
    mark_unfit(vault, number, bytes, now)?;
    let catalogue = vault.catalogue();
    catalogue.mark_damaged_before_closing(number)?;
    catalogue.apply_reel_end(number, Some(hash), length)?;
    let damage = faults.first().map(|f| f.to_string());
    catalogue.set_reel_check(
        number,
        &ReelCheck {
            verified_at: None,
            damage,
        },
    )?;
    mark.end = length;
    mark.closed = true;
    mark.batch_from = 0;
    catalogue.set_mark(&mark)?;
    Ok(mark)
}

/// Bytes that belong to no member are kept in incoming/ under a name of their own.
pub(super) fn save_strays(vault: &Vault, number: u64, bytes: &[u8], scan: &Scan) -> Result<()> {
    for gap in &scan.gaps {
        let stray = &bytes[gap.start as usize..gap.end as usize];
        if stray.iter().all(|b| *b == 0) {
            continue;
        }
        let name = format!(
            "reel-{number:06}-byte-{}-{:.16}.stray",
            gap.start,
            Hash::of(stray)
        );
        let path = vault.dir().join("incoming").join(name);
        if !disk::exists(vault.world().disk.as_ref(), &path) {
            disk::publish(
                vault.world().disk.as_ref(),
                &path,
                stray,
                disk::Privacy::Owner,
                disk::Replace::Yes,
            )?;
        }
    }
    Ok(())
}

/// Fills a torn reel up so that any tar reads it to its end, and returns its hash and length.
pub(super) fn seal(vault: &Vault, number: u64, bytes: &[u8], scan: &Scan) -> Result<(Hash, u64)> {
    // An open reel never ends with two zero blocks: this one was closed, with damage before its end.
    let has_trailer =
        bytes.len().is_multiple_of(reel::BLOCK) && bytes.ends_with(&[0u8; reel::TRAILER]);
    if scan.ending == Ending::Closed || has_trailer {
        return Ok((Hash::of(bytes), bytes.len() as u64));
    }
    let length = bytes.len() as u64;
    if length == reel::LARGEST_REEL_BYTES {
        // What lies behind was not read and must not be written over.
        return Ok((Hash::of(bytes), length));
    }
    let fill = (reel::padded(length) - length) as usize + reel::TRAILER;
    let zeros = vec![0u8; fill];
    let path = vault.reel_path(number);
    let fail = |e| Error::io(format!("cannot close {}", path.display()), e);
    let mut file: Box<dyn DiskFile> = vault.world().disk.open_write(&path).map_err(fail)?;
    file.write_at(&zeros, length).map_err(fail)?;
    file.sync().map_err(fail)?;
    let mut whole = blake3::Hasher::new();
    whole.update(bytes);
    whole.update(&zeros);
    Ok((Hash::from(whole.finalize()), length + fill as u64))
}

/// Marks every holding that a reel's bytes do not bear out.
pub fn mark_unfit(vault: &Vault, number: u64, bytes: &[u8], now: i64) -> Result<u64> {
    let unfit = unfit(vault, number, bytes)?;
    for piece in &unfit {
        vault.catalogue().mark_piece_damaged(*piece, now)?;
    }
    Ok(unfit.len() as u64)
}

/// Row ids of the pieces that should lie in a reel and that its bytes do not bear out.
fn unfit(vault: &Vault, number: u64, bytes: &[u8]) -> Result<Vec<i64>> {
    let mut unfit = Vec::new();
    for (hash, holding) in vault.catalogue().pieces_of_reel(number)? {
        let data = bytes.get(holding.at as usize..(holding.at + holding.bytes) as usize);
        let right = match holding.form {
            Form::Whole | Form::Chunk | Form::Layout => data.is_some_and(|d| Hash::of(d) == hash),
            // A list of chunks is only told by what it leads to; one of files by its own hash.
            Form::Folder if vault.catalogue().list_parts(holding.piece)?.is_empty() => {
                data.is_some_and(|d| Hash::of(d) == hash)
            }
            Form::Folder | Form::Chunked => {
                data.is_some() && Pieces::new(vault).check(&hash).is_ok()
            }
        };
        if !right {
            unfit.push(holding.piece);
        }
    }
    Ok(unfit)
}

/// The pieces of a reel that only the catalogue still finds: their bytes may be right, but the headers before them do
/// not read, so that no copy gives them back.
pub(super) fn headless(vault: &Vault, number: u64, bytes: &[u8]) -> Result<Vec<(Hash, Holding)>> {
    let catalogue = vault.catalogue();
    let starts: HashSet<u64> = reel::scan(bytes, 0)
        .members
        .iter()
        .map(|m| m.data.start as u64)
        .collect();
    let is_headless = |h: &Holding| h.reel == number && !starts.contains(&h.at);
    let mut headless = catalogue.pieces_of_reel(number)?;
    headless.retain(|(_, holding)| is_headless(holding));
    for (piece, hash, _) in catalogue.lists()? {
        let parts = catalogue.list_parts(piece)?;
        if parts.iter().any(is_headless)
            && !headless.iter().any(|(known, _)| *known == hash)
            && let Some(holding) = catalogue.holding(&hash)?
        {
            headless.push((hash, holding));
        }
    }
    Ok(headless)
}

/// What is still wrong with a reel that was closed as the damaged one that it is in `bytes`: nothing once the bytes
/// that takes need were kept anew, and what its ledger may have told was told again.
///
/// # Errors
/// As the catalogue's.
pub fn unhealed(vault: &Vault, number: u64, bytes: &[u8]) -> Result<Option<String>> {
    let scan = reel::scan(bytes, 0);
    let needed = !unfit(vault, number, bytes)?.is_empty();
    let retold = vault.catalogue().is_retold(number)?;
    let mut faults = judge::faults(bytes, &scan).into_iter();
    if let Some(fault) = faults.find(|fault| needed || !(retold || fault.is_in_a_piece())) {
        return Ok(Some(fault.to_string()));
    }
    // What was cut off at the end of a member leaves no other trace.
    if needed {
        return Ok(Some("bytes that takes need are not in it".to_string()));
    }
    let lost_lines = !retold && lacks_lines(vault, number, bytes, &scan)?;
    Ok(lost_lines.then(|| "lines of its ledger are not in it".to_string()))
}

/// True if facts may have stood in a reel, closed as the damaged one that it is in `bytes`, that do not read there.
///
/// # Errors
/// As the catalogue's.
pub fn has_lost_lines(vault: &Vault, number: u64, bytes: &[u8]) -> Result<bool> {
    let scan = reel::scan(bytes, 0);
    let in_pieces = judge::faults(bytes, &scan).iter().all(Fault::is_in_a_piece);
    Ok(!in_pieces || lacks_lines(vault, number, bytes, &scan)?)
}

/// True if the next reel, or the whole ledger, does not go on where this one ends.
fn lacks_lines(vault: &Vault, number: u64, bytes: &[u8], scan: &Scan) -> Result<bool> {
    let lines = |bytes: &[u8], scan: &Scan| -> Vec<(u64, u64)> {
        let fitting = scan.members.iter().filter_map(|m| match m.member {
            Member::Ledger { first, last, .. } => m
                .member
                .fits(&bytes[m.data.clone()])
                .then_some((first, last)),
            _ => None,
        });
        fitting.collect()
    };
    let Some((_, last)) = lines(bytes, scan).pop() else {
        return Ok(true);
    };
    let reels = vault.catalogue().reels()?;
    let Some(next) = reels.iter().find(|r| r.number > number) else {
        return Ok(last < vault.catalogue().mark()?.line);
    };
    let Ok(bytes) = vault.read_reel(next.number) else {
        return Ok(false);
    };
    let first = lines(&bytes, &reel::scan(&bytes, 0)).first().copied();
    Ok(first.is_some_and(|(first, _)| last + 1 < first))
}

/// True if nothing is missing although a reel is: its takes were kept and told again.
///
/// # Errors
/// As the catalogue's.
pub fn is_made_good(vault: &Vault, number: u64) -> Result<bool> {
    let catalogue = vault.catalogue();
    Ok(catalogue.is_retold(number)? && catalogue.pieces_of_reel(number)?.is_empty())
}

/// A reel that the catalogue has not heard of: left by a crash right after it was begun, or the catalogue is old.
fn take_up_reel(vault: &Vault, mark: Mark, number: u64) -> Result<Mark> {
    let bytes = read_reel(vault, number)?;
    let scan = reel::scan(&bytes, 0);
    let mut new = Mark {
        reel: number,
        end: 0,
        closed: false,
        line: mark.line,
        batch_from: 0,
    };
    let members: Vec<&Found> = scan.members.iter().collect();
    let end = index_whole_batches(vault, number, &bytes, &members, &mut new)?;
    if end == 0 {
        set_aside(vault, number, &bytes, &scan)?;
        return Ok(mark);
    }
    let catalogue = vault.catalogue();
    if scan.ending == Ending::Closed && scan.end == end {
        found_closed(vault, &mut new, &bytes)?;
    } else {
        cut(vault, number, end)?;
        catalogue.apply_reel_end(number, None, end)?;
    }
    catalogue.set_mark(&new)?;
    Ok(new)
}

/// A file in reels/ of which no batch follows on. What a crash left of a reel that was just begun was never
/// acknowledged and goes; anything else (a renamed reel, a foreign one) is kept in incoming/.
pub(super) fn set_aside(vault: &Vault, number: u64, bytes: &[u8], scan: &Scan) -> Result<()> {
    let path = vault.reel_path(number);
    let fail = |e| {
        Error::io(
            format!("cannot put the unfinished {} aside", path.display()),
            e,
        )
    };
    let disk = vault.world().disk.as_ref();
    let has_ledger = scan
        .members
        .iter()
        .any(|m| matches!(m.member, Member::Ledger { .. }));
    let about = scan.members.first().map(|m| &m.member);
    let just_begun = !has_ledger && about.is_none_or(|m| *m == Member::Reel(number));
    if just_begun {
        disk.remove_file(&path).map_err(fail)?;
    } else {
        let name = format!("reel-{number:06}-{:.16}.tar", Hash::of(bytes));
        disk.rename(&path, &vault.dir().join("incoming").join(name))
            .map_err(fail)?;
        disk.sync_folder(&vault.dir().join("incoming"))
            .map_err(fail)?;
        vault.warn(format!(
            "reels/{} does not follow what is kept; it was moved to incoming/",
            reel::file_name(number)
        ));
    }
    disk.sync_folder(&vault.reels_dir()).map_err(fail)
}

impl Vault {
    /// Reads a reel that is being closed and was begun by another run: its hash, and what is wrong with it if
    /// anything. What it no longer holds is marked.
    pub(super) fn read_and_judge(
        &self,
        number: u64,
        _end: u64,
        now: i64,
    ) -> Result<(Hash, Option<String>)> {
        let bytes = read_reel(self, number)?;
        let scan = reel::scan(&bytes, 0);
        let faults = judge::faults(&bytes, &scan);
        if !faults.is_empty() {
            mark_unfit(self, number, &bytes, now)?;
            self.catalogue().mark_damaged_before_closing(number)?;
        }
        Ok((Hash::of(&bytes), faults.first().map(|f| f.to_string())))
    }

    /// The hash over the first `end` bytes of the open reel, if they are few and nothing is wrong with them: a writer
    /// goes on with it, and the reel need not be read again when it is closed.
    pub(super) fn hash_of_sound_start(&self, number: u64, end: u64) -> Option<blake3::Hasher> {
        const FEW: u64 = 64 << 10;
        if end > FEW {
            return None;
        }
        let mut bytes = vec![0u8; end as usize];
        let file = self.world().disk.open(&self.reel_path(number)).ok()?;
        FileReader::new(file.as_ref()).read_exact(&mut bytes).ok()?;
        let sound = judge::faults(&bytes, &reel::scan(&bytes, 0)).is_empty();
        sound.then(|| {
            let mut hasher = blake3::Hasher::new();
            hasher.update(&bytes);
            hasher
        })
    }

    /// Judges the open reel's acknowledged part.
    ///
    /// # Errors
    /// `Io` if it cannot be read.
    pub fn judge_open_reel(&self, number: u64, end: u64) -> Result<Vec<Fault>> {
        let mut bytes = read_reel(self, number)?;
        let missing = end.saturating_sub(bytes.len() as u64);
        let length = bytes.len() as u64;
        bytes.truncate(end as usize);
        let mut faults = judge::faults(&bytes, &reel::scan(&bytes, 0));
        if missing > 0 {
            faults.push(Fault {
                at: length,
                what: What::Short(missing),
            });
        }
        Ok(faults)
    }

    /// Closes the open reel as it stands if it is damaged, so that the next one begins and what is kept again heals.
    /// Gives its number if it was closed.
    ///
    /// # Errors
    /// `Busy`, `Io`; nothing is cut in any case.
    pub fn close_damaged_reel(&self, wait: std::time::Duration) -> Result<Option<u64>> {
        let _lock = self.lock(wait)?;
        if tail_differs(self)? {
            repair_tail(self)?;
        }
        let mark = self.catalogue().mark()?;
        if mark.reel == 0 || mark.closed {
            return Ok(None);
        }
        let bytes = read_reel(self, mark.reel)?;
        let scan = reel::scan(&bytes, 0);
        let faults = judge::faults(&bytes, &scan);
        if faults.is_empty() {
            return Ok(None);
        }
        self.catalogue()
            .in_transaction(|_| close_as_it_stands(self, mark, &bytes, &scan, &faults))?;
        Ok(Some(mark.reel))
    }

    /// Takes up the closed reel `bytes` of which the open reel is the beginning: this folder is an older copy of the
    /// vault that closed it. False, and nothing changed, if it is not the beginning of it.
    ///
    /// # Errors
    /// `Busy`, `Io`.
    pub fn complete_open_reel(&self, bytes: &[u8], wait: std::time::Duration) -> Result<bool> {
        let _lock = self.lock(wait)?;
        if tail_differs(self)? {
            repair_tail(self)?;
        }
        let mut mark = self.catalogue().mark()?;
        let number = mark.reel;
        let end = mark.end as usize;
        let scan = reel::scan(bytes, 0);
        let is_whole = scan.ending == Ending::Closed && judge::faults(bytes, &scan).is_empty();
        if number == 0 || mark.closed || !is_whole {
            return Ok(false);
        }
        let begun = read_reel(self, number)?;
        if begun.len() < end || bytes.get(..end) != begun.get(..end) {
            return Ok(false);
        }
        // A crash between the two steps leaves a longer open reel, whose whole batches the next start takes up.
        disk::publish(
            self.world().disk.as_ref(),
            &self.reel_path(number),
            bytes,
            disk::Privacy::Shared,
            disk::Replace::Yes,
        )?;
        self.catalogue().in_transaction(|catalogue| {
            let tail: Vec<&Found> = scan.members.iter().filter(|m| m.at >= mark.end).collect();
            index_whole_batches(self, number, bytes, &tail, &mut mark)?;
            found_closed(self, &mut mark, bytes)?;
            catalogue.set_mark(&mark)
        })?;
        Ok(true)
    }

    /// Takes up whole reels that were put into `reels/` behind the last one.
    ///
    /// # Errors
    /// `Busy`, `Io`.
    pub fn take_up_reels(&self, wait: std::time::Duration) -> Result<()> {
        let _lock = self.lock(wait)?;
        repair_tail(self)
    }
}
