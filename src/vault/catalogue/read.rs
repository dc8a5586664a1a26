//! Questions to the catalogue.

use rusqlite::{OptionalExtension, Row, params};

use super::Catalogue;
use super::rows::*;
use crate::error::Result;
use crate::model::hash::Hash;
use crate::model::take::Severity;
use crate::vault::ledger;

const TAKE: &str = "SELECT t.id, t.section, s.name, (t.flags & 2) != 0 OR s.loose != 0, k.key, p.hash, t.content_hash,
    p.form, t.bytes, t.messages, t.flags, t.evidence, t.reel, t.kept_at, t.anchor, t.date, t.dated_by, t.start,
    t.newest, t.alias_of, t.sysex_number
  FROM take t JOIN section s ON s.id = t.section JOIN section_key k ON k.id = t.key JOIN piece p ON p.id = t.piece";

const SIGHTING: &str =
    "SELECT g.id, g.take, g.date, g.by, g.state, g.seen_at, g.via, f.path, x.text, g.mtime
  FROM sighting g JOIN folder f ON f.id = g.folder JOIN text x ON x.id = g.name";

/// The same columns without where the bytes came from.
const BARE_SIGHTING: &str =
    "SELECT g.id, g.take, g.date, g.by, g.state, g.seen_at, g.via, '', '', NULL FROM sighting g";

