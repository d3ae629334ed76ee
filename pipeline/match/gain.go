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

// Words say the gain to people. It is of the person with that name.
func (g Gain) Words(name string) string {
	switch {
	case g.Others == 0:
		return "The first picture of " + name + "."
	case g.Band == None:
		return "Without it, " + name + " is missed where the face looks like this: much surer with it, if it shows " +
			name + "."
	case g.Band == Strong:
		return "Without it, a face like this is a strong match already: hardly surer with it."
	}
	return "Without it, a face like this is a " + string(g.Band) + " match, and " + Odds(g.FPIR) +
		" looks as much like " + name + ": surer with it."
}

// EnoughPictures is how many pictures of a person, in different light and pose,
// are asked for. With so many, few faces in other light are missed in what was
// measured (MEASUREMENTS.md), and each further one gains less.
const EnoughPictures = 5

// MorePictures asks for further pictures of a person who has so many; "" for
// enough.
func MorePictures(references int) string {
	if references >= EnoughPictures {
		return ""
	}
	return "Add pictures until there are five, in different light and pose: outside by day, under the lamp by night, " +
		"the head turned a little to either side, with glasses and without."
}
