-- What phones told in the last week, to show whose phone it is whether that is
-- enough to be recognised coming home: where they were, sealed. It goes with its
-- source, and after a week.
CREATE TABLE reports (
	id       TEXT PRIMARY KEY,
	source   TEXT NOT NULL REFERENCES sources (id) ON DELETE CASCADE,
	heard_at INTEGER NOT NULL,
	sealed   BLOB NOT NULL
) STRICT;
CREATE INDEX reports_by_source ON reports (source, heard_at);
CREATE INDEX reports_by_time ON reports (heard_at);

-- What was known of phones' ways was another thing, so all begins anew.
UPDATE sources SET state = NULL;
