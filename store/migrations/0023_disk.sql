-- How much the archive took of its disk on each day, in bytes, by the server's
-- calendar: for Upkeep to show, and to say when it will be full.
CREATE TABLE disk_days (
	day   TEXT PRIMARY KEY, -- 2006-01-02
	bytes INTEGER NOT NULL
) STRICT;
