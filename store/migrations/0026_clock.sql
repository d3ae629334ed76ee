-- What is known of the server's clock, and of a sweep that waits: one row.
CREATE TABLE clock (
	id          INTEGER PRIMARY KEY CHECK (id = 1),
	sure_at     INTEGER,                    -- when the clock was last known to be right
	served      INTEGER NOT NULL DEFAULT 0, -- 1: a time service has vouched for it, in some run
	doubt       TEXT    NOT NULL DEFAULT '', -- why it is doubted
	withheld_at INTEGER,                    -- since when a sweep waits that would delete unusually much
	allowed     INTEGER NOT NULL DEFAULT 0  -- 1: the next sweep may delete much, a resident said so
) STRICT;
INSERT INTO clock (id) VALUES (1);

-- Under which doubtful clock a visit was received: the run of the server, whose clock
-- may be put right yet; empty where its time will never be known better. NULL for a
-- clock that was right.
ALTER TABLE visits ADD COLUMN doubt TEXT;
CREATE INDEX visits_by_doubt ON visits (doubt) WHERE doubt IS NOT NULL;
