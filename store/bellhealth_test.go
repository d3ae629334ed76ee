package store

import (
	"slices"
	"testing"
	"time"

	"lintel/internal/house"
)

// The trail names the ailment that began, also where it comes before those that
// the bell had.
func TestTrailOfAilments(t *testing.T) {
	a, _ := newArchive(t)
	begin := func(all ...house.Ailment) {
		t.Helper()
		must(t, a.ChangeBellHealth(t.Context(), "gate", func(h *house.Health) error {
			for _, what := range all {
				h.Begin(what, a.now())
			}
			return nil
		}))
	}
	begin(house.BellBattery, house.BellClock, house.BellMoved)
	had := len(trailOf(t, a))
	begin(house.BellQuiet)
	var actions []string
	for _, e := range trailOf(t, a)[had:] {
		actions = append(actions, e.Action)
	}
	if !slices.Equal(actions, []string{"bell-quiet"}) {
		t.Errorf("the trail says %q", actions)
	}
}

// What the trail can't take does not happen: how often a bell sends heartbeats and
// what it usually sees stay as they were.
func TestBellHealthGoesWithItsTrail(t *testing.T) {
	a, _ := newArchive(t)
	ctx := t.Context()
	must(t, a.KeepBellView(ctx, "gate", []byte("a wall of bricks")))
	must(t, a.ChangeBellHealth(ctx, "gate", func(h *house.Health) error {
		h.Begin(house.BellMoved, a.now())
		return nil
	}))
	_, err := a.write.Exec(`CREATE TEMP TRIGGER full BEFORE INSERT ON main.audit
		WHEN new.action IN ('changed', 'removed') BEGIN SELECT raise(ABORT, 'the trail is full'); END`)
	must(t, err)
	if a.SetHeartbeat(ctx, "gate", time.Hour) == nil || a.ForgetBellView(ctx, "gate") == nil {
		t.Error("no error, and no entry of the trail")
	}
	h, err := a.BellHealth(ctx, "gate")
	must(t, err)
	if _, moved := h.Has(house.BellMoved); h.Interval != 0 || !moved {
		t.Errorf("changed without an entry of the trail: %+v", h)
	}
	if view, err := a.BellView(ctx, "gate"); err != nil || string(view) != "a wall of bricks" {
		t.Errorf("it usually sees %q, %v", view, err)
	}
}
