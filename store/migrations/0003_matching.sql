-- Quality: how good the picture was that a reference came from, over 0 to 1;
-- null for those enrolled before it was measured. Not sealed, as face_width is
-- not: it tells of a photograph's light and focus, and nothing of whose face.
ALTER TABLE gallery ADD COLUMN quality REAL CHECK (quality > 0 AND quality <= 1);

-- Answers on Check matches. Ids and distances are plain, as those of faces are;
-- a person who is NULL is a stranger, or nobody. An answer goes with its face,
-- and with either person it tells of.
CREATE TABLE checks (
	face            TEXT PRIMARY KEY REFERENCES faces (id) ON DELETE CASCADE,
	answer          TEXT NOT NULL CHECK (answer IN ('yes', 'no', 'else', 'not-a-face')),
	asked           TEXT NOT NULL REFERENCES persons (id) ON DELETE CASCADE,
	asked_distance  REAL NOT NULL,
	person          TEXT REFERENCES persons (id) ON DELETE CASCADE,
	person_distance REAL,
	by              TEXT NOT NULL,
	at              INTEGER NOT NULL
) STRICT;
CREATE INDEX checks_by_time ON checks (at);
CREATE INDEX checks_by_asked ON checks (asked);
CREATE INDEX checks_by_person ON checks (person, at) WHERE person IS NOT NULL;

-- A face whose descriptor is kept weighs more than the 684 characters that it
-- takes. Most faces of an old archive have none, and are in neither index.
CREATE INDEX faces_in_doubt ON faces (fpir, id) WHERE band IN ('fair', 'weak') AND length(sealed) > 684;
CREATE INDEX faces_of_strangers ON faces (still) WHERE person IS NULL AND length(sealed) > 684;
CREATE INDEX faces_surely ON faces (person, fpir) WHERE band = 'strong' AND length(sealed) > 684;

-- Judging over all references and frames: probability is that of the person
-- named, under the prior of that time; frames is how many of the ring's frames
-- it was judged by. Both are null where they were not worked out.
ALTER TABLE faces ADD COLUMN probability REAL CHECK (probability BETWEEN 0 AND 1);
ALTER TABLE faces ADD COLUMN frames INTEGER CHECK (frames >= 1);

-- gallery counts every change of what faces are judged by, so that a server
-- that keeps it in memory knows when another process enrolled somebody.
INSERT INTO counters (name, value) VALUES ('gallery', 0);
CREATE TRIGGER gallery_grew AFTER INSERT ON gallery BEGIN UPDATE counters SET value = value + 1 WHERE name = 'gallery'; END;
CREATE TRIGGER gallery_changed AFTER UPDATE ON gallery BEGIN UPDATE counters SET value = value + 1 WHERE name = 'gallery'; END;
CREATE TRIGGER gallery_shrank AFTER DELETE ON gallery BEGIN UPDATE counters SET value = value + 1 WHERE name = 'gallery'; END;
CREATE TRIGGER consents_grew AFTER INSERT ON consents BEGIN UPDATE counters SET value = value + 1 WHERE name = 'gallery'; END;
CREATE TRIGGER consents_changed AFTER UPDATE ON consents BEGIN UPDATE counters SET value = value + 1 WHERE name = 'gallery'; END;
CREATE TRIGGER consents_shrank AFTER DELETE ON consents BEGIN UPDATE counters SET value = value + 1 WHERE name = 'gallery'; END;
CREATE TRIGGER settings_grew AFTER INSERT ON settings WHEN new.name IN ('prior', 'strangers')
	BEGIN UPDATE counters SET value = value + 1 WHERE name = 'gallery'; END;
CREATE TRIGGER settings_changed AFTER UPDATE ON settings WHEN new.name IN ('prior', 'strangers')
	BEGIN UPDATE counters SET value = value + 1 WHERE name = 'gallery'; END;
