package advisor

import (
	"sync"
	"time"

	"lintel/pipeline/advice/policy"
)

// jump is by how much the clock may go otherwise than time itself between two
// looks: enough for a clock that is steered, too little for one that is set.
const jump = 2 * time.Second

// A Clock watches the server's clock against one that can't be set. A machine
// that slept looks like one whose clock was set, and so does a clock that was
// wrong at the start and then put right: for an hour after that nothing is
// suggested.
type Clock struct {
	now     func() time.Time
	elapsed func() time.Duration // since any moment, never set

	mu       sync.Mutex
	began    bool
	lastNow  time.Time
	lastGone time.Duration
	jumpedAt time.Time
}

// NewClock watches the clock now by elapsed.
func NewClock(now func() time.Time, elapsed func() time.Duration) *Clock {
	return &Clock{now: now, elapsed: elapsed}
}

// look compares both clocks with how they were at the look before.
func (c *Clock) look() {
	c.mu.Lock()
	defer c.mu.Unlock()
	now, gone := c.now().Round(0), c.elapsed() // without Go's own reading of the other clock
	if c.began && (now.Sub(c.lastNow)-(gone-c.lastGone)).Abs() > jump {
		c.jumpedAt = now
	}
	c.began, c.lastNow, c.lastGone = true, now, gone
}

// jumped says that the clock jumped at some time, if it was not seen to later.
func (c *Clock) jumped(at time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if at.After(c.jumpedAt) {
		c.jumpedAt = at
	}
}

func (c *Clock) state() *policy.ClockState {
	c.mu.Lock()
	defer c.mu.Unlock()
	return &policy.ClockState{JumpedAt: c.jumpedAt}
}
