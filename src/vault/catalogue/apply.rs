//! From ledger events and stored pieces to rows: the one way by which facts enter the catalogue.

use std::collections::{BTreeMap, BTreeSet};

use rusqlite::{OptionalExtension, params};

use super::Catalogue;
use super::rows::{Form, flag};
use crate::error::{Error, Kind, Result};
use crate::model::contents::READING;
use crate::model::date::{DatedBy, Moment};
use crate::model::hash::Hash;
use crate::model::take::{Evidence, Severity, Via};
use crate::vault::ledger::{self, Event};
use crate::vault::reel::LARGEST_NUMBER;

/// Where and when an event stands.
#[derive(Debug, Clone, Copy)]
pub struct Where {
    /// Its ledger number.
    pub line: u64,
    /// The reel that holds it.
    pub reel: u64,
    /// When its batch was written, unix seconds.
    pub at: i64,
}

/// What applied events left to be settled and retold.
#[derive(Debug, Default)]
pub struct Dirty {
    /// Sections whose timeline has to be arranged anew, by row id.
    pub sections: BTreeSet<i64>,
    /// Takes that were added or changed, by row id.
    pub takes: BTreeSet<i64>,
    /// Rows looked up last: events of one device and one folder come in runs.
    last: Last,
}

/// A name and its row id, as looked up last.
#[derive(Debug, Default)]
struct Last {
    device: Option<(String, i64)>,
    folder: Option<(String, i64)>,
}

/// The row id that `last` holds for `name`, else what `find` gives, which it holds from then on.
fn look_up(
    last: &mut Option<(String, i64)>,
    name: &str,
    find: impl FnOnce() -> Result<Option<i64>>,
) -> Result<Option<i64>> {
    if let Some((known, id)) = last
        && known == name
    {
        return Ok(Some(*id));
    }
    let id = find()?;
    *last = id.map(|id| (name.to_string(), id));
    Ok(id)
}

/// Whether a fact is told for the first time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Told {
    First,
    Again,
}

/// A piece as it was stored.
#[derive(Debug, Clone, Copy)]
pub struct Stored {
    /// Its name.
    pub hash: Hash,
    /// What its member is.
    pub form: Form,
    /// Bytes of the member.
    pub bytes: u64,
    /// Bytes of what the hash names.
    pub whole_bytes: u64,
    /// The reel it lies in.
    pub reel: u64,
    /// Where its bytes begin there.
    pub at: u64,
}

/// The hidden section of takes that are no state by themselves.
pub const LOOSE: &str = "loose";

impl Catalogue {
    /// Records where a piece lies; a newer holding takes the place of a damaged one.
    pub fn apply_piece(&self, piece: &Stored) -> Result<()> {
        let row = params![
            &piece.hash.0[..],
            piece.form as i64,
            piece.bytes as i64,
            piece.whole_bytes as i64,
            piece.reel as i64,
            piece.at as i64
        ];
        let added = self
            .conn
            .prepare_cached(
                "INSERT INTO piece (hash, form, bytes, whole_bytes, reel, at) VALUES (?1,?2,?3,?4,?5,?6)
                 ON CONFLICT (hash) DO NOTHING",
            )?
            .execute(row)?;
        if added == 0 {
            self.conn
                .prepare_cached(
                    "UPDATE piece SET form=?2, bytes=?3, whole_bytes=?4, reel=?5, at=?6 WHERE hash = ?1",
                )?
                .execute(row)?;
            self.conn
                .prepare_cached(
                    "DELETE FROM piece_damage WHERE piece = (SELECT id FROM piece WHERE hash = ?1)",
                )?
                .execute([&piece.hash.0[..]])?;
        }
        if piece.form == Form::Chunk && self.has_lists()? {
            // A chunk stored anew may be part of any list: which reels those need has changed.
            self.set_meta("spread", "stale")?;
        }
        Ok(())
    }

