package match

import (
	"slices"

	"lintel/internal/house"
)

// A Gain says what a picture adds to a person's other ones: how surely a face as
// on it is known without it. What is known surely already gains little.
type Gain struct {
	Others   int     `json:"references"` // the person's, without this one
	Distance float64 `json:"distance"`   // to these together; 0 without any
	FPIR     float64 `json:"fpir"`       // there, 1 without any
	Band     Band    `json:"band"`
}

// GainOf returns what a reference adds to a gallery, whether or not it is in it,
// by the curve.
func GainOf(added house.Reference, gallery []house.Reference, curve *Curve) Gain {
	others := slices.DeleteFunc(slices.Clone(gallery), func(r house.Reference) bool {
		return r.Person == added.Person && r.Descriptor == added.Descriptor
	})
	n := 0
	for _, r := range others {
		if r.Person == added.Person {
			n++
		}
	}
	if n == 0 {
		return Gain{FPIR: 1, Band: None}
	}
	g := NewGallery(others, curve, DefaultPrior)
	p, _ := slices.BinarySearch(g.persons, added.Person)
	d := g.exact(p, []Probe{{Descriptor: added.Descriptor, Weight: 1}})
	return Gain{n, d, g.FPIR(d), g.BandOf(d)}
}

// EnoughPictures is how many pictures of a person, in different light and pose,
// are asked for. With so many, few faces in other light are missed in what was
// measured (MEASUREMENTS.md), and each further one gains less.
const EnoughPictures = 5
