package store

import (
	"bytes"
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
)

// A way is one by which something goes.
type way struct {
	name string
	do   func(t *testing.T, c *throng) error
	gone map[string]int // how many traces of each kind go, at least
}

func blacked(jpeg []byte, _ []house.Polygon) ([]byte, error) {
	return bytes.Repeat([]byte{1}, len(jpeg)), nil
}

var ways = []way{
	{"visits erased", func(t *testing.T, c *throng) error {
		for _, id := range c.visits[unnamedFirst:][:erasedVisits] {
			if err := c.EraseVisit(t.Context(), id); err != nil {
				return err
			}
		}
		return nil
	}, map[string]int{"ring": 15, "key": 15, "hash": 15, "sent": 15, "face": 15, "picture": 15, "advice": 15}},
	{"persons erased, their visits not", func(t *testing.T, c *throng) error {
		for _, p := range c.persons[:3] {
			if e, err := c.ErasePerson(t.Context(), p.ID, false); err != nil || e.Unnamed != 10 {
				return fmt.Errorf("%+v, %v", e, err)
			}
		}
		return nil
	}, map[string]int{"name": 3, "consent": 3, "scope": 3, "reference": 9, "source": 9, "face": 30, "advice": 30,
		"rule": 3, "phone": 3, "way": 3, "token": 3, "codes": 3}},
	{"persons erased with their visits", func(t *testing.T, c *throng) error {
		for _, p := range c.persons[3:6] {
			if e, err := c.ErasePerson(t.Context(), p.ID, true); err != nil || e.Visits != 10 {
				return fmt.Errorf("%+v, %v", e, err)
			}
		}
		return nil
	}, map[string]int{"name": 3, "reference": 9, "ring": 30, "key": 30, "face": 30, "picture": 30}},
	{"a person erased whom no visit names", func(t *testing.T, c *throng) error {
		p, _ := enrolled(t, c.Archive, rand.New(rand.NewPCG(1, 1)), "Odo Fenwright", 2)
		hidden := tracesOf(t, c.Archive)
		refs, err := texts(c.read.QueryContext(t.Context(), `SELECT id FROM gallery WHERE person = ?`, p.ID))
		must(t, err)
		if _, err := c.ErasePerson(t.Context(), p.ID, true); err != nil {
			return err
		}
		raw := rawBytes(t, c.Archive)
		for _, x := range hidden {
			if (x.of == p.ID || slices.Contains(refs, x.of)) && strings.HasPrefix(x.what, "key") &&
				bytes.Contains(raw, []byte(x.bytes)) {
				return fmt.Errorf("the %s of %s is still there", x.what, p.ID)
			}
		}
		return nil
	}, nil},
	{"masked", func(t *testing.T, c *throng) error {
		if err := c.SetMasks(t.Context(), "yard", []house.Polygon{{{X: 0.5, Y: 0.1}, {X: 0.9, Y: 0.1}, {X: 0.9, Y: 0.9},
			{X: 0.5, Y: 0.9}}}); err != nil {
			return err
		}
		n, err := c.MaskEarlier(t.Context(), "yard", blacked)
		if err == nil && n < 15 {
			err = fmt.Errorf("masked %d", n)
		}
		return err
	}, map[string]int{"key": 15, "hash": 15, "picture": 15}},
	{"a period erased", func(t *testing.T, c *throng) error {
		e, err := c.ErasePeriod(t.Context(), c.clock.Ago(30*time.Minute), c.clock.Now())
		if err == nil && e.Visits < 10 {
			err = fmt.Errorf("%+v", e)
		}
		return err
	}, map[string]int{"ring": 10, "key": 10, "picture": 10}},
	{"made smaller", func(t *testing.T, c *throng) error {
		c.keepFor(t, house.Known, house.Rule{Smaller: house.Period{Hours: 1}, Stills: house.Period{Days: 9},
			Findings: house.Period{Days: 9}})
		s, err := c.Sweep(t.Context(), halves)
		if err == nil && s.Smaller < 8 {
			err = fmt.Errorf("%+v", s)
		}
		return err
	}, map[string]int{"key": 8, "hash": 8, "picture": 8}},
	{"stills gone and findings not", func(t *testing.T, c *throng) error {
		c.clock.Advance(2 * time.Hour)
		c.keepFor(t, house.Known, house.Rule{Stills: house.Period{Hours: 1}, Findings: house.Period{Days: 9}})
		s, err := c.Sweep(t.Context(), halves)
		if err == nil && s.Findings < 8 {
			err = fmt.Errorf("%+v", s)
		}
		return err
	}, map[string]int{"key": 8, "hash": 8, "picture": 8, "face": 8}},
	{"swept", func(t *testing.T, c *throng) error {
		c.keepFor(t, house.Stranger, house.Rule{Stills: house.Period{Hours: 1}, Findings: house.Period{Hours: 1}})
		_, err := c.Sweep(t.Context(), halves)
		return err
	}, map[string]int{"ring": 25, "key": 25, "face": 25, "picture": 25}},
	{"all of the rest swept", func(t *testing.T, c *throng) error {
		for _, k := range house.Kinds {
			c.keepFor(t, k, house.Rule{Stills: house.Period{Hours: 1}, Findings: house.Period{Hours: 1}})
			if _, err := c.Sweep(t.Context(), halves); err != nil {
				return err
			}
		}
		return nil
	}, map[string]int{"ring": 8, "face": 8}},
}

