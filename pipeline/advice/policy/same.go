package policy

import (
	"bytes"
	"encoding/json"
	"slices"
	"time"

	"lintel/internal/house"
)

// Same reports whether two decisions say the same: the same conditions, for the
// same reasons with the same numbers. What only goes on with the time, such as how
// old a ring is, makes none another.
func Same(a, b house.Advice) bool {
	return a.State == b.State && a.Person == b.Person && a.Parcel == b.Parcel &&
		bytes.Equal(standing(a.Conditions), standing(b.Conditions))
}

// Awaits reports whether a decision was made before all stills were examined, so that
// it says of one that it is not.
func Awaits(a house.Advice) bool {
	return slices.ContainsFunc(a.Conditions, func(c house.Condition) bool {
		return slices.ContainsFunc(c.Reasons, func(r house.Reason) bool { return r.Code == stillPending })
	})
}

// standing is how conditions are kept, without what goes on with the time.
func standing(all []house.Condition) []byte {
	all = slices.Clone(all)
	for i := range all {
		all[i].Reasons = slices.Clone(all[i].Reasons)
		for k := range all[i].Reasons {
			switch r := &all[i].Reasons[k]; r.Code {
			case ringFresh, ringOld, ringLater, stillOld, stillLater, takenOld, takenLater, clockBehind:
				r.Lasted = 0
			case timeHolds, timeOther, timeNoRule:
				r.At = time.Time{}
			}
		}
	}
	text, err := json.Marshal(all)
	if err != nil {
		return nil // a number that is none is told anew each time
	}
	return text
}
