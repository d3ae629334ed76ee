-- The keys of what is to go without a trace lie in a file of slots beside the
-- database, package keyfile; slot is the number by which a row names its own.
-- Where wrapped keys were before, keys.go brings them there, and then removes the
-- column stills.wrapped_key.
ALTER TABLE stills ADD COLUMN slot INTEGER;
ALTER TABLE faces ADD COLUMN slot INTEGER;
ALTER TABLE gallery ADD COLUMN slot INTEGER;
ALTER TABLE portraits ADD COLUMN slot INTEGER;
ALTER TABLE persons ADD COLUMN slot INTEGER;
ALTER TABLE consents ADD COLUMN slot INTEGER;
ALTER TABLE visits ADD COLUMN slot INTEGER;
ALTER TABLE holds ADD COLUMN slot INTEGER;
ALTER TABLE messages ADD COLUMN slot INTEGER;
ALTER TABLE advice ADD COLUMN slot INTEGER;
ALTER TABLE trial_rings ADD COLUMN slot INTEGER;
ALTER TABLE door_rules ADD COLUMN slot INTEGER;
ALTER TABLE sources ADD COLUMN slot INTEGER;
ALTER TABLE reports ADD COLUMN slot INTEGER;
ALTER TABLE tokens ADD COLUMN slot INTEGER;
ALTER TABLE onetime ADD COLUMN slot INTEGER;

-- Slots that no row names any more and that are to be overwritten: a crash between
-- the two leaves them here. What removes a row, or gives it another slot, need not
-- think of it.
CREATE TABLE freed_slots (slot INTEGER PRIMARY KEY) STRICT;
CREATE TRIGGER still_leaves_slot AFTER DELETE ON stills WHEN old.slot IS NOT NULL BEGIN
	INSERT OR IGNORE INTO freed_slots (slot) VALUES (old.slot);
END;
CREATE TRIGGER face_leaves_slot AFTER DELETE ON faces WHEN old.slot IS NOT NULL BEGIN
	INSERT OR IGNORE INTO freed_slots (slot) VALUES (old.slot);
END;
CREATE TRIGGER reference_leaves_slot AFTER DELETE ON gallery WHEN old.slot IS NOT NULL BEGIN
	INSERT OR IGNORE INTO freed_slots (slot) VALUES (old.slot);
END;
CREATE TRIGGER portrait_leaves_slot AFTER DELETE ON portraits WHEN old.slot IS NOT NULL BEGIN
	INSERT OR IGNORE INTO freed_slots (slot) VALUES (old.slot);
END;
CREATE TRIGGER person_leaves_slot AFTER DELETE ON persons WHEN old.slot IS NOT NULL BEGIN
	INSERT OR IGNORE INTO freed_slots (slot) VALUES (old.slot);
END;
CREATE TRIGGER consent_leaves_slot AFTER DELETE ON consents WHEN old.slot IS NOT NULL BEGIN
	INSERT OR IGNORE INTO freed_slots (slot) VALUES (old.slot);
END;
CREATE TRIGGER visit_leaves_slot AFTER DELETE ON visits WHEN old.slot IS NOT NULL BEGIN
	INSERT OR IGNORE INTO freed_slots (slot) VALUES (old.slot);
END;
CREATE TRIGGER hold_leaves_slot AFTER DELETE ON holds WHEN old.slot IS NOT NULL BEGIN
	INSERT OR IGNORE INTO freed_slots (slot) VALUES (old.slot);
END;
CREATE TRIGGER message_leaves_slot AFTER DELETE ON messages WHEN old.slot IS NOT NULL BEGIN
	INSERT OR IGNORE INTO freed_slots (slot) VALUES (old.slot);
END;
CREATE TRIGGER advice_leaves_slot AFTER DELETE ON advice WHEN old.slot IS NOT NULL BEGIN
	INSERT OR IGNORE INTO freed_slots (slot) VALUES (old.slot);
END;
CREATE TRIGGER trial_ring_leaves_slot AFTER DELETE ON trial_rings WHEN old.slot IS NOT NULL BEGIN
	INSERT OR IGNORE INTO freed_slots (slot) VALUES (old.slot);
END;
CREATE TRIGGER door_rule_leaves_slot AFTER DELETE ON door_rules WHEN old.slot IS NOT NULL BEGIN
	INSERT OR IGNORE INTO freed_slots (slot) VALUES (old.slot);
END;
CREATE TRIGGER source_leaves_slot AFTER DELETE ON sources WHEN old.slot IS NOT NULL BEGIN
	INSERT OR IGNORE INTO freed_slots (slot) VALUES (old.slot);
END;
CREATE TRIGGER report_leaves_slot AFTER DELETE ON reports WHEN old.slot IS NOT NULL BEGIN
	INSERT OR IGNORE INTO freed_slots (slot) VALUES (old.slot);
END;
CREATE TRIGGER token_leaves_slot AFTER DELETE ON tokens WHEN old.slot IS NOT NULL BEGIN
	INSERT OR IGNORE INTO freed_slots (slot) VALUES (old.slot);
END;
CREATE TRIGGER onetime_leaves_slot AFTER DELETE ON onetime WHEN old.slot IS NOT NULL BEGIN
	INSERT OR IGNORE INTO freed_slots (slot) VALUES (old.slot);
END;
CREATE TRIGGER still_changes_slot AFTER UPDATE OF slot ON stills WHEN old.slot IS NOT new.slot AND old.slot IS NOT NULL BEGIN
	INSERT OR IGNORE INTO freed_slots (slot) VALUES (old.slot);
END;
CREATE TRIGGER face_changes_slot AFTER UPDATE OF slot ON faces WHEN old.slot IS NOT new.slot AND old.slot IS NOT NULL BEGIN
	INSERT OR IGNORE INTO freed_slots (slot) VALUES (old.slot);
END;
CREATE TRIGGER hold_changes_slot AFTER UPDATE OF slot ON holds WHEN old.slot IS NOT new.slot AND old.slot IS NOT NULL BEGIN
	INSERT OR IGNORE INTO freed_slots (slot) VALUES (old.slot);
END;
CREATE TRIGGER trial_ring_changes_slot AFTER UPDATE OF slot ON trial_rings WHEN old.slot IS NOT new.slot AND old.slot IS NOT NULL BEGIN
	INSERT OR IGNORE INTO freed_slots (slot) VALUES (old.slot);
END;
CREATE TRIGGER door_rule_changes_slot AFTER UPDATE OF slot ON door_rules WHEN old.slot IS NOT new.slot AND old.slot IS NOT NULL BEGIN
	INSERT OR IGNORE INTO freed_slots (slot) VALUES (old.slot);
END;
CREATE TRIGGER onetime_changes_slot AFTER UPDATE OF slot ON onetime WHEN old.slot IS NOT new.slot AND old.slot IS NOT NULL BEGIN
	INSERT OR IGNORE INTO freed_slots (slot) VALUES (old.slot);
END;

-- Slots that held a key at a start and that no row names: nobody takes them while stills
-- are kept aside, which they may be of.
CREATE TABLE held_slots (slot INTEGER PRIMARY KEY) STRICT;

-- Positions of slots that were overwritten, and how many positions there are: the
-- next key comes into the first of those, or else behind all.
CREATE TABLE free_slots (position INTEGER PRIMARY KEY) STRICT;
INSERT INTO counters (name, value) VALUES ('slots', 0);

-- Slots of what somebody erased, which no backup is to hold any more. A rule that
-- lets something go names none.
CREATE TABLE erased_slots (slot INTEGER PRIMARY KEY) STRICT;
