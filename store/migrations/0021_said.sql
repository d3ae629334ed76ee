-- What a resident says whose face it is, is the truth from now on, and what was
-- found stays beside it. So an answer may be about nobody: asked is NULL where no
-- person was, or where the one who was is gone.
CREATE TABLE checks_anew (
	face            TEXT PRIMARY KEY REFERENCES faces (id) ON DELETE CASCADE,
	answer          TEXT NOT NULL CHECK (answer IN ('yes', 'no', 'else', 'not-a-face')),
	asked           TEXT REFERENCES persons (id) ON DELETE CASCADE,
	asked_distance  REAL,
	person          TEXT REFERENCES persons (id) ON DELETE CASCADE,
	person_distance REAL,
	by              TEXT NOT NULL,
	at              INTEGER NOT NULL,
	voucher         BLOB
) STRICT;
INSERT INTO checks_anew (face, answer, asked, asked_distance, person, person_distance, by, at, voucher)
	SELECT face, answer, asked, asked_distance, person, person_distance, by, at, voucher FROM checks;
DROP TABLE checks;
ALTER TABLE checks_anew RENAME TO checks;
CREATE INDEX checks_by_time ON checks (at);
CREATE INDEX checks_by_asked ON checks (asked) WHERE asked IS NOT NULL;
CREATE INDEX checks_by_person ON checks (person, at) WHERE person IS NOT NULL;

-- Visits that were answered for are of the kind that the answers make them, and
-- are found under whom they say.
UPDATE visits SET kind = CASE
	WHEN parcel THEN 'parcel'
	WHEN EXISTS (SELECT 1 FROM stills s JOIN faces f ON f.still = s.id LEFT JOIN checks c ON c.face = f.id
		WHERE s.visit = visits.id AND iif(c.face IS NULL, f.person, c.person) IS NOT NULL) THEN 'person'
	WHEN EXISTS (SELECT 1 FROM stills s WHERE s.visit = visits.id AND s.state = 'pending') THEN 'looking'
	WHEN EXISTS (SELECT 1 FROM stills s JOIN faces f ON f.still = s.id LEFT JOIN checks c ON c.face = f.id
		WHERE s.visit = visits.id AND coalesce(c.answer, '') <> 'not-a-face') THEN 'stranger'
	WHEN EXISTS (SELECT 1 FROM stills s WHERE s.visit = visits.id AND (s.damaged OR s.state = 'failed')) THEN 'damaged'
	ELSE 'no-face' END
	WHERE id IN (SELECT s.visit FROM checks c JOIN faces f ON f.id = c.face JOIN stills s ON s.id = f.still);
DELETE FROM appearances
	WHERE visit IN (SELECT s.visit FROM checks c JOIN faces f ON f.id = c.face JOIN stills s ON s.id = f.still);
INSERT INTO appearances (person, bell, kind, received_at, visit, picture)
	SELECT DISTINCT iif(c.face IS NULL, f.person, c.person), v.bell, v.kind, v.received_at, v.id, v.picture
	FROM visits v JOIN stills s ON s.visit = v.id JOIN faces f ON f.still = s.id LEFT JOIN checks c ON c.face = f.id
	WHERE iif(c.face IS NULL, f.person, c.person) IS NOT NULL
		AND v.id IN (SELECT s.visit FROM checks c JOIN faces f ON f.id = c.face JOIN stills s ON s.id = f.still);
