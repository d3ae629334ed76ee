package house

import (
	"errors"
	"time"
)

// A ClockDoubt says why the server's clock is doubted; "" if it is not.
type ClockDoubt string

// What a clock is doubted for, against what it showed when it was last known to be right.
const (
	ClockBehind ClockDoubt = "behind"
	ClockAhead  ClockDoubt = "ahead"
)

// ErrClockDoubted says that nothing is deleted by rules, since the clock is doubted.
var ErrClockDoubted = errors.New("the clock is doubted, so nothing goes by its time")

// A WaitingSweep waits for a resident, since it would delete unusually much. It
// is an error.
type WaitingSweep struct {
	Due   int       // visits that would lose their stills, or go
	Usual int       // how many came on the busiest day that is kept
	Until time.Time // when it goes ahead without a resident's word
}

func (WaitingSweep) Error() string {
	return "a sweep would delete unusually much, and waits for a resident"
}

// UnusualSweep is how many times the busiest day a sweep may delete unasked, and
// SweepWaits how long it waits: rules hold although nobody looks at a notice.
const (
	UnusualSweep = 3
	SweepWaits   = 7 * 24 * time.Hour
)
