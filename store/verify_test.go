package store

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/store/seal"
)

// newHousehold returns an archive with something in every table that holds
// sealed values, and its visits. The last visit names the person, and is held.
func newHousehold(t *testing.T) (a *Archive, c *clock, visits []string) {
	t.Helper()
	c = newClock()
	return copyOf(t, &household, c, makeHousehold), c, household.visits
}

// household is made once.
var household fixture

func makeHousehold(t *testing.T, a *Archive, c *clock) (visits []string) {
	t.Helper()
	ctx := t.Context()
	p, _ := enrolled(t, a, rand.New(rand.NewPCG(8, 8)), "Tamsin Quill", 1)
	resident, err := a.AddResident(ctx, "Morgan Vale", "$argon2id$not a real one")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := a.PairTablet(ctx, "Pantry tablet", resident.ID); err != nil {
		t.Fatal(err)
	}
	for i := range 5 {
		if i == 4 { // the last is one of a trial
			if _, err := a.StartTrial(ctx, "gate", resident.ID); err != nil {
				t.Fatal(err)
			}
		}
		visits = append(visits, keep(t, a, stillOf(fmt.Sprintf("r%d", i), 0)))
	}
	last := visits[len(visits)-1]
	record(t, a, visits[3], faceOf(0.5, nil))
	record(t, a, last, faceOf(0.2, &house.Match{Person: p.ID, Distance: 0.3, FPIR: 1e-4, Band: "strong"}))
	if err := errors.Join(
		a.SetRules(ctx, house.DefaultRules()),
		a.SetMasks(ctx, "gate", []house.Polygon{{{X: 0, Y: 0}, {X: 1, Y: 0}, {X: 1, Y: 0.5}}}),
		a.PlaceHold(ctx, last, "for the insurance", c.now().Add(time.Hour)),
	); err != nil {
		t.Fatal(err)
	}
	door := advised(t, a, p.ID, 1)
	_, _, err = a.AddReceiver(ctx, door, "Garage winch")
	_, parcelErr := a.AddParcelRule(ctx, house.ParcelRule{Door: door, Note: "lamp oil", From: c.now(),
		To: c.now().Add(time.Hour)})
	_, adviceErr := a.AddAdvice(ctx, house.Advice{Visit: last, Door: door, Person: p.ID, State: house.Withheld,
		At: c.now()})
	if err := errors.Join(err, parcelErr, adviceErr); err != nil {
		t.Fatal(err)
	}
	return visits
}

// A fixture is an archive that many tests begin with, each with a copy.
type fixture struct {
	files  map[string][]byte
	visits []string
}

// copyOf opens a copy of a fixture, and makes it first if it is not there yet.
func copyOf(t *testing.T, f *fixture, c *clock, make func(*testing.T, *Archive, *clock) []string) *Archive {
	t.Helper()
	if f.files == nil {
		a, c := newArchive(t)
		f.visits = make(t, a, c)
		if err := a.Close(); err != nil {
			t.Fatal(err)
		}
		f.files = copyFolder(t, a.dir)
	}
	dir := t.TempDir()
	writeFolder(t, dir, f.files)
	return openArchive(t, dir, c)
}

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
	// 1 bell, 5 rings, 1 person, 2 of a consent, 1 reference, 2 faces,
	// 1 resident, 1 tablet, 1 hold, 1 mask, 1 setting, and of advice 1 door, 1
	// rule, 1 parcel, 2 of a source, 1 token, 1 of codes, 2 of a receiver, 1 advice.
	if r.Visits != 5 || r.Stills != 5 || r.Files != 5 || r.Lost != 0 || r.Sealed != 28 || r.Entries != 17 || r.Pages < 20 {
		t.Errorf("%+v", r)
	}
}

