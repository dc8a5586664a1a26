//! What this computer noticed since: checks of reels and shelves, damage, files read before, waiting notes.
//!
//! None of it is a fact; losing it costs work, never takes.

use std::collections::BTreeSet;

use rusqlite::{OptionalExtension, params};

use super::Catalogue;
use super::rows::{SourceRow, hash_at, of, unsigned};
use crate::error::Result;
use crate::model::hash::Hash;
use crate::model::take::Evidence;

/// What is known of a local reel's health.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct ReelCheck {
    /// When it was last read and found right, unix seconds.
    pub verified_at: Option<i64>,
    /// What was wrong when it was last read.
    pub damage: Option<String>,
}

/// A reel at a shelf, as last seen.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ShelfReel {
    /// Its number.
    pub reel: u64,
    /// Its object's name there; empty when only a note tells of it.
    pub object: String,
    /// Bytes there.
    pub bytes: u64,
    /// When it was sent, unix seconds.
    pub mirrored_at: Option<i64>,
    /// When this vault last read it back, unix seconds.
    pub verified_at: Option<i64>,
    /// What was wrong with it.
    pub damage: Option<String>,
}

/// A shelf, as last seen.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct ShelfCheck {
    /// When a mirror last left nothing to send, unix seconds.
    pub mirrored_at: Option<i64>,
    /// When it was last reached, unix seconds.
    pub seen_at: Option<i64>,
    /// The file system it lies on.
    pub file_system: Option<u64>,
    /// What is wrong beside its reels.
    pub damage: Option<String>,
    /// Why the last attempt to reach it failed; none after a success.
    pub away: Option<String>,
    /// Names of the further keys that were seen there, one a line.
    pub keys: Option<String>,
    /// When its keeper last checked all of it, by the keeper's word, unix seconds.
    pub reported_at: Option<i64>,
}

/// A file that was read before and the take it led to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct KnownFile {
    /// The file as it was.
    pub source: SourceRow,
    /// Its device.
    pub device: String,
    /// Its section.
    pub section: String,
    /// True if the take is no state.
    pub loose: bool,
    /// True if it is doubtful.
    pub doubtful: bool,
    /// Why one may believe it.
    pub evidence: Evidence,
    /// Bytes.
    pub bytes: u64,
    /// Whole SysEx messages.
    pub messages: u64,
    /// BLAKE3 of its bytes.
    pub hash: Hash,
    /// True if the holding is known to be damaged.
    pub damaged: bool,
}

impl Catalogue {
    /// What is known of a local reel's health.
    pub fn reel_check(&self, reel: u64) -> Result<ReelCheck> {
        Ok(self
            .conn
            .prepare_cached("SELECT verified_at, damage FROM reel_check WHERE reel = ?1")?
            .query_row([reel as i64], |r| {
                Ok(ReelCheck {
                    verified_at: r.get(0)?,
                    damage: r.get(1)?,
                })
            })
            .optional()?
            .unwrap_or_default())
    }

    /// Records the outcome of reading a local reel.
    pub fn set_reel_check(&self, reel: u64, check: &ReelCheck) -> Result<()> {
        self.conn
            .prepare_cached(
                "INSERT OR REPLACE INTO reel_check (reel, verified_at, damage) VALUES (?1,?2,?3)",
            )?
            .execute(params![reel as i64, check.verified_at, check.damage])?;
        Ok(())
    }

    /// Records that a holding is damaged or missing.
    pub fn mark_piece_damaged(&self, piece: i64, at: i64) -> Result<()> {
        self.conn
            .prepare_cached("INSERT OR IGNORE INTO piece_damage (piece, found_at) VALUES (?1,?2)")?
            .execute([piece, at])?;
        Ok(())
    }

    /// Records that what is damaged in a reel was so before the reel was closed: every copy of it has the same damage.
    pub fn mark_damaged_before_closing(&self, reel: u64) -> Result<()> {
        self.conn
            .prepare_cached(
                "UPDATE piece_damage SET everywhere = 1 WHERE piece IN (SELECT id FROM piece WHERE reel = ?1)",
            )?
            .execute([reel as i64])?;
        Ok(())
    }

