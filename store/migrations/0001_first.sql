-- Times are microseconds since 1970-01-01T00:00:00Z by the server's clock,
-- except taken_at, which is the bell's word.
--
-- A column named sealed or commented so holds what only the master key opens.
-- Ids of bells and visits are keyed hashes of what names them, all others are
-- random, so none says anything to whoever lacks the key.

-- mark is something sealed, to tell whether a master key is the archive's.
CREATE TABLE master (
	id   INTEGER PRIMARY KEY CHECK (id = 1),
	mark BLOB NOT NULL
) STRICT;

CREATE TABLE counters (
	name  TEXT PRIMARY KEY,
	value INTEGER NOT NULL
) STRICT;
INSERT INTO counters (name, value) VALUES ('revision', 0);

-- A bell that was removed keeps its row, since its visits stay, but has no
-- secret any more.
CREATE TABLE bells (
	id          TEXT PRIMARY KEY,
	name        BLOB NOT NULL, -- sealed
	secret_hash BLOB,
	added_at    INTEGER NOT NULL,
	removed_at  INTEGER,
	heard_at    INTEGER,
	CHECK ((secret_hash IS NULL) = (removed_at IS NOT NULL))
) STRICT;

-- revision grows with every change of any visit, so that whoever knows the
-- archive up to one revision can ask for what came after it.
CREATE TABLE visits (
	id          TEXT PRIMARY KEY,
	bell        TEXT NOT NULL REFERENCES bells (id),
	ring        BLOB NOT NULL, -- sealed
	received_at INTEGER NOT NULL,
	revision    INTEGER NOT NULL UNIQUE
) STRICT;
CREATE INDEX visits_by_time ON visits (received_at, id);

-- sent_mac is a keyed hash of the bytes as sent: a plain one would tell whoever
-- has a picture whether it was sent. sha256 is of the sealed file.
CREATE TABLE stills (
	id          TEXT PRIMARY KEY,
	visit       TEXT NOT NULL REFERENCES visits (id) ON DELETE CASCADE,
	frame       INTEGER NOT NULL CHECK (frame BETWEEN 0 AND 15),
	wrapped_key BLOB NOT NULL,
	sent_mac    BLOB NOT NULL,
	sha256      BLOB NOT NULL,
	size        INTEGER NOT NULL,
	width       INTEGER NOT NULL,
	height      INTEGER NOT NULL,
	damaged     INTEGER NOT NULL,
	received_at INTEGER NOT NULL,
	taken_at    INTEGER,
	state       TEXT NOT NULL DEFAULT 'pending' CHECK (state IN ('pending', 'done', 'failed')),
	attempts    INTEGER NOT NULL DEFAULT 0,
	UNIQUE (visit, frame)
) STRICT;
CREATE INDEX stills_pending ON stills (received_at) WHERE state = 'pending';

CREATE TABLE persons (
	id       TEXT PRIMARY KEY,
	name     BLOB NOT NULL, -- sealed
	added_at INTEGER NOT NULL
) STRICT;

CREATE TABLE consents (
	id           TEXT PRIMARY KEY,
	person       TEXT NOT NULL REFERENCES persons (id) ON DELETE CASCADE,
	given_by     BLOB NOT NULL, -- sealed
	given_at     INTEGER NOT NULL,
	scope        BLOB NOT NULL, -- sealed
	recorded_at  INTEGER NOT NULL,
	withdrawn_at INTEGER
) STRICT;
CREATE INDEX consents_by_person ON consents (person);

-- One row a biometric reference: the gallery is all of them. source_mac, a keyed
-- hash, keeps one picture from being enrolled twice.
CREATE TABLE gallery (
	id         TEXT PRIMARY KEY,
	person     TEXT NOT NULL REFERENCES persons (id) ON DELETE CASCADE,
	descriptor BLOB NOT NULL, -- sealed
	face_width INTEGER NOT NULL,
	source_mac BLOB NOT NULL,
	added_at   INTEGER NOT NULL,
	UNIQUE (person, source_mac)
) STRICT;

-- sealed holds the box, the landmarks and the descriptor. person, distance and
-- band are null together: a stranger, or somebody erased.
CREATE TABLE faces (
	id       TEXT PRIMARY KEY,
	still    TEXT NOT NULL REFERENCES stills (id) ON DELETE CASCADE,
	sealed   BLOB NOT NULL,
	person   TEXT REFERENCES persons (id),
	distance REAL,
	fpir     REAL,
	band     TEXT CHECK (band IN ('strong', 'fair', 'weak'))
) STRICT;
CREATE INDEX faces_by_still ON faces (still);
CREATE INDEX faces_by_person ON faces (person) WHERE person IS NOT NULL;

CREATE TABLE residents (
	id            TEXT PRIMARY KEY,
	name          BLOB NOT NULL,        -- sealed
	name_mac      BLOB NOT NULL UNIQUE, -- a keyed hash of the name in lower case
	password_hash TEXT NOT NULL,
	added_at      INTEGER NOT NULL
) STRICT;

CREATE TABLE tablets (
	id        TEXT PRIMARY KEY,
	name      BLOB NOT NULL, -- sealed
	paired_by TEXT NOT NULL REFERENCES residents (id) ON DELETE CASCADE,
	paired_at INTEGER NOT NULL
) STRICT;

-- A session is a resident's or a tablet's, never both.
CREATE TABLE sessions (
	token_hash BLOB PRIMARY KEY,
	resident   TEXT REFERENCES residents (id) ON DELETE CASCADE,
	tablet     TEXT REFERENCES tablets (id) ON DELETE CASCADE,
	started_at INTEGER NOT NULL,
	expires_at INTEGER NOT NULL,
	CHECK ((resident IS NULL) <> (tablet IS NULL))
) STRICT;
CREATE INDEX sessions_by_tablet ON sessions (tablet) WHERE tablet IS NOT NULL;
