package main

import (
	"context"
	"errors"
	"time"
)

// A refusal is what a bell was told, or that it reached nobody, and what a bell does then.
type refusal struct {
	error
	does  verdict
	after time.Duration // to wait at least before it sends again; 0 where nothing was said
}

func (r refusal) Unwrap() error { return r.error }

// A verdict is what a bell does after a refusal.
type verdict int

const (
	sendAgain verdict = iota // the same, later
	passOver                 // what was sent is of no use; what comes next may be
	giveUp                   // nothing that this bell sends is of use
)

const (
	firstWait   = time.Second
	longestWait = time.Minute
)

// patience is how a bell sends again: exponential backoff with full jitter, so that the
// bells of a house do not all come at once when the server is back.
//
// Source: Marc Brooker, "Exponential Backoff And Jitter", AWS Architecture Blog, 2015:
// sleep = random_between(0, min(cap, base * 2 ** attempt)). From memory.
type patience struct {
	now    func() time.Time
	pause  func(context.Context, time.Duration) error
	random func() float64 // from 0 to below 1
	// waits is told of each time that it will be sent again.
	waits func(why error, wait time.Duration)
}

// insist sends until it is taken, refused for good, or would have to wait beyond end.
// It returns what send returned last.
func (p patience) insist(ctx context.Context, end time.Time, send func() error) error {
	for tries := 0; ; tries++ {
		err := send()
		var r refusal
		if err == nil || ctx.Err() != nil || !errors.As(err, &r) || r.does != sendAgain {
			return err
		}
		wait := p.wait(tries, r.after)
		if p.now().Add(wait).After(end) {
			return err
		}
		p.waits(err, wait)
		if stopped := p.pause(ctx, wait); stopped != nil {
			return stopped
		}
	}
}

// wait is how long to wait after so many tries that failed before this one, and never
// less than was asked for.
func (p patience) wait(tries int, asked time.Duration) time.Duration {
	ceiling := min(firstWait<<min(tries, 10), longestWait)
	return max(asked, time.Duration(p.random()*float64(ceiling)))
}

// pause waits, unless the context is done before.
func pause(ctx context.Context, d time.Duration) error {
	wait := time.NewTimer(d)
	defer wait.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-wait.C:
		return nil
	}
}
