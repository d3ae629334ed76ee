package main

import (
	"context"
	"errors"
	"log/slog"
	"sync"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/redact"
	"lintel/store"
	"lintel/web/certificate"
)

// smallerSide is the longer side of stills that a rule made smaller, in
// pixels: enough to see what went on, too little to read a letter or to find a
// face at the far end of a path.
const smallerSide = 480

func shrink(jpeg []byte) ([]byte, int, int, error) { return redact.Shrink(jpeg, smallerSide) }

// A caretaker does what the rules of keeping ask for, while the server runs:
// at its start, every hour, and at once after an erasure. Each minute it looks at the
// clock. As often the server's
// certificate is seen to, and rows looked for that somebody without the master key
// wrote.
type caretaker struct {
	archive *store.Archive
	keeper  *certificate.Keeper // nil without TLS
	log     *slog.Logger
	now     func() time.Time
	hours   <-chan time.Time
	minutes <-chan time.Time
	erased  chan struct{}
	day     string // on which strays were looked for last; Run's alone
	waits   bool   // whether the last sweep had to wait; Run's alone
	broken  bool   // whether the database is damaged; Run's alone

	mu   sync.Mutex
	last lastSweep

	suspects []house.Suspicion

	verifying sync.Mutex // held by who verifies the archive
}

type lastSweep struct {
	at    time.Time
	swept house.Swept
	err   error
}

// newCaretaker returns a caretaker who sweeps at each tick of hours, and looks at the
// clock at each of minutes.
func newCaretaker(archive *store.Archive, keeper *certificate.Keeper, log *slog.Logger, now func() time.Time,
	hours, minutes <-chan time.Time) *caretaker {
	return &caretaker{archive: archive, keeper: keeper, log: log, now: now, hours: hours, minutes: minutes,
		erased: make(chan struct{}, 1)}
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
	if c.archive.ReadOnly() {
		return // there is nothing that could be done
	}
	var verifying sync.WaitGroup
	defer verifying.Wait()
	c.quickCheck(ctx)
	for {
		c.look(ctx)
		verifying.Go(func() { c.verify(ctx) })
		for waiting := true; waiting; {
			select {
			case <-ctx.Done():
				return
			case <-c.erased:
				if !c.broken {
					c.goOn(ctx)
					c.finishErasures(ctx)
				}
			case <-c.minutes:
				c.lookAtClock(ctx)
			case <-c.hours:
				waiting = false
			}
		}
	}
}

// look does all that is due, once.
func (c *caretaker) look(ctx context.Context) {
	if !c.broken {
		c.sweep(ctx)
		c.finishErasures(ctx)
		c.shrink(ctx)
	}
	c.renew(ctx)
	c.checkRows(ctx)
	c.noteUsage(ctx)
	if today := c.now().Format(time.DateOnly); today != c.day && !c.broken {
		c.day = today
		c.setStraysAside(ctx)
		c.checkTrail(ctx)
	}
}

// checkTrail goes through the whole audit trail.
func (c *caretaker) checkTrail(ctx context.Context) {
	if err := c.archive.CheckWholeTrail(ctx); err != nil && ctx.Err() == nil {
		c.log.Error("going through the audit trail", "err", err)
	}
}

// noteUsage keeps how much the archive takes, for Upkeep to say when it will be full.
func (c *caretaker) noteUsage(ctx context.Context) {
	if err := c.archive.NoteUsage(ctx); err != nil && ctx.Err() == nil {
		c.log.Error("noting how much the archive takes", "err", err)
	}
}

// Hours of the night, by the household's clock, at which hardly anybody rings: common
// practice, no source.
const quietFrom, quietUntil = 2, 5

// isQuiet reports whether it is such an hour, by the server's own clock where the
// household's zone can't be read.
func (c *caretaker) isQuiet(ctx context.Context) bool {
	now := c.now()
	if rules, err := c.archive.Rules(ctx); err == nil {
		now = now.In(rules.Location())
	}
	return now.Hour() >= quietFrom && now.Hour() < quietUntil
}

