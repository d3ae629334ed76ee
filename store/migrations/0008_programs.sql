-- A program of the household is known by an API token, of which the hash is
-- kept. One that was ended stays without it: the audit trail goes on naming it.
CREATE TABLE programs (
	id         TEXT PRIMARY KEY,
	name_mac   BLOB NOT NULL,
	sealed     BLOB NOT NULL, -- its name and scopes
	token_hash BLOB UNIQUE,
	added_at   INTEGER NOT NULL,
	used_at    INTEGER,
	ended_at   INTEGER,
	CHECK ((token_hash IS NULL) = (ended_at IS NOT NULL))
) STRICT;
CREATE UNIQUE INDEX programs_by_name ON programs (name_mac) WHERE ended_at IS NULL;
