package store

import (
	"crypto/sha256"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"lintel/internal/house"
	"lintel/store/seal"
)

// firstArchive makes an archive as the first Lintel wrote it: schema 1, with a
// visit of each kind, and a file that a crash left without a row. It returns
// the visits and the person who was named.
func firstArchive(t *testing.T, dir string, c *clock) (visits map[house.Kind]string, person string) {
	t.Helper()
	script, err := migrations.ReadFile("migrations/0001_first.sql")
	if err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll(filepath.Join(dir, "incoming"), 0o700); err != nil {
		t.Fatal(err)
	}
	db, err := sql.Open("sqlite", filepath.Join(dir, "archive.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	seals, err := seal.NewSealer(testKey)
	if err != nil {
		t.Fatal(err)
	}
	a := &Archive{dir: dir, seals: seals, now: c.now}
	exec := func(query string, args ...any) {
		t.Helper()
		if _, err := db.Exec(query, args...); err != nil {
			t.Fatal(err)
		}
	}
	exec(string(script))
	exec(fmt.Sprintf(`PRAGMA application_id = %d; PRAGMA user_version = 1; PRAGMA journal_mode = WAL`, applicationID))
	exec(`INSERT INTO master (id, mark) VALUES (1, ?)`, seals.Value([]byte("lintel"), "master.mark"))
	bell := a.bellID("gate")
	exec(`INSERT INTO bells (id, name, secret_hash, added_at) VALUES (?, ?, ?, 1)`, bell,
		a.seal("gate", "bells.name", bell), hashOf("secret"))
	person = newID()
	exec(`INSERT INTO persons (id, name, added_at) VALUES (?, ?, 1)`, person,
		a.seal("Tamsin Quill", "persons.name", person))
	file := func(id string, content []byte) {
		t.Helper()
		path := a.stillPath(id)
		if err := errors.Join(os.MkdirAll(filepath.Dir(path), 0o700), os.WriteFile(path, content, 0o600)); err != nil {
			t.Fatal(err)
		}
	}
	visits = make(map[house.Kind]string)
	for i, v := range []struct {
		kind  house.Kind
		state house.StillState
		faces int
		named bool
	}{{house.Looking, house.Pending, 0, false}, {house.Known, house.Done, 2, true}, {house.Stranger, house.Done, 1, false},
		{house.NoFace, house.Done, 0, false}, {house.Damaged, house.Failed, 0, false}} {
		ring := string(v.kind)
		visit, id := a.visitID("gate", ring), newID()
		visits[v.kind] = visit
		sealed, key, err := seals.File([]byte("a picture"), stillPlace(visit, 0)...)
		if err != nil {
			t.Fatal(err)
		}
		file(id, sealed)
		hash := sha256.Sum256(sealed)
		at := micros(c.now())
		exec(`INSERT INTO visits (id, bell, ring, received_at, revision) VALUES (?, ?, ?, ?, ?)`, visit, bell,
			a.seal(ring, "visits.ring", visit), at, i+1)
		exec(`INSERT INTO stills (id, visit, frame, wrapped_key, sent_mac, sha256, size, width, height, damaged,
			received_at, state) VALUES (?, ?, 0, ?, ?, ?, ?, 640, 480, 0, ?, ?)`,
			id, visit, key, []byte("mac"), hash[:], len(sealed), at, v.state)
		for n := range v.faces {
			face := newID()
			value, err := a.sealFace(faceOf(0.1, nil), face)
			if err != nil {
				t.Fatal(err)
			}
			exec(`INSERT INTO faces (id, still, sealed) VALUES (?, ?, ?)`, face, id, value)
			if v.named && n == 0 {
				exec(`UPDATE faces SET person = ?, distance = 0.3, fpir = 1e-5, band = 'strong' WHERE id = ?`, person, face)
			}
		}
	}
	exec(`UPDATE counters SET value = 5`)
	file(newID(), []byte("half a visitor"))
	return visits, person
}

// An archive of the first Lintel becomes one of this: each visit gets the kind
// that its rows say, so that the rules know how long it is kept.
func TestMigrateFirst(t *testing.T) {
	dir, c := t.TempDir(), newClock()
	visits, person := firstArchive(t, dir, c)
	a := openArchive(t, dir, c)
	if err := a.Lock(); err != nil {
		t.Fatal(err)
	}
	if n, err := a.Recover(t.Context()); n != 1 || err != nil {
		t.Errorf("removed %d files, %v", n, err)
	}
	for kind, id := range visits {
		v, err := a.Visit(t.Context(), id)
		if err != nil || v.Kind != kind || v.Stage != house.Whole || !v.CountedFrom.Equal(c.now()) {
			t.Errorf("%s: kind %s, stage %d, counted from %s; %v", kind, v.Kind, v.Stage, v.CountedFrom, err)
		}
		if got, err := a.ReadStill(t.Context(), id, 0); err != nil || string(got) != "a picture" {
			t.Errorf("%s: %q, %v", kind, got, err)
		}
	}
	book, _, err := a.Book(t.Context(), Filter{Person: person}, Cursor{}, 10)
	if err != nil || len(book) != 1 || book[0].ID != visits[house.Known] {
		t.Errorf("the book of the person: %v, %v", book, err)
	}
	if report, err := a.Verify(t.Context(), false, nil); err != nil || len(report.Problems) > 0 {
		t.Errorf("verify: %+v, %v", report.Problems, err)
	}
	c.advance(73 * 60 * 60 * 1e9)
	if got := sweep(t, a, noShrinker); got != (house.Swept{Visits: 4}) {
		t.Errorf("swept %+v", got)
	}
}