// shrink gives back to the disk what the database does not need any more, at night.
func (c *caretaker) shrink(ctx context.Context) {
	if !c.isQuiet(ctx) {
		return
	}
	bytes, err := c.archive.Shrink(ctx, false)
	if errors.Is(err, store.ErrNotWhileServed) || errors.Is(err, house.ErrNoSpace) {
		c.log.Info("the database could be shorter; stop the server and run lintel verify --repair", "why", err)
	} else if err != nil && ctx.Err() == nil {
		c.log.Error("giving back to the disk what the database does not need", "err", err)
	}
	if bytes > 0 {
		c.log.Info("gave back to the disk what the database does not need", "bytes", bytes)
	}
}

// renew makes the server's certificate anew when it is time to. Whoever connects
// from then on is shown that one.
func (c *caretaker) renew(ctx context.Context) {
	if c.keeper == nil {
		return
	}
	renewed, err := c.keeper.Renew(ctx)
	if err != nil && ctx.Err() == nil {
		c.log.Error("making the server's certificate anew", "err", err)
	}
	if renewed {
		c.log.Info("made the server's certificate anew")
	}
}

func (c *caretaker) sweep(ctx context.Context) {
	began := time.Now()
	swept, err := c.archive.Sweep(ctx, shrink)
	if ctx.Err() != nil {
		return // stopping; the next start goes on
	}
	waits := house.WaitingSweep{}
	if c.waits = errors.As(err, &waits) || errors.Is(err, house.ErrClockDoubted); c.waits {
		c.log.Warn("nothing is swept", "why", err, "due", waits.Due, "busiest_day", waits.Usual)
		return // residents are told
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

// goOn sweeps where that had to wait: a resident may have said meanwhile that it may
// go on, or the clock may be right.
func (c *caretaker) goOn(ctx context.Context) {
	if c.waits && !c.broken {
		c.sweep(ctx)
	}
}

// lookAtClock looks whether the clock is right, and goes on where it is again.
func (c *caretaker) lookAtClock(ctx context.Context) {
	before := c.archive.ClockDoubt()
	doubt, err := c.archive.LookAtClock(ctx)
	if err != nil && ctx.Err() == nil {
		c.log.Error("looking at the clock", "err", err)
	}
	if doubt != before {
		c.log.Warn("the clock is doubted, or no more; while it is, nothing is swept", "now", c.now(), "doubt", doubt)
	}
	if before != "" && doubt == "" {
		c.goOn(ctx)
	}
}

// finishErasures finishes erasures, of those that broke off too.
func (c *caretaker) finishErasures(ctx context.Context) {
	if err := c.archive.FinishErasures(ctx); err != nil && ctx.Err() == nil {
		c.log.Error("finishing erasures", "err", err)
	}
}

// checkRows looks for rows that give power and that somebody without the master
// key wrote, in every table.
func (c *caretaker) checkRows(ctx context.Context) {
	all, uncounted, err := c.archive.Suspicions(ctx, true)
	if err != nil {
		if ctx.Err() == nil {
			c.log.Error("checking the rows that give power", "err", err)
		}
		return
	}
	c.mu.Lock()
	c.suspects = all
	c.mu.Unlock()
	if uncounted {
		c.log.Error("the count of rows that give power is gone; nothing is suggested")
	}
	for _, s := range all {
		c.log.Error("somebody without the master key has written to the archive; nothing is suggested", "table", s.Table,
			"strange", s.Strange, "missing", s.Missing, "put_back", s.PutBack)
	}
}

// Suspects are what the last look at every table found.
func (c *caretaker) Suspects() []house.Suspicion {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.suspects
}

func (c *caretaker) setStraysAside(ctx context.Context) {
	n, err := c.archive.SetStraysAside(ctx)
	if err != nil && ctx.Err() == nil {
		c.log.Error("looking for files that nothing names", "err", err)
	}
	if n > 0 {
		c.log.Warn("kept files aside that nothing names", "files", n)
	}
}