    /// Records where the continuation `part` (2 or more) of a list lies.
    pub fn apply_list_part(&self, hash: &Hash, part: u32, at: &Stored) -> Result<()> {
        let piece: Option<i64> = self.piece_id(hash)?;
        let Some(piece) = piece else { return Ok(()) };
        self.conn
            .prepare_cached(
                "INSERT OR REPLACE INTO list_part (piece, part, bytes, reel, at) VALUES (?1,?2,?3,?4,?5)",
            )?
            .execute(params![piece, part, at.bytes as i64, at.reel as i64, at.at as i64])?;
        self.conn
            .prepare_cached("UPDATE piece SET whole_bytes = whole_bytes + ?2 WHERE id = ?1")?
            .execute(params![piece, at.whole_bytes as i64])?;
        Ok(())
    }

    fn has_lists(&self) -> Result<bool> {
        Ok(self
            .conn
            .prepare_cached("SELECT 1 FROM spread LIMIT 1")?
            .query_row([], |_| Ok(()))
            .optional()?
            .is_some())
    }

    /// Records a reel from the text of its `reel.json`.
    pub fn apply_reel(
        &self,
        number: u64,
        previous: Option<Hash>,
        writer: &str,
        computer: &str,
        opened_at: i64,
    ) -> Result<()> {
        self.conn
            .prepare_cached(
                "INSERT INTO reel (number, previous, writer, computer, opened_at, blake3, bytes) VALUES (?1,?2,?3,?4,?5,NULL,0)
                 ON CONFLICT (number) DO UPDATE SET previous=?2, writer=?3, computer=?4, opened_at=?5",
            )?
            .execute(params![
                number as i64,
                previous.map(|h| h.0.to_vec()),
                writer,
                computer,
                opened_at
            ])?;
        Ok(())
    }

    /// Records that a reel is closed, with its hash and length, or only its length so far.
    pub fn apply_reel_end(&self, number: u64, blake3: Option<Hash>, bytes: u64) -> Result<()> {
        self.conn
            .prepare_cached("UPDATE reel SET blake3 = ?2, bytes = ?3 WHERE number = ?1")?
            .execute(params![
                number as i64,
                blake3.map(|h| h.0.to_vec()),
                bytes as i64
            ])?;
        Ok(())
    }

    /// Turns one event into rows. Sections in `dirty` need [`Catalogue::settle`] afterwards.
    ///
    /// Events that name things this catalogue has not heard of (their own events may have been damaged) create them
    /// bare, so that nothing that is left becomes unreachable.
    ///
    /// # Errors
    /// `BadInput` for an event that makes no sense; nothing of it is entered then.
    pub fn apply(&self, event: &Event, place: Where, dirty: &mut Dirty) -> Result<()> {
        match event {
            Event::Batch(_) => Ok(()),
            Event::Settings(s) => self.set_meta("settings", &json(s)?),
            Event::Device(d) => self.apply_device(d),
            Event::Section(s) => self.apply_section(s, dirty),
            Event::Take(t) => self.apply_take(t, place, dirty),
            Event::Reading(r) => self.apply_reading(r, dirty),
            Event::Layout(l) => self.apply_layout(l),
            Event::Sighting(s) => self.apply_sighting(s, place, dirty, Told::First),
            Event::Label(l) => self.apply_label(l, dirty),
            Event::Vouch(v) => self.apply_vouch(v, place, dirty),
            Event::Log(l) => self.apply_log(l, place),
            Event::Shelf(s) => self.apply_shelf(s),
            Event::Accept(a) => self.apply_accept(a),
            Event::KeySheet(k) => self.apply_key_sheet(k, place),
            Event::Again(a) => self.apply_again(a, place, dirty),
            Event::Retold(r) => self.set_retold(r.reel),
            Event::Mirrored(m) => self.apply_mirrored(m),
            Event::Verified(v) => self.apply_verified(v),
        }
    }

    fn apply_device(&self, device: &ledger::Device) -> Result<()> {
        if let Some(before) = self.device(&device.device)?
            && before.record.layout != device.layout
        {
            self.read_device_anew(before.id)?;
        }
        self.conn
            .prepare_cached(
                "INSERT INTO device (name, retired, record) VALUES (?1,?2,?3)
                 ON CONFLICT (name) DO UPDATE SET retired=?2, record=?3",
            )?
            .execute(params![device.device, device.retired, json(device)?])?;
        Ok(())
    }

