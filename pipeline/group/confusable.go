package group

import (
	"cmp"
	"math"
	"slices"

	"lintel/pipeline/match"
	"lintel/store"
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
func Confusable(gallery []store.Reference, bandOf func(distance float64) match.Band) map[string][]Double {
	type pair struct{ one, other string }
	nearest := make(map[pair]float64)
	limit := squareOf(match.MaxDistance)
	for i := range gallery {
		for j := range i {
			one, other := &gallery[i], &gallery[j]
			if one.Person == other.Person || !within(&one.Descriptor, &other.Descriptor, limit) {
				continue
			}
			p := pair{min(one.Person, other.Person), max(one.Person, other.Person)}
			d, known := nearest[p]
			if !known {
				d = math.Inf(1)
			}
			nearest[p] = min(d, match.Distance(&one.Descriptor, &other.Descriptor))
		}
	}
	doubles := make(map[string][]Double)
	for p, distance := range nearest {
		if band := bandOf(distance); band != match.None {
			doubles[p.one] = append(doubles[p.one], Double{p.other, distance, band})
			doubles[p.other] = append(doubles[p.other], Double{p.one, distance, band})
		}
	}
	for _, list := range doubles {
		slices.SortFunc(list, func(a, b Double) int {
			return cmp.Or(cmp.Compare(a.Distance, b.Distance), cmp.Compare(a.Person, b.Person))
		})
	}
	return doubles
}

// Alike is Confusable with the ids alone, the likest first. It is never nil.
func Alike(gallery []store.Reference, bandOf func(distance float64) match.Band) map[string][]string {
	alike := make(map[string][]string)
	for person, doubles := range Confusable(gallery, bandOf) {
		for _, d := range doubles {
			alike[person] = append(alike[person], d.Person)
		}
	}
	return alike
}
