-- How many visits name each person, counted as they come and go: it follows from
-- appearances.
CREATE TABLE named (
	person TEXT PRIMARY KEY,
	visits INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
INSERT INTO named (person, visits) SELECT person, count(*) FROM appearances GROUP BY person;
CREATE TRIGGER named_gain AFTER INSERT ON appearances BEGIN
	INSERT INTO named (person, visits) VALUES (new.person, 1) ON CONFLICT DO UPDATE SET visits = visits + 1;
END;
CREATE TRIGGER named_lose AFTER DELETE ON appearances BEGIN
	UPDATE named SET visits = visits - 1 WHERE person = old.person;
	DELETE FROM named WHERE person = old.person AND visits <= 0;
END;
