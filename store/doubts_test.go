package store

import (
	"slices"
	"testing"
	"time"

	"lintel/internal/house"
)

// TestDoubtsOfSecrets keeps what is known of wrong secrets, and forgets it when a
// resident clears it, which the trail says.
func TestDoubtsOfSecrets(t *testing.T) {
	a, c := newArchive(t)
	at := c.Now()
	kept := []house.Doubt{
		{Kind: house.DoubtClock, At: at},
		{Kind: house.DoubtSecret, Bell: "gate", At: at, Since: at.Add(-time.Minute), Times: 12, Networks: 3,
			Own: at.Add(-time.Second)},
	}
	for _, d := range kept {
		if err := a.KeepDoubt(t.Context(), d); err != nil {
			t.Fatal(err)
		}
	}
	if got, err := a.Doubts(t.Context()); err != nil || !slices.Equal(got, kept) {
		t.Errorf("kept as %+v, %v", got, err)
	}
	for range 2 { // the second time there is nothing to forget
		if err := a.ForgiveSecrets(house.By(t.Context(), "resident R"), "gate"); err != nil {
			t.Fatal(err)
		}
	}
	if got, err := a.Doubts(t.Context()); err != nil || !slices.Equal(got, kept[:1]) {
		t.Errorf("left: %+v, %v", got, err)
	}
	want := "cleared secrets " + a.bellID("gate")
	if e, err := a.Trail(t.Context(), 0, 1); err != nil || e[0].Action+" "+e[0].Subject != want {
		t.Errorf("the trail ends with %+v, %v", e, err)
	}
}
