//! Finding patches, labels and files by a part of their names, over everything ever kept.
//!
//! Names stand once each in the table of texts, with an index over every three letters that follow one another; a part of
//! one or two letters is looked for in all of them.

use rusqlite::params;

use super::Catalogue;
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
    /// Patches whose name holds `part`, one for each name and section, by device; at most `limit`.
    pub fn patches_like(&self, part: &str, limit: usize) -> Result<Vec<FoundPatch>> {
        self.rows(
            &format!(
                // Of a group, SQLite gives the other columns from the row with the highest value.
                "SELECT x.text, max(coalesce(t.newest, -1 << 62)), p.take, p.number, count(DISTINCT p.take)
                 FROM {} x JOIN patch p ON p.text = x.id JOIN take t ON t.id = p.take
                 GROUP BY t.section, x.id ORDER BY p.take >> 32, t.section, x.text LIMIT ?3",
                texts(part)
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

    /// Labels that hold `part`: label, row id of the take.
    pub fn labels_like(&self, part: &str) -> Result<Vec<(String, i64)>> {
        self.rows(
            "SELECT label, take FROM label WHERE label LIKE ?1 ESCAPE '\\' ORDER BY take, label",
            [like(part)],
            |r| Ok((r.get(0)?, r.get(1)?)),
        )
    }

    /// Files whose name, or whose folder, holds `part`, by take; at most `limit`.
    pub fn files_like(&self, part: &str, limit: usize) -> Result<Vec<FoundFile>> {
        let path = "CASE f.path WHEN '' THEN x.text ELSE f.path || '/' || x.text END";
        // A part with a slash in it may begin in the folder and end in the name.
        let (sql, name) = match part.rsplit_once('/') {
            Some((_, name)) => (
                format!(
                    "SELECT DISTINCT {path} AS file, g.take FROM {} x JOIN sighting g ON g.name = x.id
                     JOIN folder f ON f.id = g.folder WHERE file LIKE ?4 ESCAPE '\\' ORDER BY g.take, file LIMIT ?3",
                    texts(name)
                ),
                name,
            ),
            None => (
                format!(
                    "SELECT {path} AS file, g.take AS take FROM {} x JOIN sighting g ON g.name = x.id
                     JOIN folder f ON f.id = g.folder
                     UNION SELECT {path}, g.take FROM folder f JOIN sighting g ON g.folder = f.id JOIN text x ON x.id = g.name
                     WHERE f.path LIKE ?4 ESCAPE '\\' ORDER BY 2, 1 LIMIT ?3",
                    texts(part)
                ),
                part,
            ),
        };
        self.rows(
            &sql,
            params![like(name), wide(name), limit as i64, like(part)],
            |r| {
                Ok(FoundFile {
                    path: r.get(0)?,
                    take: r.get(1)?,
                })
            },
        )
    }
}

/// The texts that hold the part whose patterns are bound as `?1` and `?2`, as a table with `id` and `text`.
fn texts(part: &str) -> &'static str {
    if part.chars().count() < 3 {
        "(SELECT id, text FROM text WHERE text LIKE ?1 ESCAPE '\\' AND ?2 IS NOT NULL)"
    } else {
        "(SELECT s.rowid AS id, s.text FROM text_search s WHERE s.text LIKE ?2 AND s.text LIKE ?1 ESCAPE '\\')"
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
