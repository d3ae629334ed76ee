package store

import (
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
)

// around are the moments before, at and after a bound. The archive knows times to the microsecond.
var around = []time.Duration{-time.Microsecond, 0, time.Microsecond}

// visitAt keeps a ring that was received at a time, and records that nobody was on it.
func visitAt(t *testing.T, a *Archive, ring string, at time.Time) string {
	t.Helper()
	n := stillOf(ring, 0)
	n.ReceivedAt = at
	visit := keep(t, a, n)
	v, err := a.Visit(t.Context(), visit)
	must(t, err)
	must(t, a.Record(t.Context(), v.Stills[0].ID, house.Done, nil))
	return visit
}

// leftOf returns which of the visits are there, by their number.
func leftOf(t *testing.T, a *Archive, visits []string) (left []int) {
	t.Helper()
	all, err := a.LatestVisits(t.Context(), 1000)
	must(t, err)
	for i, id := range visits {
		for _, v := range all {
			if v.ID == id {
				left = append(left, i)
			}
		}
	}
	return left
}

// TestHoldBounds has a reason of 1 to 1000 bytes, and an end after now, within 366 days.
func TestHoldBounds(t *testing.T) {
	a, c := newArchive(t)
	visit := examinedVisit(t, a, "r1", house.Done)
	year := 366 * 24 * time.Hour
	for _, test := range []struct {
		reason string
		until  time.Duration
		want   string
	}{
		{"", time.Hour, "hold-reason"}, {"x", time.Hour, ""},
		{strings.Repeat("x", 999), time.Hour, ""}, {strings.Repeat("x", 1000), time.Hour, ""},
		{strings.Repeat("x", 1001), time.Hour, "hold-reason"},
		{"x", -time.Microsecond, "hold-over"}, {"x", 0, "hold-over"}, {"x", time.Microsecond, ""},
		{"x", year - time.Microsecond, ""}, {"x", year, ""}, {"x", year + time.Microsecond, "hold-long"},
	} {
		err := a.PlaceHold(t.Context(), visit, test.reason, c.Now().Add(test.until))
		if got := codeOf(err); got != test.want || got == "" && err != nil {
			t.Errorf("a reason of %d bytes, for %v: %v, want %q", len(test.reason), test.until, err, test.want)
		}
	}
}

// codeOf is the code of a fault.
func codeOf(err error) string {
	f, _ := errors.AsType[house.Fault](err)
	return f.Code
}

// TestHoldEnds has a hold last until its end: whoever looks, erases or sweeps at that moment finds no hold.
func TestHoldEnds(t *testing.T) {
	for _, d := range around {
		t.Run(fmt.Sprint(d), func(t *testing.T) {
			a, c := newArchive(t)
			ctx := t.Context()
			p, _ := enrolled(t, a, rand.New(rand.NewPCG(1, 2)), "Tamsin Quill", 1)
			var visits []string
			end := c.Now().Add(40 * 24 * time.Hour) // when everybody's visit is due
			for i := range 4 {
				visit := keep(t, a, stillOf(fmt.Sprint("r", i), 0))
				record(t, a, visit, faceOf(0.1, &house.Match{Person: p.ID, Distance: 0.3, Band: "strong"}))
				must(t, a.PlaceHold(ctx, visit, "for the insurance", end))
				visits = append(visits, visit)
			}
			from, until := c.Now(), c.Now().Add(time.Second)
			c.Set(end.Add(d))
			held := 0
			if d < 0 {
				held = 4
			}
			if all, err := a.Holds(ctx); err != nil || len(all) != held {
				t.Errorf("%d holds, want %d; %v", len(all), held, err)
			}
			if is, err := a.isHeld(ctx, a.read, visits[0]); err != nil || is != (held > 0) {
				t.Errorf("held %v, %v", is, err)
			}
			want := Erased{Visits: 4 - held, Held: held}
			if e, err := a.WouldErasePeriod(ctx, from, until); err != nil || e != want {
				t.Errorf("a period would be %+v, want %+v; %v", e, want, err)
			}
			if e, err := a.WouldErasePerson(ctx, p.ID); err != nil || e != want {
				t.Errorf("a person would be %+v, want %+v; %v", e, want, err)
			}
			preview, err := a.Preview(ctx, house.DefaultRules())
			if err != nil || preview[house.Known].Visits != 4-held {
				t.Errorf("a sweep would be %+v; %v", preview, err)
			}
			if d < 0 {
				wantError(t, a.EraseVisit(ctx, visits[0]), house.ErrHeld)
			} else {
				wantError(t, a.EraseVisit(ctx, visits[0]), nil)
				want.Visits--
			}
			if s, err := a.Sweep(ctx, noShrinker); d < 0 && (err != nil || s.Visits != 0) {
				t.Errorf("swept %+v, %v", s, err)
			}
			if left := leftOf(t, a, visits); len(left) != held {
				t.Errorf("left %v, want %d", left, held)
			}
		})
	}
}