// TestNothingIsLeft searches the raw bytes of all files of the archive after
// each way by which something goes: the key of whatever no row has any more is nowhere,
// and whatever a row has still is.
func TestNothingIsLeft(t *testing.T) {
	c := newThrong(t)
	for _, w := range ways {
		t.Run(w.name, func(t *testing.T) {
			before := tracesOf(t, c.Archive)
			c.checkThere(t, before)
			must(t, w.do(t, c))
			left := tracesOf(t, c.Archive)
			c.checkThere(t, left)
			gone := c.countGone(t, before, left)
			for what, n := range w.gone {
				if gone[what] < n {
					t.Errorf("%d traces %q went, want %d", gone[what], what, n)
				}
			}
			checkSound(t, c.Archive)
			wantSound(t, c.Archive)
		})
	}
	for _, id := range append(slices.Clone(c.visits[unnamedFirst:][:erasedVisits]), c.persons[0].ID, c.persons[3].ID,
		c.named[c.persons[3].ID][0]) {
		if p, err := c.VerifyErased(t.Context(), id); err != nil || len(p.Checked) != 4 {
			t.Errorf("proof %+v, %v", p, err)
		}
	}
}

// checkThere wants traces to be in the raw bytes.
func (c *throng) checkThere(t *testing.T, traces []trace) {
	t.Helper()
	raw := rawBytes(t, c.Archive)
	for _, x := range traces {
		if !bytes.Contains(raw, []byte(x.bytes)) {
			t.Fatalf("the raw bytes lack the %s of %s, which must be in them", x.what, x.of)
		}
	}
}

// countGone counts the traces that are left no more, of each kind. No key of theirs and
// no picture may be in the raw bytes; what was sealed may be, and opens no more.
func (c *throng) countGone(t *testing.T, before, left []trace) map[string]int {
	t.Helper()
	raw, there, gone := rawBytes(t, c.Archive), make(map[string]bool), make(map[string]int)
	for _, x := range left {
		there[x.bytes] = true
	}
	for _, x := range before {
		if there[x.bytes] {
			continue
		}
		gone[x.what]++
		if (x.what == "picture" || strings.HasPrefix(x.what, "key")) && bytes.Contains(raw, []byte(x.bytes)) {
			t.Errorf("the %s of %s went and is still in the folder", x.what, x.of)
		}
	}
	return gone
}

