package store

import (
	"database/sql"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"lintel/internal/house"
	"lintel/store/internal/keyfile"
	"lintel/store/seal"
)

func TestVerifySound(t *testing.T) {
	a, _, _ := newHousehold(t)
	var steps []int
	r, err := a.Verify(t.Context(), false, func(done, total int) {
		if total != 5 {
			t.Errorf("%d of %d", done, total)
		}
		steps = append(steps, done)
	})
	if err != nil || len(r.Problems) > 0 || r.Left > 0 || r.Unlisted > 0 {
		t.Errorf("problems %+v, %v", r.Problems, err)
	}
	if !slices.Equal(steps, []int{1, 2, 3, 4, 5}) {
		t.Errorf("steps %v", steps)
	}
	// 1 bell, 5 rings, 1 person, 2 of a consent, 1 reference and its picture, 2 faces,
	// 1 resident, 1 tablet and its browser, 1 hold, 1 mask, 2 settings, 1 message, 1 ring of a trial,
	// 1 program, 4 of how the bell is, and of advice 1 door, 1 rule, 1 parcel, 3 of a source (its
	// name, its state, a report), 1 token, 1 of codes, 2 of a receiver, 1 advice.
	if r.Visits != 5 || r.Stills != 5 || r.Files != 5 || r.Lost != 0 || r.Sealed != 38 || r.Entries != 21 ||
		r.Keys != 28 {
		t.Errorf("%+v", r)
	}
}

// A spoiler damages an archive at one of its visits.
type spoiler func(t *testing.T, a *Archive, visit string)

// firstStill returns a visit's first still, and where its file is.
func firstStill(t *testing.T, a *Archive, visit string) (s house.Still, path string) {
	t.Helper()
	v, err := a.Visit(t.Context(), visit)
	if err != nil {
		t.Fatal(err)
	}
	if s = v.Stills[0]; s.File != "" {
		path = a.stillPath(s.File)
	}
	return s, path
}

// strayAt makes a file that is none of the archive's.
func strayAt(name string) spoiler {
	return func(t *testing.T, a *Archive, _ string) {
		t.Helper()
		path := filepath.Join(a.dir, name)
		must(t, errors.Join(os.MkdirAll(filepath.Dir(path), 0o700), os.WriteFile(path, []byte("x"), 0o600)))
	}
}

// runFor runs a statement with the visit's id.
func runFor(statement string) spoiler {
	return func(t *testing.T, a *Archive, visit string) {
		t.Helper()
		if _, err := a.write.ExecContext(t.Context(), statement, visit); err != nil {
			t.Fatal(err)
		}
	}
}

// A spoiled archive is one of which one thing is wrong.
type spoiled struct {
	spoil  spoiler
	what   string
	words  string
	mended bool
	lost   bool // whether the still is then
}

