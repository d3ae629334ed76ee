-- Periods that are being erased: their visits are gone through in batches, and what a
-- crash leaves the next start finishes. first is the first moment, past the first
-- after it; of is how many visits there were.
CREATE TABLE erasing_periods (
	first   INTEGER NOT NULL,
	past    INTEGER NOT NULL,
	of      INTEGER NOT NULL,
	voucher BLOB,
	PRIMARY KEY (first, past)
) STRICT;

-- By which version of Lintel a still was given up: another one tries again, once.
ALTER TABLE stills ADD COLUMN given_up TEXT;
