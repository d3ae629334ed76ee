-- kind is what the rules go by: looking until every still is examined, parcel
-- where the household said so (column parcel), else by what was found.
ALTER TABLE visits ADD COLUMN kind TEXT NOT NULL DEFAULT 'looking'
	CHECK (kind IN ('looking', 'person', 'stranger', 'parcel', 'no-face', 'damaged'));
ALTER TABLE visits ADD COLUMN parcel INTEGER NOT NULL DEFAULT 0 CHECK (parcel IN (0, 1));

-- stage says what is left: 0 stills as they came, 1 smaller ones, 2 findings only.
ALTER TABLE visits ADD COLUMN stage INTEGER NOT NULL DEFAULT 0 CHECK (stage IN (0, 1, 2));

-- counted_from is where periods of keeping begin: received_at or, where a clock
-- that was set back makes that a time to come, when this was noticed.
ALTER TABLE visits ADD COLUMN counted_from INTEGER NOT NULL DEFAULT 0;

UPDATE visits SET counted_from = received_at, kind = CASE
	WHEN EXISTS (SELECT 1 FROM stills s WHERE s.visit = visits.id AND s.state = 'pending') THEN 'looking'
	WHEN EXISTS (SELECT 1 FROM stills s JOIN faces f ON f.still = s.id WHERE s.visit = visits.id AND f.person IS NOT NULL) THEN 'person'
	WHEN EXISTS (SELECT 1 FROM stills s JOIN faces f ON f.still = s.id WHERE s.visit = visits.id) THEN 'stranger'
	WHEN EXISTS (SELECT 1 FROM stills s WHERE s.visit = visits.id AND (s.damaged OR s.state = 'failed')) THEN 'damaged'
	ELSE 'no-face' END;

CREATE INDEX visits_by_bell ON visits (bell, kind, received_at, id);
CREATE INDEX visits_by_age ON visits (stage, kind, counted_from, id);
CREATE INDEX visits_ahead ON visits (received_at) WHERE counted_from < received_at;

-- file names the still's file: the still's id at first, another once a smaller
-- or a masked one took its place, null when it is gone. A file never changes.
-- masked is the revision of its bell's masks that it was made with.
-- lost says that the file went missing or broke, which nobody wanted.
ALTER TABLE stills ADD COLUMN file TEXT;
ALTER TABLE stills ADD COLUMN masked INTEGER NOT NULL DEFAULT 0;
ALTER TABLE stills ADD COLUMN lost INTEGER NOT NULL DEFAULT 0 CHECK (lost IN (0, 1));
UPDATE stills SET file = id;
CREATE UNIQUE INDEX stills_by_file ON stills (file) WHERE file IS NOT NULL;

-- For Upkeep: how many stills there are and how much room they take, counted
-- without reading their rows.
CREATE INDEX stills_by_size ON stills (size) WHERE file IS NOT NULL;

-- Who was named on which visit, laid out for the visitor book: it follows from
-- faces and visits.
CREATE TABLE appearances (
	person      TEXT NOT NULL REFERENCES persons (id) ON DELETE CASCADE,
	bell        TEXT NOT NULL,
	kind        TEXT NOT NULL,
	received_at INTEGER NOT NULL,
	visit       TEXT NOT NULL REFERENCES visits (id) ON DELETE CASCADE,
	PRIMARY KEY (person, bell, kind, received_at, visit)
) STRICT, WITHOUT ROWID;
CREATE INDEX appearances_by_visit ON appearances (visit);
INSERT INTO appearances (person, bell, kind, received_at, visit)
	SELECT DISTINCT f.person, v.bell, v.kind, v.received_at, v.id
	FROM faces f JOIN stills s ON s.id = f.still JOIN visits v ON v.id = s.visit WHERE f.person IS NOT NULL;

-- Files that no row names any more and that are to be removed: a crash between
-- the two leaves them here.
CREATE TABLE removals (
	file TEXT PRIMARY KEY
) STRICT, WITHOUT ROWID;

-- Visits that went, for screens that still show them.
CREATE TABLE departures (
	revision INTEGER PRIMARY KEY,
	visit    TEXT NOT NULL,
	at       INTEGER NOT NULL
) STRICT;

-- Persons who are being erased: the visits that name them are gone through in
-- batches, and a crash in between leaves the rest to the next start.
CREATE TABLE erasing (
	person TEXT PRIMARY KEY REFERENCES persons (id) ON DELETE CASCADE,
	visits INTEGER NOT NULL CHECK (visits IN (0, 1)) -- whether whole visits go
) STRICT;

CREATE TABLE holds (
	visit     TEXT PRIMARY KEY REFERENCES visits (id) ON DELETE CASCADE,
	reason    BLOB NOT NULL, -- sealed
	placed_at INTEGER NOT NULL,
	ends_at   INTEGER NOT NULL
) STRICT;

CREATE TABLE masks (
	bell     TEXT PRIMARY KEY REFERENCES bells (id) ON DELETE CASCADE,
	polygons BLOB NOT NULL, -- sealed
	revision INTEGER NOT NULL
) STRICT;

CREATE TABLE settings (
	name  TEXT PRIMARY KEY,
	value BLOB NOT NULL -- sealed
) STRICT;

-- What was erased by somebody's will, so that no backup and no bell that sends
-- again brings it back. A still is named by its file.
CREATE TABLE erasures (
	what TEXT NOT NULL CHECK (what IN ('visit', 'person', 'still')),
	id   TEXT NOT NULL,
	at   INTEGER NOT NULL,
	PRIMARY KEY (what, id)
) STRICT, WITHOUT ROWID;

-- Each entry carries the hash of the one before; head, sealed, is the last
-- one's, so that none can be cut off the end.
CREATE TABLE audit (
	seq     INTEGER PRIMARY KEY,
	at      INTEGER NOT NULL,
	actor   TEXT NOT NULL,
	action  TEXT NOT NULL,
	subject TEXT NOT NULL,
	before  BLOB NOT NULL,
	hash    BLOB NOT NULL
) STRICT;
CREATE TABLE audit_head (
	id   INTEGER PRIMARY KEY CHECK (id = 1),
	head BLOB NOT NULL -- sealed
) STRICT;
CREATE TRIGGER audit_is_only_added_to BEFORE INSERT ON audit WHEN EXISTS (SELECT 1 FROM audit WHERE seq >= new.seq) -- REPLACE would delete
	BEGIN SELECT raise(ABORT, 'entries of the audit trail are never changed'); END;
CREATE TRIGGER audit_is_not_changed BEFORE UPDATE ON audit BEGIN SELECT raise(ABORT, 'entries of the audit trail are never changed'); END;
CREATE TRIGGER audit_is_not_cut BEFORE DELETE ON audit BEGIN SELECT raise(ABORT, 'entries of the audit trail are never changed'); END;

-- stray_walk 1: files of stills have to be compared with rows once, since the
-- schema before this one could leave some without a row.
INSERT INTO counters (name, value) VALUES ('stray_walk', EXISTS (SELECT 1 FROM stills)), ('scrub_due', 0);
