//! Finding patches, labels and files by a part of their names, over everything ever kept.
//!
//! Names stand once each in the table of texts, with an index over every three letters that follow one another; a part of
//! one or two letters is looked for in all of them.

use rusqlite::{Row, params};

use super::Catalogue;
use super::readings::Used;
use crate::error::Result;

/// A patch that was found: where it lies in the newest take of its section that has it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FoundPatch {
    /// Its name. Untrusted text.
    pub name: String,
    /// Row id of the take.
    pub take: i64,
    /// Its number there, from 1.
    pub number: u32,
    /// How many takes of the section have a patch of that name.
    pub takes: u64,
}

/// A file that was found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FoundFile {
    /// Its name with the folder in front. Untrusted text.
    pub path: String,
    /// Row id of the take that came from it.
    pub take: i64,
}

impl Catalogue {
    /// Patches whose name holds `part`, one for each name and section, by device; at most `limit`. Of more than `limit`
    /// names, any.
    pub fn patches_like(&self, part: &str, limit: usize) -> Result<Vec<FoundPatch>> {
        self.rows(
            &format!(
                // Of a group, SQLite gives the other columns from the row with the highest value.
                "SELECT x.text, max(coalesce(t.newest, -1 << 62)), p.take, p.number, count(DISTINCT p.take)
                 FROM {} x JOIN patch p ON p.text = x.id JOIN take t ON t.id = p.take
                 GROUP BY t.section, x.id ORDER BY p.take >> 32, t.section, x.text LIMIT ?3",
                texts(part, Used::ForPatch)
            ),
            params![like(part), wide(part), limit as i64],
            |r| {
                Ok(FoundPatch {
                    name: r.get(0)?,
                    take: r.get(2)?,
                    number: r.get(3)?,
                    takes: r.get::<_, i64>(4)?.max(0) as u64,
                })
            },
        )
    }

    /// True if some text of that use holds `part`.
    fn is_named(&self, part: &str, used: Used) -> Result<bool> {
        let sql = format!("SELECT 1 FROM {}", texts(part, used));
        let found = self.rows(&sql, params![like(part), wide(part), 1], |_| Ok(()))?;
        Ok(!found.is_empty())
    }

    /// Labels that hold `part`: label, row id of the take.
    pub fn labels_like(&self, part: &str) -> Result<Vec<(String, i64)>> {
        self.rows(
            "SELECT label, take FROM label WHERE label LIKE ?1 ESCAPE '\\' ORDER BY take, label",
            [like(part)],
            |r| Ok((r.get(0)?, r.get(1)?)),
        )
    }

    /// Files whose name, or whose folder, holds `part`, by take; at most `limit`. Of more than `limit` names, any.
    pub fn files_like(&self, part: &str, limit: usize) -> Result<Vec<FoundFile>> {
        // A part with a slash in it may begin in the folder and end in the name.
        let name = part.rsplit_once('/').map_or(part, |(_, name)| name);
        // Sightings have no index by name: it would cost each of them more than one look through all of them does.
        let files = format!(
            "SELECT DISTINCT {PATH} AS file, g.take FROM sighting g JOIN text x ON x.id = g.name
             JOIN folder f ON f.id = g.folder WHERE g.name IN (SELECT id FROM {}) AND file LIKE ?4 ESCAPE '\\'
             ORDER BY g.take, file LIMIT ?3",
            texts(name, Used::ForFile)
        );
        let row = |r: &Row<'_>| {
            Ok(FoundFile {
                path: r.get(0)?,
                take: r.get(1)?,
            })
        };
        let whole = like(part);
        let found = params![like(name), wide(name), limit as i64, whole];
        let mut files = match self.is_named(name, Used::ForFile)? {
            true => self.rows(&files, found, row)?,
            false => Vec::new(),
        };
        // There are few folders; only where one is meant is it worth to look through all that came from it.
        let folders = "SELECT id FROM folder WHERE path LIKE ?1 ESCAPE '\\'";
        let folders: Vec<i64> = self.rows(folders, [&whole], |r| r.get(0))?;
        if !folders.is_empty() {
            let in_folders = format!(
                "SELECT DISTINCT {PATH} AS file, g.take FROM sighting g JOIN folder f ON f.id = g.folder
                 JOIN text x ON x.id = g.name WHERE f.path LIKE ?1 ESCAPE '\\' ORDER BY g.take, file LIMIT ?2"
            );
            files.extend(self.rows(&in_folders, params![whole, limit as i64], row)?);
            files.sort_by(|a, b| (a.take, &a.path).cmp(&(b.take, &b.path)));
            files.dedup();
            files.truncate(limit);
        }
        Ok(files)
    }
}

/// A file's name with the folder in front.
const PATH: &str = "CASE f.path WHEN '' THEN x.text ELSE f.path || '/' || x.text END";

/// At most `?3` texts of that use that hold the part whose patterns are bound as `?1` and `?2`, as a table with `id` and
/// `text`.
fn texts(part: &str, used: Used) -> String {
    let used = used as i64;
    let rest = format!("x.text LIKE ?1 ESCAPE '\\' AND x.used & {used} LIMIT ?3");
    if part.chars().count() < 3 {
        format!("(SELECT x.id, x.text FROM text x WHERE ?2 IS NOT NULL AND {rest})")
    } else {
        format!(
            "(SELECT x.id, x.text FROM text_search s CROSS JOIN text x ON x.id = s.rowid WHERE s.text LIKE ?2 AND {rest})"
        )
    }
}

/// A pattern for all texts that hold `part` and perhaps some more: one without an escape, which alone uses the index.
fn wide(part: &str) -> String {
    format!("%{part}%")
}

/// The pattern for a text that holds `part`.
fn like(part: &str) -> String {
    let mut pattern = String::from("%");
    for c in part.chars() {
        if matches!(c, '%' | '_' | '\\') {
            pattern.push('\\');
        }
        pattern.push(c);
    }
    pattern.push('%');
    pattern
}
