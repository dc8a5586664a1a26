//! What was read in takes: patch names, which takes have still to be read, and the person's own layouts.

use rusqlite::{OptionalExtension, params};

use super::Catalogue;
use super::rows::hash_at;
use crate::error::Result;
use crate::model::hash::Hash;

/// The key under which the catalogue notes by which version of reading its takes were read.
const READ_BY: &str = "read_by";
/// The key under which it notes the last text that the index of the search holds.
const SEARCHED: &str = "searched";

/// So many file names are remembered: a megabyte or two.
const MOST_FILE_NAMES: usize = 20_000;

/// For what a text is used: a bit each.
#[derive(Debug, Clone, Copy)]
pub(super) enum Used {
    ForPatch = 1,
    ForFile = 2,
}

impl Catalogue {
    /// Row id of a text, made if new; new ones can be searched once this is committed.
    pub(super) fn text_id(&self, text: &str, used: Used) -> Result<i64> {
        let known: Option<(i64, i64)> = self
            .conn
            .prepare_cached("SELECT id, used FROM text WHERE text = ?1")?
            .query_row([text], |r| Ok((r.get(0)?, r.get(1)?)))
            .optional()?;
        let Some((id, before)) = known else {
            self.conn
                .prepare_cached("INSERT INTO text (text, used) VALUES (?1, ?2)")?
                .execute(params![text, used as i64])?;
            return Ok(self.conn.last_insert_rowid());
        };
        if before & used as i64 == 0 {
            self.conn
                .prepare_cached("UPDATE text SET used = used | ?2 WHERE id = ?1")?
                .execute(params![id, used as i64])?;
        }
        Ok(id)
    }

    /// The same for the name of a file. Those come again with every device and day, so many are remembered.
    pub(super) fn file_name_id(&self, name: &str) -> Result<i64> {
        if let Some(id) = self.file_names.borrow().get(name) {
            return Ok(*id);
        }
        let id = self.text_id(name, Used::ForFile)?;
        let mut known = self.file_names.borrow_mut();
        if known.len() >= MOST_FILE_NAMES {
            known.clear();
        }
        known.insert(name.to_string(), id);
        Ok(id)
    }

    /// Adds the texts that are new to the index of the search. All at once at the end of a transaction: every statement in
    /// between would make the index write down what it has.
    pub(super) fn index_new_texts(&self) -> Result<()> {
        let last: Option<i64> = self
            .conn
            .prepare_cached("SELECT max(id) FROM text")?
            .query_row([], |r| r.get(0))?;
        let last = last.unwrap_or(0).to_string();
        let indexed = self.meta(SEARCHED)?.unwrap_or_else(|| "0".to_string());
        if last == indexed {
            return Ok(());
        }
        self.conn
            .prepare_cached(
                "INSERT INTO text_search (rowid, text) SELECT id, text FROM text WHERE id > CAST(?1 AS INTEGER)",
            )?
            .execute([indexed])?;
        self.set_meta(SEARCHED, &last)
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
            let text = self.text_id(name, Used::ForPatch)?;
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

    /// Notes that the takes whose header key begins with `start` have to be read anew, and those that begin with a message
    /// which says nothing of what follows: a universal one, or one without an ID.
    pub fn read_anew(&self, start: &str) -> Result<()> {
        self.conn
            .prepare_cached(
                "UPDATE take SET unread = 1 WHERE unread = 0
                   AND key IN (SELECT id FROM section_key WHERE substr(key, 1, length(?1)) = ?1
                     OR substr(key, 1, 2) IN ('7E', '7F', 'no'))",
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
