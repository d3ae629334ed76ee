package store

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"image"
	"math/rand/v2"
	"reflect"
	"testing"
	"time"

	"lintel/internal/house"
)

// noShrinker is for sweeps that make nothing smaller.
func noShrinker([]byte) ([]byte, int, int, error) {
	return nil, 0, 0, errors.New("nothing was to be made smaller")
}

// examinedVisit keeps a ring of one still, received by the clock's time, and
// records faces.
func examinedVisit(t *testing.T, a *Archive, ring string, state house.StillState, faces ...house.Face) string {
	t.Helper()
	n := stillOf(ring, 0)
	n.ReceivedAt = a.now()
	visit := keep(t, a, n)
	if state == house.Pending {
		return visit
	}
	v, err := a.Visit(t.Context(), visit)
	if err != nil {
		t.Fatal(err)
	}
	must(t, a.Record(t.Context(), v.Stills[0].ID, state, faces))
	return visit
}

// visitsOfAllKinds makes one visit of each kind, named by its kind.
func visitsOfAllKinds(t *testing.T, a *Archive) map[house.Kind]string {
	t.Helper()
	p, err := a.AddPerson(t.Context(), "Tamsin Quill")
	if err != nil {
		t.Fatal(err)
	}
	known := faceOf(0.2, &house.Match{Person: p.ID, Distance: 0.3, FPIR: 1e-5, Band: "strong"})
	visits := map[house.Kind]string{
		house.Looking:  examinedVisit(t, a, "looking", house.Pending),
		house.Known:    examinedVisit(t, a, "person", house.Done, known),
		house.Stranger: examinedVisit(t, a, "stranger", house.Done, faceOf(0.1, nil)),
		house.Parcel:   examinedVisit(t, a, "parcel", house.Done, faceOf(0.3, nil)),
		house.NoFace:   examinedVisit(t, a, "no-face", house.Done),
		house.Damaged:  examinedVisit(t, a, "damaged", house.Failed),
	}
	must(t, a.SetParcel(t.Context(), visits[house.Parcel], true))
	for kind, id := range visits {
		if v, err := a.Visit(t.Context(), id); err != nil || v.Kind != kind {
			t.Fatalf("a visit of kind %s, want %s; %v", v.Kind, kind, err)
		}
	}
	return visits
}

