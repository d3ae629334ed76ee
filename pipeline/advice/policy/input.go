package policy

import (
	"time"

	"lintel/internal/house"
)

// An Input is all that a decision is made from. What is nil, empty or zero is
// not known, and what is not known withholds. Decisions read it and change
// nothing in it.
type Input struct {
	Now time.Time // by the server's clock, asked after all else was read
	// Open is the suggestion that is judged anew, nil for a new decision. What it
	// took counts as not used, and the ring was fresh when it was made.
	Open *house.Advice
	Zone *time.Location // the household's

	Visit house.Visit
	Door  house.Door
	Bells []string // every bell of the house, by name and by id: none of them gives factors
	Bell  *Bell    // the one that rang
	Clock *ClockState

	House   *house.AdviceRules
	Misses  []house.Miss       // failed attempts, in any order; nil where not known, empty where there are none
	Rules   []house.DoorRule   // of any persons and doors; nil where not known, empty where there are none
	Parcels []house.ParcelRule // of any doors

	Persons map[string]house.Person // by id
	// Alike lists for a person those who are easily confused with them, by id:
	// as package cluster finds them, and as the household marked twins. It is
	// nil where that was not worked out, and empty where nobody is alike. A
	// pair counts for both, whichever of the two it stands with.
	Alike   map[string][]string
	Factors []house.Factor // of any persons

	// Elsewhere says that something is suggested on this very ring at another
	// door, or was.
	Elsewhere bool
}

// A Bell is the bell that rang. That it was heard says nothing: the ring itself
// is the last that was heard of it.
type Bell struct {
	Name string
	// RefusedAt is when somebody last came in its name with a wrong secret, from
	// the network that the bell itself comes from; zero if nobody did.
	RefusedAt time.Time
	// TriedSince is since when wrong secrets come in its name one after the other,
	// from anywhere, which withholds nothing; zero if none do.
	TriedSince time.Time
	// TrialUntil is when the last trial with pictures at it ends or ended; zero
	// without one. Nothing that came before is suggested on.
	TrialUntil time.Time
	// Ailing is what is known to be wrong with the bell. Of one that never told
	// how it is, nothing is.
	Ailing []house.Spell
}

// A ClockState is how the server's clock is doing, by somebody who watches it
// against one that can't be set.
type ClockState struct {
	// JumpedAt is when it was last seen to jump, by the clock as it ran after
	// that; zero if it never was.
	JumpedAt time.Time
	// Behind is by how much the newest that the archive has is later than now.
	Behind time.Duration
}
