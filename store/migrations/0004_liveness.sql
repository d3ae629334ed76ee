-- What the picture of a face looks like, so that a still that was there before
-- is known again: keyed hashes of the parts of a perceptual hash, which itself
-- is sealed with the face. They tell which faces agree in a part, and nothing
-- of what it is. They go with the face's descriptor.
CREATE TABLE looks (
	face TEXT NOT NULL REFERENCES faces (id) ON DELETE CASCADE,
	part INTEGER NOT NULL CHECK (part BETWEEN 0 AND 3),
	mac  BLOB NOT NULL,
	PRIMARY KEY (face, part)
) STRICT, WITHOUT ROWID;
CREATE INDEX looks_by_mac ON looks (mac);