    /// Records that every holding in a reel is right again.
    pub fn clear_piece_damage(&self, reel: u64) -> Result<()> {
        self.conn
            .prepare_cached(
                "DELETE FROM piece_damage WHERE piece IN (SELECT id FROM piece WHERE reel = ?1)",
            )?
            .execute([reel as i64])?;
        Ok(())
    }

    /// Row ids of the pieces known to be damaged or missing.
    pub fn damaged_pieces(&self) -> Result<Vec<i64>> {
        Ok(self
            .conn
            .prepare_cached("SELECT piece FROM piece_damage ORDER BY piece")?
            .query_map([], |r| r.get(0))?
            .collect::<rusqlite::Result<_>>()?)
    }

    /// The pieces known to be damaged or missing: row id, reel, and whether they were so before it was closed.
    pub fn damaged_holdings(&self) -> Result<Vec<(i64, u64, bool)>> {
        Ok(self
            .conn
            .prepare_cached(
                "SELECT d.piece, p.reel, d.everywhere != 0 FROM piece_damage d JOIN piece p ON p.id = d.piece ORDER BY d.piece",
            )?
            .query_map([], |r| Ok((r.get(0)?, unsigned(r, 1)?, r.get(2)?)))?
            .collect::<rusqlite::Result<_>>()?)
    }

    /// Calls `each` with the row ids of every take and of its own piece, by device and number.
    pub fn each_piece_of_take(&self, mut each: impl FnMut(i64, i64)) -> Result<()> {
        let mut statement = self
            .conn
            .prepare_cached("SELECT id, piece FROM take ORDER BY id")?;
        let mut rows = statement.query([])?;
        while let Some(row) = rows.next()? {
            each(row.get(0)?, row.get(1)?);
        }
        Ok(())
    }

    /// Row ids of the takes whose own piece is `piece`.
    pub fn takes_of_piece(&self, piece: i64) -> Result<Vec<i64>> {
        // There is no index by piece: damage is rare, and an index would cost every take.
        Ok(self
            .conn
            .prepare_cached("SELECT id FROM take WHERE piece = ?1 ORDER BY id")?
            .query_map([piece], |r| r.get(0))?
            .collect::<rusqlite::Result<_>>()?)
    }

    /// What is known of a shelf's reels, by number.
    pub fn shelf_reels(&self, shelf: i64) -> Result<Vec<ShelfReel>> {
        Ok(self
            .conn
            .prepare_cached(
                "SELECT reel, object, bytes, mirrored_at, verified_at, damage FROM shelf_reel WHERE shelf = ?1 ORDER BY reel",
            )?
            .query_map([shelf], |r| {
                Ok(ShelfReel {
                    reel: r.get::<_, i64>(0)?.max(0) as u64,
                    object: r.get(1)?,
                    bytes: r.get::<_, i64>(2)?.max(0) as u64,
                    mirrored_at: r.get(3)?,
                    verified_at: r.get(4)?,
                    damage: r.get(5)?,
                })
            })?
            .collect::<rusqlite::Result<_>>()?)
    }

    /// Records what is known of a reel at a shelf.
    pub fn set_shelf_reel(&self, shelf: i64, reel: &ShelfReel) -> Result<()> {
        self.conn
            .prepare_cached(
                "INSERT OR REPLACE INTO shelf_reel (shelf, reel, object, bytes, mirrored_at, verified_at, damage) VALUES (?1,?2,?3,?4,?5,?6,?7)",
            )?
            .execute(params![
                shelf,
                reel.reel as i64,
                reel.object,
                reel.bytes as i64,
                reel.mirrored_at,
                reel.verified_at,
                reel.damage
            ])?;
        Ok(())
    }

