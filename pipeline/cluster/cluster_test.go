package cluster

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"lintel/internal/house"
	"lintel/pipeline/match"
)

// along is a face at that place of a line.
func along(x float64) (d house.Descriptor) {
	d[0], d[1] = float32(x), 1
	return d
}

// someFaces draws faces of people: each is near a middle of their own, and some
// of these are near one another.
func someFaces(r *rand.Rand, people, each int, spread float64) (faces []house.Descriptor) {
	var middle house.Descriptor
	for p := range people {
		if p%3 != 0 || p == 0 { // else somebody like the last
			for i := range middle {
				middle[i] = float32(r.NormFloat64() * 0.05)
			}
		}
		for range 1 + r.IntN(each) {
			d := middle
			for i := range d {
				d[i] += float32(r.NormFloat64() * spread)
			}
			faces = append(faces, d)
		}
	}
	return faces
}

func TestDistance(t *testing.T) {
	curve := match.Shipped()
	for _, fmr := range []float64{1e-5, 1e-4, FMR, 1e-2} {
		d := Distance(curve, fmr)
		if !(d > 0 && d < match.MaxDistance) || match.FMR(d-1e-9) > fmr || match.FMR(d+1e-3) < fmr {
			t.Errorf("Distance(%g) = %g, where the FMR is %g", fmr, d, match.FMR(d))
		}
	}
	for _, fmr := range []float64{0.5, 1} {
		if d := Distance(curve, fmr); d != match.MaxDistance {
			t.Errorf("Distance(%g) = %g, beyond what is named", fmr, d)
		}
	}
	if d := Distance(curve, 0); d != 0 {
		t.Errorf("Distance(0) = %g", d)
	}
	t.Logf("an FMR of %g is at distance %.4f", FMR, Distance(curve, FMR))
}

func TestConfusable(t *testing.T) {
	reference := func(person string, x float64) house.Reference {
		return house.Reference{Person: person, Descriptor: along(x)}
	}
	gallery := []house.Reference{
		reference("ada", 0), reference("ada", 3), reference("bo", 0.4), reference("bo", 2.7), // 0.3 from 3
		reference("cy", 9), reference("cy", 9.01), reference("di", -0.35),
	}
	bandOf := match.NewGallery(gallery, match.Shipped(), match.DefaultPrior).BandOf
	for range 2 {
		got := Confusable(gallery, bandOf)
		want := map[string][]string{"ada": {"bo", "di"}, "bo": {"ada"}, "di": {"ada"}}
		if len(got) != len(want) {
			t.Errorf("%v", got)
		}
		for person, others := range want {
			var names []string
			for _, d := range got[person] {
				names = append(names, d.Person)
				if d.Band == match.None || d.Band != bandOf(d.Distance) {
					t.Errorf("%s and %s: band %s at %g", person, d.Person, d.Band, d.Distance)
				}
			}
			if !slices.Equal(names, others) {
				t.Errorf("%s is confused with %v, want %v", person, names, others)
			}
		}
		if d := got["bo"]; len(d) == 0 || math.Abs(d[0].Distance-0.3) > 1e-6 {
			t.Errorf("bo: %v, want the nearest references at 0.3", d)
		}
		slices.Reverse(gallery)
	}
	for _, none := range [][]house.Reference{nil, gallery[:1], {reference("cy", 1), reference("cy", 1)},
		{reference("ada", 0), reference("bo", match.MaxDistance+1e-3)}} {
		if got := Confusable(none, bandOf); len(got) != 0 {
			t.Errorf("%v", got)
		}
	}
}