var spoiledArchives = map[string]spoiled{
	"still missing": {func(t *testing.T, a *Archive, visit string) {
		_, path := firstStill(t, a, visit)
		os.Remove(path)
	}, WithStill, "missing", true, true},
	"still changed": {func(t *testing.T, a *Archive, visit string) {
		_, path := firstStill(t, a, visit)
		flipBit(t, path, 99)
	}, WithStill, "does not open", true, true},
	"still cut": {func(t *testing.T, a *Archive, visit string) {
		_, path := firstStill(t, a, visit)
		os.Truncate(path, 20)
	}, WithStill, "does not open", true, true},
	"still empty": {func(t *testing.T, a *Archive, visit string) {
		_, path := firstStill(t, a, visit)
		os.Truncate(path, 0)
	}, WithStill, "does not open", true, true},
	"another's still": {func(t *testing.T, a *Archive, visit string) {
		_, path := firstStill(t, a, visit)
		all := filesIn(t, a.dir, "stills")
		other := filepath.Join(a.dir, all[slices.IndexFunc(all,
			func(f string) bool { return filepath.Join(a.dir, f) != path })])
		data, err := os.ReadFile(other)
		must(t, errors.Join(err, os.WriteFile(path, data, 0o600)))
	}, WithStill, "does not open", true, true},
	"still unreadable": {func(t *testing.T, a *Archive, visit string) {
		_, path := firstStill(t, a, visit)
		must(t, errors.Join(os.Remove(path), os.Mkdir(path, 0o700)))
	}, WithStill, "can't be read", false, false},
	"key": {func(t *testing.T, a *Archive, visit string) {
		var slot keyfile.Number
		must(t, a.read.QueryRowContext(t.Context(), `SELECT slot FROM stills WHERE visit = ?`, visit).Scan(&slot))
		must(t, a.keys.Clear(slot.Position()))
	}, WithStill, "does not open", true, true},
	"hash": {runFor(`UPDATE stills SET sha256 = randomblob(32) WHERE visit = ?`), WithStill, "authentic",
		true, false},
	"size": {runFor(`UPDATE stills SET size = size + 1 WHERE visit = ?`), WithStill, "authentic", true,
		false},
	"moved to another frame": {runFor(`UPDATE stills SET frame = 7 WHERE visit = ?`), WithStill, "does not open", true,
		true},

	"stray":                {strayAt("stills/AA/AAAAAAAAAAAAAAAAAAAAAAAAAA.still"), WithFile, "no row names", true, false},
	"stray small pictures": {strayAt("stills/AA/AAAAAAAAAAAAAAAAAAAAAAAAAA.small"), WithFile, "no row names", true, false},
	"stray small pictures on the way": {strayAt("incoming/AAAAAAAAAAAAAAAAAAAAAAAAAA.small"), WithFile,
		"have not come", true, false},
	"small pictures elsewhere": {func(t *testing.T, a *Archive, visit string) {
		s, _ := firstStill(t, a, visit)
		strayAt("stills/00/"+s.File+".small")(t, a, visit)
	}, WithFile, "wrong folder", true, false},
	"stray on its way": {strayAt("incoming/AAAAAAAAAAAAAAAAAAAAAAAAAA"), WithFile, "no row names", true, false},
	"stray of a name too short": {strayAt("incoming/A"), WithFile,
		"no row names", true, false},
	"not a still": {strayAt("stills/AA/notes.txt"),
		WithFile, "none of Lintel's", false, false},
	"a still of no name": {strayAt("stills/.still"), WithFile,
		"none of Lintel's", false, false},
	"a folder on its way": {func(t *testing.T, a *Archive,
		_ string) {
		os.Mkdir(filepath.Join(a.dir, "incoming", "x"), 0o700)
	}, WithFile, "none of Lintel's", false, false},
	"not come to its place": {func(t *testing.T, a *Archive, visit string) {
		s, path := firstStill(t, a, visit)
		must(t, os.Rename(path, a.incomingPath(s.File)))
	}, WithFile, "not come to its place", true, false},
	"in both places": {func(t *testing.T, a *Archive, visit string) {
		s, path := firstStill(t, a, visit)
		must(t, os.Link(path, a.incomingPath(s.File)))
	}, WithFile, "no row names", true, false},
	"in the wrong folder": {func(t *testing.T, a *Archive, visit string) {
		s, path := firstStill(t, a, visit)
		wrong := filepath.Join(a.dir, "stills", "00", s.File+".still")
		must(t, errors.Join(os.MkdirAll(filepath.Dir(wrong), 0o700), os.Rename(path, wrong)))
	}, WithFile, "wrong folder", true, false},
	"in two folders": {func(t *testing.T, a *Archive, visit string) {
		s, path := firstStill(t, a, visit)
		wrong := filepath.Join(a.dir, "stills", "00", s.File+".still")
		must(t, errors.Join(os.MkdirAll(filepath.Dir(wrong), 0o700), os.Link(path, wrong)))
	}, WithFile, "as well", true, false},

	"kind": {runFor(`UPDATE visits SET kind = 'parcel' WHERE id = ?`), WithVisit, "does not follow", true,
		false},
	"appearance gone": {runFor(`DELETE FROM appearances WHERE visit = ?`), WithVisit, "does not follow", true, false},
	"appearance too many": {runFor(`INSERT INTO appearances SELECT person, bell, 'parcel', received_at, visit, picture
		FROM appearances WHERE visit = ?`), WithVisit, "does not follow", true, false},
	"appearance of nobody": {runFor(`INSERT INTO appearances SELECT p.id, bell, kind, received_at, v.id, picture
		FROM visits v, persons p WHERE v.id <> ? LIMIT 1`), WithVisit, "does not follow", true, false},

	"day counted wrongly": {runFor(`UPDATE days SET visits = visits + 1 WHERE ? <> ''`), WithVisit, "counted wrongly", true,
		false},
	"age counted wrongly": {runFor(`UPDATE ages SET visits = visits + 1 WHERE ? <> ''`), WithVisit, "counted wrongly", true,
		false},
	"age gone": {runFor(`DELETE FROM ages WHERE ? <> ''`), WithVisit, "counted wrongly", true, false},
	"named counted wrongly": {runFor(`UPDATE named SET visits = visits + 1 WHERE ? <> ''`), WithVisit, "counted wrongly",
		true, false},
	"stills counted wrongly": {runFor(`UPDATE counters SET value = 7 WHERE name = 'stills' AND ? <> ''`), WithVisit,
		"counted wrongly", true, false},
	"day too many": {runFor(`INSERT INTO days VALUES ('', 7, ?, 'parcel', 0, 1)`), WithVisit, "counted wrongly", true, false},

	"removal": {func(t *testing.T, a *Archive, visit string) {
		must(t, a.update(t.Context(), func(tx *sql.Tx) error { return a.removeVisits(t.Context(), tx, []string{visit}) }))
	}, WithRemoval, "1 files", true, false},
	"erasure": {runFor(`INSERT INTO erasing (person, visits) SELECT id, 1 FROM persons WHERE ?1 <> ''`), WithRemoval,
		"1 persons", true,
		false},
	"not cleaned": {runFor(`UPDATE counters SET value = 1 WHERE name = 'uncleaned' AND ?1 <> ''`), WithKey,
		"lay among rows before", true, false},
	"slot of nobody": {runFor(`UPDATE counters SET value = value + 1 WHERE name = 'slots' AND ? <> ''`), WithKey,
		"has no row", true, false},
	"slot that is not free": {runFor(`INSERT INTO free_slots SELECT slot & 4294967295 FROM stills WHERE visit = ?`),
		WithKey, "counts as free", true, false},
	"key that came to nothing": {func(t *testing.T, a *Archive, _ string) {
		must(t, a.update(t.Context(), func(tx *sql.Tx) error {
			slot, err := a.putKey(t.Context(), tx, seal.NewKey())
			_, failed := tx.Exec(`INSERT INTO free_slots (position) VALUES (?)`, keyfile.Number(slot).Position())
			return errors.Join(err, failed)
		}))
	}, WithKey, "came to nothing", true, false},
	"keys not overwritten": {func(t *testing.T, a *Archive, _ string) {
		must(t, second(a.transact(t.Context(), func(tx *sql.Tx) error {
			slot, err := a.putKey(t.Context(), tx, seal.NewKey())
			_, failed := tx.Exec(`INSERT INTO freed_slots (slot) VALUES (?)`, slot)
			return errors.Join(err, failed)
		})))
	}, WithRemoval, "1 keys of what went", true, false},
	"face's key": {func(t *testing.T, a *Archive, _ string) {
		var slot keyfile.Number
		must(t, a.read.QueryRowContext(t.Context(), `SELECT min(slot) FROM faces`).Scan(&slot))
		must(t, a.keys.Clear(slot.Position()))
	}, WithSealed, "does not open", false, false},
	"no such bell": {func(t *testing.T, a *Archive, visit string) {
		tx(t, a, `PRAGMA foreign_keys = OFF`)
		runFor(`INSERT INTO masks (bell, polygons, revision)
			SELECT 'nobody''s', polygons, 1 FROM masks WHERE ? <> ''`)(t, a, visit)
		tx(t, a, `PRAGMA foreign_keys = ON`)
	}, WithDatabase, "belongs to one of bells", false, false},
}