// A bell that sends an erased visit again is told so, and nothing comes back.
func TestErasedStaysErased(t *testing.T) {
	a, _ := newArchive(t)
	ctx := t.Context()
	visit := keep(t, a, stillOf("r1", 0))
	wantError(t, a.EraseVisit(ctx, newID()), house.ErrNotFound)
	must(t, a.EraseVisit(ctx, visit))
	wantError(t, a.EraseVisit(ctx, visit), house.ErrNotFound)
	for frame := range 2 { // the same again, and one that had not come
		_, added, err := a.Keep(ctx, stillOf("r1", frame))
		wantError(t, err, house.ErrErased)
		if added {
			t.Error("added")
		}
		if _, found, err := a.Find(ctx, "gate", "r1", frame, stillOf("r1", frame).SentSHA256); found || err != nil {
			t.Errorf("found %v, %v", found, err)
		}
	}
	if files := filesIn(t, a.dir, "incoming"); len(files) > 0 {
		t.Errorf("left %q", files)
	}
	keep(t, a, stillOf("r2", 0)) // others do come
}

// A held visit outlives every erasure but of the person it names, whose name
// goes from it.
func TestErasuresSpareWhatIsHeld(t *testing.T) {
	a, c := newArchive(t)
	ctx := t.Context()
	p, _ := enrolled(t, a, rand.New(rand.NewPCG(1, 2)), "Tamsin Quill", 1)
	visit := keep(t, a, stillOf("r1", 0))
	record(t, a, visit, faceOf(0.1, &house.Match{Person: p.ID, Distance: 0.3, Band: "strong"}))
	must(t, a.PlaceHold(ctx, visit, "for the insurance", c.Now().Add(time.Hour)))
	wantError(t, a.EraseVisit(ctx, visit), house.ErrHeld)
	if e, err := a.ErasePeriod(ctx, c.Ago(time.Hour), c.Now().Add(time.Hour)); err != nil || e != (Erased{Held: 1}) {
		t.Errorf("%+v, %v", e, err)
	}
	if e, err := a.ErasePerson(ctx, p.ID, true); err != nil || e.Held != 1 || e.Visits != 0 {
		t.Errorf("%+v, %v", e, err)
	}
	if v, err := a.Visit(ctx, visit); err != nil || v.Kind != house.Stranger || v.Stills[0].Faces[0].Match != nil ||
		v.Stills[0].Faces[0].Descriptor != (house.Descriptor{}) {
		t.Errorf("%+v, %v", v, err)
	}
	c.Advance(time.Hour) // the hold ends by itself
	if err := a.EraseVisit(ctx, visit); err != nil {
		t.Error(err)
	}
}

// The erasure of a person that breaks off between two batches is finished by
// the next start, and not proven before.
func TestErasureBrokenOff(t *testing.T) {
	var well fixture // before anything breaks
	for name, test := range map[string]struct {
		visits bool
		stop   bool // by the context, else by a failure in the database
	}{
		"names, failed":   {false, false}, // between batches of names nothing asks for the time
		"visits, stopped": {true, true},
		"visits, failed":  {true, false},
	} {
		t.Run(name, func(t *testing.T) {
			c := newClock()
			ctx := t.Context()
			a := copyOf(t, &well, c, func(t *testing.T, a *Archive, _ *clock) []string {
				p, _ := enrolled(t, a, rand.New(rand.NewPCG(3, 3)), "Odo Fenwright", 2)
				match := &house.Match{Person: p.ID, Distance: 0.3, FPIR: 1e-4, Band: "strong"}
				for i := range 2*batch + 3 {
					record(t, a, keep(t, a, stillOf(fmt.Sprintf("r%d", i), 0)), faceOf(float32(i), match))
				}
				return nil
			})
			p, err := a.Person(ctx, "Odo Fenwright")
			if err != nil {
				t.Fatal(err)
			}
			match := &house.Match{Person: p.ID, Distance: 0.3, FPIR: 1e-4, Band: "strong"}
			a = eraseBrokenOff(t, a, c, p.ID, test.visits, test.stop)
			checkHalfErased(t, a, p.ID)
			// Who is examined meanwhile is not named any more.
			record(t, a, keep(t, a, stillOf("late", 0)), faceOf(9, match))
			must(t, a.FinishErasures(ctx))
			if _, err := a.VerifyErased(ctx, p.ID); err != nil {
				t.Error(err)
			}
			want := 2*batch + 4
			if test.visits {
				want = 1 // the late one
			}
			if vs, err := a.LatestVisits(ctx, 100); err != nil || len(vs) != want {
				t.Errorf("%d visits left, want %d; %v", len(vs), want, err)
			}
			wantSound(t, a)
		})
	}
}

