package store

import (
	"context"
	"errors"
	"fmt"
	"testing"
	"time"
)

// An erasure of a period that is broken off, as by a stop, is known of, and finished by
// the next start. What came since outside of the period stays.
func TestPeriodBrokenOff(t *testing.T) {
	dir, c := t.TempDir(), newClock()
	a := openArchive(t, dir, c)
	if _, err := a.AddBell(t.Context(), "gate"); err != nil {
		t.Fatal(err)
	}
	from := c.Now()
	for i := range 3 * batch {
		keep(t, a, stillOf(fmt.Sprintf("r%d", i), 0))
	}
	c.Advance(time.Hour)
	until := c.Now()
	ctx, stop := context.WithCancel(t.Context())
	changed, unwatch := a.Watch()
	asked := 0
	a.now = func() time.Time {
		select {
		case <-changed: // a batch is gone
			if asked++; asked == 2 {
				stop()
			}
		default:
		}
		return c.Now()
	}
	e, err := a.ErasePeriod(ctx, from, until)
	unwatch()
	if !errors.Is(err, context.Canceled) || e.Visits == 0 || e.Visits == 3*batch {
		t.Fatalf("%+v, %v", e, err)
	}
	must(t, a.Close())

	a = openArchive(t, dir, c)
	n := stillOf("later", 0)
	n.ReceivedAt = c.Now()
	later := keep(t, a, n)
	all, err := a.ErasingPeriods(t.Context())
	if want := (Period{from, until, 3 * batch}); err != nil || len(all) != 1 || all[0] != want {
		t.Fatalf("%+v, %v, want %+v", all, err, want)
	}
	would, err := a.WouldErasePeriod(t.Context(), from, until)
	if err != nil || would.Visits == 0 {
		t.Errorf("%+v, %v: nothing was left to finish", would, err)
	}
	must(t, a.FinishErasures(t.Context()))
	left, err := a.LatestVisits(t.Context(), 10)
	if err != nil || len(left) != 1 || left[0].ID != later {
		t.Errorf("%d left, %v", len(left), err)
	}
	if all, err := a.ErasingPeriods(t.Context()); err != nil || len(all) > 0 {
		t.Errorf("%+v, %v", all, err)
	}
}

// A period that is being erased is nobody else's at the same time.
func TestPeriodUnderWay(t *testing.T) {
	a, c := newArchive(t)
	keep(t, a, stillOf("r1", 0))
	p := Period{From: c.Ago(time.Hour), Until: c.Now().Add(time.Hour), Of: 1}
	_, err := a.write.ExecContext(t.Context(), `INSERT INTO erasing_periods (first, past, of) VALUES (?, ?, 1)`,
		micros(p.From), micros(p.Until))
	must(t, err)
	if !a.erasing.begin(p) {
		t.Fatal("it is under way")
	}
	if _, err := a.ErasePeriod(t.Context(), p.From, p.Until); err == nil {
		t.Error("it was erased twice")
	}
	must(t, a.FinishErasures(t.Context()))
	if left, err := a.LatestVisits(t.Context(), 10); err != nil || len(left) != 1 {
		t.Errorf("%d left, %v", len(left), err)
	}
	a.erasing.end(p)
	must(t, a.FinishErasures(t.Context()))
	if left, err := a.LatestVisits(t.Context(), 10); err != nil || len(left) > 0 {
		t.Errorf("%d left, %v", len(left), err)
	}
}
