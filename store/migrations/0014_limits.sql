-- Of wrong secrets in a bell's name: since when they come, how many there were, from
-- how many networks, and when one last came from where the bell itself does, which
-- alone withholds; null if none did. One that was kept before withholds for as long as
-- its time says.
ALTER TABLE doubts ADD COLUMN since INTEGER;
ALTER TABLE doubts ADD COLUMN times INTEGER NOT NULL DEFAULT 0;
ALTER TABLE doubts ADD COLUMN networks INTEGER NOT NULL DEFAULT 0;
ALTER TABLE doubts ADD COLUMN own INTEGER;
UPDATE doubts SET since = at, times = 1, networks = 1, own = at WHERE kind = 'secret';