// An erasure that comes at the moment when a hold ends takes the visit.
func TestErasedAsAHoldEnds(t *testing.T) {
	for _, d := range around {
		want := Erased{Visits: 1}
		if d < 0 {
			want = Erased{Held: 1}
		}
		for name, erase := range map[string]func(a *Archive, person string, c *clock) (Erased, error){
			"period": func(a *Archive, _ string, c *clock) (Erased, error) {
				return a.ErasePeriod(t.Context(), c.Ago(2*time.Hour), c.Now().Add(time.Second))
			},
			"person": func(a *Archive, person string, _ *clock) (Erased, error) {
				e, err := a.ErasePerson(t.Context(), person, true)
				e.Unnamed = 0
				return e, err
			},
		} {
			a, c := newArchive(t)
			p, _ := enrolled(t, a, rand.New(rand.NewPCG(1, 2)), "Tamsin Quill", 1)
			visit := keep(t, a, stillOf("r1", 0))
			record(t, a, visit, faceOf(0.1, &house.Match{Person: p.ID, Distance: 0.3, Band: "strong"}))
			must(t, a.PlaceHold(t.Context(), visit, "for the insurance", c.Now().Add(time.Hour)))
			c.Advance(time.Hour + d)
			if got, err := erase(a, p.ID, c); err != nil || got != want {
				t.Errorf("%s, %v after the end of a hold: %+v, want %+v; %v", name, d, got, want, err)
			}
		}
	}
}

// TestPeriodErased has a period go from its first moment on until before its last, with what is kept aside from
// then; and leaves what is held.
func TestPeriodErased(t *testing.T) {
	for _, held := range []bool{false, true} {
		a, c := newArchive(t)
		ctx := t.Context()
		until := c.Now()
		from := until.Add(-time.Hour)
		var visits []string
		for _, at := range []time.Time{from, until} {
			for _, d := range around {
				visit := visitAt(t, a, fmt.Sprint("r", len(visits)), at.Add(d))
				if held {
					must(t, a.PlaceHold(ctx, visit, "for the insurance", c.Now().Add(time.Hour)))
				}
				visits = append(visits, visit)
				asideAt(t, a, at.Add(d))
			}
		}
		want, left, inside := Erased{Visits: 3}, []int{0, 4, 5}, Erased{Visits: 3}
		if held {
			want, left, inside = Erased{Held: 3}, []int{0, 1, 2, 3, 4, 5}, Erased{Held: 3}
		}
		if e, err := a.WouldErasePeriod(ctx, from, until); err != nil || e != inside {
			t.Errorf("would be %+v, want %+v; %v", e, inside, err)
		}
		if e, err := a.ErasePeriod(ctx, from, until); err != nil || e != want {
			t.Errorf("%+v, want %+v; %v", e, want, err)
		}
		if got := leftOf(t, a, visits); !reflect.DeepEqual(got, left) {
			t.Errorf("left %v, want %v", got, left)
		}
		aside, err := a.Aside()
		if err != nil || aside.Files != 3 || aside.Bytes != 3*6 || !aside.First.Equal(from.Add(-time.Microsecond)) ||
			!aside.Last.Equal(until.Add(time.Microsecond)) {
			t.Errorf("aside %+v, %v", aside, err)
		}
	}
	a, c := newArchive(t)
	for _, d := range around {
		_, err := a.ErasePeriod(t.Context(), c.Now(), c.Now().Add(d))
		if (err == nil) != (d > 0) {
			t.Errorf("a period that ends %v after it begins: %v", d, err)
		}
	}
	if all, err := a.ErasingPeriods(t.Context()); err != nil || len(all) > 0 {
		t.Errorf("under way: %+v, %v", all, err)
	}
}

// TestAsideBounds has what is aside go when the longest period of the rules is over.
func TestAsideBounds(t *testing.T) {
	a, c := newArchive(t)
	for _, d := range around {
		asideAt(t, a, c.Ago(30*24*time.Hour).Add(d))
	}
	asideAt(t, a, c.Now().Add(time.Microsecond)) // of a time to come, which is counted from now
	sweep(t, a, noShrinker)
	aside, err := a.Aside()
	if err != nil || aside.Files != 2 || !aside.Last.Equal(c.Now()) ||
		!aside.First.Equal(c.Ago(30*24*time.Hour).Add(time.Microsecond)) {
		t.Errorf("%+v, %v", aside, err)
	}
}

