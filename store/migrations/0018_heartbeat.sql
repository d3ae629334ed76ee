-- What bells say of themselves, for a week, one a minute at most (id is the bell's
-- with the minute). It is of the bell and of nobody, and sealed all the same: what
-- a network's signal does can tell that a door moves.
CREATE TABLE heartbeats (
	id     TEXT PRIMARY KEY,
	bell   TEXT NOT NULL REFERENCES bells (id) ON DELETE CASCADE,
	at     INTEGER NOT NULL,
	sealed BLOB NOT NULL
) STRICT;
CREATE INDEX heartbeats_by_bell ON heartbeats (bell, at);
CREATE INDEX heartbeats_by_time ON heartbeats (at);

-- What came from bells, counted by day, for a week (id is the bell's with the day).
CREATE TABLE bell_days (
	id     TEXT PRIMARY KEY,
	bell   TEXT NOT NULL REFERENCES bells (id) ON DELETE CASCADE,
	at     INTEGER NOT NULL, -- of the last change
	sealed BLOB NOT NULL
) STRICT;
CREATE INDEX bell_days_by_bell ON bell_days (bell);

-- How each bell is, and what it usually sees: a small grid of grey for each hour of
-- the day, without faces.
CREATE TABLE bell_health (
	bell   TEXT PRIMARY KEY REFERENCES bells (id) ON DELETE CASCADE,
	sealed BLOB NOT NULL
) STRICT;
CREATE TABLE bell_views (
	bell   TEXT PRIMARY KEY REFERENCES bells (id) ON DELETE CASCADE,
	sealed BLOB NOT NULL
) STRICT;

-- A bell that is removed leaves none of it, and one whose masks change has another
-- view.
CREATE TRIGGER bell_loses_health AFTER UPDATE OF removed_at ON bells
	WHEN new.removed_at IS NOT NULL AND old.removed_at IS NULL BEGIN
	DELETE FROM heartbeats WHERE bell = old.id;
	DELETE FROM bell_days WHERE bell = old.id;
	DELETE FROM bell_health WHERE bell = old.id;
	DELETE FROM bell_views WHERE bell = old.id;
END;
CREATE TRIGGER bell_view_masked AFTER INSERT ON masks BEGIN
	DELETE FROM bell_views WHERE bell = new.bell;
END;
CREATE TRIGGER bell_view_remasked AFTER UPDATE OF revision ON masks BEGIN
	DELETE FROM bell_views WHERE bell = new.bell;
END;
