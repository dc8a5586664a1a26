-- What dumps mean: patch names, searched over everything ever kept, and which takes have still to be read.

-- Names of patches and files, each once, and the search over them; meta.searched says up to which.
CREATE TABLE text (
  id INTEGER PRIMARY KEY,
  text TEXT NOT NULL UNIQUE,
  used INTEGER NOT NULL          -- 1 for a patch, 2 for a file, 3 for both
) STRICT;
CREATE VIRTUAL TABLE text_search USING fts5 (
  text, content = 'text', content_rowid = 'id', tokenize = 'trigram', detail = 'none', columnsize = 0
);

-- noticed: a patch of a take and what it is called there. Read from the bytes, so it is rebuilt from them.
CREATE TABLE patch (
  text INTEGER NOT NULL,
  take INTEGER NOT NULL,
  number INTEGER NOT NULL,       -- from 1
  PRIMARY KEY (text, take, number)
) STRICT, WITHOUT ROWID;
CREATE INDEX patch_take ON patch (take);

ALTER TABLE take ADD COLUMN sysex_number INTEGER; -- in it, where it is known where that stands

-- noticed: 1 while this catalogue does not hold what the program can read in it.
ALTER TABLE take ADD COLUMN unread INTEGER NOT NULL DEFAULT 1;
CREATE INDEX take_unread ON take (id) WHERE unread = 1;

-- A person's own layouts. A fact; their texts are pieces.
CREATE TABLE layout (
  name TEXT PRIMARY KEY,
  text BLOB NOT NULL             -- BLAKE3 of it, 32 bytes
) STRICT, WITHOUT ROWID;

-- File names move into the table of texts.
INSERT OR IGNORE INTO text (text, used) SELECT name, 2 FROM sighting;
CREATE TABLE named_sighting (
  id INTEGER PRIMARY KEY,
  take INTEGER NOT NULL,
  date TEXT NOT NULL,
  by INTEGER NOT NULL,
  state INTEGER NOT NULL,        -- 0 counts, 1 seen again, 2 corrected, 3 does not count
  seen_at INTEGER NOT NULL,      -- when it was recorded
  via INTEGER NOT NULL,
  folder INTEGER NOT NULL,
  name INTEGER NOT NULL,         -- of the file: its text
  mtime INTEGER
) STRICT;
INSERT INTO named_sighting SELECT g.id, g.take, g.date, g.by, g.state, g.seen_at, g.via, g.folder, x.id, g.mtime
  FROM sighting g JOIN text x ON x.text = g.name ORDER BY g.id;
DROP TABLE sighting;
ALTER TABLE named_sighting RENAME TO sighting;
CREATE INDEX sighting_take ON sighting (take);
