-- The picture of a face that a reference was computed from, small and sealed, with
-- where it is from, for each reference made from now on: so that people see what
-- they are known by. It goes with its reference. It stands in a table of its own
-- because the gallery is read whole, and often.
CREATE TABLE portraits (
	reference TEXT PRIMARY KEY REFERENCES gallery (id) ON DELETE CASCADE,
	origin    TEXT NOT NULL CHECK (origin IN ('photograph', 'camera', 'visit')),
	picture   BLOB NOT NULL -- sealed
) STRICT;
