package house

import "time"

// A Door is what a receiver of advice may let somebody through.
type Door struct {
	ID   string `json:"id"`
	Name string `json:"name"`
	Bell string `json:"bell"` // the name of the bell that rings there
	// Parcel says that it is a garage, a box or a porch that a parcel may be
	// left in. It is never the house's own door.
	Parcel bool `json:"parcel"`
	// Tell says when a suggestion here leaves for receivers.
	Tell Tell `json:"tell,omitempty"`
}

// A Tell is when a suggestion at a door leaves for its receivers.
type Tell string

const (
	TellAtOnce       Tell = "at-once"
	TellAfterConfirm Tell = "after-confirm" // of a resident, by hand
)

// TellsAtOnce reports whether suggestions at the door leave at once. Where
// nobody decided that, they do at a door for parcels, and not at the house's own.
func (d Door) TellsAtOnce() bool {
	return d.Tell == TellAtOnce || d.Tell == "" && d.Parcel
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
	// are needed: 1 or more, never 0. Two weak ones count as one.
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

// A ParcelState is what became of an expected parcel.
type ParcelState string

const (
	ParcelLater ParcelState = "later" // its time is to come
	ParcelNow   ParcelState = "now"   // it is expected now
	ParcelUsed  ParcelState = "used"  // opening was suggested for it
	ParcelOver  ParcelState = "over"  // its time went by
)

// State returns what became of the parcel by now.
func (p ParcelRule) State(now time.Time) ParcelState {
	switch {
	case p.UsedBy != "":
		return ParcelUsed
	case now.Before(p.From):
		return ParcelLater
	case now.Before(p.To):
		return ParcelNow
	}
	return ParcelOver
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
	// After so many failed attempts of one person's (Misses, 1 to 10) within an
	// hour nothing is suggested for them for Wait (1 minute to 24 hours). The same
	// number from one phone or reader makes what it tells not count for as long.
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
	return AdviceRules{Window: 10 * time.Minute, Expiry: time.Minute, Misses: 3, Wait: 15 * time.Minute}
}

// A Receiver may hear advice at one door.
type Receiver struct {
	ID      string    `json:"id"`
	Door    string    `json:"door"` // id
	Name    string    `json:"name"`
	AddedAt time.Time `json:"added_at"`
	Key     []byte    `json:"-"` // 32 bytes, that messages to it are signed with
}

// ErrHouseDoor says that a parcel can't be expected at a door that is not one
// for parcels.
var ErrHouseDoor error = Refusal("parcel-door")
