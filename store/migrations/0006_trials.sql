-- Trials at a bell: a resident stands there, and holds pictures up, to see what
-- is noticed. A trial runs until ended_at, or else ends_at. It keeps no picture,
-- no name and no face: of each ring that came meanwhile only what was found, and
-- the visit for as long as there is one.
CREATE TABLE trials (
	id         TEXT PRIMARY KEY,
	bell       TEXT NOT NULL REFERENCES bells (id),
	resident   TEXT NOT NULL, -- who ran it
	step       INTEGER NOT NULL CHECK (step BETWEEN 0 AND 2),
	started_at INTEGER NOT NULL,
	ends_at    INTEGER NOT NULL,
	ended_at   INTEGER
) STRICT;
CREATE UNIQUE INDEX trials_open ON trials (ended_at IS NULL) WHERE ended_at IS NULL; -- one at a time
CREATE INDEX trials_by_bell ON trials (bell);
CREATE TABLE trial_rings (
	id     TEXT PRIMARY KEY,
	trial  TEXT NOT NULL REFERENCES trials (id) ON DELETE CASCADE,
	visit  TEXT REFERENCES visits (id) ON DELETE SET NULL,
	step   INTEGER NOT NULL,
	at     INTEGER NOT NULL,
	sealed BLOB -- what was found; null until it was looked at
) STRICT;
CREATE INDEX trial_rings_by_trial ON trial_rings (trial);
CREATE UNIQUE INDEX trial_rings_by_visit ON trial_rings (visit) WHERE visit IS NOT NULL;
