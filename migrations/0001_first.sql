-- The catalogue: an index over the reels. Everything under "facts" is rebuilt from the ledger alone; the rest is
-- what this computer noticed since (checks, what it read, notes not yet written).

-- What the reels held when the last batch was acknowledged, and the settings in force.
CREATE TABLE meta (
  key TEXT PRIMARY KEY,
  value TEXT NOT NULL
) STRICT, WITHOUT ROWID;

-- facts -------------------------------------------------------------------------------------------------------

CREATE TABLE reel (
  number INTEGER PRIMARY KEY,
  previous BLOB,                 -- BLAKE3 of the reel before, 32 bytes
  writer TEXT NOT NULL,
  computer TEXT NOT NULL,
  opened_at INTEGER NOT NULL,    -- unix seconds
  blake3 BLOB,                   -- of the closed reel, 32 bytes; null while open
  bytes INTEGER NOT NULL         -- of the closed reel, or up to the acknowledged end
) STRICT;

-- A holding of bytes. form: 0 whole piece, 1 chunk, 2 list of a chunked piece, 3 list of a folder take, 4 layout.
CREATE TABLE piece (
  id INTEGER PRIMARY KEY,
  hash BLOB NOT NULL UNIQUE,
  form INTEGER NOT NULL,
  bytes INTEGER NOT NULL,        -- of the member (of its first part for lists)
  whole_bytes INTEGER NOT NULL,  -- of what the hash names (lists: the piece, or all files of the folder)
  reel INTEGER NOT NULL,
  at INTEGER NOT NULL            -- where the member's bytes begin in the reel
) STRICT;

-- Continuations of long lists.
CREATE TABLE list_part (
  piece INTEGER NOT NULL,
  part INTEGER NOT NULL,
  bytes INTEGER NOT NULL,
  reel INTEGER NOT NULL,
  at INTEGER NOT NULL,
  PRIMARY KEY (piece, part)
) STRICT, WITHOUT ROWID;

-- Every reel that has to be whole to rebuild what a list names.
CREATE TABLE spread (
  piece INTEGER NOT NULL,
  reel INTEGER NOT NULL,
  PRIMARY KEY (piece, reel)
) STRICT, WITHOUT ROWID;

CREATE TABLE device (
  id INTEGER PRIMARY KEY,
  name TEXT NOT NULL UNIQUE,
  retired INTEGER NOT NULL,
  record TEXT NOT NULL           -- JSON, as in the ledger
) STRICT;

CREATE TABLE section (
  id INTEGER PRIMARY KEY,
  device INTEGER NOT NULL,
  name TEXT NOT NULL,
  expected INTEGER NOT NULL,
  loose INTEGER NOT NULL,
  record TEXT NOT NULL,          -- JSON, as in the ledger
  UNIQUE (device, name)
) STRICT;

-- Which section a header key (or file extension) of a device leads to.
CREATE TABLE section_key (
  id INTEGER PRIMARY KEY,
  device INTEGER NOT NULL,
  key TEXT NOT NULL,
  section INTEGER,               -- null: known, but leads nowhere
  UNIQUE (device, key)
) STRICT;

CREATE TABLE folder (
  id INTEGER PRIMARY KEY,
  path TEXT NOT NULL UNIQUE
) STRICT;

-- id = device * 2^32 + number.
CREATE TABLE take (
  id INTEGER PRIMARY KEY,
  section INTEGER NOT NULL,
  key INTEGER NOT NULL,
  piece INTEGER NOT NULL,
  content INTEGER NOT NULL,      -- first 8 bytes of the content's BLAKE3
  content_hash BLOB,             -- in full, where it is not the piece's
  bytes INTEGER NOT NULL,
  messages INTEGER NOT NULL,
  flags INTEGER NOT NULL,        -- 1 doubtful, 2 loose by itself, 4 section given by hand, 8 vouched
  evidence INTEGER NOT NULL,
  ledger INTEGER NOT NULL,       -- number of its event
  reel INTEGER NOT NULL,         -- where that event lies
  kept_at INTEGER NOT NULL,
  anchor TEXT NOT NULL,          -- the sighting it was made for: date and how it is known
  date TEXT NOT NULL,            -- earliest sighting of its run
  dated_by INTEGER NOT NULL,
  start INTEGER,                 -- of date, unix seconds; null: unknown
  newest INTEGER,                -- start of the newest sighting that counts; null: unknown or none
  alias_of INTEGER               -- number of the take that says the same
) STRICT;
CREATE INDEX take_section ON take (section, newest);
CREATE INDEX take_content ON take (content);

