package house

import (
	"slices"
	"testing"
	"time"
)

// What a bell lacked before stays as it was told when one ailment more begins,
// however much room the list has: the archive compares the two.
func TestBeginLeavesWhatWasBefore(t *testing.T) {
	h := Health{Ailing: make([]Spell, 0, len(Ailments))}
	for _, a := range []Ailment{BellBattery, BellClock, BellMoved} {
		h.Begin(a, time.Unix(1, 0))
	}
	before := h
	kept := slices.Clone(before.Ailing)
	if !h.Begin(BellQuiet, time.Unix(2, 0)) {
		t.Fatal("it did not begin")
	}
	if !slices.Equal(before.Ailing, kept) {
		t.Errorf("before it lacked %v, and now it lacked %v before", kept, before.Ailing)
	}
	if h.Ailing[0].Ailment != BellQuiet || len(h.Ailing) != 4 {
		t.Errorf("it lacks %v", h.Ailing)
	}
}
