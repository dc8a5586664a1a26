//! From an old catalogue to a rebuilt one: what the reels do not tell.

use std::path::Path;

use super::Catalogue;
use crate::error::{Error, Kind, Result};

/// A take that the old catalogue knew and the reels lack.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LostTake {
    /// Its device.
    pub device: String,
    /// Its number.
    pub take: u32,
}

impl Catalogue {
    /// Takes over checks, files read before and waiting notes from the catalogue at `old`, and names the takes that
    /// only it knows.
    ///
    /// # Errors
    /// If the old catalogue cannot be read; this one is then as it was.
    pub fn carry_over(&self, old: &Path) -> Result<Vec<LostTake>> {
        let path = old.to_str().ok_or_else(|| {
            Error::new(
                Kind::BadInput,
                format!("the path {} is not text", old.display()),
            )
        })?;
        self.conn.execute("ATTACH DATABASE ?1 AS old", [path])?;
        let work = self.in_transaction(|c| {
            c.conn.execute_batch(CARRY)?;
            let lost = c
                .conn
                .prepare(
                    "SELECT d.name, o.id & 0xffffffff FROM old.take o JOIN old.device d ON d.id = o.id >> 32
                     JOIN old.piece op ON op.id = o.piece
                     WHERE NOT EXISTS (
                       SELECT 1 FROM main.device n JOIN main.take t ON t.id = (n.id << 32) + (o.id & 0xffffffff)
                       JOIN main.piece p ON p.id = t.piece WHERE n.name = d.name AND p.hash = op.hash)
                     ORDER BY d.name, o.id",
                )?
                .query_map([], |r| Ok(LostTake { device: r.get(0)?, take: r.get(1)? }))?
                .collect::<rusqlite::Result<Vec<_>>>()?;
            Ok(lost)
        });
        self.conn.execute("DETACH DATABASE old", [])?;
        work
    }
}

// What the old catalogue says of the shelves takes the place of what old notes say: after a rescue those must not
// come to life again.
const CARRY: &str = "
INSERT OR IGNORE INTO main.note (subject, line) SELECT subject, line FROM old.note ORDER BY id;
INSERT OR IGNORE INTO main.folder (path)
  SELECT f.path FROM old.folder f WHERE f.id IN (SELECT folder FROM old.source);
INSERT OR IGNORE INTO main.source (folder, name, size, mtime_ns, inode, take)
  SELECT nf.id, s.name, s.size, s.mtime_ns, s.inode, t.id
  FROM old.source s JOIN old.folder f ON f.id = s.folder JOIN main.folder nf ON nf.path = f.path
  JOIN old.device od ON od.id = s.take >> 32 JOIN main.device nd ON nd.name = od.name
  JOIN main.take t ON t.id = (nd.id << 32) + (s.take & 0xffffffff)
  JOIN old.take ot ON ot.id = s.take AND ot.content = t.content;
DELETE FROM main.shelf_reel;
DELETE FROM main.shelf_check;
INSERT OR REPLACE INTO main.shelf_reel (shelf, reel, object, bytes, mirrored_at, verified_at, damage)
  SELECT n.id, r.reel, r.object, r.bytes, r.mirrored_at, r.verified_at, r.damage
  FROM old.shelf_reel r JOIN old.shelf o ON o.id = r.shelf JOIN main.shelf n ON n.name = o.name;
INSERT OR REPLACE INTO main.shelf_check (shelf, mirrored_at, seen_at, file_system, damage)
  SELECT n.id, c.mirrored_at, c.seen_at, c.file_system, c.damage
  FROM old.shelf_check c JOIN old.shelf o ON o.id = c.shelf JOIN main.shelf n ON n.name = o.name;
";
