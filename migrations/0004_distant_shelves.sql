-- What is remembered of shelves that cannot be looked at without the network.
ALTER TABLE shelf_check ADD COLUMN away TEXT;           -- why the last attempt to reach it failed; null after a success
ALTER TABLE shelf_check ADD COLUMN keys TEXT;           -- names of the further keys seen there, one a line
ALTER TABLE shelf_check ADD COLUMN reported_at INTEGER; -- when its keeper last checked all of it, by the keeper's word

-- Objects at a shelf that were read and are no reels of ours, whatever their names say: not fetched by every mirror.
CREATE TABLE shelf_unfit (
  shelf INTEGER NOT NULL,
  object TEXT NOT NULL,
  bytes INTEGER NOT NULL,
  PRIMARY KEY (shelf, object)
) STRICT, WITHOUT ROWID;
