package store

import (
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// schemaText is all that a database says of its schema.
func schemaText(t *testing.T, a *Archive) string {
	t.Helper()
	db := outsider(t, a)
	all, err := texts(db.Query(`SELECT coalesce(sql, name) FROM sqlite_schema UNION ALL
		SELECT 'version ' || user_version FROM pragma_user_version UNION ALL SELECT name || value FROM counters`))
	must(t, err)
	return strings.Join(all, "\n")
}

// Of several migrations the last fails: none is left, nor a copy, and the archive goes
// on once the cause is gone.
func TestMigrationGoesBack(t *testing.T) {
	a, c, visits := newHousehold(t)
	db := outsider(t, a)
	for _, later := range slices.Concat(undoStrangers, undoTrail) { // the table trail_checked stays in the way
		must(t, second(db.Exec(later)))
	}
	names, err := fs.Glob(migrations, "migrations/*.sql")
	must(t, err)
	before := slices.Index(names, "migrations/0034_strangers.sql")
	must(t, second(db.Exec(fmt.Sprintf(`PRAGMA user_version = %d`, before))))
	must(t, a.Close())
	was := schemaText(t, a)
	_, err = Open(t.Context(), a.dir, testKey, c.Now)
	wantError(t, err, ErrMigration)
	if err == nil || !strings.Contains(err.Error(), "trail_checked already exists") ||
		!strings.HasSuffix(err.Error(), "it is as it was") {
		t.Errorf("it says %v", err)
	}
	if is := schemaText(t, a); is != was {
		t.Errorf("the schema was\n%s\nand is\n%s", was, is)
	}
	wantNoCopy(t, a)
	must(t, second(db.Exec(`DROP TABLE trail_checked`)))
	a = openArchive(t, a.dir, c)
	if v, err := a.Visit(t.Context(), visits[0]); err != nil || v.ID != visits[0] {
		t.Errorf("%+v, %v", v, err)
	}
	wantNoCopy(t, a)
}

func wantNoCopy(t *testing.T, a *Archive) {
	t.Helper()
	if copies, err := a.copiesBefore(); err != nil || len(copies) > 0 {
		t.Errorf("copies %q, %v", copies, err)
	}
}

// What follows a migration breaks off: the copy of before stays, is named, is whole by
// SQLite's own check and its owner's alone, and goes with the start that ends well.
func TestMigrationKeepsCopy(t *testing.T) {
	a, c, _ := newHousehold(t)
	persons, err := a.Persons(t.Context())
	must(t, err)
	p := persons[0]
	db := outsider(t, a)
	undo := append(slices.Clone(undoTrail), `DROP TABLE trail_checked`, `UPDATE counters SET value = 1 WHERE name = 'unmoved'`)
	for _, statement := range undo {
		must(t, second(db.Exec(statement)))
	}
	names, err := fs.Glob(migrations, "migrations/*.sql")
	must(t, err)
	must(t, second(a.write.Exec(`UPDATE persons SET slot = NULL, name = ? WHERE id = ?`,
		a.seals.Value([]byte(p.Name), "persons.name", p.ID), p.ID)))
	must(t, second(db.Exec(`CREATE TRIGGER broken BEFORE UPDATE OF name ON persons
		BEGIN SELECT raise(ABORT, 'the power went'); END`)))
	schema := slices.Index(names, "migrations/0036_trail.sql")
	must(t, second(db.Exec(fmt.Sprintf(`PRAGMA user_version = %d`, schema))))
	must(t, a.Close())
	_, err = Open(t.Context(), a.dir, testKey, c.Now)
	wantError(t, err, ErrMigration)
	path := filepath.Join(a.dir, fmt.Sprintf("before-%d.db", schema))
	if err == nil || !strings.HasSuffix(err.Error(), path) {
		t.Errorf("it says %v", err)
	}
	info, err := os.Stat(path)
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Fatalf("the copy: %v, %v", info, err)
	}
	beside := t.TempDir()
	must(t, os.Link(path, filepath.Join(beside, "archive.db")))
	wantWholeByPython(t, beside)
	if is := schemaText(t, &Archive{dir: beside}); !strings.Contains(is, fmt.Sprintf("version %d\n", schema)) {
		t.Errorf("the copy is of %s", is)
	}
	must(t, second(db.Exec(`DROP TRIGGER broken`)))
	a = openArchive(t, a.dir, c)
	if again, err := a.Persons(t.Context()); err != nil || again[0].Name != p.Name {
		t.Errorf("%+v, %v", again, err)
	}
	wantNoCopy(t, a)
	data, err := os.ReadFile(filepath.Join(beside, "archive.db"))
	if err != nil || len(data) == 0 || strings.Trim(string(data), "\x00") != "" {
		t.Errorf("the copy was not overwritten, %v", err)
	}
}
