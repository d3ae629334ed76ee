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

// A first is an archive as the first Lintel wrote it: schema 1.
type first struct {
	*Archive
	t      *testing.T
	db     *sql.DB
	person string
}

// firstArchive makes an archive of the first Lintel, with a visit of each kind,
// and a file that a crash left without a row. It returns the visits and the
// person who was named.
func firstArchive(t *testing.T, dir string, c *clock) (visits map[house.Kind]string, person string) {
	t.Helper()
	must(t, os.MkdirAll(filepath.Join(dir, "incoming"), 0o700))
	db, err := sql.Open("sqlite", filepath.Join(dir, "archive.db"))
	must(t, err)
	defer db.Close()
	seals, err := seal.NewSealer(testKey)
	must(t, err)
	f := first{&Archive{dir: dir, seals: seals, now: c.Now}, t, db, newID()}
	f.begin()
	visits = make(map[house.Kind]string)
	for i, v := range []struct {
		kind  house.Kind
		state house.StillState
		faces int
		named bool
	}{{house.Looking, house.Pending, 0, false}, {house.Known, house.Done, 2, true},
		{house.Stranger, house.Done, 1, false},
		{house.NoFace, house.Done, 0, false}, {house.Damaged, house.Failed, 0, false}} {
		visit, still := f.visit(string(v.kind), v.state, i+1)
		visits[v.kind] = visit
		for n := range v.faces {
			f.face(still, v.named && n == 0)
		}
	}
	f.exec(`UPDATE counters SET value = 5`)
	f.file(newID(), []byte("half a visitor"))
	return visits, f.person
}

func (f first) exec(query string, args ...any) {
	f.t.Helper()
	_, err := f.db.Exec(query, args...)
	must(f.t, err)
}

func (f first) file(id string, content []byte) {
	f.t.Helper()
	path := f.stillPath(id)
	must(f.t, errors.Join(os.MkdirAll(filepath.Dir(path), 0o700), os.WriteFile(path, content, 0o600)))
}

// begin writes the schema, the bell and the person.
func (f first) begin() {
	f.t.Helper()
	script, err := migrations.ReadFile("migrations/0001_first.sql")
	must(f.t, err)
	f.exec(string(script))
	f.exec(fmt.Sprintf(`PRAGMA application_id = %d; PRAGMA user_version = 1; PRAGMA journal_mode = WAL`, applicationID))
	f.exec(`INSERT INTO master (id, mark) VALUES (1, ?)`, f.seals.Value([]byte("lintel"), "master.mark"))
	bell := f.bellID("gate")
	f.exec(`INSERT INTO bells (id, name, secret_hash, added_at) VALUES (?, ?, ?, 1)`, bell,
		f.seal("gate", "bells.name", bell), hashOf("secret"))
	f.exec(`INSERT INTO persons (id, name, added_at) VALUES (?, ?, 1)`, f.person,
		f.seal("Tamsin Quill", "persons.name", f.person))
}

// visit writes a visit and its still, and returns their ids.
func (f first) visit(ring string, state house.StillState, revision int) (visit, still string) {
	f.t.Helper()
	visit, still = f.visitID("gate", ring), newID()
	key := seal.NewKey()
	sealed, err := key.Seal([]byte("a picture"), stillPlace(visit, 0)...)
	must(f.t, err)
	f.file(still, sealed)
	hash := sha256.Sum256(sealed)
	at := micros(f.now())
	f.exec(`INSERT INTO visits (id, bell, ring, received_at, revision) VALUES (?, ?, ?, ?, ?)`, visit, f.bellID("gate"),
		f.seal(ring, "visits.ring", visit), at, revision)
	f.exec(`INSERT INTO stills (id, visit, frame, wrapped_key, sent_mac, sha256, size, width, height, damaged,
		received_at, state) VALUES (?, ?, 0, ?, ?, ?, ?, 640, 480, 0, ?, ?)`,
		still, visit, f.seals.Wrap(key, stillPlace(visit, 0)...), []byte("mac"), hash[:], len(sealed), at, state)
	return visit, still
}

func (f first) face(still string, named bool) {
	f.t.Helper()
	face := newID()
	raw, err := encodeFace(faceOf(0.1, nil))
	must(f.t, err)
	value := f.seals.Value(raw, "faces.sealed", face)
	f.exec(`INSERT INTO faces (id, still, sealed) VALUES (?, ?, ?)`, face, still, value)
	if named {
		f.exec(`UPDATE faces SET person = ?, distance = 0.3, fpir = 1e-5, band = 'strong' WHERE id = ?`, f.person, face)
	}
}

