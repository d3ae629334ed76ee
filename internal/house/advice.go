package house

import (
	"errors"
	"time"
)

// A Condition is one thing that must hold for a suggestion.
type Condition struct {
	Code string `json:"code"`
	// Met says that it holds. What is missing, unknown, late or in error is
	// not met.
	Met bool `json:"met"`
	// Says is why, a sentence with the numbers, for a family.
	Says string `json:"says"`
}

// An AdviceState is what became of a suggestion.
type AdviceState string

const (
	Withheld  AdviceState = "withheld"
	Suggested AdviceState = "suggested" // until it is one of the next
	Used      AdviceState = "used"
	Dismissed AdviceState = "dismissed"
	Expired   AdviceState = "expired"
)

// An Advice is to suggest or to withhold, with the reasons.
type Advice struct {
	ID        string      `json:"id"`
	Visit     string      `json:"visit"`
	Door      string      `json:"door"`
	Person    string      `json:"person,omitempty"` // id; empty for a parcel, and where nobody was known
	Parcel    string      `json:"parcel,omitempty"` // id of the parcel rule it is by
	State     AdviceState `json:"state"`
	At        time.Time   `json:"at"`
	ExpiresAt time.Time   `json:"expires_at,omitzero"` // of a suggestion
	// Conditions are all of them, met or not, in the order they are shown in, and
	// after them what withholds besides.
	Conditions []Condition `json:"conditions"`
	// Factors are the ids of those it rests on.
	Factors []string `json:"factors,omitempty"`
	// By is who used or dismissed it, as in the audit trail.
	By string `json:"by,omitempty"`
}

// Unmet returns the codes of the conditions that are not met.
func (d Advice) Unmet() (codes []string) {
	for _, c := range d.Conditions {
		if !c.Met {
			codes = append(codes, c.Code)
		}
	}
	return codes
}

// ErrTaken says that what a suggestion would rest on was used meanwhile, or that
// the suggestion itself is not open any more.
var ErrTaken = errors.New("already used, answered or expired")
