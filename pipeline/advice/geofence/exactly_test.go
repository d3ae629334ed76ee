package geofence

import (
	"testing"
	"time"

	"lintel/internal/house"
)

// TestExactly has circles that touch the bounds to the last digit: accuracies are made of the distance.
func TestExactly(t *testing.T) {
	from := func(metres float64, accuracy func(away float64) float64) Report {
		r := north(metres, 10, 0)
		r.Accuracy = accuracy(r.from(home))
		return r
	}
	far := from(200, func(away float64) float64 { return away - 150 })
	near := from(90, func(away float64) float64 { return 2 * (100 - away) })
	edge := from(130, func(away float64) float64 { return away - 100 })
	entered := from(600, func(away float64) float64 { return away - 500 })
	gone := from(950, func(away float64) float64 { return away - 900 })
	if far.from(home)-far.Accuracy != 150 || near.from(home)+near.Accuracy/2 != 100 ||
		edge.from(home)-edge.Accuracy != 100 ||
		entered.from(home)-entered.Accuracy != 500 || gone.from(home)-gone.Accuracy != 900 {
		t.Fatal("these do not touch the bounds")
	}
	if Where(far, home) != Undecided || Where(near, home) != Inside {
		t.Errorf("touching outside is %s, touching inside is %s", Where(far, home), Where(near, home))
	}
	entered.Crossing = Entered
	if Where(entered, home) != Inside {
		t.Errorf("entered 400 m off is %s", Where(entered, home))
	}
	s := State{Home: home, Stands: Arrival{Opens: noon.Add(1), Strength: 1}}
	if s.between(edge, false, noon); s.Stands == (Arrival{}) {
		t.Error("touching the circle takes back what waits")
	}
	if s.outside(gone, false, noon); s.Trip.Far {
		t.Error("touching 900 m is far")
	}
	far.Crossing = Entered
	if s = (State{Home: home}); s.where(far.dated(noon.Add(time.Second)), north(0, 10, 0)) != Inside || !s.surely(far) {
		t.Error("entered, touching outside, is not believed")
	}
}

// TestSight has a reader's word be the second sign of a phone that came home within ten minutes, and of no other.
func TestSight(t *testing.T) {
	waits := func(strength float64) State {
		return State{Home: home, Trip: trip{From: noon.Add(-time.Hour)}, Stay: stay{From: noon, Strength: strength}}
	}
	for _, d := range around {
		now := noon.Add(Settled + d)
		got := Sight(waits(house.Slight), now)
		want := Arrival{}
		if d <= 0 {
			want = Arrival{Opens: now, Strength: house.Slight}
		}
		if got.Stands != want || !got.Seen.Equal(now) {
			t.Errorf("by %v: %+v, want %+v", d, got.Stands, want)
		}
		opens := noon.Add(time.Minute)
		s := waits(house.Ordinary)
		s.Stands = Arrival{Opens: opens.Add(d), Strength: house.Ordinary}
		if got := Sight(s, opens); got.Stands.Opens.Equal(opens) != (d >= 0) {
			t.Errorf("of an arrival that opens %v later: %+v", d, got.Stands)
		}
	}
	out := waits(house.Ordinary)
	out.Stay.Broken = noon
	stray := waits(house.Ordinary)
	stray.Stray = true
	for name, s := range map[string]State{"never home": {Home: home}, "of no worth": waits(0), "out again": out,
		"seen while it was away": stray} {
		if got := Sight(s, noon.Add(time.Minute)); got.Stands != (Arrival{}) {
			t.Errorf("%s: %+v", name, got.Stands)
		}
	}
}
