-- A suggestion can be withdrawn, and which conditions were no question is kept as
-- long as those not met. A table's CHECK can't be changed, so both tables are made
-- anew, in the pages that they had.
CREATE TEMP TABLE advice_kept AS SELECT * FROM advice;
CREATE TEMP TABLE advice_persons_kept AS SELECT * FROM advice_persons;
DROP TRIGGER advice_loses_visit;
DROP TABLE advice_persons;
DROP TABLE advice;
CREATE TABLE advice (
	id         TEXT PRIMARY KEY,
	visit      TEXT REFERENCES visits (id) ON DELETE SET NULL,
	door       TEXT REFERENCES doors (id) ON DELETE SET NULL,
	state      TEXT NOT NULL CHECK (state IN ('withheld', 'suggested', 'used', 'dismissed', 'expired', 'withdrawn')),
	at         INTEGER NOT NULL,
	expires_at INTEGER,
	unmet      TEXT NOT NULL, -- codes, with commas between
	unasked    TEXT NOT NULL, -- likewise
	sealed     BLOB,          -- conditions, person and all else; null once the visit is gone
	CHECK ((state = 'withheld') = (expires_at IS NULL))
) STRICT;
CREATE INDEX advice_by_time ON advice (at);
CREATE INDEX advice_by_visit ON advice (visit) WHERE visit IS NOT NULL;
CREATE INDEX advice_by_door ON advice (door) WHERE door IS NOT NULL;
CREATE INDEX advice_by_end ON advice (expires_at) WHERE expires_at IS NOT NULL;
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
INSERT INTO advice (id, visit, door, state, at, expires_at, unmet, unasked, sealed)
	SELECT id, visit, door, state, at, expires_at, unmet, '', sealed FROM advice_kept;
INSERT INTO advice_persons SELECT advice, person FROM advice_persons_kept;
DROP TABLE temp.advice_kept;
DROP TABLE temp.advice_persons_kept;

-- Who made a failed attempt, as in the audit trail.
ALTER TABLE misses ADD COLUMN by_whom TEXT NOT NULL DEFAULT '';

-- What makes all after it less sure for a while: a wrong secret in a bell's name
-- (bell is its id), a clock that jumped (bell is empty). The last of each counts.
CREATE TABLE doubts (
	kind TEXT NOT NULL CHECK (kind IN ('secret', 'clock')),
	bell TEXT NOT NULL,
	at   INTEGER NOT NULL,
	PRIMARY KEY (kind, bell)
) STRICT, WITHOUT ROWID;

-- By which a resident confirms a suggestion at a tablet; empty without one.
ALTER TABLE residents ADD COLUMN pin_hash TEXT NOT NULL DEFAULT '';
