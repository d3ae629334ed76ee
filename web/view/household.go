package view

import (
	"lintel/internal/house"
	"lintel/pipeline/cluster"
	"lintel/pipeline/match"
)

// A Household says what it means for this household that groups of people differ
// in how often they are taken for each other.
type Household struct {
	Persons int
	Pairs   int // of persons
	Closest []Pair
	Apart   bool   // whether no two are near enough to be named as each other
	Ends    string // the distance where naming ends now
	Shipped string // where it would without the household's own strangers; "" if there too
	Own     int    // strangers that somebody answered for
	Enough  int    // of them, for rates to fall too
}

// A Pair is two persons who look alike.
type Pair struct {
	One, Other string
	Distance   string
	Band       match.Band // of a face as near as that
}

// closestShown is how many pairs are named.
const closestShown = 3

// Household says how alike the persons of a gallery are, whose names are by id.
func (t Presenter) Household(references []house.Reference, gallery *match.Gallery, names map[string]string) Household {
	n := gallery.Size().Persons
	h := Household{
		Persons: n, Pairs: n * (n - 1) / 2, Apart: true,
		Own: gallery.Curve().Strangers, Enough: match.EnoughStrangers,
	}
	for _, p := range cluster.Closest(references, closestShown) {
		band := gallery.BandOf(p.Distance)
		h.Apart = h.Apart && band == match.None
		one, other := names[p.One], names[p.Other]
		h.Closest = append(h.Closest, Pair{min(one, other), max(one, other), t.Words.Sprintf("%.2f", p.Distance), band})
	}
	h.Ends = t.Words.Sprintf("%.3f", gallery.Threshold(match.None))
	shipped := t.Words.Sprintf("%.3f", match.Shipped().Threshold(match.Weak.Limit(), gallery.Size()))
	if shipped != h.Ends {
		h.Shipped = shipped
	}
	return h
}
