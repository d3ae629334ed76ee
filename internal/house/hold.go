package house

import (
	"errors"
	"time"
)

// Errors of holds.
var (
	// ErrBadHold says that a hold lacks a reason, or an end that is to come.
	ErrBadHold = errors.New("this hold can't be placed")
	// ErrHeld says that a visit is held and so can't be erased.
	ErrHeld = errors.New("the visit is held; end its hold first")
)

// A Hold keeps a visit past its time, whatever the rules say.
type Hold struct {
	Visit    string
	Reason   string
	PlacedAt time.Time
	EndsAt   time.Time
}
