package store

import "time"

// A FactorKind is what kind of evidence a factor is.
type FactorKind string

const (
	FactorArrival  FactorKind = "arrival"  // the person's phone came home
	FactorCode     FactorKind = "code"     // a one-time code of the person's
	FactorToken    FactorKind = "token"    // a fob, tag or phone of the person's was seen
	FactorResident FactorKind = "resident" // somebody signed in looked at the still and agreed
)

// A Factor is evidence that a person is at the door, from something other than
// the face.
type Factor struct {
	ID     string     `json:"id"`
	Kind   FactorKind `json:"kind"`
	Person string     `json:"person"` // id
	// Source names what gave it: the id of a phone, a reader or a resident.
	// Never a bell: a factor from the bell is none.
	Source string `json:"source"`
	// Visit is the one that a resident agreed to; empty for all other kinds.
	Visit string `json:"visit,omitempty"`
	// At is when it happened, by the server's clock; it counts from then
	// until Until.
	At    time.Time `json:"at"`
	Until time.Time `json:"until"`
	// Strength is how much it is worth, over 0 to 1: 1 for a code or a
	// resident, less for what can be lent or spoofed.
	Strength float64 `json:"strength"`
	// UsedBy is the advice that it was used for; empty until then. A factor is
	// good for one advice.
	UsedBy string `json:"used_by,omitempty"`
}

// A Door is what a receiver of advice may let somebody through.
type Door struct {
	ID   string `json:"id"`
	Name string `json:"name"`
	Bell string `json:"bell"` // the name of the bell that rings there
	// Parcel says that it is a garage, a box or a porch that a parcel may be
	// left in. It is never the house's own door.
	Parcel bool `json:"parcel"`
}

// A DoorRule says when a suggestion may be made for a person at a door.
type DoorRule struct {
	ID      string `json:"id"`
	Person  string `json:"person"`
	Door    string `json:"door"`
	Allowed bool   `json:"allowed"` // false: never, whatever else allows it
	// Days are those of the week it holds on, Sunday first; From and To are
	// minutes of the day by the household's clock, 0 to 1440. To may be
	// before From: then it holds over midnight, counted to the day it began.
	Days [7]bool `json:"days"`
	From int     `json:"from_minute"`
	To   int     `json:"to_minute"`
	// Holidays says that it also holds on the household's holidays: one that
	// allows, on those that are on its Days; one that says never, on all of
	// them. One that says never holds on its Days in any case.
	Holidays bool `json:"holidays"`
	// Factors are the kinds that count, and Need how many of different kinds
	// are needed: 1 or more, never 0.
	Factors []FactorKind `json:"factors"`
	Need    int          `json:"need"`
	// Band is the smallest band of the match: strong or fair. A weak match
	// never counts.
	Band string `json:"band"`
	// Liveness is the worst level that is allowed: no-sign or doubtful.
	Liveness LivenessLevel `json:"liveness"`
	// CantTell allows what can't be told of movement: a ring of one still.
	CantTell bool `json:"cant_tell"`
}

// A ParcelRule lets one expected parcel be left at a door for parcels.
type ParcelRule struct {
	ID   string    `json:"id"`
	Door string    `json:"door"`
	Note string    `json:"note"` // what is expected, for people
	From time.Time `json:"from"`
	To   time.Time `json:"to"`
	// Window is how long a suggestion holds, 15 s to 5 min.
	Window time.Duration `json:"window"`
	// UsedBy is the advice it was used for; it is good for one.
	UsedBy string `json:"used_by,omitempty"`
}

// AdviceRules are what a household decides about all advice.
type AdviceRules struct {
	Paused bool `json:"paused"` // no advice at all
	// AwayUntil is until when the household is away, and nothing is suggested;
	// the zero time if it is not. Parcels may still be left where
	// ParcelsWhileAway says so.
	AwayUntil        time.Time `json:"away_until,omitzero"`
	ParcelsWhileAway bool      `json:"parcels_while_away"`
	// Window is for how long an arrival and a token seen count: 1 to 15 minutes.
	Window time.Duration `json:"window"`
	// Expiry is how long a suggestion holds, 15 s to 5 min.
	Expiry time.Duration `json:"expiry"`
	// After so many failed attempts (Misses, 1 to 10) within an hour nothing is
	// suggested for Wait (1 minute to 24 hours).
	Misses   int           `json:"misses"`
	Wait     time.Duration `json:"wait"`
	Holidays []string      `json:"holidays"` // 2027-01-01, by the household's calendar
	Home     *Home         `json:"home,omitempty"`
}

// A Home is where arrivals end.
type Home struct {
	Latitude  float64 `json:"latitude_deg"`
	Longitude float64 `json:"longitude_deg"`
	Radius    float64 `json:"radius_m"` // 20 to 500
}

// DefaultAdviceRules are those of a household that has decided nothing. No
// rule allows anybody in until somebody makes one.
func DefaultAdviceRules() AdviceRules {
	return AdviceRules{Window: 5 * time.Minute, Expiry: time.Minute, Misses: 3, Wait: 15 * time.Minute}
}

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
