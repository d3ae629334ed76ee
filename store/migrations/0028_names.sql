-- Names of residents and tablets, and which browser a session has, are sealed under
-- keys of their own too; keys.go seals those there are anew.
ALTER TABLE residents ADD COLUMN slot INTEGER;
ALTER TABLE tablets ADD COLUMN slot INTEGER;
ALTER TABLE sessions ADD COLUMN slot INTEGER;
CREATE TRIGGER resident_leaves_slot AFTER DELETE ON residents WHEN old.slot IS NOT NULL BEGIN
	INSERT OR IGNORE INTO freed_slots (slot) VALUES (old.slot);
END;
CREATE TRIGGER tablet_leaves_slot AFTER DELETE ON tablets WHEN old.slot IS NOT NULL BEGIN
	INSERT OR IGNORE INTO freed_slots (slot) VALUES (old.slot);
END;
CREATE TRIGGER session_changes_slot AFTER UPDATE OF slot ON sessions WHEN old.slot IS NOT new.slot AND old.slot IS NOT NULL BEGIN
	INSERT OR IGNORE INTO freed_slots (slot) VALUES (old.slot);
END;
CREATE TRIGGER session_leaves_slot AFTER DELETE ON sessions WHEN old.slot IS NOT NULL BEGIN
	INSERT OR IGNORE INTO freed_slots (slot) VALUES (old.slot);
END;

-- 1 while the database's files may hold what was under the master key itself and is
-- not any more. They are written anew once, and then it is 0.
DELETE FROM counters WHERE name = 'scrub_due';
INSERT INTO counters (name, value) SELECT 'uncleaned',
	EXISTS (SELECT 1 FROM visits UNION ALL SELECT 1 FROM persons UNION ALL SELECT 1 FROM residents);
-- 1 while rows are to be sealed under keys of their own.
INSERT INTO counters (name, value) VALUES ('unmoved', 1);
