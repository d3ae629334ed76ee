package match

import (
	"math"
	"strings"
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
		says    string
	}{
		{"the first", one(0), []house.Reference{other}, Gain{0, 0, 1, None}, "The first picture of Ben Orrin."},
		{"in the gallery already", one(0), []house.Reference{other, one(0)}, Gain{0, 0, 1, None}, "The first picture"},
		{"much the same", one(0.1), []house.Reference{other, one(0)}, Gain{1, 0.1, 0, Strong}, "strong match already"},
		{"other light", one(0.39), []house.Reference{other, one(0)}, Gain{1, 0.39, 0, Fair},
			"a fair match, and about 1 stranger in"},
		{"other light again", one(0.42), []house.Reference{one(0), one(0)}, Gain{2, 0.42, 0, Fair}, "a fair match"},
		{"near one of two", one(0.2), []house.Reference{one(0), one(1)}, Gain{2, 0.2 * math.Pow(2, 1./8), 0, Strong},
			"hardly surer"},
		{"somebody else?", one(0.6), []house.Reference{other, one(0)}, Gain{1, 0.6, 0, None},
			"much surer with it, if it shows Ben Orrin"},
	} {
		got := GainOf(c.added, c.gallery, Shipped())
		if got.Others != c.want.Others || math.Abs(got.Distance-c.want.Distance) > 1e-4 || got.Band != c.want.Band {
			t.Errorf("%s: %+v, want %+v", c.name, got, c.want)
		}
		if words := got.Words("Ben Orrin"); !strings.Contains(words, c.says) {
			t.Errorf("%s: %q, want %q in it", c.name, words, c.says)
		}
	}
	if MorePictures(EnoughPictures) != "" || !strings.Contains(MorePictures(1), "different light and pose") {
		t.Error("pictures are asked for otherwise")
	}
}