    /// Forgets what was known of a shelf's reels.
    pub fn forget_shelf_reels(&self, shelf: i64) -> Result<()> {
        self.conn
            .prepare_cached("DELETE FROM shelf_reel WHERE shelf = ?1")?
            .execute([shelf])?;
        self.set_shelf_unfit(shelf, &BTreeSet::new())
    }

    /// What is known of a shelf.
    pub fn shelf_check(&self, shelf: i64) -> Result<ShelfCheck> {
        Ok(self
            .conn
            .prepare_cached(
                "SELECT mirrored_at, seen_at, file_system, damage, away, keys, reported_at
                 FROM shelf_check WHERE shelf = ?1",
            )?
            .query_row([shelf], |r| {
                Ok(ShelfCheck {
                    mirrored_at: r.get(0)?,
                    seen_at: r.get(1)?,
                    file_system: r.get::<_, Option<i64>>(2)?.map(|n| n as u64),
                    damage: r.get(3)?,
                    away: r.get(4)?,
                    keys: r.get(5)?,
                    reported_at: r.get(6)?,
                })
            })
            .optional()?
            .unwrap_or_default())
    }

    /// Records what is known of a shelf.
    pub fn set_shelf_check(&self, shelf: i64, check: &ShelfCheck) -> Result<()> {
        self.conn
            .prepare_cached(
                "INSERT OR REPLACE INTO shelf_check
                 (shelf, mirrored_at, seen_at, file_system, damage, away, keys, reported_at)
                 VALUES (?1,?2,?3,?4,?5,?6,?7,?8)",
            )?
            .execute(params![
                shelf,
                check.mirrored_at,
                check.seen_at,
                check.file_system.map(|n| n as i64),
                check.damage,
                check.away,
                check.keys,
                check.reported_at,
            ])?;
        Ok(())
    }

    /// Forgets everything that is known of all shelves: after a rescue nothing told by notes counts any more.
    pub fn forget_all_shelf_checks(&self) -> Result<()> {
        Ok(self.conn.execute_batch(
            "DELETE FROM shelf_reel; DELETE FROM shelf_check; DELETE FROM shelf_unfit;",
        )?)
    }

    /// Objects at a shelf that were read and are no reels of ours: name and bytes.
    pub fn shelf_unfit(&self, shelf: i64) -> Result<BTreeSet<(String, u64)>> {
        let found = self.rows(
            "SELECT object, bytes FROM shelf_unfit WHERE shelf = ?1",
            [shelf],
            |r| Ok((r.get::<_, String>(0)?, r.get::<_, i64>(1)? as u64)),
        )?;
        Ok(found.into_iter().collect())
    }

    /// Records them, in place of those that were known.
    pub fn set_shelf_unfit(&self, shelf: i64, unfit: &BTreeSet<(String, u64)>) -> Result<()> {
        self.conn
            .execute("DELETE FROM shelf_unfit WHERE shelf = ?1", [shelf])?;
        let mut insert = self
            .conn
            .prepare_cached("INSERT INTO shelf_unfit (shelf, object, bytes) VALUES (?1, ?2, ?3)")?;
        for (object, bytes) in unfit {
            insert.execute(params![shelf, object, *bytes as i64])?;
        }
        Ok(())
    }

    /// Row ids of the takes that need at least one of `reels`, for their ledger line or their bytes.
    pub fn takes_needing(&self, reels: &BTreeSet<u64>) -> Result<Vec<i64>> {
        if reels.is_empty() {
            return Ok(Vec::new());
        }
        let list = serde_json::Value::from(reels.iter().copied().collect::<Vec<u64>>()).to_string();
        // Mostly what lies in a reel is that of its own takes, and no other take needs to be looked at.
        let others = self.rows(
            "WITH r (n) AS (SELECT value FROM json_each(?1))
             SELECT 1 FROM piece p WHERE p.reel IN (SELECT n FROM r)
               AND p.id NOT IN (SELECT t.piece FROM take t WHERE t.reel IN (SELECT n FROM r)) LIMIT 1",
            [&list],
            |_| Ok(()),
        )?;
        if others.is_empty() {
            return self.rows(
                "SELECT t.id FROM take t WHERE t.reel IN (SELECT value FROM json_each(?1)) ORDER BY t.id",
                [&list],
                |r| r.get(0),
            );
        }
        Ok(self
            .conn
            .prepare_cached(
                "WITH r (n) AS (SELECT value FROM json_each(?1))
                 SELECT t.id FROM take t JOIN piece p ON p.id = t.piece
                 WHERE t.reel IN (SELECT n FROM r) OR p.reel IN (SELECT n FROM r)
                    OR t.piece IN (SELECT piece FROM spread WHERE reel IN (SELECT n FROM r)) ORDER BY t.id",
            )?
            .query_map([list], |r| r.get(0))?
            .collect::<rusqlite::Result<_>>()?)
    }

