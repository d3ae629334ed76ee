package match

import (
	"math"
	"testing"

	"lintel/internal/house"
)

// Faces on a line, so that distances are differences: to one reference the plain
// one, to several the power mean, worked by hand.
func TestGainOf(t *testing.T) {
	one := func(x float32) house.Reference { return house.Reference{Person: "ben", Descriptor: at(x)} }
	other := house.Reference{Person: "ada", Descriptor: at(5)}
	for _, c := range []struct {
		name    string
		added   house.Reference
		gallery []house.Reference
		want    Gain
	}{
		{"the first", one(0), []house.Reference{other}, Gain{0, 0, 1, None}},
		{"in the gallery already", one(0), []house.Reference{other, one(0)}, Gain{0, 0, 1, None}},
		{"much the same", one(0.1), []house.Reference{other, one(0)}, Gain{1, 0.1, 0, Strong}},
		{"other light", one(0.39), []house.Reference{other, one(0)}, Gain{1, 0.39, 0, Fair}},
		{"other light again", one(0.42), []house.Reference{one(0), one(0)}, Gain{2, 0.42, 0, Fair}},
		{"near one of two", one(0.2), []house.Reference{one(0), one(1)}, Gain{2, 0.2 * math.Pow(2, 1./8), 0, Strong}},
		{"somebody else?", one(0.6), []house.Reference{other, one(0)}, Gain{1, 0.6, 0, None}},
	} {
		got := GainOf(c.added, c.gallery, Shipped())
		if got.Others != c.want.Others || math.Abs(got.Distance-c.want.Distance) > 1e-4 || got.Band != c.want.Band {
			t.Errorf("%s: %+v, want %+v", c.name, got, c.want)
		}
	}
}
