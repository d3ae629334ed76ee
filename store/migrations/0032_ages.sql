-- How many visits there are of each stage and kind by their age, so that what rules would
-- let go is counted without reading visits. It follows from visits. span is counted_from
-- in units of 2^36 microseconds, about 19 hours: none is ever cut by a change of zones.
CREATE TABLE ages (
	stage    INTEGER NOT NULL,
	kind     TEXT NOT NULL,
	imported INTEGER NOT NULL, -- 1: an old visit that was brought in
	span     INTEGER NOT NULL,
	visits   INTEGER NOT NULL,
	PRIMARY KEY (stage, kind, imported, span)
) STRICT, WITHOUT ROWID;
INSERT INTO ages (stage, kind, imported, span, visits)
	SELECT stage, kind, imported_at IS NOT NULL, counted_from >> 36, count(*) FROM visits GROUP BY 1, 2, 3, 4;
CREATE TRIGGER ages_gain AFTER INSERT ON visits BEGIN
	INSERT INTO ages (stage, kind, imported, span, visits)
		VALUES (new.stage, new.kind, new.imported_at IS NOT NULL, new.counted_from >> 36, 1)
		ON CONFLICT DO UPDATE SET visits = visits + 1;
END;
CREATE TRIGGER ages_lose AFTER DELETE ON visits BEGIN
	UPDATE ages SET visits = visits - 1 WHERE stage = old.stage AND kind = old.kind
		AND imported = (old.imported_at IS NOT NULL) AND span = old.counted_from >> 36;
	DELETE FROM ages WHERE stage = old.stage AND kind = old.kind
		AND imported = (old.imported_at IS NOT NULL) AND span = old.counted_from >> 36 AND visits <= 0;
END;
CREATE TRIGGER ages_change AFTER UPDATE OF stage, kind, imported_at, counted_from ON visits
	WHEN (old.stage, old.kind, old.imported_at IS NOT NULL, old.counted_from >> 36) IS NOT
		(new.stage, new.kind, new.imported_at IS NOT NULL, new.counted_from >> 36) BEGIN
	UPDATE ages SET visits = visits - 1 WHERE stage = old.stage AND kind = old.kind
		AND imported = (old.imported_at IS NOT NULL) AND span = old.counted_from >> 36;
	DELETE FROM ages WHERE stage = old.stage AND kind = old.kind
		AND imported = (old.imported_at IS NOT NULL) AND span = old.counted_from >> 36 AND visits <= 0;
	INSERT INTO ages (stage, kind, imported, span, visits)
		VALUES (new.stage, new.kind, new.imported_at IS NOT NULL, new.counted_from >> 36, 1)
		ON CONFLICT DO UPDATE SET visits = visits + 1;
END;

-- How many stills are kept, and how many bytes their files have, for Upkeep. It counted
-- in an index of all stills, which nothing needs any more.
INSERT INTO counters (name, value) SELECT 'stills', count(*) FROM stills WHERE file IS NOT NULL;
INSERT INTO counters (name, value) SELECT 'still_bytes', coalesce(sum(size), 0) FROM stills WHERE file IS NOT NULL;
DROP INDEX stills_by_size;
CREATE TRIGGER stills_gain AFTER INSERT ON stills WHEN new.file IS NOT NULL BEGIN
	UPDATE counters SET value = value + iif(name = 'stills', 1, new.size) WHERE name IN ('stills', 'still_bytes');
END;
CREATE TRIGGER stills_lose AFTER DELETE ON stills WHEN old.file IS NOT NULL BEGIN
	UPDATE counters SET value = value - iif(name = 'stills', 1, old.size) WHERE name IN ('stills', 'still_bytes');
END;
CREATE TRIGGER stills_change AFTER UPDATE OF file, size ON stills
	WHEN (old.file IS NOT NULL, old.size) IS NOT (new.file IS NOT NULL, new.size) BEGIN
	UPDATE counters SET value = value
		+ iif(new.file IS NULL, 0, iif(name = 'stills', 1, new.size)) - iif(old.file IS NULL, 0, iif(name = 'stills', 1, old.size))
		WHERE name IN ('stills', 'still_bytes');
END;
