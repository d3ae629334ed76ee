package store

import (
	"testing"
	"time"

	"lintel/internal/house"
)

// gaveUp has a visit whose still was given up.
func gaveUp(t *testing.T, a *Archive, ring string) (visit, still string) {
	t.Helper()
	visit = examinedVisit(t, a, ring, house.Failed)
	v, err := a.Visit(t.Context(), visit)
	must(t, err)
	return visit, v.Stills[0].ID
}

// Another version of Lintel tries once more what was given up, and the same does not
// try a second time.
func TestAnotherVersionTriesAgain(t *testing.T) {
	a, c := newArchive(t)
	try := func(version string, want int) {
		t.Helper()
		if n, err := a.TryGivenUp(t.Context(), version); err != nil || n != want {
			t.Errorf("%s: %d tried again, want %d; %v", version, n, want, err)
		}
	}
	visit, still := gaveUp(t, a, "r1")
	try("v1", 1) // nobody knows which version gave it up
	waiting, err := a.PendingStills(t.Context(), 9)
	if err != nil || len(waiting) != 1 || waiting[0].Attempts != house.MaxAttempts-1 {
		t.Errorf("%+v, %v, want one attempt left", waiting, err)
	}
	if v, err := a.Visit(t.Context(), visit); err != nil || v.Kind != house.Looking {
		t.Errorf("kind %s, %v", v.Kind, err)
	}
	try("v1", 0)
	must(t, a.Record(t.Context(), still, house.Failed, nil))
	try("v1", 0)
	try("v2", 1)
	must(t, a.Record(t.Context(), still, house.Done, nil))
	try("v3", 0)

	gone, _ := gaveUp(t, a, "r2")
	must(t, a.SetRules(t.Context(), shortStills()))
	c.Advance(2 * time.Hour)
	sweep(t, a, noShrinker)
	if stillThere(t, a, gone).Stills[0].File != "" {
		t.Fatal("the still is there")
	}
	try("v4", 0)
	checkSound(t, a)
}

// A resident has a still tried once more; one that was examined stays as it is.
func TestTryVisitAgain(t *testing.T) {
	a, _ := newArchive(t)
	visit, still := gaveUp(t, a, "r1")
	done := examinedVisit(t, a, "r2", house.Done)
	for range 2 {
		must(t, a.TryVisitAgain(t.Context(), visit))
		must(t, a.TryVisitAgain(t.Context(), done))
		if waiting, err := a.PendingStills(t.Context(), 9); err != nil || len(waiting) != 1 || waiting[0].ID != still {
			t.Errorf("%+v, %v", waiting, err)
		}
		must(t, a.Record(t.Context(), still, house.Failed, nil))
	}
	wantError(t, a.TryVisitAgain(t.Context(), "NOBODY"), house.ErrNotFound)
}

// After a day without its models a server has a backlog: who rings now is examined
// before it.
func TestNewRingsComeBeforeABacklog(t *testing.T) {
	a, c := newArchive(t)
	old := make(map[string]bool)
	for _, ring := range []string{"r1", "r2", "r3"} {
		old[examinedVisit(t, a, ring, house.Pending)] = true
		c.Advance(time.Hour)
	}
	n := stillOf("now", 0)
	n.ReceivedAt = c.Now()
	now := keep(t, a, n)
	waiting, err := a.PendingStills(t.Context(), 2)
	if err != nil || len(waiting) != 2 || waiting[0].Visit != now || waiting[0].Behind || !old[waiting[1].Visit] ||
		!waiting[1].Behind {
		t.Errorf("%+v, %v", waiting, err)
	}
}
