-- Residents come and go. A session has an id by which others end it, and says
-- which browser has it and when that asked last: those two give nobody anything.
-- One with a resident and a tablet is of a resident who signed in at that tablet,
-- and ends with either.
ALTER TABLE sessions RENAME TO earlier_sessions;
DROP INDEX sessions_by_tablet;
CREATE TABLE sessions (
	token_hash BLOB PRIMARY KEY,
	id         TEXT NOT NULL UNIQUE,
	resident   TEXT REFERENCES residents (id) ON DELETE CASCADE,
	tablet     TEXT REFERENCES tablets (id) ON DELETE CASCADE,
	started_at INTEGER NOT NULL,
	expires_at INTEGER NOT NULL, -- however often it is used
	seen_at    INTEGER NOT NULL,
	browser    BLOB,             -- sealed
	CHECK (resident IS NOT NULL OR tablet IS NOT NULL)
) STRICT;
INSERT INTO sessions (token_hash, id, resident, tablet, started_at, expires_at, seen_at)
	SELECT token_hash, substr(hex(randomblob(16)), 1, 26), resident, tablet, started_at, expires_at, started_at
	FROM earlier_sessions;
DROP TABLE earlier_sessions;
CREATE INDEX sessions_by_tablet ON sessions (tablet) WHERE tablet IS NOT NULL;
CREATE INDEX sessions_by_resident ON sessions (resident) WHERE resident IS NOT NULL;

-- A link lets whoever has it become a resident, or gives the resident it names a
-- new password. It is good once, and of its token the hash is kept.
CREATE TABLE links (
	id         TEXT PRIMARY KEY,
	token_hash BLOB NOT NULL UNIQUE,
	resident   TEXT REFERENCES residents (id) ON DELETE CASCADE, -- NULL of an invitation
	made_by    TEXT REFERENCES residents (id) ON DELETE CASCADE, -- NULL if made by command
	made_at    INTEGER NOT NULL,
	expires_at INTEGER NOT NULL
) STRICT;

-- Whoever made an API token may have kept it, so it ends with them. Of those made
-- before, the trail says by whom.
ALTER TABLE programs ADD COLUMN made_by TEXT REFERENCES residents (id) ON DELETE SET NULL;
UPDATE programs SET made_by = (
	SELECT r.id FROM audit a JOIN residents r ON a.actor = 'resident ' || r.id
	WHERE a.action = 'added' AND a.subject = 'program ' || programs.id);