-- state: 0 counts, 1 seen again, 2 corrected, 3 does not count
CREATE TABLE sighting (
  id INTEGER PRIMARY KEY,
  take INTEGER NOT NULL,
  date TEXT NOT NULL,
  by INTEGER NOT NULL,
  state INTEGER NOT NULL,
  seen_at INTEGER NOT NULL,      -- when it was recorded
  via INTEGER NOT NULL,
  folder INTEGER NOT NULL,
  name TEXT NOT NULL,
  mtime INTEGER
) STRICT;
CREATE INDEX sighting_take ON sighting (take);

CREATE TABLE finding (
  take INTEGER NOT NULL,
  seq INTEGER NOT NULL,
  code TEXT NOT NULL,
  severity INTEGER NOT NULL,
  message TEXT NOT NULL,
  PRIMARY KEY (take, seq)
) STRICT, WITHOUT ROWID;

CREATE TABLE label (
  label TEXT NOT NULL,
  take INTEGER NOT NULL,
  PRIMARY KEY (label, take)
) STRICT, WITHOUT ROWID;
CREATE INDEX label_take ON label (take);

CREATE TABLE vouch (
  id INTEGER PRIMARY KEY,
  take INTEGER NOT NULL,
  at INTEGER NOT NULL,
  text TEXT NOT NULL
) STRICT;
CREATE INDEX vouch_take ON vouch (take);

CREATE TABLE log (
  id INTEGER PRIMARY KEY,
  device INTEGER NOT NULL,
  at INTEGER NOT NULL,
  kind TEXT NOT NULL,
  date TEXT NOT NULL,
  text TEXT NOT NULL
) STRICT;

CREATE TABLE shelf (
  id INTEGER PRIMARY KEY,
  name TEXT NOT NULL UNIQUE,
  dropped INTEGER NOT NULL,
  record TEXT NOT NULL           -- JSON, as in the ledger
) STRICT;

-- Reels of another line that a person said may stand beside ours.
CREATE TABLE foreign_reel (
  number INTEGER NOT NULL,
  tag TEXT NOT NULL,
  PRIMARY KEY (number, tag)
) STRICT, WITHOUT ROWID;

CREATE TABLE key_place (
  place TEXT PRIMARY KEY,
  confirmed_at INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

-- noticed -----------------------------------------------------------------------------------------------------

-- When this vault last read a reel of its own and found it right, or what was wrong.
CREATE TABLE reel_check (
  reel INTEGER PRIMARY KEY,
  verified_at INTEGER,
  damage TEXT
) STRICT;

-- Holdings found damaged or missing; a new holding removes the row.
CREATE TABLE piece_damage (
  piece INTEGER PRIMARY KEY,
  found_at INTEGER NOT NULL,
  everywhere INTEGER NOT NULL DEFAULT 0 -- 1: it was damaged before its reel was closed, so every copy of that is
) STRICT;

-- A reel at a shelf, as this vault last saw it.
CREATE TABLE shelf_reel (
  shelf INTEGER NOT NULL,
  reel INTEGER NOT NULL,
  object TEXT NOT NULL,          -- its name there; empty when only a note tells of it
  bytes INTEGER NOT NULL,
  mirrored_at INTEGER,
  verified_at INTEGER,
  damage TEXT,
  PRIMARY KEY (shelf, reel)
) STRICT, WITHOUT ROWID;

CREATE TABLE shelf_check (
  shelf INTEGER PRIMARY KEY,
  mirrored_at INTEGER,           -- last mirror after which nothing was left to send
  seen_at INTEGER,
  file_system INTEGER,
  damage TEXT                    -- what is wrong beside its reels: shelf.json, keys, README, ahead, forked
) STRICT;

-- Notes that wait for the next facts.
CREATE TABLE note (
  id INTEGER PRIMARY KEY,
  subject TEXT NOT NULL UNIQUE,  -- at most one per shelf, kind and day
  line TEXT NOT NULL
) STRICT;

-- Files read before: unchanged ones are not read again.
CREATE TABLE source (
  folder INTEGER NOT NULL,
  name TEXT NOT NULL,
  size INTEGER NOT NULL,
  mtime_ns INTEGER NOT NULL,
  inode INTEGER NOT NULL,
  take INTEGER NOT NULL,
  PRIMARY KEY (folder, name)
) STRICT, WITHOUT ROWID;
