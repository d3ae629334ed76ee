package view

import (
	"slices"

	"lintel/internal/house"
)

// Veiled is a visit as guests in the house may see it: that somebody rang, when and
// where, with the stills, and nothing of who that is.
func Veiled(v house.Visit) house.Visit {
	v.Kind, v.Hold, v.Messages, v.Parcel = "", nil, nil, false
	v.Stills = slices.Clone(v.Stills)
	for i := range v.Stills {
		v.Stills[i].Faces, v.Stills[i].State = nil, house.Pending
	}
	return v
}
