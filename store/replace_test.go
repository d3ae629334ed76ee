package store

import (
	"testing"
	"time"

	"lintel/internal/house"
)

// A frame that comes while the others of its ring are made smaller does not stay whole.
func TestLateFrameWhileShrinking(t *testing.T) {
	a, c := newArchive(t)
	rules := house.DefaultRules()
	short := house.Rule{Smaller: house.Period{Hours: 1}, Stills: house.Period{Hours: 72},
		Findings: house.Period{Hours: 72}}
	for _, k := range house.Kinds {
		rules.Keep[k] = short
	}
	must(t, a.SetRules(t.Context(), rules))
	keep := func(frame int) string {
		id, _, err := a.Keep(t.Context(), house.NewStill{Bell: "gate", Ring: "r", Frame: frame, JPEG: make([]byte, 1000),
			Width: 640, Height: 480, ReceivedAt: c.Now(), SentSHA256: [32]byte{byte(frame)}})
		if err != nil {
			t.Fatal(err)
		}
		s, err := a.Visit(t.Context(), id)
		if err != nil {
			t.Fatal(err)
		}
		must(t, a.Record(t.Context(), s.Stills[frame].ID, house.Done, nil))
		return id
	}
	id := keep(0)
	c.Advance(2 * time.Hour)
	if _, err := a.Sweep(t.Context(), func(jpeg []byte) ([]byte, int, int, error) {
		keep(1)
		return jpeg[:500], 320, 240,
			nil
	}); err != nil {
		t.Fatal(err)
	}
	v, _ := a.Visit(t.Context(), id)
	t.Logf("stage %d, widths %d %d", v.Stage, v.Stills[0].Width, v.Stills[1].Width)
	if v.Stage == house.Smaller && v.Stills[1].Width == 640 {
		t.Error("a frame that came while the others were made smaller stays whole at the stage of smaller ones")
	}
}
