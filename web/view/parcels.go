package view

import (
	"lintel/internal/house"
	"lintel/pipeline/advice/policy"
)

// A Parcel is an expected parcel in a list.
type Parcel struct {
	house.ParcelRule
	State house.ParcelState
	Says  string // the rule, in a sentence
	Visit string // id of the visit it was used on, "" for none
}

// Parcel says what a rule for a parcel at a door comes to, and what became of it.
func (t Presenter) Parcel(p house.ParcelRule, door house.Door, visit string) Parcel {
	said := t.Words.Naming(func(string) string { return door.Name })
	return Parcel{p, p.State(t.Now), said.Reason(policy.RestateParcel(p, door, t.Zone)), visit}
}
