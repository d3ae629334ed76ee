package pipeline

import (
	"context"
	"errors"
	"log/slog"
	"testing"
	"testing/synctest"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/liveness"
)

// The loop says for how long its slowest worker has been at a still, and whoever asks
// a loop that does not run waits no longer than they wanted.
func TestBusy(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t)
		goOn := make(chan struct{})
		h.find = func(context.Context, int) ([]house.Face, error) {
			<-goOn
			return nil, nil
		}
		steps := New(h.archive, slog.New(slog.DiscardHandler), h.open, liveness.New(nil), 2)
		wants := func(want time.Duration, wrong error) {
			t.Helper()
			ctx, cancel := context.WithTimeout(t.Context(), time.Second)
			defer cancel()
			if took, err := steps.Busy(ctx); took != want || !errors.Is(err, wrong) {
				t.Errorf("busy for %v, %v; want %v, %v", took, err, want, wrong)
			}
		}
		wants(0, context.DeadlineExceeded)
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- steps.Run(ctx) }()
		wants(0, nil)
		h.keep(1)
		synctest.Wait()
		<-time.After(90 * time.Second)
		h.keep(2)
		synctest.Wait()
		<-time.After(time.Minute)
		wants(150*time.Second, nil) // the first's, though the second began later
		close(goOn)
		synctest.Wait()
		wants(0, nil)
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
		wants(0, context.DeadlineExceeded)
	})
}