impl Catalogue {
    pub(super) fn rows<T>(
        &self,
        sql: &str,
        args: impl rusqlite::Params,
        read: impl FnMut(&Row<'_>) -> rusqlite::Result<T>,
    ) -> Result<Vec<T>> {
        let mut statement = self.conn.prepare_cached(sql)?;
        let rows = statement
            .query_map(args, read)?
            .collect::<rusqlite::Result<Vec<T>>>()?;
        Ok(rows)
    }

    fn row<T>(
        &self,
        sql: &str,
        args: impl rusqlite::Params,
        read: impl FnOnce(&Row<'_>) -> rusqlite::Result<T>,
    ) -> Result<Option<T>> {
        Ok(self
            .conn
            .prepare_cached(sql)?
            .query_row(args, read)
            .optional()?)
    }

    /// Row id of a piece by its name.
    pub fn piece_id(&self, hash: &Hash) -> Result<Option<i64>> {
        self.row("SELECT id FROM piece WHERE hash = ?1", [&hash.0[..]], |r| {
            r.get(0)
        })
    }

    /// Where a piece lies, if it was ever held.
    pub fn holding(&self, hash: &Hash) -> Result<Option<Holding>> {
        self.row(
            "SELECT p.id, p.form, p.bytes, p.whole_bytes, p.reel, p.at, d.piece IS NOT NULL
             FROM piece p LEFT JOIN piece_damage d ON d.piece = p.id WHERE p.hash = ?1",
            [&hash.0[..]],
            holding_row,
        )
    }

    /// Further parts of a list: where each lies, in order.
    pub fn list_parts(&self, piece: i64) -> Result<Vec<Holding>> {
        self.rows(
            "SELECT piece, 0, bytes, 0, reel, at, 0 FROM list_part WHERE piece = ?1 ORDER BY part",
            [piece],
            holding_row,
        )
    }

    /// Pieces whose members lie in a reel: name and holding, in the order of the reel.
    pub fn pieces_of_reel(&self, reel: u64) -> Result<Vec<(Hash, Holding)>> {
        self.rows(
            "SELECT p.id, p.form, p.bytes, p.whole_bytes, p.reel, p.at, d.piece IS NOT NULL, p.hash
             FROM piece p LEFT JOIN piece_damage d ON d.piece = p.id WHERE p.reel = ?1 ORDER BY p.at",
            [reel as i64],
            |r| Ok((hash_at(r, 7)?, holding_row(r)?)),
        )
    }

    /// All lists: row id, name and form.
    pub fn lists(&self) -> Result<Vec<(i64, Hash, Form)>> {
        self.rows(
            "SELECT id, hash, form FROM piece WHERE form IN (2, 3) ORDER BY id",
            [],
            |r| Ok((r.get(0)?, hash_at(r, 1)?, Form::from_number(r.get(2)?))),
        )
    }

    /// The reels it takes to rebuild what a list names.
    pub fn spread_of(&self, piece: i64) -> Result<Vec<u64>> {
        self.rows(
            "SELECT reel FROM spread WHERE piece = ?1 ORDER BY reel",
            [piece],
            |r| unsigned(r, 0),
        )
    }

    /// Every reel a take needs: that of its ledger line and those of its pieces.
    pub fn reels_of_take(&self, take: i64) -> Result<Vec<u64>> {
        self.rows(
            "SELECT reel FROM take WHERE id = ?1
             UNION SELECT p.reel FROM take t JOIN piece p ON p.id = t.piece WHERE t.id = ?1
             UNION SELECT x.reel FROM take t JOIN spread x ON x.piece = t.piece WHERE t.id = ?1 ORDER BY 1",
            [take],
            |r| unsigned(r, 0),
        )
    }

    /// Number of takes with a reel that is not closed yet among those they need.
    pub fn takes_of_reel(&self, reel: u64) -> Result<u64> {
        Ok(self
            .row(
                "SELECT count(*) FROM take WHERE reel = ?1",
                [reel as i64],
                |r| unsigned(r, 0),
            )?
            .unwrap_or(0))
    }

    /// All reels, in order.
    pub fn reels(&self) -> Result<Vec<ReelRow>> {
        self.rows(
            "SELECT number, previous, writer, computer, opened_at, blake3, bytes FROM reel ORDER BY number",
            [],
            reel_row,
        )
    }

    /// One reel.
    pub fn reel(&self, number: u64) -> Result<Option<ReelRow>> {
        self.row(
            "SELECT number, previous, writer, computer, opened_at, blake3, bytes FROM reel WHERE number = ?1",
            [number as i64],
            reel_row,
        )
    }

    /// Row id of a device.
    pub fn device_id(&self, name: &str) -> Result<Option<i64>> {
        self.row("SELECT id FROM device WHERE name = ?1", [name], |r| {
            r.get(0)
        })
    }

    /// A device by its id in words.
    pub fn device(&self, name: &str) -> Result<Option<DeviceRow>> {
        self.row(
            "SELECT id, name, retired, record FROM device WHERE name = ?1",
            [name],
            device_row,
        )
    }

    /// All devices, by name.
    pub fn devices(&self) -> Result<Vec<DeviceRow>> {
        self.rows(
            "SELECT id, name, retired, record FROM device ORDER BY name",
            [],
            device_row,
        )
    }

    /// Row id of a section.
    pub fn section_id(&self, device: i64, name: &str) -> Result<Option<i64>> {
        self.row(
            "SELECT id FROM section WHERE device = ?1 AND name = ?2",
            params![device, name],
            |r| r.get(0),
        )
    }

    /// A device's sections in their order, without the hidden one of loose takes.
    pub fn sections(&self, device: i64) -> Result<Vec<SectionRow>> {
        let mut sections = self.rows(
            "SELECT id, device, name, expected, loose, record FROM section WHERE device = ?1 AND name != 'loose' ORDER BY id",
            [device],
            section_row,
        )?;
        for section in &mut sections {
            section.record.keys = self.rows(
                "SELECT key FROM section_key WHERE section = ?1 ORDER BY key",
                [section.id],
                |r| r.get(0),
            )?;
        }
        Ok(sections)
    }

    /// The sections of all devices, by device and in their order, without the hidden ones of loose takes. The keys
    /// that lead to them are left out.
    pub fn sections_of_all_devices(&self) -> Result<Vec<SectionRow>> {
        self.rows(
            "SELECT id, device, name, expected, loose, record FROM section WHERE name != 'loose' ORDER BY device, id",
            [],
            section_row,
        )
    }

    /// One section of a device.
    pub fn section(&self, device: i64, name: &str) -> Result<Option<SectionRow>> {
        Ok(self.sections(device)?.into_iter().find(|s| s.name == name))
    }

    /// Device and section of a take by device id and number: row ids of the take and of its section.
    pub(super) fn take_and_section(&self, device: &str, number: u32) -> Result<Option<(i64, i64)>> {
        self.numbered_take_and_section(self.device_id(device)?, number)
    }

    /// The same by the device's row id.
    pub(super) fn numbered_take_and_section(
        &self,
        device: Option<i64>,
        number: u32,
    ) -> Result<Option<(i64, i64)>> {
        let Some(device) = device else {
            return Ok(None);
        };
        self.row(
            "SELECT id, section FROM take WHERE id = ?1",
            [(device << 32) | i64::from(number)],
            |r| Ok((r.get(0)?, r.get(1)?)),
        )
    }

    pub(super) fn take_ids_of_section(&self, section: i64) -> Result<Vec<i64>> {
        self.rows("SELECT id FROM take WHERE section = ?1", [section], |r| {
            r.get(0)
        })
    }

    /// Row id of the text of a folder, made if new.
    pub fn folder_id(&self, path: &str) -> Result<i64> {
        if let Some(id) = self.row("SELECT id FROM folder WHERE path = ?1", [path], |r| {
            r.get(0)
        })? {
            return Ok(id);
        }
        self.conn
            .prepare_cached("INSERT INTO folder (path) VALUES (?1)")?
            .execute([path])?;
        Ok(self.conn.last_insert_rowid())
    }

    /// The highest take number of a device, 0 if it has none.
    pub fn last_take_number(&self, device: i64) -> Result<u32> {
        Ok(self
            .row(
                "SELECT id FROM take WHERE id >= ?1 AND id < ?2 ORDER BY id DESC LIMIT 1",
                params![device << 32, (device + 1) << 32],
                |r| r.get::<_, i64>(0),
            )?
            .map_or(0, |id| (id & 0xffff_ffff) as u32))
    }

    /// One take by row id.
    pub fn take(&self, id: i64) -> Result<Option<TakeRow>> {
        self.row(&format!("{TAKE} WHERE t.id = ?1"), [id], take_row)
    }

    /// All takes of a device, by number.
    pub fn takes_of_device(&self, device: i64) -> Result<Vec<TakeRow>> {
        self.rows(
            &format!("{TAKE} WHERE t.id >= ?1 AND t.id < ?2 ORDER BY t.id"),
            params![device << 32, (device + 1) << 32],
            take_row,
        )
    }

    /// All takes of a section, by number.
    pub fn takes_of_section(&self, section: i64) -> Result<Vec<TakeRow>> {
        self.rows(
            &format!("{TAKE} WHERE t.section = ?1 ORDER BY t.id"),
            [section],
            take_row,
        )
    }

    /// Calls `each` for every take, by device and number.
    pub fn each_take(&self, mut each: impl FnMut(TakeRow) -> Result<()>) -> Result<()> {
        let mut statement = self.conn.prepare_cached(&format!("{TAKE} ORDER BY t.id"))?;
        let mut rows = statement.query([])?;
        while let Some(row) = rows.next()? {
            each(take_row(row)?)?;
        }
        Ok(())
    }

    /// Number of takes kept.
    pub fn count_takes(&self) -> Result<u64> {
        Ok(self
            .row("SELECT count(*) FROM take", [], |r| unsigned(r, 0))?
            .unwrap_or(0))
    }

    /// The take that stands for a section now: the newest that counts; ties go to the higher number.
    pub fn newest_take(&self, section: i64) -> Result<Option<TakeRow>> {
        self.row(
            &format!(
                "{TAKE} WHERE t.section = ?1 AND t.alias_of IS NULL AND t.flags & 2 = 0 AND (t.flags & 1 = 0 OR t.flags & 8 != 0)
                 ORDER BY t.newest DESC, t.id DESC LIMIT 1"
            ),
            [section],
            take_row,
        )
    }

    /// The newest dump of a section whatever its condition: its number, and whether it counts for nothing because it
    /// is doubtful and nobody vouched for it.
    pub fn newest_dump(&self, section: i64) -> Result<Option<(u32, bool)>> {
        self.row(
            "SELECT id & 0xffffffff, flags & 1 != 0 AND flags & 8 = 0 FROM take
             WHERE section = ?1 AND alias_of IS NULL AND flags & 2 = 0 ORDER BY newest DESC, id DESC LIMIT 1",
            [section],
            |r| Ok((r.get(0)?, r.get(1)?)),
        )
    }

    /// Takes of a section with this content, by number.
    pub fn takes_with_content(&self, section: i64, content: &Hash) -> Result<Vec<TakeRow>> {
        let mut takes = self.rows(
            &format!("{TAKE} WHERE t.content = ?2 AND t.section = ?1 ORDER BY t.id"),
            params![section, content.short()],
            take_row,
        )?;
        takes.retain(|t| t.content == *content);
        Ok(takes)
    }

    /// All sightings of a take, in the order they were recorded.
    pub fn sightings_of_take(&self, take: i64) -> Result<Vec<SightingRow>> {
        self.rows(
            &format!("{SIGHTING} WHERE g.take = ?1 ORDER BY g.id"),
            [take],
            sighting_row,
        )
    }

    /// All sightings of a section's takes, in the order they were recorded.
    pub fn sightings_of_section(&self, section: i64) -> Result<Vec<SightingRow>> {
        self.rows(
            &format!("{SIGHTING} JOIN take t ON t.id = g.take WHERE t.section = ?1 ORDER BY g.id"),
            [section],
            sighting_row,
        )
    }

    /// The same with empty origins: to arrange them, nobody needs to know where they came from.
    pub(super) fn bare_sightings_of_section(&self, section: i64) -> Result<Vec<SightingRow>> {
        self.rows(
            &format!(
                "{BARE_SIGHTING} JOIN take t ON t.id = g.take WHERE t.section = ?1 ORDER BY g.id"
            ),
            [section],
            sighting_row,
        )
    }

    /// A take's findings, in order.
    pub fn findings_of_take(&self, take: i64) -> Result<Vec<FindingRow>> {
        self.rows(
            "SELECT code, severity, message FROM finding WHERE take = ?1 ORDER BY seq",
            [take],
            |r| {
                Ok(FindingRow {
                    code: r.get(0)?,
                    severity: of(Severity::ALL, r.get(1)?),
                    message: r.get(2)?,
                })
            },
        )
    }

    /// A take's labels, sorted.
    pub fn labels_of_take(&self, take: i64) -> Result<Vec<String>> {
        self.rows(
            "SELECT label FROM label WHERE take = ?1 ORDER BY label",
            [take],
            |r| r.get(0),
        )
    }

    /// The takes of a device with this label, by number.
    pub fn takes_with_label(&self, device: i64, label: &str) -> Result<Vec<TakeRow>> {
        self.rows(
            &format!(
                "{TAKE} JOIN label l ON l.take = t.id WHERE l.label = ?3 AND t.id >= ?1 AND t.id < ?2 ORDER BY t.id"
            ),
            params![device << 32, (device + 1) << 32, label],
            take_row,
        )
    }

    /// What persons said about a take.
    pub fn vouches_of_take(&self, take: i64) -> Result<Vec<VouchRow>> {
        self.rows(
            "SELECT at, text FROM vouch WHERE take = ?1 ORDER BY id",
            [take],
            |r| {
                Ok(VouchRow {
                    at: r.get(0)?,
                    text: r.get(1)?,
                })
            },
        )
    }

    /// A device's logbook, oldest first.
    pub fn log_of_device(&self, device: i64) -> Result<Vec<LogRow>> {
        self.rows(
            "SELECT at, kind, date, text FROM log WHERE device = ?1 ORDER BY id",
            [device],
            |r| {
                Ok(LogRow {
                    at: r.get(0)?,
                    kind: r.get(1)?,
                    date: r.get(2)?,
                    text: r.get(3)?,
                })
            },
        )
    }

    /// Row id of a shelf.
    pub fn shelf_id(&self, name: &str) -> Result<Option<i64>> {
        self.row("SELECT id FROM shelf WHERE name = ?1", [name], |r| r.get(0))
    }

    /// All shelves that were not given up, by name.
    pub fn shelves(&self) -> Result<Vec<ShelfRow>> {
        let rows = self.rows(
            "SELECT id, name, dropped, record FROM shelf WHERE dropped = 0 ORDER BY name",
            [],
            |r| {
                Ok((
                    r.get::<_, i64>(0)?,
                    r.get::<_, String>(1)?,
                    r.get(2)?,
                    r.get::<_, String>(3)?,
                ))
            },
        )?;
        Ok(rows
            .into_iter()
            .filter_map(|(id, name, dropped, record)| {
                Some(ShelfRow {
                    id,
                    name,
                    dropped,
                    record: serde_json::from_str(&record).ok()?,
                })
            })
            .collect())
    }

    /// The shelf with this id in its shelf.json, given up or not.
    pub fn shelf_with_id(&self, shelf_id: &str) -> Result<Option<ShelfRow>> {
        let rows = self.rows("SELECT id, name, dropped, record FROM shelf", [], |r| {
            Ok((
                r.get::<_, i64>(0)?,
                r.get::<_, String>(1)?,
                r.get(2)?,
                r.get::<_, String>(3)?,
            ))
        })?;
        Ok(rows
            .into_iter()
            .filter_map(|(id, name, dropped, record)| {
                Some(ShelfRow {
                    id,
                    name,
                    dropped,
                    record: serde_json::from_str(&record).ok()?,
                })
            })
            .find(|row| row.record.shelf_id == shelf_id))
    }

    /// Number and tag of the reels of other lines that a person accepted.
    pub fn foreign_reels(&self) -> Result<Vec<(u64, String)>> {
        self.rows(
            "SELECT number, tag FROM foreign_reel ORDER BY number, tag",
            [],
            |r| Ok((unsigned(r, 0)?, r.get(1)?)),
        )
    }

    /// Where key sheets lie.
    pub fn key_places(&self) -> Result<Vec<KeyPlace>> {
        self.rows(
            "SELECT place, confirmed_at FROM key_place ORDER BY place",
            [],
            |r| {
                Ok(KeyPlace {
                    place: r.get(0)?,
                    confirmed_at: r.get(1)?,
                })
            },
        )
    }

    /// The settings as last written to the ledger.
    pub fn settings(&self) -> Result<Option<ledger::Settings>> {
        Ok(self
            .meta("settings")?
            .and_then(|text| serde_json::from_str(&text).ok()))
    }

    /// A device's id in words by its row id.
    pub fn device_name(&self, id: i64) -> Result<String> {
        Ok(self
            .row("SELECT name FROM device WHERE id = ?1", [id], |r| r.get(0))?
            .unwrap_or_default())
    }

    /// The file name a take first came under.
    pub fn file_name_of_take(&self, take: i64) -> Result<String> {
        Ok(self
            .row(
                "SELECT x.text FROM sighting g JOIN text x ON x.id = g.name WHERE g.take = ?1 ORDER BY g.id LIMIT 1",
                [take],
                |r| r.get(0),
            )?
            .unwrap_or_default())
    }

    /// The devices with a section that this header key leads to, by name.
    pub fn devices_with_key(&self, key: &str) -> Result<Vec<String>> {
        self.rows(
            "SELECT DISTINCT d.name FROM section_key k JOIN device d ON d.id = k.device
             WHERE k.key = ?1 AND k.section IS NOT NULL ORDER BY d.name",
            [key],
            |r| r.get(0),
        )
    }

    /// The header keys and extensions of a device that lead somewhere.
    pub fn keys_of_device(&self, device: i64) -> Result<Vec<String>> {
        self.rows(
            "SELECT key FROM section_key WHERE device = ?1 AND section IS NOT NULL ORDER BY key",
            [device],
            |r| r.get(0),
        )
    }

    /// The SysEx number in the newest take of a device that has one.
    pub fn newest_sysex_number(&self, device: i64) -> Result<Option<u8>> {
        self.row(
            "SELECT sysex_number FROM take WHERE id >= ?1 AND id < ?2 AND sysex_number IS NOT NULL
             ORDER BY newest DESC, id DESC LIMIT 1",
            params![device << 32, (device + 1) << 32],
            |r| r.get(0),
        )
    }

    /// A take of this content that belongs to another device than the one with this row id: that device and the number.
    pub fn take_of_other_device(
        &self,
        device: i64,
        content: &Hash,
    ) -> Result<Option<(String, u32)>> {
        let found = self.rows(
            "SELECT d.name, t.id, p.hash, t.content_hash FROM take t JOIN piece p ON p.id = t.piece
             JOIN device d ON d.id = t.id >> 32 WHERE t.content = ?1 AND t.id >> 32 != ?2 ORDER BY t.id",
            params![content.short(), device],
            |r| {
                let held = optional_hash_at(r, 3)?.unwrap_or(hash_at(r, 2)?);
                Ok((r.get(0)?, r.get::<_, i64>(1)?, held))
            },
        )?;
        Ok(found
            .into_iter()
            .find(|(_, _, held)| held == content)
            .map(|(name, id, _)| (name, (id & 0xffff_ffff) as u32)))
    }

    /// Number of takes of a device.
    pub fn count_takes_of_device(&self, device: i64) -> Result<u64> {
        Ok(self
            .row(
                "SELECT count(*) FROM take WHERE id >= ?1 AND id < ?2",
                params![device << 32, (device + 1) << 32],
                |r| unsigned(r, 0),
            )?
            .unwrap_or(0))
    }
}

fn section_row(r: &Row<'_>) -> rusqlite::Result<SectionRow> {
    let text: String = r.get(5)?;
    let (name, expected, loose): (String, bool, bool) = (r.get(2)?, r.get(3)?, r.get(4)?);
    let record: ledger::Section = serde_json::from_str(&text).unwrap_or_default();
    Ok(SectionRow {
        id: r.get(0)?,
        device: r.get(1)?,
        record: ledger::Section {
            section: name.clone(),
            expected,
            loose,
            ..record
        },
        name,
        expected,
        loose,
    })
}