    fn device_or_bare(&self, name: &str) -> Result<i64> {
        if let Some(id) = self.device_id(name)? {
            return Ok(id);
        }
        self.apply_device(&ledger::Device {
            device: name.to_string(),
            ..ledger::Device::default()
        })?;
        self.device_id(name)?
            .ok_or_else(|| Error::new(Kind::Bug, "a device row vanished"))
    }

    fn section_or_bare(&self, device: i64, name: &str) -> Result<i64> {
        if let Some(id) = self.section_id(device, name)? {
            return Ok(id);
        }
        let loose = name == LOOSE;
        self.conn
            .prepare_cached(
                "INSERT INTO section (device, name, expected, loose, record) VALUES (?1,?2,?3,?4,'')",
            )?
            .execute(params![device, name, !loose, loose])?;
        Ok(self.conn.last_insert_rowid())
    }

    fn apply_section(&self, section: &ledger::Section, dirty: &mut Dirty) -> Result<()> {
        let device = self.device_or_bare(&section.device)?;
        if let Some(old) = &section.renamed_from
            && self.section_id(device, &section.section)?.is_none()
            && let Some(id) = self.section_id(device, old)?
        {
            self.conn
                .prepare_cached("UPDATE section SET name = ?2 WHERE id = ?1")?
                .execute(params![id, section.section])?;
            dirty.takes.extend(self.take_ids_of_section(id)?);
        }
        let record = ledger::Section {
            renamed_from: None,
            ..section.clone()
        };
        let id: i64 = self
            .conn
            .prepare_cached(
                "INSERT INTO section (device, name, expected, loose, record) VALUES (?1,?2,?3,?4,?5)
                 ON CONFLICT (device, name) DO UPDATE SET expected=?3, loose=?4, record=?5 RETURNING id",
            )?
            .query_row(
                params![device, section.section, section.expected, section.loose, json(&record)?],
                |r| r.get(0),
            )?;
        dirty.sections.insert(id);
        for key in &section.keys {
            self.lead_key(device, key, id, dirty)?;
        }
        Ok(())
    }

    /// Makes `key` lead to the section and brings along what came under it before.
    fn lead_key(&self, device: i64, key: &str, section: i64, dirty: &mut Dirty) -> Result<()> {
        let key_id = self.key_or_new(device, key)?;
        let before: Option<i64> = self
            .conn
            .prepare_cached("SELECT section FROM section_key WHERE id = ?1")?
            .query_row([key_id], |r| r.get(0))?;
        if before == Some(section) {
            return Ok(());
        }
        self.conn
            .prepare_cached("UPDATE section_key SET section = ?2 WHERE id = ?1")?
            .execute(params![key_id, section])?;
        let Some(before) = before else { return Ok(()) };
        let moved: Vec<i64> = self
            .conn
            .prepare_cached(
                "UPDATE take SET section = ?3 WHERE section = ?2 AND key = ?1 AND flags & ?4 = 0 RETURNING id",
            )?
            .query_map(params![key_id, before, section, flag::BY_HAND], |r| r.get(0))?
            .collect::<rusqlite::Result<_>>()?;
        dirty.takes.extend(moved);
        dirty.sections.insert(before);
        // A section that nothing leads to and nothing lies in has no meaning left.
        let gone = self
            .conn
            .prepare_cached(
                "DELETE FROM section WHERE id = ?1
                   AND NOT EXISTS (SELECT 1 FROM take WHERE section = ?1)
                   AND NOT EXISTS (SELECT 1 FROM section_key WHERE section = ?1)",
            )?
            .execute([before])?;
        if gone > 0 {
            dirty.sections.remove(&before);
        }
        Ok(())
    }

    fn key_or_new(&self, device: i64, key: &str) -> Result<i64> {
        let found = self
            .conn
            .prepare_cached("SELECT id FROM section_key WHERE device = ?1 AND key = ?2")?
            .query_row(params![device, key], |r| r.get(0))
            .optional()?;
        if let Some(id) = found {
            return Ok(id);
        }
        self.conn
            .prepare_cached("INSERT INTO section_key (device, key, section) VALUES (?1,?2,NULL)")?
            .execute(params![device, key])?;
        Ok(self.conn.last_insert_rowid())
    }

