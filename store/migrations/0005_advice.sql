-- Doors, who may be advised in at them, and what is expected there.
CREATE TABLE doors (
	id     TEXT PRIMARY KEY,
	sealed BLOB NOT NULL
) STRICT;

CREATE TABLE door_rules (
	id     TEXT PRIMARY KEY,
	person TEXT NOT NULL REFERENCES persons (id) ON DELETE CASCADE,
	door   TEXT NOT NULL REFERENCES doors (id) ON DELETE CASCADE,
	sealed BLOB NOT NULL
) STRICT;
CREATE INDEX door_rules_by_person ON door_rules (person);
CREATE INDEX door_rules_by_door ON door_rules (door);

CREATE TABLE parcel_rules (
	id      TEXT PRIMARY KEY,
	door    TEXT NOT NULL REFERENCES doors (id) ON DELETE CASCADE,
	sealed  BLOB NOT NULL,
	ends_at INTEGER NOT NULL,
	used_by TEXT
) STRICT;
CREATE INDEX parcel_rules_by_door ON parcel_rules (door);

-- A source gives factors: a person's phone, or a local system that sees tokens
-- of several persons (person is null). state is what is known of a phone's way,
-- sealed; null where nothing is.
CREATE TABLE sources (
	id         TEXT PRIMARY KEY,
	kind       TEXT NOT NULL CHECK (kind IN ('phone', 'reader')),
	person     TEXT REFERENCES persons (id) ON DELETE CASCADE,
	name       BLOB NOT NULL, -- sealed
	token_hash BLOB NOT NULL UNIQUE,
	added_at   INTEGER NOT NULL,
	heard_at   INTEGER,
	state      BLOB, -- sealed
	CHECK (kind = 'reader' OR person IS NOT NULL)
) STRICT;
CREATE INDEX sources_by_person ON sources (person);

-- A token is what a reader tells that it saw: its label is hashed with a key, to
-- be found, and sealed, to be shown.
CREATE TABLE tokens (
	id     TEXT PRIMARY KEY,
	person TEXT NOT NULL REFERENCES persons (id) ON DELETE CASCADE,
	label  BLOB NOT NULL, -- sealed
	mac    BLOB NOT NULL UNIQUE
) STRICT;
CREATE INDEX tokens_by_person ON tokens (person);

-- One-time codes: last_step is that of the last code used, which is good no
-- more, nor any before it.
CREATE TABLE onetime (
	person    TEXT PRIMARY KEY REFERENCES persons (id) ON DELETE CASCADE,
	secret    BLOB NOT NULL, -- sealed
	last_step INTEGER NOT NULL,
	added_at  INTEGER NOT NULL
) STRICT;

CREATE TABLE factors (
	id       TEXT PRIMARY KEY,
	kind     TEXT NOT NULL CHECK (kind IN ('arrival', 'code', 'token', 'resident')),
	person   TEXT NOT NULL REFERENCES persons (id) ON DELETE CASCADE,
	source   TEXT NOT NULL,
	visit    TEXT REFERENCES visits (id) ON DELETE CASCADE,
	at       INTEGER NOT NULL,
	until    INTEGER NOT NULL,
	strength REAL NOT NULL CHECK (strength > 0 AND strength <= 1),
	used_by  TEXT
) STRICT;
CREATE INDEX factors_by_end ON factors (until);
CREATE INDEX factors_by_person ON factors (person);
CREATE INDEX factors_by_visit ON factors (visit) WHERE visit IS NOT NULL;

-- Failed attempts, to bound how often somebody may try: what is a word, such as
-- code, and of whom a person's id, or empty.
CREATE TABLE misses (
	at   INTEGER NOT NULL,
	what TEXT NOT NULL,
	whom TEXT NOT NULL
) STRICT;
CREATE INDEX misses_by_time ON misses (at);
CREATE INDEX misses_by_whom ON misses (whom, what, at);

-- Who may hear advice at a door, and the key that it is signed with for them.
CREATE TABLE receivers (
	id         TEXT PRIMARY KEY,
	door       TEXT NOT NULL REFERENCES doors (id) ON DELETE CASCADE,
	name       BLOB NOT NULL, -- sealed
	key        BLOB NOT NULL, -- sealed
	token_hash BLOB NOT NULL UNIQUE,
	added_at   INTEGER NOT NULL
) STRICT;
CREATE INDEX receivers_by_door ON receivers (door);

-- Of advice on a visit that the rules let go stays when it was given at which
-- door, what became of it, and which conditions were not met, by their codes.
-- It goes whole with a visit that is erased, and with every person it tells of.
CREATE TABLE advice (
	id         TEXT PRIMARY KEY,
	visit      TEXT REFERENCES visits (id) ON DELETE SET NULL,
	door       TEXT REFERENCES doors (id) ON DELETE SET NULL,
	state      TEXT NOT NULL CHECK (state IN ('withheld', 'suggested', 'used', 'dismissed', 'expired')),
	at         INTEGER NOT NULL,
	expires_at INTEGER,
	unmet      TEXT NOT NULL, -- codes, with commas between
	sealed     BLOB,          -- conditions, person and all else; null once the visit is gone
	CHECK ((state = 'withheld') = (expires_at IS NULL))
) STRICT;
CREATE INDEX advice_by_time ON advice (at);
CREATE INDEX advice_by_visit ON advice (visit) WHERE visit IS NOT NULL;
CREATE INDEX advice_by_door ON advice (door) WHERE door IS NOT NULL;
CREATE INDEX advice_open ON advice (expires_at) WHERE state = 'suggested';
CREATE TABLE advice_persons (
	advice TEXT NOT NULL REFERENCES advice (id) ON DELETE CASCADE,
	person TEXT NOT NULL,
	PRIMARY KEY (advice, person)
) STRICT, WITHOUT ROWID;
CREATE INDEX advice_persons_by_person ON advice_persons (person);
CREATE TRIGGER advice_loses_visit BEFORE DELETE ON visits BEGIN
	DELETE FROM advice_persons WHERE advice IN (SELECT id FROM advice WHERE visit = old.id);
	UPDATE advice SET visit = NULL, sealed = NULL WHERE visit = old.id;
END;
