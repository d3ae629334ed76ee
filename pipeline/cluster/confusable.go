package cluster

import (
	"cmp"
	"math"
	"slices"

	"lintel/internal/house"
	"lintel/pipeline/match"
)

// A Double is a person whom another is easily confused with.
type Double struct {
	Person   string     // id
	Distance float64    // between their nearest references
	Band     match.Band // of a face as near as that; never none
}

// Confusable returns for each person of a gallery, by their ids, the others
// whose nearest reference is so near that a face there would be named, which
// bandOf tells: the likest first. Whoever is confused with nobody is left out.
// Twins and parents with their children are found so, and also references that
// are of somebody else than they should be.
func Confusable(gallery []house.Reference, bandOf func(distance float64) match.Band) map[string][]Double {
	doubles := make(map[string][]Double)
	for _, p := range nearest(gallery, match.MaxDistance) {
		if band := bandOf(p.Distance); band != match.None {
			doubles[p.One] = append(doubles[p.One], Double{p.Other, p.Distance, band})
			doubles[p.Other] = append(doubles[p.Other], Double{p.One, p.Distance, band})
		}
	}
	for _, list := range doubles {
		slices.SortFunc(list, func(a, b Double) int {
			return cmp.Or(cmp.Compare(a.Distance, b.Distance), cmp.Compare(a.Person, b.Person))
		})
	}
	return doubles
}

// A Pair is two persons, by their ids, and how far apart their nearest references
// are.
type Pair struct {
	One, Other string
	Distance   float64
}

// Closest returns the pairs of persons of a gallery who look most alike, the
// likest first.
func Closest(gallery []house.Reference, most int) []Pair {
	pairs := nearest(gallery, math.Inf(1))
	return pairs[:min(most, len(pairs))]
}

// nearest returns the pairs of persons with references within that distance, the
// likest first.
func nearest(gallery []house.Reference, upTo float64) (pairs []Pair) {
	type pair struct{ one, other string }
	least := make(map[pair]float64)
	limit := squareOf(upTo)
	for i := range gallery {
		for j := range i {
			one, other := &gallery[i], &gallery[j]
			if one.Person == other.Person || !within(&one.Descriptor, &other.Descriptor, limit) {
				continue
			}
			p := pair{min(one.Person, other.Person), max(one.Person, other.Person)}
			d, known := least[p]
			if !known {
				d = math.Inf(1)
			}
			least[p] = min(d, match.Distance(&one.Descriptor, &other.Descriptor))
		}
	}
	for p, d := range least {
		pairs = append(pairs, Pair{p.one, p.other, d})
	}
	slices.SortFunc(pairs, func(a, b Pair) int {
		return cmp.Or(cmp.Compare(a.Distance, b.Distance), cmp.Compare(a.One, b.One), cmp.Compare(a.Other, b.Other))
	})
	return pairs
}

// Alike is Confusable with the ids alone, the likest first. It is never nil.
func Alike(gallery []house.Reference, bandOf func(distance float64) match.Band) map[string][]string {
	alike := make(map[string][]string)
	for person, doubles := range Confusable(gallery, bandOf) {
		for _, d := range doubles {
			alike[person] = append(alike[person], d.Person)
		}
	}
	return alike
}

// squareOf is a limit for within, a little larger than the distance's square:
// within rounds as float32 does, and may let a pair through but never keep
// one back.
func squareOf(distance float64) float32 { return float32(distance*distance) * (1 + 1e-4) }

// within reports whether two faces may be within a distance, whose squareOf is
// the limit. Most pairs are told apart long before the last number.
func within(a, b *house.Descriptor, limit float32) bool {
	sum := float32(0)
	for at := 0; at < len(a); at += 16 {
		a, b := (*[16]float32)(a[at:]), (*[16]float32)(b[at:])
		var s, t, u, v float32 // four sums, so that none waits for another
		for i := 0; i < 16; i += 4 {
			d0, d1, d2, d3 := a[i]-b[i], a[i+1]-b[i+1], a[i+2]-b[i+2], a[i+3]-b[i+3]
			s += d0 * d0
			t += d1 * d1
			u += d2 * d2
			v += d3 * d3
		}
		if sum += s + t + (u + v); !(sum <= limit) {
			return false
		}
	}
	return true
}
