package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"sync/atomic"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/store"
)

// watched has the house's clock watched, with time that can't be set beside it and a
// time service that may vouch.
func (h *household) watched(served *atomic.Bool) {
	h.t.Helper()
	began := h.clock.now()
	err := h.archive.WatchClock(h.t.Context(), store.Timekeeping{Served: served.Load,
		Elapsed: func() time.Duration { return 0 }, NotBefore: began.AddDate(-1, 0, 0)})
	if err != nil {
		h.t.Fatal(err)
	}
}

// A clock that was set 14 months ahead is told of on Now and Upkeep, and so is a visit
// that came meanwhile; a resident's word ends it. One that is wrong for sure no word
// makes right.
func TestClockDoubtedOnScreens(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	h.found("R1", true)
	h.watched(new(atomic.Bool))
	const doubted = "clock may be wrong"
	h.get("/", in).is(200).saysNot(doubted)
	h.clock.advance(425 * 24 * time.Hour)
	h.get("/", in).is(200).says(doubted)
	visit := h.rung("R2", 0, still(t, 2)).Visit
	checkMarkup(t, string(h.get("/upkeep", in).is(200).says("in the year 2032").says("The clock is right").body))
	h.get("/visits/"+visit, in).is(200).says("the time here may be as well")
	var v visitJSON
	h.get("/api/v1/visits/"+visit, in).is(200).into(&v)
	if !v.ClockDoubted {
		t.Error("the API does not say that the time is not sure")
	}
	var w waitingJSON
	h.get("/api/v1/waiting", in).is(200).into(&w)
	if w.Clock != house.ClockAhead || w.Sweep != nil || w.Aside != nil {
		t.Errorf("waiting %+v", w)
	}
	h.post("/upkeep/clock", nil, in).is(http.StatusSeeOther)
	in = h.session(h.resident("Perrin")) // by a clock that is right, the other was there for too long
	h.get("/upkeep?clock-trusted", in).is(200).says("counts as right").saysNot("in the year")
	h.get("/", in).is(200).saysNot(doubted)
	h.get("/visits/"+visit, in).is(200).saysNot("the time here may be as well")
	h.clock.advance(425 * 24 * time.Hour)
	h.get("/", in).is(200).says(doubted)
	w = waitingJSON{}
	h.ask("POST", "/api/v1/waiting/clock", nil, in).is(200).into(&w)
	if w.Clock != "" {
		t.Errorf("waiting %+v", w)
	}
	in = h.session(h.resident("Wren"))
	h.clock.advance(-10 * 365 * 24 * time.Hour)
	h.post("/upkeep/clock", nil, in).isProblem(http.StatusConflict, "clock-doubted")
	h.ask("POST", "/api/v1/waiting/clock", nil, in).isProblem(http.StatusConflict, "clock-doubted")
}

// A sweep that would delete unusually much is told of, by numbers to residents alone,
// and a resident's word lets it go.
func TestSweepWaitsOnScreens(t *testing.T) {
	told := 0
	h := newHouse(t, func(c *Config) { c.Erased = func() { told++ } })
	for i := range 12 {
		h.found(fmt.Sprintf("R%d", i), true)
		h.clock.advance(24 * time.Hour)
	}
	h.clock.advance(60 * 24 * time.Hour)
	in := h.session(h.resident("Odile"))
	h.get("/upkeep", in).is(200).saysNot("Waiting for your word")
	_, err := h.archive.Sweep(t.Context(), nil)
	if !errors.As(err, new(house.WaitingSweep)) {
		t.Fatal(err)
	}
	h.get("/", in).is(200).says("waits for a resident’s word")
	checkMarkup(t, string(h.get("/upkeep", in).is(200).says("12 visits would be deleted at once").
		says("On the busiest day there were 1").body))
	var w waitingJSON
	h.get("/api/v1/waiting", in).is(200).into(&w)
	if w.Sweep == nil || w.Sweep.Due != 12 || w.Sweep.Usual != 1 || !w.Sweep.Until.After(h.clock.now()) {
		t.Errorf("waiting %+v", w.Sweep)
	}
	w = waitingJSON{}
	h.ask("POST", "/api/v1/waiting/sweep", nil, in).is(200).into(&w)
	if w.Sweep != nil {
		t.Errorf("waiting %+v", w.Sweep)
	}
	h.post("/upkeep/sweep", nil, in).is(http.StatusSeeOther)
	if told != 2 {
		t.Errorf("the caretaker was told %d times", told)
	}
	h.get("/upkeep?sweep-allowed", in).is(200).says("is being deleted").saysNot("would be deleted")
	h.get("/upkeep/trail", in).is(200).says("that much may be deleted by the rules at once")
	if s, err := h.archive.Sweep(t.Context(), nil); err != nil || s.Visits != 12 {
		t.Errorf("%+v, %v", s, err)
	}
}