// TestUnusualSweeps has a sweep of three times the busiest day go at once, and one more wait: for a week, or a
// resident's word.
func TestUnusualSweeps(t *testing.T) {
	for n, waits := range map[int]bool{5: false, 6: false, 7: true} {
		a, c := newArchive(t)
		ctx := t.Context()
		var visits []string
		for i := range n { // two a day
			visits = append(visits, visitAt(t, a, fmt.Sprint("r", i), c.Now()))
			c.Advance(time.Duration(i%2) * 24 * time.Hour)
		}
		c.Advance(72 * time.Hour)
		began := c.Now()
		_, err := a.Sweep(ctx, noShrinker)
		w, is := errors.AsType[house.WaitingSweep](err)
		if is != waits || waits && w != (house.WaitingSweep{Due: 7, Usual: 2, Until: began.Add(7 * 24 * time.Hour)}) ||
			!waits && err != nil {
			t.Errorf("%d are due: %+v, %v", n, w, err)
		}
		if waiting, err := a.SweepWaits(ctx); err != nil || waiting != waits {
			t.Errorf("%d are due: waits %v, %v", n, waiting, err)
		}
		if !waits {
			continue
		}
		for _, d := range around {
			c.Set(w.Until.Add(d))
			_, err := a.Sweep(ctx, noShrinker)
			if _, is := errors.AsType[house.WaitingSweep](err); is != (d < 0) {
				t.Errorf("%v after its week: %v", d, err)
			}
			if left := leftOf(t, a, visits); (len(left) == 0) != (d >= 0) {
				t.Errorf("%v after its week %v are left", d, left)
			}
		}
		if waiting, err := a.SweepWaits(ctx); err != nil || waiting {
			t.Errorf("afterwards: waits %v, %v", waiting, err)
		}
	}
}

// A sweep counts each visit once, whatever several rules would do with it, and leaves smaller stills out.
func TestUnusualCountsOnce(t *testing.T) {
	a, c := newArchive(t)
	rules := house.DefaultRules()
	hours := func(n int) house.Period { return house.Period{Hours: n} }
	rules.Keep[house.NoFace] = house.Rule{Smaller: hours(1), Stills: hours(2), Findings: hours(3)}
	for i := range 4 {
		visitAt(t, a, fmt.Sprint("r", i), c.Now())
		c.Advance(24 * time.Hour)
	}
	for passed, want := range map[time.Duration]int{time.Hour: 0, 2 * time.Hour: 1, 3 * time.Hour: 1} {
		b, d := newArchive(t)
		visitAt(t, b, "r", d.Now())
		d.Advance(passed)
		if w, err := b.unusual(t.Context(), rules); err != nil || w.Due != want || w.Usual != 1 {
			t.Errorf("after %v: %+v, want %d; %v", passed, w, want, err)
		}
	}
	if w, err := a.unusual(t.Context(), rules); err != nil || w.Due != 4 || w.Usual != 1 {
		t.Errorf("of four: %+v, %v", w, err)
	}
}

// A resident's word holds for the sweep that waits, and for no other after it; a doubted clock takes none.
func TestAllowedSweep(t *testing.T) {
	a, c := newArchive(t)
	ctx := t.Context()
	ring := 0
	due := func() {
		for range 4 {
			visitAt(t, a, fmt.Sprint("r", ring), c.Now())
			ring++
			c.Advance(24 * time.Hour)
		}
		c.Advance(72 * time.Hour)
	}
	waits := func(want bool) {
		t.Helper()
		_, err := a.Sweep(ctx, noShrinker)
		if _, is := errors.AsType[house.WaitingSweep](err); is != want || !want && err != nil {
			t.Errorf("waits %v, %v", is, err)
		}
		_, is, err := a.WaitingSweep(ctx)
		if err != nil || is != want {
			t.Errorf("is said to wait: %v, %v", is, err)
		}
	}
	due()
	waits(true)
	must(t, a.AllowSweep(ctx))
	if _, is, err := a.WaitingSweep(ctx); err != nil || is {
		t.Errorf("allowed, and waits: %v, %v", is, err)
	}
	waits(false)
	due()
	waits(true)
}

// TestBatches has as many visits due as go in one transaction, one less and one more, twice over.
func TestBatches(t *testing.T) {
	shorter := house.DefaultRules()
	shorter.Keep[house.NoFace] = house.Rule{Smaller: house.Period{Hours: 1}, Stills: house.Period{Days: 3},
		Findings: house.Period{Days: 3}}
	for _, n := range []int{batch - 1, batch, batch + 1, 2 * batch} {
		a, c := newArchive(t)
		must(t, a.SetRules(t.Context(), shorter))
		for i := range n {
			examinedVisit(t, a, fmt.Sprint("r", i), house.Done)
		}
		c.Advance(time.Hour)
		if got := sweep(t, a, halves); got != (house.Swept{Smaller: n}) {
			t.Errorf("of %d smaller: %+v", n, got)
		}
		c.Advance(71 * time.Hour)
		if got := sweep(t, a, halves); got != (house.Swept{Visits: n}) {
			t.Errorf("of %d: %+v", n, got)
		}
	}
}