    fn apply_take(&self, take: &ledger::Take, place: Where, dirty: &mut Dirty) -> Result<()> {
        // Before anything is entered: a line that makes no sense leaves no trace.
        let hash = parse_hash(&take.blake3)?;
        let content = take.content.as_deref().map(parse_hash).transpose()?;
        let device = look_up(&mut dirty.last.device, &take.device, || {
            self.device_or_bare(&take.device).map(Some)
        })?
        .unwrap_or(0);
        let section = self.section_or_bare(device, take.section.as_deref().unwrap_or(LOOSE))?;
        let key = self.key_or_new(device, &take.key)?;
        let piece = match self.piece_id(&hash)? {
            Some(id) => id,
            None => self.missing_piece(&hash, take.bytes, place)?,
        };
        let mut flags = 0i64;
        for (set, bit) in [
            (take.doubtful, flag::DOUBTFUL),
            (take.section.is_none(), flag::LOOSE),
            (take.by_hand, flag::BY_HAND),
        ] {
            if set {
                flags |= bit;
            }
        }
        let id = (device << 32) | i64::from(take.take);
        let by = DatedBy::parse(&take.by).unwrap_or(DatedBy::File);
        let start = take.date.parse().map_or(None, Moment::start_utc);
        self.conn
            .prepare_cached(
                "INSERT OR REPLACE INTO take (id, section, key, piece, content, content_hash, bytes, messages, flags,
                   evidence, ledger, reel, kept_at, anchor, date, dated_by, start, newest, alias_of, sysex_number, unread)
                 VALUES (?1,?2,?3,?4,?5,?6,?7,?8,?9,?10,?11,?12,?13,?14,?15,?16,?17,?17,NULL,?18,?19)",
            )?
            .execute(params![
                id,
                section,
                key,
                piece,
                content.unwrap_or(hash).short(),
                content.map(|h| h.0.to_vec()),
                take.bytes as i64,
                take.messages as i64,
                flags,
                word(Evidence::parse(&take.evidence).unwrap_or(Evidence::None), Evidence::ALL),
                place.line as i64,
                place.reel as i64,
                place.at,
                format!("{} {}", take.date, take.by),
                take.date,
                word(by, DatedBy::ALL),
                // A first guess; settling puts right what it is not.
                start,
                take.sysex_number,
                // What its patches are called is not in the ledger.
                take.reading != READING || take.patches > 0,
            ])?;
        self.set_findings(id, &take.findings)?;
        self.insert_sighting(id, &take.date, by, &take.origin, place, dirty)?;
        dirty.sections.insert(section);
        dirty.takes.insert(id);
        Ok(())
    }

    fn set_findings(&self, take: i64, findings: &[ledger::Finding]) -> Result<()> {
        for (seq, finding) in findings.iter().enumerate() {
            self.conn
                .prepare_cached(
                    "INSERT OR REPLACE INTO finding (take, seq, code, severity, message) VALUES (?1,?2,?3,?4,?5)",
                )?
                .execute(params![
                    take,
                    seq as i64,
                    finding.code,
                    word(Severity::parse(&finding.severity).unwrap_or(Severity::Note), Severity::ALL),
                    finding.message
                ])?;
        }
        Ok(())
    }

    /// What a take's bytes are taken for from now on.
    fn apply_reading(&self, reading: &ledger::Reading, dirty: &mut Dirty) -> Result<()> {
        let content = reading.content.as_deref().map(parse_hash).transpose()?;
        let Some((id, section)) = self.take_and_section(&reading.device, reading.take)? else {
            return Ok(());
        };
        let evidence = Evidence::parse(&reading.evidence).unwrap_or(Evidence::None);
        let doubtful = if reading.doubtful { flag::DOUBTFUL } else { 0 };
        self.conn
            .prepare_cached(
                "UPDATE take SET flags = (flags & ~?2) | ?3, evidence = iif(flags & ?4, evidence, ?5), messages = ?6,
                   sysex_number = ?7 WHERE id = ?1",
            )?
            .execute(params![
                id,
                flag::DOUBTFUL,
                doubtful,
                flag::VOUCHED,
                word(evidence, Evidence::ALL),
                reading.messages as i64,
                reading.sysex_number
            ])?;
        if let Some(content) = content {
            self.conn
                .prepare_cached("UPDATE take SET content = ?2, content_hash = ?3 WHERE id = ?1")?
                .execute(params![id, content.short(), content.0.to_vec()])?;
        }
        if let Some(key) = &reading.key {
            let key = self.key_or_new(id >> 32, key)?;
            self.conn
                .prepare_cached("UPDATE take SET key = ?2 WHERE id = ?1")?
                .execute(params![id, key])?;
            // Where nothing else begins like this, later dumps belong with this one.
            self.conn
                .prepare_cached(
                    "UPDATE section_key SET section = ?2 WHERE id = ?1 AND section IS NULL
                       AND NOT EXISTS (SELECT 1 FROM section WHERE id = ?2 AND name = ?3)",
                )?
                .execute(params![key, section, LOOSE])?;
        }
        self.conn
            .prepare_cached("DELETE FROM finding WHERE take = ?1")?
            .execute([id])?;
        self.set_findings(id, &reading.findings)?;
        dirty.sections.insert(section);
        dirty.takes.insert(id);
        Ok(())
    }

    fn apply_layout(&self, layout: &ledger::Layout) -> Result<()> {
        for begin in &layout.begins {
            self.read_anew(begin)?;
        }
        let Some(text) = layout.blake3.as_deref().map(parse_hash).transpose()? else {
            self.conn
                .prepare_cached("DELETE FROM layout WHERE name = ?1")?
                .execute([&layout.layout])?;
            return Ok(());
        };
        self.conn
            .prepare_cached("INSERT OR REPLACE INTO layout (name, text) VALUES (?1,?2)")?
            .execute(params![layout.layout, &text.0[..]])?;
        Ok(())
    }

    /// A take whose bytes no reel holds: known by name, and known to be missing.
    fn missing_piece(&self, hash: &Hash, bytes: u64, place: Where) -> Result<i64> {
        self.apply_piece(&Stored {
            hash: *hash,
            form: Form::Whole,
            bytes,
            whole_bytes: bytes,
            reel: place.reel,
            at: 0,
        })?;
        let id = self
            .piece_id(hash)?
            .ok_or_else(|| Error::new(Kind::Bug, "a piece row vanished"))?;
        self.mark_piece_damaged(id, place.at)?;
        Ok(id)
    }

    fn insert_sighting(
        &self,
        take: i64,
        date: &str,
        by: DatedBy,
        origin: &ledger::Origin,
        place: Where,
        dirty: &mut Dirty,
    ) -> Result<()> {
        let folder = look_up(&mut dirty.last.folder, &origin.folder, || {
            self.folder_id(&origin.folder).map(Some)
        })?;
        let name = self.file_name_id(&origin.name)?;
        self.conn
            .prepare_cached(
                "INSERT INTO sighting (take, date, by, state, seen_at, via, folder, name, mtime) VALUES (?1,?2,?3,0,?4,?5,?6,?7,?8)",
            )?
            .execute(params![
                take,
                date,
                word(by, DatedBy::ALL),
                place.at,
                word(Via::parse(&origin.via).unwrap_or(Via::File), Via::ALL),
                folder,
                name,
                origin.mtime
            ])?;
        Ok(())
    }

    fn apply_sighting(
        &self,
        s: &ledger::Sighting,
        place: Where,
        dirty: &mut Dirty,
        told: Told,
    ) -> Result<()> {
        let device = look_up(&mut dirty.last.device, &s.device, || {
            self.device_id(&s.device)
        })?;
        let Some((id, section)) = self.numbered_take_and_section(device, s.take)? else {
            return Ok(());
        };
        let by = DatedBy::parse(&s.by).unwrap_or(DatedBy::File);
        if let Some((date, known_by)) = &s.corrects {
            self.correct_sightings(id, section, s, (date, known_by))?;
        }
        if told == Told::First || !self.is_seen(id, s, by)? {
            self.insert_sighting(id, &s.date, by, &s.origin, place, dirty)?;
        }
        dirty.sections.insert(section);
        if s.corrects.is_some() {
            dirty.takes.insert(id);
        }
        Ok(())
    }

    /// A fact told again changes nothing where it is known; a take is from now on told by this line.
    fn apply_again(&self, again: &ledger::Again, place: Where, dirty: &mut Dirty) -> Result<()> {
        let first = Where {
            at: seconds(&again.at),
            ..place
        };
        match again.what.as_ref() {
            Event::Batch(_) | Event::Again(_) => Ok(()),
            Event::Take(t) => match self.take_and_section(&t.device, t.take)? {
                None => self.apply_take(t, first, dirty),
                Some((id, _)) => {
                    self.conn
                        .prepare_cached("UPDATE take SET ledger = ?2, reel = ?3 WHERE id = ?1")?
                        .execute(params![id, place.line as i64, place.reel as i64])?;
                    dirty.takes.insert(id);
                    Ok(())
                }
            },
            Event::Sighting(s) => self.apply_sighting(s, first, dirty, Told::Again),
            Event::Vouch(v) if self.is_vouched(v)? => Ok(()),
            Event::Log(l) if self.is_logged(l)? => Ok(()),
            other => self.apply(other, first, dirty),
        }
    }

    /// Takes a date away from everything that was seen of a take's content, and makes the new one the date that the take
    /// stands for. With which take a sighting lies depends on when the section was last arranged, so a corrected one
    /// goes to the take that was made for it: a rebuilt catalogue must say the same.
    fn correct_sightings(
        &self,
        take: i64,
        section: i64,
        new: &ledger::Sighting,
        (date, known_by): (&str, &str),
    ) -> Result<()> {
        let Some(content) = self.take(take)?.map(|t| t.content) else {
            return Ok(());
        };
        let by = DatedBy::parse(known_by).unwrap_or(DatedBy::File);
        let takes = self.takes_with_content(section, &content)?;
        let made_for = takes
            .iter()
            .find(|t| t.anchor.0 == date && t.anchor.1 == by)
            .map_or(take, |t| t.id);
        for same in takes {
            self.conn
                .prepare_cached(
                    "UPDATE sighting SET state = 2, take = ?4 WHERE take = ?1 AND date = ?2 AND by = ?3",
                )?
                .execute(params![same.id, date, word(by, DatedBy::ALL), made_for])?;
            if same.id == take || (same.anchor.0 == date && same.anchor.1 == by) {
                self.conn
                    .prepare_cached("UPDATE take SET anchor = ?2 WHERE id = ?1")?
                    .execute(params![same.id, format!("{} {}", new.date, new.by)])?;
            }
        }
        Ok(())
    }

    fn apply_label(&self, label: &ledger::Label, dirty: &mut Dirty) -> Result<()> {
        for number in &label.takes {
            let Some((id, _)) = self.take_and_section(&label.device, *number)? else {
                continue;
            };
            let sql = if label.removed {
                "DELETE FROM label WHERE label = ?1 AND take = ?2"
            } else {
                "INSERT OR IGNORE INTO label (label, take) VALUES (?1, ?2)"
            };
            self.conn
                .prepare_cached(sql)?
                .execute(params![label.label, id])?;
            dirty.takes.insert(id);
        }
        Ok(())
    }

    fn apply_vouch(&self, vouch: &ledger::Vouch, place: Where, dirty: &mut Dirty) -> Result<()> {
        let Some((id, section)) = self.take_and_section(&vouch.device, vouch.take)? else {
            return Ok(());
        };
        self.conn
            .prepare_cached("INSERT INTO vouch (take, at, text) VALUES (?1,?2,?3)")?
            .execute(params![id, place.at, vouch.text])?;
        self.conn
            .prepare_cached("UPDATE take SET flags = flags | ?2, evidence = ?3 WHERE id = ?1")?
            .execute(params![
                id,
                flag::VOUCHED,
                word(Evidence::Vouched, Evidence::ALL)
            ])?;
        dirty.sections.insert(section);
        dirty.takes.insert(id);
        Ok(())
    }

    fn apply_log(&self, log: &ledger::Log, place: Where) -> Result<()> {
        let device = self.device_or_bare(&log.device)?;
        self.conn
            .prepare_cached(
                "INSERT INTO log (device, at, kind, date, text) VALUES (?1,?2,?3,?4,?5)",
            )?
            .execute(params![device, place.at, log.kind, log.date, log.text])?;
        Ok(())
    }

    fn apply_shelf(&self, shelf: &ledger::Shelf) -> Result<()> {
        self.conn
            .prepare_cached(
                "INSERT INTO shelf (name, dropped, record) VALUES (?1,?2,?3)
                 ON CONFLICT (name) DO UPDATE SET dropped=?2, record=?3",
            )?
            .execute(params![shelf.shelf, shelf.dropped, json(shelf)?])?;
        Ok(())
    }

    fn apply_accept(&self, accept: &ledger::Accept) -> Result<()> {
        if accept.reels.iter().any(|(n, _)| *n >= LARGEST_NUMBER) {
            return Err(Error::new(Kind::BadInput, "no reel has such a number"));
        }
        for (number, tag) in &accept.reels {
            self.conn
                .prepare_cached("INSERT OR IGNORE INTO foreign_reel (number, tag) VALUES (?1,?2)")?
                .execute(params![*number as i64, tag])?;
        }
        Ok(())
    }

    fn apply_key_sheet(&self, sheet: &ledger::KeySheet, place: Where) -> Result<()> {
        self.conn
            .prepare_cached(
                "INSERT INTO key_place (place, confirmed_at) VALUES (?1,?2)
                 ON CONFLICT (place) DO UPDATE SET confirmed_at=?2",
            )?
            .execute(params![sheet.place, place.at])?;
        Ok(())
    }

    fn apply_mirrored(&self, note: &ledger::Mirrored) -> Result<()> {
        let Some(shelf) = self.shelf_id(&note.shelf)? else {
            return Ok(());
        };
        let when = seconds(&note.when);
        self.conn
            .prepare_cached(
                "INSERT INTO shelf_check (shelf, mirrored_at) VALUES (?1,?2)
                 ON CONFLICT (shelf) DO UPDATE SET mirrored_at = max(coalesce(mirrored_at,0), ?2)",
            )?
            .execute(params![shelf, when])?;
        Ok(())
    }

    fn apply_verified(&self, note: &ledger::Verified) -> Result<()> {
        let Some(shelf) = self.shelf_id(&note.shelf)? else {
            return Ok(());
        };
        let when = seconds(&note.when);
        // A note is short; forged ranges must not become a long walk.
        let mut left = 100_000u64;
        for (first, last) in &note.reels {
            for reel in *first..=*last {
                let Some(less) = left.checked_sub(1) else {
                    return Ok(());
                };
                left = less;
                self.conn
                    .prepare_cached(
                        "INSERT INTO shelf_reel (shelf, reel, object, bytes, mirrored_at, verified_at) VALUES (?1,?2,'',0,?3,?3)
                         ON CONFLICT (shelf, reel) DO UPDATE SET verified_at = max(coalesce(verified_at,0), ?3)",
                    )?
                    .execute(params![shelf, reel as i64, when])?;
            }
        }
        Ok(())
    }

    /// Records, for every list, which reels it takes to rebuild what it names: `reels` by list.
    pub fn set_spread(&self, spread: &BTreeMap<i64, BTreeSet<u64>>) -> Result<()> {
        for (piece, reels) in spread {
            self.conn
                .prepare_cached("DELETE FROM spread WHERE piece = ?1")?
                .execute([piece])?;
            for reel in reels {
                self.conn
                    .prepare_cached("INSERT OR IGNORE INTO spread (piece, reel) VALUES (?1,?2)")?
                    .execute(params![piece, *reel as i64])?;
            }
        }
        Ok(())
    }
}

fn seconds(rfc3339: &str) -> i64 {
    rfc3339
        .parse::<jiff::Timestamp>()
        .map(|t| t.as_second())
        .unwrap_or(0)
}

fn parse_hash(hex: &str) -> Result<Hash> {
    hex.parse()
        .map_err(|e| Error::new(Kind::BadInput, "the ledger names a hash that is none").because(e))
}

pub(super) fn json<T: serde::Serialize>(value: &T) -> Result<String> {
    serde_json::to_string(value)
        .map_err(|e| Error::new(Kind::Bug, "a record cannot be written as JSON").because(e))
}

/// The number that stands for `value` in a column: its place among all values.
pub(super) fn word<T: PartialEq>(value: T, all: &[T]) -> i64 {
    all.iter().position(|v| *v == value).unwrap_or(0) as i64
}