// TestVerify spoils one thing at a time, and lets Verify find and mend it.
func TestVerify(t *testing.T) {
	for name, test := range spoiledArchives {
		t.Run(name, func(t *testing.T) {
			a, _, visits := newHousehold(t)
			visit := visits[len(visits)-1]
			wantSound(t, a)
			test.spoil(t, a, visit)
			faces := len(facesOfFirst(t, a, visit))
			test.checkFound(t, a, name)
			r := test.checkMended(t, a)
			if test.lost {
				checkLost(t, a, r, visit, faces)
			}
			if !test.mended {
				a.Close() // and no check of soundness
				return
			}
			after := wantSound(t, a)
			if r.Lost != after.Lost || a.lock != nil {
				t.Errorf("first %d lost, then %d; lock %v", r.Lost, after.Lost, a.lock)
			}
			if err := a.Lock(); err != nil {
				t.Errorf("the lock is not free: %v", err)
			}
		})
	}
}

// facesOfFirst returns the faces on a visit's first still, none where it has gone.
func facesOfFirst(t *testing.T, a *Archive, visit string) []house.Face {
	t.Helper()
	s, err := a.stillsOf(t.Context(), a.read, visit)
	if err != nil || len(s) == 0 {
		return nil
	}
	return s[0].Faces
}

