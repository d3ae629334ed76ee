-- Faces that are nobody's of whom anything is known, and whose descriptor is kept, by
-- which of them are one stranger's: those of one number. Triggers keep who is there;
-- strangers.go says whose they are. place rises from one to the next and comes never
-- again. within is the distance, in hundredths, that the face was compared by: 0 of one
-- that is still to be. stranger is 0 then, and of a face too poor to be compared.
CREATE TABLE strangers (
	place    INTEGER PRIMARY KEY,
	face     TEXT NOT NULL UNIQUE REFERENCES faces (id) ON DELETE CASCADE,
	visit    TEXT NOT NULL,
	at       INTEGER NOT NULL, -- when the visit was received
	stranger INTEGER NOT NULL DEFAULT 0,
	within   INTEGER NOT NULL DEFAULT 0
) STRICT;
CREATE INDEX strangers_by_group ON strangers (stranger, at);
CREATE INDEX strangers_by_visit ON strangers (visit, stranger);
CREATE INDEX strangers_to_compare ON strangers (within, place);
INSERT INTO counters (name, value) VALUES ('strangers', 0);

-- How many visits a stranger rang on, and when last. It follows from strangers.
CREATE TABLE seen_again (
	stranger INTEGER PRIMARY KEY,
	visits   INTEGER NOT NULL,
	last_at  INTEGER NOT NULL
) STRICT;
CREATE INDEX seen_again_by_time ON seen_again (last_at, stranger) WHERE visits > 1;

-- Places that faces left: whoever holds them in memory lets them go, and looks whether
-- the rest of a stranger's faces are now another's too.
CREATE TABLE strangers_gone (
	n        INTEGER PRIMARY KEY,
	place    INTEGER NOT NULL,
	stranger INTEGER NOT NULL
) STRICT;

CREATE VIEW faces_of_nobody AS
	SELECT f.id AS face, v.id AS visit, v.received_at AS at
	FROM faces f JOIN stills s ON s.id = f.still JOIN visits v ON v.id = s.visit LEFT JOIN checks c ON c.face = f.id
	WHERE iif(c.face IS NULL, f.person, c.person) IS NULL AND coalesce(c.answer, '') <> 'not-a-face'
		AND length(f.sealed) > 684 AND s.file IS NOT NULL;

CREATE TRIGGER stranger_placed AFTER INSERT ON strangers BEGIN
	UPDATE counters SET value = new.place WHERE name = 'strangers';
END;
CREATE TRIGGER stranger_gone AFTER DELETE ON strangers BEGIN
	INSERT INTO strangers_gone (place, stranger) VALUES (old.place, old.stranger);
	UPDATE seen_again SET last_at = coalesce((SELECT max(at) FROM strangers WHERE stranger = old.stranger), last_at),
		visits = visits - NOT EXISTS (SELECT 1 FROM strangers WHERE visit = old.visit AND stranger = old.stranger)
		WHERE stranger = old.stranger;
	DELETE FROM seen_again WHERE stranger = old.stranger AND visits = 0;
END;
CREATE TRIGGER stranger_compared AFTER UPDATE OF stranger ON strangers WHEN old.stranger <> new.stranger BEGIN
	UPDATE seen_again SET last_at = coalesce((SELECT max(at) FROM strangers WHERE stranger = old.stranger), last_at),
		visits = visits - NOT EXISTS (SELECT 1 FROM strangers WHERE visit = old.visit AND stranger = old.stranger)
		WHERE stranger = old.stranger;
	DELETE FROM seen_again WHERE stranger = old.stranger AND visits = 0;
	INSERT OR IGNORE INTO seen_again (stranger, visits, last_at) SELECT new.stranger, 0, new.at WHERE new.stranger > 0;
	UPDATE seen_again SET last_at = max(last_at, new.at), visits = visits + NOT EXISTS (SELECT 1 FROM strangers
			WHERE visit = new.visit AND stranger = new.stranger AND place <> new.place)
		WHERE stranger = new.stranger;
END;
CREATE TRIGGER stranger_retimed AFTER UPDATE OF received_at ON visits WHEN old.received_at <> new.received_at BEGIN
	UPDATE strangers SET at = new.received_at WHERE visit = new.id;
	UPDATE seen_again SET last_at = (SELECT max(at) FROM strangers WHERE stranger = seen_again.stranger)
		WHERE stranger IN (SELECT stranger FROM strangers WHERE visit = new.id AND stranger > 0);
END;

CREATE TRIGGER face_is_nobodys AFTER INSERT ON faces WHEN new.person IS NULL AND length(new.sealed) > 684 BEGIN
	INSERT INTO strangers (place, face, visit, at) SELECT 1 + (SELECT value FROM counters WHERE name = 'strangers'),
		face, visit, at FROM faces_of_nobody
		WHERE face = new.id AND NOT EXISTS (SELECT 1 FROM strangers WHERE face = new.id);
END;
CREATE TRIGGER face_changes_whose AFTER UPDATE OF person, sealed ON faces BEGIN
	DELETE FROM strangers WHERE face = new.id AND NOT EXISTS (SELECT 1 FROM faces_of_nobody WHERE face = new.id);
	INSERT INTO strangers (place, face, visit, at) SELECT 1 + (SELECT value FROM counters WHERE name = 'strangers'),
		face, visit, at FROM faces_of_nobody
		WHERE face = new.id AND NOT EXISTS (SELECT 1 FROM strangers WHERE face = new.id);
END;
CREATE TRIGGER answer_given AFTER INSERT ON checks BEGIN
	DELETE FROM strangers WHERE face = new.face AND NOT EXISTS (SELECT 1 FROM faces_of_nobody WHERE face = new.face);
	INSERT INTO strangers (place, face, visit, at) SELECT 1 + (SELECT value FROM counters WHERE name = 'strangers'),
		face, visit, at FROM faces_of_nobody
		WHERE face = new.face AND NOT EXISTS (SELECT 1 FROM strangers WHERE face = new.face);
END;
CREATE TRIGGER answer_changed AFTER UPDATE OF person, answer ON checks BEGIN
	DELETE FROM strangers WHERE face = new.face AND NOT EXISTS (SELECT 1 FROM faces_of_nobody WHERE face = new.face);
	INSERT INTO strangers (place, face, visit, at) SELECT 1 + (SELECT value FROM counters WHERE name = 'strangers'),
		face, visit, at FROM faces_of_nobody
		WHERE face = new.face AND NOT EXISTS (SELECT 1 FROM strangers WHERE face = new.face);
END;
CREATE TRIGGER answer_taken_back AFTER DELETE ON checks BEGIN
	DELETE FROM strangers WHERE face = old.face AND NOT EXISTS (SELECT 1 FROM faces_of_nobody WHERE face = old.face);
	INSERT INTO strangers (place, face, visit, at) SELECT 1 + (SELECT value FROM counters WHERE name = 'strangers'),
		face, visit, at FROM faces_of_nobody
		WHERE face = old.face AND NOT EXISTS (SELECT 1 FROM strangers WHERE face = old.face);
END;

INSERT INTO strangers (place, face, visit, at) SELECT row_number() OVER (ORDER BY at, face), face, visit, at
	FROM faces_of_nobody ORDER BY at, face;
