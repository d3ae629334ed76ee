-- When a visit was brought in that is older than that; null for all that came by
-- their bell.
ALTER TABLE visits ADD COLUMN imported_at INTEGER;

-- Files of folders that stills were taken from, so that none is taken twice. Both
-- hashes are keyed: content is of the bell and the bytes, file of the bell, the
-- name, the size and the date. A file that is begun is to become that frame of that
-- ring; ring is random, or empty where there is none.
CREATE TABLE folder_files (
	content BLOB PRIMARY KEY,
	file    BLOB NOT NULL,
	ring    TEXT NOT NULL,
	frame   INTEGER NOT NULL CHECK (frame BETWEEN 0 AND 15),
	state   TEXT NOT NULL CHECK (state IN ('begun', 'taken', 'quiet', 'refused')),
	at      INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
CREATE INDEX folder_files_by_file ON folder_files (file);

-- Since when folders are watched, by a keyed hash of the bell and the path. What is
-- older never rang.
CREATE TABLE folders (
	place    BLOB PRIMARY KEY,
	began_at INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

-- With which a reader signs what it tells; null for one that can't.
ALTER TABLE sources ADD COLUMN key BLOB; -- sealed
