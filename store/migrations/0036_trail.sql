-- How far the audit trail has been checked, sealed: one row.
CREATE TABLE trail_checked (
	id     INTEGER PRIMARY KEY CHECK (id = 1),
	sealed BLOB NOT NULL
) STRICT;

-- Of an archive whose master key was changed: the key of its keyed hashes, which stays
-- what it was, sealed; and 1 as long as the file of keys is to follow.
ALTER TABLE master ADD COLUMN carried BLOB;
ALTER TABLE master ADD COLUMN following INTEGER NOT NULL DEFAULT 0;
