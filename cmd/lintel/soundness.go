package main

import (
	"context"
	"errors"
	"time"

	"lintel/store"
)

// quickCheck looks through the database before anything is deleted by it: where it is
// damaged nothing tells what is due, and whatever is written may make it worse.
func (c *caretaker) quickCheck(ctx context.Context) {
	err := c.archive.QuickCheck(ctx)
	if c.broken = errors.Is(err, store.ErrDamaged); c.broken {
		c.log.Error("the database is damaged; nothing is swept; stop the server, then lintel verify --repair", "err", err)
	} else if err != nil && ctx.Err() == nil {
		c.log.Error("looking through the database", "err", err)
	}
}

// The whole archive is verified once a week, at night: common practice, no source.
const verifyEvery = 7 * 24 * time.Hour

// verify looks at the whole archive when it is time to, and keeps what it finds for
// residents.
func (c *caretaker) verify(ctx context.Context) {
	last, err := c.archive.Soundness(ctx)
	if err == nil && (!c.isQuiet(ctx) || c.now().Sub(last.At).Abs() < verifyEvery-12*time.Hour) {
		return
	}
	if !c.verifying.TryLock() {
		return // the last is under way yet
	}
	defer c.verifying.Unlock()
	var r store.Report
	if err == nil {
		r, err = c.archive.Verify(ctx, false, nil)
	}
	if err == nil {
		err = c.archive.KeepSoundness(ctx, r)
	}
	switch {
	case ctx.Err() != nil: // stopping; another night
	case err != nil:
		c.log.Error("verifying the archive", "err", err)
	case r.Left > 0:
		c.log.Error("the archive is not sound; lintel verify says what is damaged", "problems", r.Left)
	default:
		c.log.Info("verified the archive: it is sound", "stills", r.Stills)
	}
}
