package policy

import (
	"time"

	"lintel/internal/house"
)

// Restate tells what a rule comes to, or why it can't be followed.
func Restate(r house.DoorRule) house.Reason {
	told := house.Values{Person: r.Person, Door: r.Door, Rules: []house.DoorRule{r}}
	if err := checkRule(r); err != nil {
		return house.Reason{Code: restateFaulty, Values: house.Values{Why: refusals(err)}}
	}
	if !r.Allowed {
		return house.Reason{Code: restateNever, Values: told}
	}
	return house.Reason{Code: restateAllows, Values: told}
}

// RestateParcel tells what a rule for a parcel comes to, or why it can't be
// followed.
func RestateParcel(r house.ParcelRule, door house.Door, zone *time.Location) house.Reason {
	if zone == nil {
		return house.Reason{Code: restateNoZone}
	}
	if err := CheckParcel(r, door); err != nil {
		return house.Reason{Code: restateFaulty, Values: house.Values{Why: refusals(err)}}
	}
	return house.Reason{Code: restateParcel, Values: house.Values{Door: door.ID, Parcel: &r}}
}
