package store

import (
	"bytes"
	"fmt"
	"io/fs"
	"slices"
	"testing"

	"lintel/internal/house"
)

// undoStrangers takes away what migration 34 brought.
var undoStrangers = []string{`DROP TRIGGER stranger_retimed`, `DROP TRIGGER face_is_nobodys`,
	`DROP TRIGGER face_changes_whose`, `DROP TRIGGER answer_given`, `DROP TRIGGER answer_changed`,
	`DROP TRIGGER answer_taken_back`, `DROP VIEW faces_of_nobody`, `DROP TABLE strangers`, `DROP TABLE seen_again`,
	`DROP TABLE strangers_gone`, `DELETE FROM counters WHERE name = 'strangers'`,
}

// undoSlots takes an archive back to when wrapped keys stood in rows and faces were
// sealed under the master key, and returns those keys.
func undoSlots(t *testing.T, a *Archive) (wrapped [][]byte) {
	t.Helper()
	db := outsider(t, a)
	exec := func(statement string, args ...any) { must(t, second(db.Exec(statement, args...))) }
	triggers, err := texts(db.Query(`SELECT name FROM sqlite_schema WHERE type = 'trigger' AND name GLOB '*s_slot'`))
	must(t, err)
	for _, trigger := range triggers {
		exec(`DROP TRIGGER ` + trigger)
	}
	for _, later := range undoStrangers {
		exec(later)
	}
	exec(`ALTER TABLE stills ADD COLUMN wrapped_key BLOB NOT NULL DEFAULT x''`)
	type row struct {
		id, visit   string
		frame, slot int64
		sealed      []byte
	}
	rows, err := db.Query(`SELECT id, visit, frame, slot FROM stills WHERE slot IS NOT NULL`)
	stills, err := scanAll(rows, err, func(r *row) error { return rows.Scan(&r.id, &r.visit, &r.frame, &r.slot) })
	must(t, err)
	for _, s := range stills {
		key, err := a.keyIn(s.slot)
		must(t, err)
		wrapped = append(wrapped, a.seals.Wrap(key, stillPlace(s.visit, int(s.frame))...))
		exec(`UPDATE stills SET wrapped_key = ? WHERE id = ?`, wrapped[len(wrapped)-1], s.id)
	}
	for _, of := range keyedTables {
		for _, column := range of.columns {
			rows, err := db.Query(`SELECT ` + of.id + `, ` + column + ` FROM ` + of.table)
			all, err := scanAll(rows, err, func(r *row) error { return rows.Scan(&r.id, &r.sealed) })
			must(t, err)
			for _, r := range all {
				if r.sealed == nil {
					continue
				}
				raw, err := a.openKeyed(r.sealed, of.table+"."+column, r.id)
				must(t, err)
				must(t, second(a.write.Exec(`UPDATE `+of.table+` SET `+column+` = ? WHERE `+of.id+` = ?`,
					a.seals.Value(raw, of.table+"."+column, r.id), r.id)))
			}
		}
		exec(`ALTER TABLE ` + of.table + ` DROP COLUMN slot`)
	}
	for _, statement := range []string{`ALTER TABLE stills DROP COLUMN slot`,
		`DROP TABLE freed_slots`, `DROP TABLE held_slots`, `DROP TABLE free_slots`, `DROP TABLE erased_slots`,
		`DELETE FROM counters WHERE name IN ('slots', 'unmoved', 'uncleaned')`,
		`INSERT INTO counters (name, value) VALUES ('scrub_due', 0)`} {
		exec(statement)
	}
	return wrapped
}

// TestKeysMigrate opens an archive of the version before, whose migration breaks off
// at first: all stills and faces are as they were, and no file holds a wrapped key
// of before.
func TestKeysMigrate(t *testing.T) {
	c := newThrong(t)
	ctx := t.Context()
	c.keepFor(t, house.Stranger, house.Rule{Stills: house.Period{Hours: 1}, Findings: house.Period{Days: 9}})
	must(t, second(c.Sweep(ctx, halves)))
	before := lookedAt(t, c)
	wrapped := undoSlots(t, c.Archive)
	if len(wrapped) < 50 {
		t.Fatalf("%d keys, too few", len(wrapped))
	}
	db := outsider(t, c.Archive)
	for _, later := range undoClock {
		must(t, second(db.Exec(later)))
	}
	names, err := fs.Glob(migrations, "migrations/*.sql")
	must(t, err)
	must(t, second(db.Exec(fmt.Sprintf(`PRAGMA user_version = %d`, slices.Index(names, slotsScript)))))
	must(t, c.Close())
	must(t, second(db.Exec(`CREATE TRIGGER broken BEFORE UPDATE OF sealed ON faces
		BEGIN SELECT raise(ABORT, 'the power went'); END`)))
	if a, err := Open(ctx, c.dir, testKey, c.clock.Now); err == nil {
		a.Close()
		t.Fatal("the migration did not break off")
	}
	must(t, second(db.Exec(`DROP TRIGGER broken`)))
	must(t, db.Close())

	c.Archive = openArchive(t, c.dir, c.clock)
	must(t, c.Lock())
	must(t, second(c.Recover(ctx)))
	if after := lookedAt(t, c); after != before {
		t.Errorf("all was\n%s\nand is\n%s", before, after)
	}
	raw := rawBytes(t, c.Archive)
	for _, key := range wrapped {
		if bytes.Contains(raw, key) {
			t.Fatal("a wrapped key of before is left")
		}
	}
	wantSound(t, c.Archive)
	must(t, c.Close())
	c.Archive = openArchive(t, c.dir, c.clock) // once more
	wantSound(t, c.Archive)
}

// lookedAt writes all that is seen of an archive's visits.
func lookedAt(t *testing.T, c *throng) (all string) {
	t.Helper()
	for _, id := range c.visits {
		v, err := c.Visit(t.Context(), id)
		must(t, err)
		all += fmt.Sprint(v.ID, v.Kind, v.Stage)
		for _, s := range v.Stills {
			var picture []byte
			if s.File != "" {
				picture, err = c.ReadStill(t.Context(), v.ID, s.Frame)
				must(t, err)
			}
			all += fmt.Sprintf(" %x", picture)
			for _, f := range s.Faces {
				all += fmt.Sprint(f.Box, f.Descriptor[:3], f.Whose())
			}
		}
		all += "\n"
	}
	return all
}
