-- For Upkeep: how many stills there are and how much room they take, counted
-- without reading their rows.
CREATE INDEX stills_by_size ON stills (size) WHERE file IS NOT NULL;