// Stills without a visit are told of with number, size and time, and deleted by a tap.
func TestAsideOnScreens(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	at := h.clock.now().Add(-time.Hour)
	for _, name := range []string{"QQONE", "QQTWO"} {
		path := filepath.Join(h.dir, "stills", "QQ", name+".still")
		if err := errors.Join(os.MkdirAll(filepath.Dir(path), 0o700), os.WriteFile(path, make([]byte, 2000), 0o600),
			os.Chtimes(path, at, at)); err != nil {
			t.Fatal(err)
		}
	}
	h.get("/upkeep", in).is(200).saysNot("have no visit any more")
	if n, err := h.archive.SetStraysAside(t.Context()); n != 2 || err != nil {
		t.Fatalf("%d, %v", n, err)
	}
	checkMarkup(t, string(h.get("/upkeep", in).is(200).says("2 stills have no visit any more: 3.9 KiB").says("17:30").body))
	h.post("/upkeep/aside/take", nil, in).is(http.StatusSeeOther)
	h.get("/upkeep?aside-taken", in).is(200).says("in the visitor book again").says("2 stills have no visit any more")
	var w waitingJSON
	h.ask("POST", "/api/v1/waiting/aside", nil, in).is(200).into(&w)
	if w.Aside == nil || w.Aside.Stills != 2 || w.Aside.Bytes != 4000 || !w.Aside.First.Equal(at) {
		t.Errorf("waiting %+v", w.Aside)
	}
	h.post("/upkeep/aside", nil, in).is(http.StatusSeeOther)
	h.get("/upkeep?aside-dropped", in).is(200).says("are deleted").saysNot("have no visit any more")
	if left, err := os.ReadDir(filepath.Join(h.dir, "aside")); err != nil || len(left) > 0 {
		t.Errorf("left %v, %v", left, err)
	}
}

// What is aside goes by the API as by the page, and a still that was given up is tried
// again.
func TestAsideByProgram(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	path := filepath.Join(h.dir, "aside", "QQTHREE.still")
	if err := errors.Join(os.MkdirAll(filepath.Dir(path), 0o700), os.WriteFile(path, make([]byte, 2000), 0o600)); err != nil {
		t.Fatal(err)
	}
	var w waitingJSON
	h.ask("DELETE", "/api/v1/waiting/aside", nil, in).is(200).into(&w)
	if w.Aside != nil {
		t.Errorf("waiting %+v", w.Aside)
	}
	h.ask("POST", "/api/v1/visits/NOBODY/examine", nil, in).is(http.StatusNotFound)
	visit := h.rung("R1", 0, still(t, 1)).Visit
	v, err := h.archive.Visit(t.Context(), visit)
	if err == nil {
		err = h.archive.Record(t.Context(), v.Stills[0].ID, house.Failed, nil)
	}
	if err != nil {
		t.Fatal(err)
	}
	h.ask("POST", "/api/v1/visits/"+visit+"/examine", nil, in).is(200)
	if v, err := h.archive.Visit(t.Context(), visit); err != nil || !v.Pending() {
		t.Errorf("%+v, %v", v, err)
	}
}

// A disk of which little is left is told of before it refuses stills.
func TestNearlyFull(t *testing.T) {
	const gib = 1 << 30
	for _, test := range []struct {
		free, size int64
		want       bool
	}{{2 * gib, 2000 * gib, false}, {gib - 1, 2000 * gib, true}, {gib / 2, 8 * gib, false}, {gib / 3, 8 * gib, true},
		{0, 16 << 20, true}, {8 << 20, 16 << 20, false}} {
		if got := nearlyFull(test.free, test.size); got != test.want {
			t.Errorf("%d of %d free: %v", test.free, test.size, got)
		}
	}
}

// An erasure that a stop broke off is told of in the book and on Upkeep, as far as it
// is, until the next start has finished it.
func TestPeriodBrokenOffOnScreens(t *testing.T) {
	var left atomic.Int64
	c := new(clock)
	c.micros.Store(time.Date(2031, 5, 4, 18, 30, 0, 0, time.UTC).UnixMicro())
	ctx, stop := context.WithCancel(t.Context())
	h := newHouseAt(t, c, func() time.Time {
		if left.Add(-1) == 0 {
			stop()
		}
		return c.now()
	})
	in := h.session(h.resident("Odile"))
	for i := range 30 { // more than one batch
		h.found(fmt.Sprintf("R%d", i), true)
	}
	left.Store(60) // a batch asks for the time about twice a visit
	day := time.Date(2031, 5, 4, 0, 0, 0, 0, time.UTC)
	e, err := h.archive.ErasePeriod(ctx, day, day.AddDate(0, 0, 1))
	if !errors.Is(err, context.Canceled) || e.Visits != 25 {
		t.Fatalf("%+v, %v", e, err)
	}
	const says = "Being erased, Sunday 4 May until Sunday 4 May: 25 of 30 visits done."
	checkMarkup(t, string(h.get("/visits", in).is(200).says(says).body))
	checkMarkup(t, string(h.get("/upkeep", in).is(200).says(says).body))
	if err := h.archive.FinishErasures(t.Context()); err != nil {
		t.Fatal(err)
	}
	h.get("/visits", in).is(200).saysNot("Being erased")
	h.get("/upkeep", in).is(200).saysNot("Being erased")
}

// A tablet says of a backlog that it is not examined yet; a resident has a still tried
// again that was given up.
func TestBacklogOnScreens(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	visit := h.rung("R1", 0, still(t, 1)).Visit
	address := "/visits/" + visit
	h.get("/", in).is(200).says("Looking…")
	h.clock.advance(2 * time.Minute)
	h.get("/", in).is(200).says("Not examined yet").saysNot("Looking…")
	v, err := h.archive.Visit(t.Context(), visit)
	if err == nil {
		err = h.archive.Record(t.Context(), v.Stills[0].ID, house.Failed, nil)
	}
	if err != nil {
		t.Fatal(err)
	}
	checkMarkup(t, string(h.get(address, in).is(200).says("Could not be examined").says("Examine again").body))
	h.post(address+"/examine", nil, in).is(http.StatusSeeOther)
	h.get(address, in).is(200).says("Not examined yet").saysNot("Examine again")
	if waiting, err := h.archive.PendingStills(t.Context(), 9); err != nil || len(waiting) != 1 {
		t.Errorf("%+v, %v", waiting, err)
	}
}