// eraseBrokenOff begins to erase a person, has that break off after a batch, and
// opens the archive again.
func eraseBrokenOff(t *testing.T, a *Archive, c *clock, person string, visits, stop bool) *Archive {
	t.Helper()
	ctx := t.Context()
	broken, breakOff := context.WithCancel(ctx)
	if stop { // once the clock is read after the first batch
		a.now = func() time.Time {
			var left int
			if err := a.read.QueryRowContext(context.WithoutCancel(ctx), `SELECT count(*)
				FROM appearances`).Scan(&left); err != nil {
				t.Error(err)
			}
			if left < 2*batch+3 {
				breakOff()
			}
			return c.Now()
		}
	} else { // in the second batch, and SQLite itself does it
		_, err := a.write.ExecContext(ctx, fmt.Sprintf(`
			CREATE TRIGGER broken BEFORE DELETE ON appearances WHEN (SELECT count(*) FROM appearances) < %d
			BEGIN SELECT raise(ABORT, 'the power went'); END`, batch))
		if err != nil {
			t.Fatal(err)
		}
	}
	if _, err := a.ErasePerson(broken, person, visits); err == nil {
		t.Error("it did not break off")
	}
	breakOff()
	a.now = c.Now
	if _, err := a.write.ExecContext(ctx, `DROP TRIGGER IF EXISTS broken`); err != nil {
		t.Fatal(err)
	}
	must(t, a.Close())
	return openArchive(t, a.dir, c)
}

// checkHalfErased wants a person to be gone, to be named yet, and both to be said.
func checkHalfErased(t *testing.T, a *Archive, person string) {
	t.Helper()
	ctx := t.Context()
	if ps, err := a.Persons(ctx); err != nil || len(ps) > 0 {
		t.Errorf("persons %v, %v", ps, err)
	}
	if g, err := a.Gallery(ctx); err != nil || len(g) > 0 {
		t.Errorf("gallery %v, %v", g, err)
	}
	var left int
	if err := a.read.QueryRowContext(ctx, `SELECT count(*) FROM appearances`).Scan(&left); err != nil || left == 0 ||
		left == 2*batch+3 {
		t.Fatalf("%d visits name the person, want some; %v", left, err)
	}
	_, err := a.VerifyErased(ctx, person)
	wantError(t, err, ErrTraces)
	if err == nil || !strings.Contains(err.Error(), "run the server") {
		t.Errorf("said %v", err)
	}
	if r, err := a.Verify(ctx, false, nil); err != nil || r.Left == 0 || !hasProblem(r, WithRemoval) {
		t.Errorf("%+v, %v", r, err)
	}
}

// wantSound lets Verify look at the archive, and wants nothing found.
func wantSound(t *testing.T, a *Archive) Report {
	t.Helper()
	r, err := a.Verify(t.Context(), false, nil)
	if err != nil || len(r.Problems) > 0 || r.Left > 0 {
		t.Errorf("problems %+v, %v", r.Problems, err)
	}
	return r
}

func hasProblem(r Report, what string) bool {
	return slices.ContainsFunc(r.Problems, func(p Problem) bool { return p.What == what })
}
