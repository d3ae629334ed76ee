-- picture says that a face of the visit bears a sign of a picture; which sign, and
-- whose face, is sealed with the face. It follows from faces, as kind does.
ALTER TABLE visits ADD COLUMN picture INTEGER NOT NULL DEFAULT 0 CHECK (picture IN (0, 1));
ALTER TABLE appearances ADD COLUMN picture INTEGER NOT NULL DEFAULT 0;
UPDATE visits SET picture = 1 WHERE id IN (
	SELECT s.visit FROM faces f JOIN stills s ON s.id = f.still LEFT JOIN checks c ON c.face = f.id
	WHERE coalesce(c.answer, '') <> 'not-a-face' AND warns(f.id, f.sealed));
UPDATE appearances SET picture = 1 WHERE visit IN (SELECT id FROM visits WHERE picture = 1);
CREATE INDEX visits_with_picture ON visits (bell, kind, received_at, id) WHERE picture = 1;
CREATE INDEX appearances_with_picture ON appearances (person, bell, kind, received_at, visit) WHERE picture = 1;

-- How many visits there are of each day, bell and kind, and of those how many name
-- a person; person is empty in the counts of all. It follows from visits and
-- appearances, and triggers keep it; see days.go. day is the household's, as a
-- number of days since 1970-01-01.
CREATE TABLE days (
	person  TEXT NOT NULL,
	day     INTEGER NOT NULL,
	bell    TEXT NOT NULL,
	kind    TEXT NOT NULL,
	picture INTEGER NOT NULL,
	visits  INTEGER NOT NULL,
	PRIMARY KEY (person, day, bell, kind, picture)
) STRICT, WITHOUT ROWID;