// An archive of the first Lintel becomes one of this: each visit gets the kind
// that its rows say, so that the rules know how long it is kept.
func TestMigrateFirst(t *testing.T) {
	dir, c := t.TempDir(), newClock()
	visits, person := firstArchive(t, dir, c)
	a := openArchive(t, dir, c)
	must(t, a.Lock())
	if n, err := a.Recover(t.Context()); n != (Recovered{Removed: 1}) || err != nil {
		t.Errorf("%+v, %v", n, err)
	}
	for kind, id := range visits {
		v, err := a.Visit(t.Context(), id)
		if err != nil || v.Kind != kind || v.Stage != house.Whole || !v.CountedFrom.Equal(c.Now()) {
			t.Errorf("%s: kind %s, stage %d, counted from %s; %v", kind, v.Kind, v.Stage, v.CountedFrom, err)
		}
		if got, err := a.ReadStill(t.Context(), id, 0); err != nil || string(got) != "a picture" {
			t.Errorf("%s: %q, %v", kind, got, err)
		}
	}
	book, err := a.Book(t.Context(), Filter{Persons: []string{person}}, Cursor{}, 10)
	if err != nil || len(book.Visits) != 1 || book.Visits[0].ID != visits[house.Known] {
		t.Errorf("the book of the person: %v, %v", book, err)
	}
	if report, err := a.Verify(t.Context(), false, nil); err != nil || len(report.Problems) > 0 {
		t.Errorf("verify: %+v, %v", report.Problems, err)
	}
	trail, err := a.Trail(t.Context(), 0, 100)
	if err != nil || len(trail) == 0 || trail[len(trail)-1].Action != vouchedAction {
		t.Errorf("the trail: %+v, %v; want it to begin with the rows being vouched for", trail, err)
	}
	c.Advance(73 * 60 * 60 * 1e9)
	if got := sweep(t, a, noShrinker); got != (house.Swept{Visits: 4}) {
		t.Errorf("swept %+v", got)
	}
}

// A crash after the migration and before its rows are vouched for leaves that to
// the next start. The same ledger, put there once they were, does nothing: the
// mark tells, and so does the trail.
func TestVouchingBrokeOff(t *testing.T) {
	for name, broken := range map[string]struct{ earlierMark, noTrail, again bool }{
		"a crash":               {true, true, true},
		"against the trail":     {true, false, false},
		"against the mark":      {false, true, false},
		"against both of these": {false, false, false},
	} {
		t.Run(name, func(t *testing.T) {
			dir, c := t.TempDir(), newClock()
			firstArchive(t, dir, c)
			a := openArchive(t, dir, c)
			unvouch(t, a, broken.earlierMark, broken.noTrail)
			must(t, a.Close())
			a, err := Open(t.Context(), dir, testKey, c.Now)
			must(t, err)
			defer a.Close()
			all, _, err := a.Suspicions(t.Context(), true)
			if bells, _ := a.Bells(t.Context()); err != nil || (len(all) == 0) != broken.again ||
				(len(bells) == 1) != broken.again {
				t.Errorf("%+v, %d bells, %v", all, len(bells), err)
			}
		})
	}
}

// unvouch takes an archive back to before its rows were vouched for.
func unvouch(t *testing.T, a *Archive, earlierMark, noTrail bool) {
	t.Helper()
	db := outsider(t, a)
	for _, v := range vouchedTables {
		if _, err := db.Exec(`UPDATE ` + v.table + ` SET voucher = NULL`); err != nil {
			t.Fatal(err)
		}
	}
	if noTrail {
		if _, err := db.Exec(`DROP TRIGGER audit_is_not_cut; DELETE FROM audit`); err != nil {
			t.Fatal(err)
		}
	}
	must(t, a.update(t.Context(), func(tx *sql.Tx) error {
		err := a.writeLedger(t.Context(), tx, ledger{Due: true})
		if noTrail {
			err = errors.Join(err, a.setAuditHead(t.Context(), tx, 0, [32]byte{}))
		}
		if earlierMark {
			_, execErr := tx.Exec(`UPDATE master SET mark = ?`, a.seals.Value([]byte("lintel"), earlierPlace...))
			err = errors.Join(err, execErr)
		}
		return err
	}))
}