// TestDeparturesAreForgotten has screens told for 30 days of visits that went, and a phone's reports kept for 7.
func TestDeparturesAreForgotten(t *testing.T) {
	for _, d := range around {
		a, c := newArchive(t)
		ctx := t.Context()
		must(t, a.EraseVisit(ctx, keep(t, a, stillOf("r1", 0))))
		p, err := a.AddPerson(ctx, "Tamsin Quill")
		must(t, err)
		source, _, err := a.AddSource(ctx, house.Phone, p.ID, "the phone")
		must(t, err)
		_, err = a.MoveSource(ctx, source, func(json.RawMessage) (house.SourceMove, error) {
			return house.SourceMove{Reports: []json.RawMessage{json.RawMessage(`{}`)}}, nil
		})
		must(t, err)
		began := c.Now()
		count := func(table string) (n int) {
			must(t, a.read.QueryRowContext(ctx, `SELECT count(*) FROM `+table).Scan(&n))
			return n
		}
		there := map[bool]int{true: 0, false: 1}[d > 0]
		c.Set(began.Add(7*24*time.Hour + d))
		sweep(t, a, noShrinker)
		if got := count("reports"); got != there {
			t.Errorf("%v after 7 days %d reports", d, got)
		}
		c.Set(began.Add(30*24*time.Hour + d))
		sweep(t, a, noShrinker)
		if got := count("departures"); got != there {
			t.Errorf("%v after 30 days %d departures", d, got)
		}
	}
}

// TestImportedWaits has an old visit that was brought in wait for a day to be examined, and a preview say so.
func TestImportedWaits(t *testing.T) {
	for _, d := range around {
		a, c := newArchive(t)
		n := stillOf("old", 0)
		n.ReceivedAt, n.Imported = c.Now().AddDate(-1, 0, 0), true
		visits := []string{keep(t, a, n)}
		n = stillOf("old and held", 0)
		n.ReceivedAt, n.Imported = c.Now().AddDate(-1, 0, 0), true
		must(t, a.PlaceHold(t.Context(), keep(t, a, n), "for the insurance", c.Now().AddDate(0, 0, 9)))
		c.Advance(24*time.Hour + d)
		want := map[bool]int{true: 0, false: 1}[d < 0]
		preview, err := a.Preview(t.Context(), house.DefaultRules())
		if err != nil || preview[house.Looking].Visits != want {
			t.Errorf("%v after a day would go %+v, want %d; %v", d, preview, want, err)
		}
		if got := sweep(t, a, noShrinker); got.Visits != want {
			t.Errorf("%v after a day went %+v, want %d", d, got, want)
		}
		if left := leftOf(t, a, visits); len(left) != 1-want {
			t.Errorf("%v after a day there are %v", d, left)
		}
	}
}

// An answer that a face is not somebody's who is erased stands and names them no more; answers about others stay as
// they are.
func TestOthersAnswersStand(t *testing.T) {
	a, _, ada, ben := newChecked(t)
	ctx := t.Context()
	want := make(map[string]string) // whom each face was said not to be, or to be
	for i, c := range []house.Check{
		{Asked: ada, Answer: house.AnswerElse}, {Asked: ada, Answer: house.AnswerNotFace},
		{Asked: ben, Answer: house.AnswerElse}, {Asked: ben, Answer: house.AnswerNotFace},
		{Asked: ben, Answer: house.AnswerYes, Person: ben},
	} {
		_, faces := seenAs(t, a, fmt.Sprint("r", i), []house.Face{aFace(0, c.Asked, 8e-3, "weak")})
		c.Face = faces[0]
		must(t, a.Answer(ctx, c))
		if want[c.Face] = ""; c.Asked == ben {
			want[c.Face] = ben
		}
	}
	_, err := a.ErasePerson(ctx, ada, false)
	must(t, err)
	rows, err := a.read.QueryContext(ctx, `SELECT face, coalesce(asked, ''), asked_distance IS NULL FROM checks`)
	must(t, err)
	defer rows.Close()
	got := make(map[string]string)
	for rows.Next() {
		var face, asked string
		var without bool
		must(t, rows.Scan(&face, &asked, &without))
		if got[face] = asked; without != (asked == "") {
			t.Errorf("asked %q, and the distance is gone: %v", asked, without)
		}
	}
	if must(t, rows.Err()); !reflect.DeepEqual(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
}
