package main

import (
	"context"
	"log/slog"
	"sync"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/redact"
	"lintel/store"
)

// smallerSide is the longer side of stills that a rule made smaller, in
// pixels: enough to see what went on, too little to read a letter or to find a
// face at the far end of a path.
const smallerSide = 480

func shrink(jpeg []byte) ([]byte, int, int, error) { return redact.Shrink(jpeg, smallerSide) }

// A caretaker does what the rules of keeping ask for, while the server runs:
// at its start, every hour, and at once after an erasure.
type caretaker struct {
	archive *store.Archive
	log     *slog.Logger
	now     func() time.Time
	hours   <-chan time.Time
	erased  chan struct{}

	mu   sync.Mutex
	last lastSweep
}

type lastSweep struct {
	at    time.Time
	swept house.Swept
	err   error
}

// newCaretaker returns a caretaker who sweeps at each tick of hours.
func newCaretaker(archive *store.Archive, log *slog.Logger, now func() time.Time, hours <-chan time.Time) *caretaker {
	return &caretaker{archive: archive, log: log, now: now, hours: hours, erased: make(chan struct{}, 1)}
}

// Erased says that something was erased, so that its traces are removed soon.
func (c *caretaker) Erased() {
	select {
	case c.erased <- struct{}{}:
	default: // it is on its way already
	}
}

// LastSweep says when the last sweep was and what it did; the time is zero
// before the first.
func (c *caretaker) LastSweep() (time.Time, house.Swept, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.last.at, c.last.swept, c.last.err
}

// Run works until the context is done. Failures are logged and tried again the
// next time.
func (c *caretaker) Run(ctx context.Context) {
	day := ""
	for {
		c.sweep(ctx)
		c.scrub(ctx)
		if today := c.now().Format(time.DateOnly); today != day {
			day = today
			c.removeStrays(ctx)
		}
		for waiting := true; waiting; {
			select {
			case <-ctx.Done():
				return
			case <-c.erased:
				c.scrub(ctx)
			case <-c.hours:
				waiting = false
			}
		}
	}
}

func (c *caretaker) sweep(ctx context.Context) {
	began := time.Now()
	swept, err := c.archive.Sweep(ctx, shrink)
	if ctx.Err() != nil {
		return // stopping; the next start goes on
	}
	c.mu.Lock()
	c.last = lastSweep{c.now(), swept, err}
	c.mu.Unlock()
	if err != nil {
		c.log.Error("sweeping", "err", err)
	}
	if swept != (house.Swept{}) {
		c.log.Info("swept", "visits", swept.Visits, "stills_of", swept.Findings, "smaller", swept.Smaller, "took",
			time.Since(began).Round(time.Millisecond))
	}
}

// scrub finishes erasures, of those that broke off too, and removes the last
// traces of what is gone.
func (c *caretaker) scrub(ctx context.Context) {
	for _, step := range []func(context.Context) error{c.archive.FinishErasures, c.archive.Scrub} {
		if err := step(ctx); err != nil && ctx.Err() == nil {
			c.log.Error("removing traces of what is gone", "err", err)
		}
	}
}

func (c *caretaker) removeStrays(ctx context.Context) {
	n, err := c.archive.RemoveStrays(ctx)
	if err != nil && ctx.Err() == nil {
		c.log.Error("looking for files that nothing names", "err", err)
	}
	if n > 0 {
		c.log.Warn("removed files that nothing named", "files", n)
	}
}
