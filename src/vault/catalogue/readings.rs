//! What was read in takes: patch names, which takes have still to be read, and the person's own layouts.

use rusqlite::{OptionalExtension, params};

use super::Catalogue;
use super::rows::hash_at;
use crate::error::Result;
use crate::model::hash::Hash;

/// The key under which the catalogue notes by which version of reading its takes were read.
const READ_BY: &str = "read_by";

impl Catalogue {
    /// Row id of a text, made if new; new ones can be searched from then on.
    pub(super) fn text_id(&self, text: &str) -> Result<i64> {
        let known: Option<i64> = self
            .conn
            .prepare_cached("SELECT id FROM text WHERE text = ?1")?
            .query_row([text], |r| r.get(0))
            .optional()?;
        if let Some(id) = known {
            return Ok(id);
        }
        self.conn
            .prepare_cached("INSERT INTO text (text) VALUES (?1)")?
            .execute([text])?;
        let id = self.conn.last_insert_rowid();
        self.conn
            .prepare_cached("INSERT INTO text_search (rowid, text) VALUES (?1, ?2)")?
            .execute(params![id, text])?;
        Ok(id)
    }

    /// Records the patch names of the take with this row id (number from 1, name), in place of earlier ones: it is read
    /// now.
    pub fn set_patches<'n>(
        &self,
        take: i64,
        patches: impl Iterator<Item = (u32, &'n str)>,
    ) -> Result<()> {
        self.conn
            .prepare_cached("DELETE FROM patch WHERE take = ?1")?
            .execute([take])?;
        for (number, name) in patches {
            let text = self.text_id(name)?;
            self.conn
                .prepare_cached("INSERT INTO patch (text, take, number) VALUES (?1,?2,?3)")?
                .execute(params![text, take, number])?;
        }
        self.conn
            .prepare_cached("UPDATE take SET unread = 0 WHERE id = ?1")?
            .execute([take])?;
        Ok(())
    }

    /// Row ids of takes above `after` that have still to be read, by device and number, at most `limit`.
    pub fn unread_takes(&self, after: i64, limit: usize) -> Result<Vec<i64>> {
        self.rows(
            "SELECT id FROM take WHERE unread = 1 AND id > ?1 ORDER BY id LIMIT ?2",
            params![after, limit as i64],
            |r| r.get(0),
        )
    }

    /// True if all takes of this catalogue were read by `version` of reading, but for those that are noted as unread.
    pub fn is_read_by(&self, version: u32) -> Result<bool> {
        Ok(self.meta(READ_BY)?.as_deref() == Some(version.to_string().as_str()))
    }

    /// Notes that every take has to be read by `version` of reading.
    pub fn read_all_anew(&self, version: u32) -> Result<()> {
        self.conn
            .prepare_cached("UPDATE take SET unread = 1 WHERE unread = 0")?
            .execute([])?;
        self.set_meta(READ_BY, &version.to_string())
    }

    /// Notes that the takes whose header key begins with `start` have to be read anew.
    pub fn read_anew(&self, start: &str) -> Result<()> {
        self.conn
            .prepare_cached(
                "UPDATE take SET unread = 1 WHERE unread = 0
                   AND key IN (SELECT id FROM section_key WHERE substr(key, 1, length(?1)) = ?1)",
            )?
            .execute([start])?;
        Ok(())
    }

    /// Notes that the takes of the device with this row id have to be read anew.
    pub(super) fn read_device_anew(&self, device: i64) -> Result<()> {
        self.conn
            .prepare_cached("UPDATE take SET unread = 1 WHERE id >= ?1 AND id < ?2")?
            .execute([device << 32, (device + 1) << 32])?;
        Ok(())
    }

    /// The person's own layouts: name and BLAKE3 of the text, by name.
    pub fn layouts(&self) -> Result<Vec<(String, Hash)>> {
        self.rows("SELECT name, text FROM layout ORDER BY name", [], |r| {
            Ok((r.get(0)?, hash_at(r, 1)?))
        })
    }
}
