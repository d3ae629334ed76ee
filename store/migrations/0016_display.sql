-- What bells' displays showed, or were to show. One goes with its visit; one
-- without, of a time when nothing is kept, goes a day after its end. person is
-- whom the text names, and when that person is erased it goes too.
CREATE TABLE messages (
	id        TEXT PRIMARY KEY,
	bell      TEXT NOT NULL REFERENCES bells (id),
	visit     TEXT REFERENCES visits (id) ON DELETE CASCADE,
	person    TEXT,
	rule      TEXT NOT NULL, -- empty where by_whom sent it
	by_whom   TEXT NOT NULL, -- as in the audit trail
	sealed    BLOB NOT NULL, -- the text
	sent_at   INTEGER NOT NULL,
	until     INTEGER NOT NULL,
	shown_at  INTEGER,
	missed_at INTEGER,
	ended_at  INTEGER
) STRICT;
CREATE INDEX messages_by_bell ON messages (bell, until);
CREATE INDEX messages_by_visit ON messages (visit) WHERE visit IS NOT NULL;
CREATE INDEX messages_by_person ON messages (person) WHERE person IS NOT NULL;
CREATE INDEX messages_waiting ON messages (sent_at) WHERE shown_at IS NULL AND missed_at IS NULL;
-- A ring is answered once by the rules, also by a server that was started anew.
CREATE UNIQUE INDEX messages_by_rule ON messages (visit) WHERE rule <> '';