func sweep(t *testing.T, a *Archive, shrink Shrinker) house.Swept {
	t.Helper()
	s, err := a.Sweep(t.Context(), shrink)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// left returns the kinds of visits that are still there.
func left(t *testing.T, a *Archive, visits map[house.Kind]string) map[house.Kind]bool {
	t.Helper()
	there := make(map[house.Kind]bool)
	for kind, id := range visits {
		if _, err := a.Visit(t.Context(), id); err == nil {
			there[kind] = true
		} else if !errors.Is(err, house.ErrNotFound) {
			t.Fatal(err)
		}
	}
	return there
}

func TestSweepByDefault(t *testing.T) {
	a, c := newArchive(t)
	visits := visitsOfAllKinds(t, a)
	c.Advance(72*time.Hour - time.Microsecond)
	if got := sweep(t, a, noShrinker); got != (house.Swept{}) {
		t.Errorf("a moment before their time: %+v", got)
	}
	c.Advance(time.Microsecond)
	if got := sweep(t, a, noShrinker); got != (house.Swept{Visits: 5}) {
		t.Errorf("after 72 hours: %+v", got)
	}
	if got := left(t, a, visits); !reflect.DeepEqual(got, map[house.Kind]bool{house.Known: true}) {
		t.Errorf("after 72 hours there are %v", got)
	}
	c.Advance(27*24*time.Hour - time.Microsecond)
	if got := sweep(t, a, noShrinker); got != (house.Swept{}) {
		t.Errorf("a moment before 30 days: %+v", got)
	}
	c.Advance(time.Microsecond)
	if got := sweep(t, a, noShrinker); got != (house.Swept{Visits: 1}) {
		t.Errorf("after 30 days: %+v", got)
	}
	if files := filesIn(t, a.dir, "stills"); len(files) > 0 {
		t.Errorf("files %q are left", files)
	}
	gone, err := a.TombstonesSince(t.Context(), 0, 100)
	if err != nil || len(gone) != len(visits) {
		t.Errorf("departures %v, %v", gone, err)
	}
}

// inStages are a stranger's visit and rules by which it goes step by step.
type inStages struct {
	a     *Archive
	c     *clock
	rules house.Rules
	began time.Time
	visit string
	face  house.Face
	whole house.Visit
}

func newInStages(t *testing.T) *inStages {
	t.Helper()
	x := &inStages{rules: house.DefaultRules(), face: faceOf(0.1, nil)}
	x.a, x.c = newArchive(t)
	x.began = x.c.Now()
	x.rules.Zone = "Etc/UTC"
	x.rules.Keep[house.Stranger] = house.Rule{Smaller: house.Period{Hours: 1}, Stills: house.Period{Hours: 2},
		Findings: house.Period{Days: 1}}
	must(t, x.a.SetRules(t.Context(), x.rules))
	x.face.Landmarks = []house.Point{{X: 200, Y: 100}, {X: 210, Y: 110}}
	x.visit = examinedVisit(t, x.a, "r1", house.Done, x.face)
	x.whole = stillThere(t, x.a, x.visit)
	return x
}

// sweepAfter lets time pass, and compares what a sweep does then.
func (x *inStages) sweepAfter(t *testing.T, passed time.Duration, want house.Swept) {
	t.Helper()
	x.c.Advance(passed)
	if got := sweep(t, x.a, halves); got != want {
		t.Errorf("after %s: %+v", x.c.Now().Sub(x.began), got)
	}
}

func TestSweepInStages(t *testing.T) {
	x := newInStages(t)
	if got, want := x.rules.Schedule(x.whole), (house.Schedule{SmallerAt: x.began.Add(time.Hour),
		StillsAt: x.began.Add(2 * time.Hour), GoesAt: x.began.Add(24 * time.Hour), Rule: house.Stranger,
		Period: house.Period{Days: 1}}); got != want {
		t.Errorf("fate %+v, want %+v", got, want)
	}
	x.sweepAfter(t, time.Hour, house.Swept{Smaller: 1})
	x.checkSmaller(t)
	checkSound(t, x.a)
	x.sweepAfter(t, 0, house.Swept{})
	x.sweepAfter(t, time.Hour, house.Swept{Findings: 1})
	x.checkOnlyFindings(t)
	checkSound(t, x.a)
	x.sweepAfter(t, 22*time.Hour, house.Swept{Visits: 1})
}

func (x *inStages) checkSmaller(t *testing.T) {
	t.Helper()
	v := stillThere(t, x.a, x.visit)
	before, after := x.whole.Stills[0], v.Stills[0]
	if v.Stage != house.Smaller || v.Revision == x.whole.Revision || after.Width != 320 || after.Height != 240 ||
		after.File == before.File || after.ID != before.ID {
		t.Errorf("stage %d, still %+v", v.Stage, after)
	}
	if b, f := before.Faces[0].Box, after.Faces[0].Box; f != image.Rect(b.Min.X/2, b.Min.Y/2, b.Max.X/2, b.Max.Y/2) {
		t.Errorf("on a still of half the size the face is at %v, was at %v", f, b)
	}
	if got := after.Faces[0]; got.Landmarks[1] != (house.Point{X: 105, Y: 55}) || got.Descriptor != x.face.Descriptor {
		t.Errorf("the face is %+v", got)
	}
	want := stillOf("r1", 0).JPEG
	if got, err := x.a.ReadStill(t.Context(), x.visit, 0); err != nil || !bytes.Equal(got, want[:len(want)/2]) {
		t.Errorf("the still is %q, %v", got, err)
	}
}

func (x *inStages) checkOnlyFindings(t *testing.T) {
	t.Helper()
	v := stillThere(t, x.a, x.visit)
	if s := v.Stills[0]; v.Stage != house.OnlyFindings || v.Kind != house.Stranger || s.File != "" || s.Lost ||
		len(s.Faces) != 1 || s.Faces[0].Descriptor != (house.Descriptor{}) || len(s.Faces[0].Landmarks) > 0 {
		t.Errorf("stage %d, kind %s, still %+v", v.Stage, v.Kind, s)
	}
	_, err := x.a.ReadStill(t.Context(), x.visit, 0)
	wantError(t, err, house.ErrNotFound)
	if got := x.rules.Schedule(v); got.SmallerAt != (time.Time{}) || got.StillsAt != (time.Time{}) ||
		!got.GoesAt.Equal(x.began.Add(24*time.Hour)) {
		t.Errorf("fate %+v", got)
	}
}

// randomRules are of periods up to five days and some hours, in hours or days.
func randomRules(rnd *rand.Rand) house.Rules {
	period := func(least int) house.Period {
		if rnd.IntN(2) == 0 {
			return house.Period{Hours: least + rnd.IntN(100)}
		}
		return house.Period{Days: (least+23)/24 + rnd.IntN(5)}
	}
	rules := house.DefaultRules()
	rules.Zone = "Europe/Berlin"
	for _, kind := range house.Kinds {
		r := house.Rule{Stills: period(2)}
		if r.Findings = r.Stills; rnd.IntN(2) == 0 {
			r.Findings = period(r.Stills.AtLeastHours() + 1)
		}
		if rnd.IntN(2) == 0 {
			r.Smaller = house.Period{Hours: 1 + rnd.IntN(r.Stills.AtLeastHours()-1)}
		}
		rules.Keep[kind] = r
	}
	return rules
}

// randomVisits come in over some days, and one of six is held for a while.
func randomVisits(t *testing.T, a *Archive, c *clock, rnd *rand.Rand) {
	t.Helper()
	kinds := []func(ring string) string{
		func(ring string) string { return examinedVisit(t, a, ring, house.Pending) },
		func(ring string) string { return examinedVisit(t, a, ring, house.Done, faceOf(0.1, nil)) },
		func(ring string) string { return examinedVisit(t, a, ring, house.Done) },
		func(ring string) string { return examinedVisit(t, a, ring, house.Failed) },
		func(ring string) string {
			n := stillOf(ring, 1) // a frame to come
			n.ReceivedAt = c.Now()
			examinedVisit(t, a, ring, house.Done, faceOf(0.1, nil))
			return keep(t, a, n)
		},
	}
	for i := range 40 {
		id := kinds[rnd.IntN(len(kinds))](fmt.Sprint("r", i))
		if rnd.IntN(6) == 0 {
			must(t, a.PlaceHold(t.Context(), id, "why not", c.Now().Add(time.Duration(1+rnd.IntN(200))*time.Hour)))
		}
		c.Advance(time.Duration(rnd.IntN(90)) * time.Minute)
	}
}

// TestSweepIsPreview has random archives and rules: what Preview says is what
// Sweep does, and what the schedule says is when it happens.
func TestSweepIsPreview(t *testing.T) {
	for seed := range uint64(4) {
		t.Run(fmt.Sprint("seed ", seed), func(t *testing.T) {
			rnd := rand.New(rand.NewPCG(seed, 3))
			a, c := newArchive(t)
			ctx := t.Context()
			// Around the change of the clocks on 26 October 2031 (tz
			// database, Rule EU: the last Sunday of October).
			c.Set(time.Date(2031, 10, 20, 0, 0, 0, 0, time.UTC))
			rules := randomRules(rnd)
			must(t, a.SetRules(ctx, rules))
			randomVisits(t, a, c, rnd)
			for range 8 {
				c.Advance(time.Duration(rnd.IntN(20)) * time.Hour)
				before, err := a.LatestVisits(ctx, 100)
				must(t, err)
				preview, err := a.Preview(ctx, rules)
				must(t, err)
				var want house.Swept
				for _, p := range preview {
					want.Visits, want.Findings, want.Smaller = want.Visits+p.Visits, want.Findings+p.Findings,
						want.Smaller+p.Smaller
				}
				if got := sweep(t, a, halves); got != want {
					t.Errorf("swept %+v, the preview said %+v", got, want)
				}
				for _, v := range before {
					checkSchedule(t, a, c.Now(), v, rules.Schedule(v))
				}
			}
		})
	}
}

// checkSchedule compares what became of a visit with what was to.
func checkSchedule(t *testing.T, a *Archive, now time.Time, was house.Visit, f house.Schedule) {
	t.Helper()
	is, err := a.Visit(t.Context(), was.ID)
	isDue := func(at time.Time) bool { return !at.IsZero() && !at.After(now) }
	switch {
	case isDue(f.GoesAt):
		if !errors.Is(err, house.ErrNotFound) {
			t.Errorf("%s is there after %s (%v)", was.Ring, f.GoesAt, err)
		}
		return
	case err != nil:
		t.Errorf("%s: %v, it was to go at %s", was.Ring, err, f.GoesAt)
		return
	}
	want := was.Stage
	if isDue(f.SmallerAt) {
		want = house.Smaller
	}
	if isDue(f.StillsAt) {
		want = house.OnlyFindings
	}
	if is.Stage != want {
		t.Errorf("%s (%s) is at stage %d, want %d: %+v", was.Ring, was.Kind, is.Stage, want, f)
	}
}

func TestHold(t *testing.T) {
	a, c := newArchive(t)
	ctx := t.Context()
	visit := examinedVisit(t, a, "r1", house.Done)
	for _, test := range []struct {
		name, visit, reason string
		until               time.Time
		want                error
	}{
		{"no reason", visit, " \n", c.Now().Add(time.Hour), house.ErrBadHold},
		{"a book for a reason", visit, string(make([]byte, 1001)), c.Now().Add(time.Hour), house.ErrBadHold},
		{"no end", visit, "police", time.Time{}, house.ErrBadHold},
		{"an end that has passed", visit, "police", c.Now(), house.ErrBadHold},
		{"for ever", visit, "police", c.Now().Add(maxHold + time.Second), house.ErrBadHold},
		{"no such visit", "NOBODY", "police", c.Now().Add(time.Hour), house.ErrNotFound},
	} {
		t.Run(test.name, func(t *testing.T) {
			wantError(t, a.PlaceHold(ctx, test.visit, test.reason, test.until),
				test.want)
		})
	}
	until := c.Now().Add(100 * time.Hour)
	must(t, a.PlaceHold(ctx, visit, "the parcel was dented", c.Now().Add(time.Hour)))
	must(t, a.PlaceHold(ctx, visit, "the insurance asks", until))
	want := house.Hold{Visit: visit, Reason: "the insurance asks", PlacedAt: c.Now(), EndsAt: until}
	if holds, err := a.Holds(ctx); err != nil || len(holds) != 1 || holds[0] != want {
		t.Errorf("holds %+v, %v", holds, err)
	}
	v, err := a.Visit(ctx, visit)
	if err != nil || v.Hold == nil || *v.Hold != want {
		t.Fatalf("the visit's hold is %+v, %v", v.Hold, err)
	}
	if f := house.DefaultRules().Schedule(v); !f.GoesAt.Equal(until) || !f.HeldUntil.Equal(until) {
		t.Errorf("fate %+v", f)
	}
	wantError(t, a.EraseVisit(ctx, visit), house.ErrHeld)
	if e, err := a.ErasePeriod(ctx, c.Ago(time.Hour), c.Now().Add(time.Hour)); err != nil || e != (Erased{Held: 1}) {
		t.Errorf("a period: %+v, %v", e, err)
	}

	c.Advance(100*time.Hour - time.Microsecond)
	if got := sweep(t, a, noShrinker); got != (house.Swept{}) {
		t.Errorf("held: %+v", got)
	}
	c.Advance(time.Microsecond)
	if holds, err := a.Holds(ctx); err != nil || len(holds) > 0 {
		t.Errorf("holds %+v, %v", holds, err)
	}
	if got := sweep(t, a, noShrinker); got != (house.Swept{Visits: 1}) {
		t.Errorf("once it has ended: %+v", got)
	}

	visit = examinedVisit(t, a, "r2", house.Done)
	wantError(t, a.EndHold(ctx, visit), house.ErrNotFound)
	if err := errors.Join(a.PlaceHold(ctx, visit, "why not", c.Now().Add(time.Hour)), a.EndHold(ctx, visit),
		a.EraseVisit(ctx, visit)); err != nil {
		t.Error(err)
	}
}

// A clock that ran ahead, and was set right, keeps nothing for longer; one that
// was set back by mistake loses nothing.
func TestSweepFollowsTheClock(t *testing.T) {
	a, c := newArchive(t)
	right := c.Now()
	c.Advance(5 * 365 * 24 * time.Hour)
	ahead := examinedVisit(t, a, "ahead", house.Done)
	c.Set(right)
	present := examinedVisit(t, a, "present", house.Done)

	if got := sweep(t, a, noShrinker); got != (house.Swept{}) {
		t.Errorf("set right: %+v", got)
	}
	c.Advance(72 * time.Hour)
	if got := sweep(t, a, noShrinker); got != (house.Swept{Visits: 2}) {
		t.Errorf("72 hours later: %+v", got)
	}
	for _, id := range []string{ahead, present} {
		_, err := a.Visit(t.Context(), id)
		wantError(t, err, house.ErrNotFound)
	}

	right = c.Now()
	visit := examinedVisit(t, a, "r1", house.Done)
	c.Set(time.UnixMicro(0)) // as after a start without a battery
	if got := sweep(t, a, noShrinker); got != (house.Swept{}) {
		t.Errorf("in 1970: %+v", got)
	}
	if v, err := a.Visit(t.Context(), visit); err != nil || !v.CountedFrom.Equal(c.Now()) || !v.ReceivedAt.Equal(right) {
		t.Errorf("in 1970 it counts from %s, %v", v.CountedFrom, err)
	}
	c.Set(right.Add(71 * time.Hour))
	if got := sweep(t, a, noShrinker); got != (house.Swept{}) {
		t.Errorf("back in time: %+v", got)
	}
	c.Advance(time.Hour)
	if got := sweep(t, a, noShrinker); got != (house.Swept{Visits: 1}) {
		t.Errorf("72 hours after: %+v", got)
	}
}

// One visit that can't be made smaller keeps none of the others.
func TestSweepGoesOn(t *testing.T) {
	a, c := newArchive(t)
	rules := house.DefaultRules()
	rules.Keep[house.NoFace] = house.Rule{Smaller: house.Period{Hours: 1}, Stills: house.Period{Hours: 2},
		Findings: house.Period{Hours: 2}}
	must(t, a.SetRules(t.Context(), rules))
	for i := range 2*batch + 5 {
		examinedVisit(t, a, fmt.Sprint("r", i), house.Done)
	}
	c.Advance(time.Hour)
	odd := errors.New("an odd picture")
	n := 0
	got, err := a.Sweep(t.Context(), func(jpeg []byte) ([]byte, int, int, error) {
		if n++; n%10 == 0 {
			return nil, 0, 0, odd
		}
		return halves(jpeg)
	})
	if want := (house.Swept{Smaller: 2*batch + 5 - 5}); got != want || !errors.Is(err, odd) {
		t.Errorf("swept %+v, want %+v; %v", got, want, err)
	}
	checkSound(t, a)
	if got := sweep(t, a, halves); got != (house.Swept{Smaller: 5}) {
		t.Errorf("the next time: %+v", got)
	}
	if got, err := a.Sweep(cancelled(t), halves); err == nil || got != (house.Swept{}) {
		t.Errorf("cancelled: %+v, %v", got, err)
	}
}

func cancelled(t *testing.T) context.Context {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	return ctx
}
