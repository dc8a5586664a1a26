//! What is asked before facts are told again, and before one that was is entered.

use rusqlite::params;

use super::Catalogue;
use super::apply::word;
use super::rows::{VouchRow, unsigned};
use crate::error::Result;
use crate::model::date::DatedBy;
use crate::vault::ledger;

impl Catalogue {
    /// True if all that the ledger of a reel may have told stands in later reels too.
    pub fn is_retold(&self, reel: u64) -> Result<bool> {
        let sql = "SELECT count(*) FROM retold WHERE reel = ?1";
        let found = self.rows(sql, [reel as i64], |r| unsigned(r, 0))?;
        Ok(found.first().is_some_and(|n| *n > 0))
    }

    pub(super) fn set_retold(&self, reel: u64) -> Result<()> {
        self.conn
            .prepare_cached("INSERT OR IGNORE INTO retold (reel) VALUES (?1)")?
            .execute([reel as i64])?;
        Ok(())
    }

    /// Row ids of the takes whose ledger line lies in a reel, by device and number.
    pub fn takes_told_in(&self, reel: u64) -> Result<Vec<i64>> {
        self.rows(
            "SELECT id FROM take WHERE reel = ?1 ORDER BY id",
            [reel as i64],
            |r| r.get(0),
        )
    }

    /// When a reel can have been written: from its first second to the first of the one behind it, unix seconds.
    pub fn time_of_reel(&self, reel: u64) -> Result<Option<(i64, i64)>> {
        let sql = "SELECT opened_at, (SELECT min(opened_at) FROM reel n WHERE n.number > r.number)
                   FROM reel r WHERE number = ?1";
        let found = self.rows(sql, [reel as i64], |r| {
            let to: Option<i64> = r.get(1)?;
            Ok((r.get(0)?, to.unwrap_or(i64::MAX)))
        })?;
        Ok(found.first().copied())
    }

    /// Row ids of the takes with a sighting that was recorded then, by device and number.
    pub fn takes_seen_between(&self, from: i64, to: i64) -> Result<Vec<i64>> {
        self.rows(
            "SELECT DISTINCT take FROM sighting WHERE seen_at BETWEEN ?1 AND ?2 ORDER BY take",
            [from, to],
            |r| r.get(0),
        )
    }

    /// All that persons said of takes, by row id of the take.
    pub fn vouches(&self) -> Result<Vec<(i64, VouchRow)>> {
        self.rows(
            "SELECT take, at, text FROM vouch ORDER BY take, id",
            [],
            |r| {
                let (at, text) = (r.get(1)?, r.get(2)?);
                Ok((r.get(0)?, VouchRow { at, text }))
            },
        )
    }

    /// True if a sighting of the content of the take with this row id is known.
    pub(super) fn is_seen(&self, take: i64, s: &ledger::Sighting, by: DatedBy) -> Result<bool> {
        // Arranging may have given it to another take of the same content.
        let sql = "SELECT 1 FROM take named
                   JOIN take same ON same.content = named.content AND same.section = named.section
                   JOIN sighting g ON g.take = same.id JOIN folder f ON f.id = g.folder
                   JOIN text x ON x.id = g.name
                   WHERE named.id = ?1 AND g.date = ?2 AND g.by = ?3 AND f.path = ?4 AND x.text = ?5
                     AND g.mtime IS ?6";
        let origin = &s.origin;
        let row = params![
            take,
            s.date,
            word(by, DatedBy::ALL),
            origin.folder,
            origin.name,
            origin.mtime
        ];
        Ok(!self.rows(sql, row, |_| Ok(()))?.is_empty())
    }

    pub(super) fn is_vouched(&self, vouch: &ledger::Vouch) -> Result<bool> {
        let Some((take, _)) = self.take_and_section(&vouch.device, vouch.take)? else {
            return Ok(false);
        };
        Ok(self
            .vouches_of_take(take)?
            .iter()
            .any(|v| v.text == vouch.text))
    }

    pub(super) fn is_logged(&self, log: &ledger::Log) -> Result<bool> {
        let Some(device) = self.device_id(&log.device)? else {
            return Ok(false);
        };
        Ok(self
            .log_of_device(device)?
            .iter()
            .any(|l| l.kind == log.kind && l.date == log.date && l.text == log.text))
    }
}
