package policy

import (
	"slices"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
)

func TestDryRun(t *testing.T) {
	in := good()
	visit := func(back int) house.Visit {
		then := good()
		moved(&then, evening.AddDate(0, 0, -back).Sub(evening))
		return then.Visit
	}
	sunday, twoDaysAgo, bare := visit(3), visit(2), visit(1)
	for i := range bare.Stills { // what is left of a visit whose stills are gone
		for k := range bare.Stills[i].Faces {
			bare.Stills[i].Faces[k].Quality, bare.Stills[i].Faces[k].Descriptor = nil, house.Descriptor{}
		}
	}
	late := &twoDaysAgo.Stills[1] // a still that took its time
	late.ReceivedAt, late.TakenAt = late.ReceivedAt.Add(20*time.Second), late.TakenAt.Add(20*time.Second)
	other := visit(2)
	other.Bell = "back"
	visits := []house.Visit{sunday, twoDaysAgo, bare, other}
	// The present is no matter: nobody had rung, everything was wrong.
	in.Visit, in.Bell, in.Clock, in.Misses, in.Now = house.Visit{}, nil, nil, nil, time.Time{}
	in.House.Paused, in.House.AwayUntil = true, evening.AddDate(0, 0, 10)

	all := DryRun(visits, in, []house.FactorKind{house.FactorCode})
	if len(all) != len(visits) {
		t.Fatalf("%d advices", len(all))
	}
	want := [][]string{{Time}, nil, {Frames, Quality}, {Door}}
	for i, a := range all {
		got := unmet(a)
		if i == 0 { // no rule holds on a Sunday, so nothing says what is enough
			got = slices.DeleteFunc(got, func(c string) bool { return slices.Contains(byRule[1:], c) })
		}
		if !slices.Equal(got, want[i]) {
			t.Errorf("visit %d: %s, not met %v, not %v", i, a.State, got, want[i])
		}
		for _, code := range pastUnknown {
			if c := conditionOf(t, a, code); !strings.Contains(says(in, c), "taken for granted") {
				t.Errorf("visit %d, %s: %s", i, code, says(in, c))
			}
		}
	}
	if none := DryRun(visits, in, nil); slices.ContainsFunc(none, suggested) {
		t.Error("suggested without a factor")
	}
	if resident := DryRun(visits, in, []house.FactorKind{house.FactorResident}); slices.ContainsFunc(resident,
		suggested) {
		t.Error("suggested by a kind that the rule does not name")
	}
	if !in.House.Paused {
		t.Error("the input changed")
	}
}

// TestDryRunMore holds that more kinds given never make less be suggested.
func TestDryRunMore(t *testing.T) {
	for seed := range uint64(fewer(2000)) {
		in := drawn(seeded(seed))
		few := DryRun([]house.Visit{in.Visit}, in, kinds[:1])
		many := DryRun([]house.Visit{in.Visit}, in, kinds)
		if suggested(few[0]) && !suggested(many[0]) {
			t.Fatalf("seed %d", seed)
		}
	}
}
