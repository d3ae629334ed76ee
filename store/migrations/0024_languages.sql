-- The language that somebody reads, by its tag (BCP 47), where they chose one: of a
-- resident on all their screens, of a tablet on the wall.
ALTER TABLE residents ADD COLUMN language TEXT;
ALTER TABLE tablets ADD COLUMN language TEXT;
