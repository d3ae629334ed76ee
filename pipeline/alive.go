package pipeline

import (
	"context"
	"time"
)

// Busy asks the loop that hands stills out, and returns for how long the slowest
// worker has been at its still, zero if none is at one. The error is the context's
// where the loop does not answer in time, as when it does not run.
func (p *Pipeline) Busy(ctx context.Context) (time.Duration, error) {
	answer := make(chan time.Duration, 1) // whoever asks may be gone
	select {
	case p.asked <- answer:
	case <-ctx.Done():
		return 0, ctx.Err()
	}
	select {
	case d := <-answer:
		return d, nil
	case <-ctx.Done():
		return 0, ctx.Err()
	}
}

// longest is for how long the one has been busy that began first.
func longest(busy map[string]time.Time) (d time.Duration) {
	for _, began := range busy {
		d = max(d, time.Since(began))
	}
	return d
}