// checkFound lets Verify look, which changes nothing.
func (s spoiled) checkFound(t *testing.T, a *Archive, name string) {
	t.Helper()
	before := folderOf(t, a.dir)
	r, err := a.Verify(t.Context(), false, nil)
	if err != nil || r.Left == 0 || !slices.ContainsFunc(r.Problems, func(p Problem) bool {
		return p.What == s.what && strings.Contains(p.Words, s.words) && !p.Mended
	}) {
		t.Fatalf("found %+v, %v; want %s: %s", r.Problems, err, s.what, s.words)
	}
	also := map[string]bool{"no such bell": true, "still unreadable": true,
		"in the wrong folder": true} // and so something else is wrong too
	if !also[name] && len(r.Problems) != 1 {
		t.Errorf("found %+v, want one problem", r.Problems)
	}
	if after := folderOf(t, a.dir); after != before {
		t.Errorf("without a repair the folder changed from %s to %s", before, after)
	}
}

func (s spoiled) checkMended(t *testing.T, a *Archive) Report {
	t.Helper()
	r, err := a.Verify(t.Context(), true, nil)
	mended := slices.ContainsFunc(r.Problems, func(p Problem) bool { return p.What == s.what && p.Mended })
	if err != nil || mended != s.mended || mended != (r.Left == 0) {
		t.Errorf("mended %+v, %v", r.Problems, err)
	}
	return r
}

// checkLost wants a visit's still to be lost, with what was found on it left
// and a line of the trail.
func checkLost(t *testing.T, a *Archive, r Report, visit string, found int) {
	t.Helper()
	s, _ := firstStill(t, a, visit)
	if faces := facesOfFirst(t, a, visit); !s.Lost || s.File != "" || r.Lost != 1 || len(faces) != found {
		t.Errorf("the still is %+v with %d of %d faces, %d are lost", s, len(faces), found, r.Lost)
	}
	_, err := a.ReadStill(t.Context(), visit, 0)
	wantError(t, err, house.ErrNotFound)
	if all := trailOf(t, a); all[len(all)-1].Action != "lost" ||
		all[len(all)-1].Subject != "still "+s.ID+" visit "+visit {
		t.Errorf("the trail ends with %+v", all[len(all)-1])
	}
}

// tx runs a statement outside any transaction.
func tx(t *testing.T, a *Archive, statement string) {
	t.Helper()
	if _, err := a.write.ExecContext(t.Context(), statement); err != nil {
		t.Fatal(err)
	}
}

// A still that waited to be examined and is lost can't be examined any more.
func TestLostWhilePending(t *testing.T) {
	a, _ := newArchive(t)
	visit := keep(t, a, stillOf("r1", 0))
	os.Remove(filepath.Join(a.dir, filesIn(t, a.dir, "stills")[0]))
	if _, err := a.Verify(t.Context(), true, nil); err != nil {
		t.Fatal(err)
	}
	v, err := a.Visit(t.Context(), visit)
	if err != nil || v.Stills[0].State != house.Failed || v.Kind != house.Damaged {
		t.Errorf("%+v, %v", v, err)
	}
	if pending, err := a.PendingStills(t.Context(), 9); err != nil || len(pending) > 0 {
		t.Errorf("pending %v, %v", pending, err)
	}
}