// TestVerify spoils one thing at a time, and lets Verify find and mend it.
func TestVerify(t *testing.T) {
	ctx := t.Context()
	still := func(t *testing.T, a *Archive, visit string) (s house.Still, path string) {
		t.Helper()
		v, err := a.Visit(ctx, visit)
		if err != nil {
			t.Fatal(err)
		}
		if s = v.Stills[0]; s.File != "" {
			path = a.stillPath(s.File)
		}
		return s, path
	}
	write := func(t *testing.T, a *Archive, name string) {
		t.Helper()
		path := filepath.Join(a.dir, name)
		if err := errors.Join(os.MkdirAll(filepath.Dir(path), 0o700), os.WriteFile(path, []byte("x"), 0o600)); err != nil {
			t.Fatal(err)
		}
	}
	run := func(statement string) func(*testing.T, *Archive, string) {
		return func(t *testing.T, a *Archive, visit string) {
			t.Helper()
			if _, err := a.write.ExecContext(ctx, statement, visit); err != nil {
				t.Fatal(err)
			}
		}
	}
	for name, test := range map[string]struct {
		spoil  func(t *testing.T, a *Archive, visit string)
		what   string
		words  string
		mended bool
		lost   bool // whether the still is then
	}{
		"still missing": {func(t *testing.T, a *Archive, visit string) {
			_, path := still(t, a, visit)
			os.Remove(path)
		}, WithStill, "missing", true, true},
		"still changed": {func(t *testing.T, a *Archive, visit string) {
			_, path := still(t, a, visit)
			flipBit(t, path, 99)
		}, WithStill, "does not open", true, true},
		"still cut": {func(t *testing.T, a *Archive, visit string) {
			_, path := still(t, a, visit)
			os.Truncate(path, 20)
		}, WithStill, "does not open", true, true},
		"still empty": {func(t *testing.T, a *Archive, visit string) {
			_, path := still(t, a, visit)
			os.Truncate(path, 0)
		}, WithStill, "does not open", true, true},
		"another's still": {func(t *testing.T, a *Archive, visit string) {
			_, path := still(t, a, visit)
			all := filesIn(t, a.dir, "stills")
			other := filepath.Join(a.dir, all[slices.IndexFunc(all,
				func(f string) bool { return filepath.Join(a.dir, f) != path })])
			data, err := os.ReadFile(other)
			if err := errors.Join(err, os.WriteFile(path, data, 0o600)); err != nil {
				t.Fatal(err)
			}
		}, WithStill, "does not open", true, true},
		"still unreadable": {func(t *testing.T, a *Archive, visit string) {
			_, path := still(t, a, visit)
			if err := errors.Join(os.Remove(path), os.Mkdir(path, 0o700)); err != nil {
				t.Fatal(err)
			}
		}, WithStill, "can't be read", false, false},
		"key": {run(`UPDATE stills SET wrapped_key = randomblob(60) WHERE visit = ?`), WithStill,
			"does not open", true, true},
		"hash": {run(`UPDATE stills SET sha256 = randomblob(32) WHERE visit = ?`), WithStill, "authentic",
			true, false},
		"size": {run(`UPDATE stills SET size = size + 1 WHERE visit = ?`), WithStill, "authentic", true,
			false},
		"moved to another frame": {run(`UPDATE stills SET frame = 7 WHERE visit = ?`), WithStill, "does not open", true,
			true},

		"stray": {func(t *testing.T, a *Archive,
			_ string) {
			write(t, a, "stills/AA/AAAAAAAAAAAAAAAAAAAAAAAAAA.still")
		}, WithFile, "no row names", true, false},
		"stray on its way": {func(t *testing.T, a *Archive,
			_ string) {
			write(t, a, "incoming/AAAAAAAAAAAAAAAAAAAAAAAAAA")
		}, WithFile, "no row names", true, false},
		"stray of a name too short": {func(t *testing.T, a *Archive, _ string) { write(t, a, "incoming/A") }, WithFile,
			"no row names", true, false},
		"not a still": {func(t *testing.T, a *Archive, _ string) { write(t, a, "stills/AA/notes.txt") },
			WithFile, "none of Lintel's", false, false},
		"a still of no name": {func(t *testing.T, a *Archive, _ string) { write(t, a, "stills/.still") }, WithFile,
			"none of Lintel's", false, false},
		"a folder on its way": {func(t *testing.T, a *Archive,
			_ string) {
			os.Mkdir(filepath.Join(a.dir, "incoming", "x"), 0o700)
		}, WithFile, "none of Lintel's", false, false},
		"not come to its place": {func(t *testing.T, a *Archive, visit string) {
			s, path := still(t, a, visit)
			if err := os.Rename(path, a.incomingPath(s.File)); err != nil {
				t.Fatal(err)
			}
		}, WithFile, "not come to its place", true, false},
		"in both places": {func(t *testing.T, a *Archive, visit string) {
			s, path := still(t, a, visit)
			if err := os.Link(path, a.incomingPath(s.File)); err != nil {
				t.Fatal(err)
			}
		}, WithFile, "no row names", true, false},
		"in the wrong folder": {func(t *testing.T, a *Archive, visit string) {
			s, path := still(t, a, visit)
			wrong := filepath.Join(a.dir, "stills", "00", s.File+".still")
			if err := errors.Join(os.MkdirAll(filepath.Dir(wrong), 0o700), os.Rename(path, wrong)); err != nil {
				t.Fatal(err)
			}
		}, WithFile, "wrong folder", true, false},
		"in two folders": {func(t *testing.T, a *Archive, visit string) {
			s, path := still(t, a, visit)
			wrong := filepath.Join(a.dir, "stills", "00", s.File+".still")
			if err := errors.Join(os.MkdirAll(filepath.Dir(wrong), 0o700), os.Link(path, wrong)); err != nil {
				t.Fatal(err)
			}
		}, WithFile, "as well", true, false},

		"kind": {run(`UPDATE visits SET kind = 'parcel' WHERE id = ?`), WithVisit, "does not follow", true,
			false},
		"appearance gone": {run(`DELETE FROM appearances WHERE visit = ?`), WithVisit, "does not follow", true, false},
		"appearance too many": {run(`INSERT INTO appearances SELECT person, bell, 'parcel', received_at, visit
			FROM appearances WHERE visit = ?`), WithVisit, "does not follow", true, false},
		"appearance of nobody": {run(`INSERT INTO appearances SELECT p.id, bell, kind, received_at, v.id
			FROM visits v, persons p WHERE v.id <> ? LIMIT 1`), WithVisit, "does not follow", true, false},

		"removal": {func(t *testing.T, a *Archive, visit string) {
			run(`INSERT INTO removals SELECT file FROM stills WHERE visit = ?`)(t, a, visit)
			run(`DELETE FROM visits WHERE id = ?`)(t, a, visit)
		}, WithRemoval, "1 files", true, false},
		"erasure": {run(`INSERT INTO erasing SELECT id, 1 FROM persons WHERE ?1 <> ''`), WithRemoval, "1 persons", true,
			false},
		"scrub": {run(`UPDATE counters SET value = 1 WHERE name = 'scrub_due' AND ?1 <> ''`), WithLeftovers, "traces", true,
			false},
		"no such bell": {func(t *testing.T, a *Archive, visit string) {
			tx(t, a, `PRAGMA foreign_keys = OFF`)
			run(`INSERT INTO masks SELECT 'nobody''s', polygons, 1 FROM masks WHERE ? <> ''`)(t, a, visit)
			tx(t, a, `PRAGMA foreign_keys = ON`)
		}, WithDatabase, "belongs to one of bells", false, false},
	} {
		t.Run(name, func(t *testing.T) {
			a, _, visits := newHousehold(t)
			visit := visits[len(visits)-1]
			faces := func() int {
				s, err := a.stillsOf(ctx, a.read, visit)
				if err != nil || len(s) == 0 {
					return 0
				}
				return len(s[0].Faces)
			}
			wantSound(t, a)
			test.spoil(t, a, visit)
			before, found := folderOf(t, a.dir), faces()
			r, err := a.Verify(ctx, false, nil)
			if err != nil || r.Left == 0 || !slices.ContainsFunc(r.Problems, func(p Problem) bool {
				return p.What == test.what && strings.Contains(p.Words, test.words) && !p.Mended
			}) {
				t.Fatalf("found %+v, %v; want %s: %s", r.Problems, err, test.what, test.words)
			}
			also := map[string]bool{"no such bell": true, "still unreadable": true,
				"in the wrong folder": true} // and so something else is wrong too
			if !also[name] && len(r.Problems) != 1 {
				t.Errorf("found %+v, want one problem", r.Problems)
			}
			if after := folderOf(t, a.dir); after != before {
				t.Errorf("without a repair the folder changed from %s to %s", before, after)
			}
			r, err = a.Verify(ctx, true, nil)
			mended := slices.ContainsFunc(r.Problems, func(p Problem) bool { return p.What == test.what && p.Mended })
			if err != nil || mended != test.mended || mended != (r.Left == 0) {
				t.Errorf("mended %+v, %v", r.Problems, err)
			}
			if test.lost {
				s, _ := still(t, a, visit)
				if !s.Lost || s.File != "" || r.Lost != 1 || faces() != found {
					t.Errorf("the still is %+v with %d of %d faces, %d are lost", s, faces(), found, r.Lost)
				}
				if _, err := a.ReadStill(ctx, visit, 0); !errors.Is(err, house.ErrNotFound) {
					t.Errorf("reading it: %v", err)
				}
				if all := trailOf(t, a); all[len(all)-1].Action != "lost" ||
					all[len(all)-1].Subject != "still "+s.ID+" of visit "+visit {
					t.Errorf("the trail ends with %+v", all[len(all)-1])
				}
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

// Every sealed value that does not open is found, in every column that has
// some, and none is invented.
func TestVerifySealed(t *testing.T) {
	for _, c := range sealedColumns {
		t.Run(c.table+" "+c.column, func(t *testing.T) {
			a, _, _ := newHousehold(t)
			res, err := a.write.ExecContext(t.Context(), fmt.Sprintf(`UPDATE %s SET %s = randomblob(60)
				WHERE rowid = (SELECT max(rowid) FROM %[1]s)`, c.table, c.column))
			if err == nil {
				err = oneRow(res, c.table)
			}
			if err != nil {
				t.Fatal(err)
			}
			for _, repair := range []bool{false, true} {
				r, err := a.Verify(t.Context(), repair, nil)
				if err != nil || r.Left != 1 || r.Sealed != 27 || r.Problems[0].What != WithSealed ||
					!strings.Contains(r.Problems[0].Words, c.column+" in "+c.table) {
					t.Errorf("%+v, %v", r, err)
				}
			}
		})
	}
}

// Columns that the migrations call sealed are those that Verify opens, but for
// the archive's mark and the audit trail's head, which are opened elsewhere.
func TestSealedColumnsAreKnown(t *testing.T) {
	var got []string
	names, _ := fs.Glob(migrations, "migrations/*.sql")
	for _, name := range names {
		script, err := migrations.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		table := ""
		for line := range strings.Lines(string(script)) {
			if m := regexp.MustCompile(`^CREATE TABLE (\w+)`).FindStringSubmatch(line); m != nil {
				table = m[1]
			}
			if m := regexp.MustCompile(`^\s+(\w+) +BLOB.*-- sealed`).FindStringSubmatch(line); m != nil {
				got = append(got, table+"."+m[1])
			}
		}
	}
	want := []string{"audit_head.head"}
	for _, c := range sealedColumns {
		if c.column != "descriptor" && c.column != "sealed" { // said elsewhere in the script
			want = append(want, c.table+"."+c.column)
		}
	}
	got = slices.DeleteFunc(got, func(c string) bool { return c == "gallery.descriptor" })
	slices.Sort(got)
	slices.Sort(want)
	if !slices.Equal(got, want) {
		t.Errorf("the migrations have %q, known are %q", got, want)
	}
}

// More visits than are looked at in one go: all are looked at, at the edges too.
func TestVerifyManyVisits(t *testing.T) {
	a, c := newArchive(t)
	ctx := t.Context()
	const n = 2*someRows + 3
	err := a.update(ctx, func(tx *sql.Tx) error {
		for i := range n {
			id := fmt.Sprintf("V%025d", i)
			_, err := tx.ExecContext(ctx,
				`INSERT INTO visits (id, bell, ring, received_at, revision, kind) VALUES (?, ?, ?, ?, ?, 'no-face')`,
				id, a.bellID("gate"), a.seal("r", "visits.ring", id), micros(c.now()), 100+i)
			if err != nil {
				return err
			}
		}
		_, err := tx.ExecContext(ctx, `UPDATE counters SET value = 5000 WHERE name = 'revision'`)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if r := wantSound(t, a); r.Visits != n || r.Sealed != n+1 {
		t.Errorf("%+v", r)
	}
	var edges []any
	for _, i := range []int{0, someRows - 1, someRows, 2*someRows - 1, n - 1} {
		edges = append(edges, fmt.Sprintf("V%025d", i))
	}
	if _, err := a.write.ExecContext(ctx,
		`UPDATE visits SET kind = iif(id IN (?, ?, ?, ?, ?), 'stranger', kind), ring = x'00'`,
		edges...); err != nil {
		t.Fatal(err)
	}
	r, err := a.Verify(ctx, true, nil)
	if err != nil || r.Left != n || len(r.Problems) != maxProblems || r.Unlisted != n+len(edges)-maxProblems {
		t.Errorf("%d problems, %d more, %d left, %v", len(r.Problems), r.Unlisted, r.Left, err)
	}
	var wrong int
	if err := a.read.QueryRowContext(ctx, `SELECT count(*) FROM visits
		WHERE kind <> 'no-face'`).Scan(&wrong); err != nil || wrong > 0 {
		t.Errorf("%d left after the repair, %v", wrong, err)
	}
}

// Verify has nothing to say against an archive that is being used meanwhile by
// a server, another archive on the same folder here.
func TestVerifyBesideServer(t *testing.T) {
	dir := t.TempDir()
	// The files' own times are compared with the clock, so it is the machine's.
	open := func() *Archive {
		a, err := Open(t.Context(), dir, testKey, time.Now)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { a.Close() })
		return a
	}
	server, a := open(), open()
	if err := server.Lock(); err != nil {
		t.Fatal(err)
	}
	if _, err := server.AddBell(t.Context(), "gate"); err != nil {
		t.Fatal(err)
	}
	served, stop := context.WithCancel(t.Context())
	ctx := t.Context()
	var serving sync.WaitGroup
	round := make(chan bool, 1)
	blacked := func(jpeg []byte, _ []house.Polygon) ([]byte, error) { return jpeg, nil }
	for worker := range 2 {
		serving.Go(func() {
			for i := 0; served.Err() == nil; i++ {
				n := stillOf(fmt.Sprintf("r%d-%d", worker, i), 0)
				n.ReceivedAt = time.Now()
				visit, _, err := server.Keep(ctx, n)
				if err == nil && i%3 == 0 {
					err = server.EraseVisit(ctx, visit)
				}
				if err == nil && i%20 == 0 && worker == 0 {
					err = server.SetMasks(ctx, "gate", []house.Polygon{{{X: 0, Y: 0}, {X: 1, Y: 0}, {X: 1, Y: 0.5}}})
					if err == nil {
						_, err = server.MaskEarlier(ctx, "gate", blacked)
					}
				}
				if err == nil && i%7 == 0 {
					err = server.Scrub(ctx)
				}
				if err != nil && !errors.Is(err, house.ErrNotFound) {
					t.Error(err)
				}
				select {
				case round <- true:
				default:
				}
			}
		})
	}
	for i := range 8 {
		<-round
		r, err := a.Verify(ctx, i%2 == 1, nil)
		if err != nil || len(r.Problems) > 0 {
			t.Errorf("problems %+v, %v", r.Problems, err)
		}
	}
	stop()
	serving.Wait()
	wantSound(t, a)
	checkSound(t, a)
}

// What changes between the reading of a row and the look at its file is looked
// at again: here while the first still is being looked at.
func TestVerifyLooksAgain(t *testing.T) {
	a, c, visits := newHousehold(t)
	ctx := t.Context()
	server := openArchive(t, a.dir, c)
	r, err := a.Verify(ctx, true, func(done, _ int) {
		if done > 1 {
			return
		}
		_, masked := server.MaskEarlier(ctx, "gate",
			func(jpeg []byte, _ []house.Polygon) ([]byte, error) { return jpeg[1:], nil })
		if err := errors.Join(masked, server.EraseVisit(ctx, visits[2])); err != nil {
			t.Error(err)
		}
	})
	for _, p := range r.Problems {
		if p.What != WithLeftovers { // of the visit that was erased
			t.Errorf("%+v", p)
		}
	}
	if err != nil || r.Left > 0 || r.Lost > 0 || r.Stills != 4 {
		t.Errorf("%+v, %v", r, err)
	}
	wantSound(t, a)
}

// Every bit of a still's file counts: one that flips, anywhere, is noticed by
// whoever reads the still and by Verify.
func TestFlippedBits(t *testing.T) {
	a, _ := newArchive(t)
	ctx := t.Context()
	rnd := rand.New(rand.NewPCG(11, 25)) // any seed will do
	for i := range 20 {
		n := stillOf(fmt.Sprintf("r%d", i), i%16)
		n.JPEG = bytes.Repeat([]byte{byte(i)}, 1+rnd.IntN(3000))
		keep(t, a, n)
	}
	all, err := a.LatestVisits(ctx, 20)
	if err != nil {
		t.Fatal(err)
	}
	spoilt := make(map[string]bool)
	for range 200 {
		s := all[rnd.IntN(len(all)/2)].Stills[0]
		path := a.stillPath(s.File)
		bit := rnd.IntN(8 * s.Size)
		flipBit(t, path, bit)
		_, err := a.ReadStill(ctx, s.Visit, s.Frame)
		wantError(t, err, seal.ErrOpen)
		if rnd.IntN(4) > 0 {
			flipBit(t, path, bit) // back again
			if _, err := a.ReadStill(ctx, s.Visit, s.Frame); err != nil && !spoilt[s.ID] {
				t.Errorf("with the bit back: %v", err)
			}
			continue
		}
		if spoilt[s.ID] {
			flipBit(t, path, bit) // two bits could be the same
		}
		spoilt[s.ID] = true
	}
	if len(spoilt) != len(all)/2 {
		t.Fatalf("%d files are spoilt", len(spoilt))
	}
	r, err := a.Verify(ctx, false, nil)
	if err != nil || r.Left != len(spoilt) || r.Stills != len(all)-len(spoilt) {
		t.Errorf("%+v, %v", r, err)
	}
	for _, p := range r.Problems {
		if !spoilt[p.Subject] {
			t.Errorf("%+v", p)
		}
	}
	if r, err := a.Verify(ctx, true, nil); err != nil || r.Left > 0 || r.Lost != len(spoilt) {
		t.Errorf("%+v, %v", r, err)
	}
	for _, v := range all {
		_, err := a.ReadStill(ctx, v.ID, v.Stills[0].Frame)
		if spoilt[v.Stills[0].ID] != errors.Is(err, house.ErrNotFound) || !spoilt[v.Stills[0].ID] && err != nil {
			t.Errorf("afterwards: %v", err)
		}
	}
}

// flipBit flips a bit of a file.
func flipBit(t *testing.T, path string, bit int) {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	data[bit/8] ^= 1 << (bit % 8)
	if err := os.WriteFile(path, data, 0o600); err != nil {
		t.Fatal(err)
	}
}

// folderOf describes all that a folder holds, but for SQLite's -shm, which is
// memory that processes share and no data.
func folderOf(t *testing.T, dir string) string {
	t.Helper()
	var b strings.Builder
	for _, file := range filesIn(t, dir, ".") {
		if strings.HasSuffix(file, "-shm") || file == "server.lock" {
			continue
		}
		data, err := os.ReadFile(filepath.Join(dir, file))
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(&b, "%s %d %x\n", file, len(data), sha256.Sum256(data))
	}
	return b.String()
}

// A database that was cut, emptied, lost or overwritten is not taken for a new
// one: nothing is opened, the error says so, and nothing in the folder changes.
func TestDamagedDatabase(t *testing.T) {
	a, c, _ := newHousehold(t)
	if _, err := a.read.ExecContext(t.Context(), `PRAGMA wal_checkpoint(TRUNCATE)`); err != nil {
		t.Fatal(err)
	}
	keep(t, a, stillOf("in the log", 0)) // which lies in the log alone
	withLog := copyFolder(t, a.dir)
	if err := a.Close(); err != nil {
		t.Fatal(err)
	}
	closed := copyFolder(t, a.dir)
	size := len(closed["archive.db"])
	const page = 4096
	type test struct {
		name  string
		files map[string][]byte
		spoil func(files map[string][]byte)
		opens bool // whether only Verify finds it
	}
	cut := func(n int) func(map[string][]byte) {
		return func(files map[string][]byte) { files["archive.db"] = files["archive.db"][:n] }
	}
	var tests []test
	for _, n := range []int{0, 1, 15, 99, 100, 511, 512, page - 1, page, page + 1, 2 * page, size / 2, size - page,
		size - 1} {
		tests = append(tests, test{fmt.Sprintf("cut to %d bytes", n), closed, cut(n), false})
	}
	for _, n := range []int{0, 1, 99} {
		tests = append(tests, test{fmt.Sprintf("cut to %d bytes, with a log", n), withLog, cut(n), n == 99})
	}
	tests = append(tests,
		test{"gone", closed, func(files map[string][]byte) { delete(files, "archive.db") }, false},
		test{"gone, with a log", withLog, func(files map[string][]byte) { delete(files, "archive.db") }, false},
		test{"overwritten", closed, func(files map[string][]byte) {
			files["archive.db"] = bytes.Repeat([]byte("minutes of a meeting\n"), 4000)
		}, false},
		test{"zeroed", closed, func(files map[string][]byte) { files["archive.db"] = make([]byte, size) }, false},
		test{"schema flipped", closed, func(files map[string][]byte) {
			flipIn(t, files["archive.db"],
				"CREATE TABLE visits")
		}, false},
		test{"first page's kind", closed, func(files map[string][]byte) { files["archive.db"][100] = 0 }, false},
	)
	for n := 2; n < size/page; n += 7 {
		tests = append(tests, test{fmt.Sprintf("page %d overwritten", n), closed, func(files map[string][]byte) {
			copy(files["archive.db"][(n-1)*page:], bytes.Repeat([]byte("x"), page))
		}, true})
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			files := make(map[string][]byte)
			for name, data := range test.files {
				files[name] = bytes.Clone(data)
			}
			test.spoil(files)
			dir := t.TempDir()
			writeFolder(t, dir, files)
			b, err := Open(t.Context(), dir, testKey, c.now)
			if err == nil {
				if !test.opens {
					t.Error("it opened")
				}
				for _, repair := range []bool{false, true} {
					r, err := b.Verify(t.Context(), repair, nil)
					if err != nil && !errors.Is(err, ErrDamaged) || err == nil && r.Left == 0 {
						t.Errorf("verify: %+v, %v", r, err)
					}
					if err == nil && r.Left > 0 && !strings.Contains(r.Problems[len(r.Problems)-1].Words, "restore a backup") {
						t.Errorf("said %+v", r.Problems)
					}
				}
				if err := b.Close(); err != nil {
					t.Error(err)
				}
			} else {
				wantError(t, err, ErrDamaged)
				for _, words := range []string{dir, "is damaged", "nothing was changed", "restore a backup"} {
					if !strings.Contains(err.Error(), words) {
						t.Errorf("it says %q, without %q", err, words)
					}
				}
			}
			after := copyFolder(t, dir)
			for name := range after {
				if _, was := files[name]; !was && name != "server.lock" {
					t.Errorf("there is %s now", name)
				}
			}
			for name, data := range files {
				if !bytes.Equal(after[name], data) {
					t.Errorf("%s changed, from %d to %d bytes", name, len(data), len(after[name]))
				}
			}
		})
	}
	// The folders themselves are sound, with the log and without, and nothing
	// moves from the log into the database for whoever lacks the key.
	for _, files := range []map[string][]byte{closed, withLog} {
		dir := t.TempDir()
		writeFolder(t, dir, files)
		_, err := Open(t.Context(), dir, seal.NewKey(), c.now)
		wantError(t, err, ErrWrongKey)
		for name, data := range copyFolder(t, dir) {
			if !bytes.Equal(files[name], data) {
				t.Errorf("a wrong key changed %s", name)
			}
		}
		if r := wantSound(t, openArchive(t, dir, c)); r.Stills != 6 {
			t.Errorf("%+v", r)
		}
	}
}

// flipIn flips a bit in the middle of a text that is in the data.
func flipIn(t *testing.T, data []byte, text string) {
	t.Helper()
	i := bytes.Index(data, []byte(text))
	if i < 0 {
		t.Fatalf("%q is not there", text)
	}
	data[i+len(text)/2] ^= 1
}

// copyFolder returns what a folder's files hold, but for SQLite's -shm.
func copyFolder(t *testing.T, dir string) map[string][]byte {
	t.Helper()
	files := make(map[string][]byte)
	for _, file := range filesIn(t, dir, ".") {
		if strings.HasSuffix(file, "-shm") {
			continue
		}
		data, err := os.ReadFile(filepath.Join(dir, file))
		if err != nil {
			t.Fatal(err)
		}
		files[file] = data
	}
	return files
}

func writeFolder(t *testing.T, dir string, files map[string][]byte) {
	t.Helper()
	for name, data := range files {
		path := filepath.Join(dir, name)
		if err := errors.Join(os.MkdirAll(filepath.Dir(path), 0o700), os.WriteFile(path, data, 0o600)); err != nil {
			t.Fatal(err)
		}
	}
}
