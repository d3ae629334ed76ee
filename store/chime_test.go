package store

import (
	"testing"

	"lintel/internal/house"
)

// TestChime keeps a chime, and refuses one that can't be.
func TestChime(t *testing.T) {
	a, _ := newArchive(t)
	if c, err := a.Chime(t.Context()); err != nil || c != house.DefaultChime() {
		t.Errorf("a new archive chimes %+v, %v", c, err)
	}
	wantError(t, a.SetChime(t.Context(), house.Chime{Volume: 101}), house.ErrBadRule)
	want := house.Chime{Volume: 35, From: 20 * 60, Until: 8 * 60}
	if err := a.SetChime(t.Context(), want); err != nil {
		t.Fatal(err)
	}
	if c, err := a.Chime(t.Context()); err != nil || c != want {
		t.Errorf("it chimes %+v, %v, want %+v", c, err, want)
	}
}