    /// The waiting note about `subject`.
    pub fn note(&self, subject: &str) -> Result<Option<String>> {
        Ok(self
            .conn
            .prepare_cached("SELECT line FROM note WHERE subject = ?1")?
            .query_row([subject], |r| r.get(0))
            .optional()?)
    }

    /// Keeps a note until the next facts are written; a later one about the same subject takes its place.
    pub fn put_note(&self, subject: &str, line: &str) -> Result<()> {
        self.conn
            .prepare_cached("INSERT OR REPLACE INTO note (subject, line) VALUES (?1,?2)")?
            .execute([subject, line])?;
        Ok(())
    }

    /// The waiting notes as subject and line, in order.
    pub fn notes(&self) -> Result<Vec<(String, String)>> {
        Ok(self
            .conn
            .prepare_cached("SELECT subject, line FROM note ORDER BY id")?
            .query_map([], |r| Ok((r.get(0)?, r.get(1)?)))?
            .collect::<rusqlite::Result<_>>()?)
    }

    /// Forgets the waiting notes: they were written.
    pub fn clear_notes(&self) -> Result<()> {
        self.conn.prepare_cached("DELETE FROM note")?.execute([])?;
        Ok(())
    }

    /// The files read before in the folder of this text, with the take each led to, by name.
    pub fn known_files(&self, folder: &str) -> Result<Vec<KnownFile>> {
        self.rows(
            "SELECT x.name, x.size, x.mtime_ns, x.inode, x.take, e.name, s.name, t.flags & 2 != 0 OR s.loose != 0,
               t.flags & 1 != 0, t.evidence, t.bytes, t.messages, p.hash, d.piece IS NOT NULL
             FROM folder f JOIN source x ON x.folder = f.id JOIN take t ON t.id = x.take
             JOIN section s ON s.id = t.section JOIN device e ON e.id = s.device JOIN piece p ON p.id = t.piece
             LEFT JOIN piece_damage d ON d.piece = t.piece WHERE f.path = ?1 ORDER BY x.name",
            [folder],
            |r| {
                Ok(KnownFile {
                    source: SourceRow {
                        name: r.get(0)?,
                        size: unsigned(r, 1)?,
                        mtime_ns: r.get(2)?,
                        inode: r.get(3)?,
                        take: r.get(4)?,
                    },
                    device: r.get(5)?,
                    section: r.get(6)?,
                    loose: r.get(7)?,
                    doubtful: r.get(8)?,
                    evidence: of(Evidence::ALL, r.get(9)?),
                    bytes: unsigned(r, 10)?,
                    messages: unsigned(r, 11)?,
                    hash: hash_at(r, 12)?,
                    damaged: r.get(13)?,
                })
            },
        )
    }

    /// Remembers a file that was read.
    pub fn put_source(&self, folder: i64, source: &SourceRow) -> Result<()> {
        self.conn
            .prepare_cached(
                "INSERT OR REPLACE INTO source (folder, name, size, mtime_ns, inode, take) VALUES (?1,?2,?3,?4,?5,?6)",
            )?
            .execute(params![
                folder,
                source.name,
                source.size as i64,
                source.mtime_ns,
                source.inode,
                source.take
            ])?;
        Ok(())
    }
}
