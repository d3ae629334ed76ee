package main

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// A watched server has parts that answer as the test wants, and what it told.
type watched struct {
	notifier
	told []string
	log  bytes.Buffer
}

func newWatched(every time.Duration, parts ...part) *watched {
	w := &watched{}
	w.notifier = notifier{log: slog.New(slog.NewTextHandler(&w.log, nil)), parts: parts, every: every,
		tell: func(state string) (bool, error) {
			w.told = append(w.told, state)
			return true, nil
		}}
	return w
}

// It is told that the server lives while every part answers, and only then: not when
// one says that it does not, and not when one never answers. What mended itself is
// told again.
//
// Outside: sd_notify(3) names the states, and sd_watchdog_enabled(3) wants them at
// half the time.
func TestWatchdog(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		wrong, hangs := errors.New("not ready"), false
		goOn := make(chan struct{})
		w := newWatched(30*time.Second, part{"one", func(context.Context) error { return wrong }},
			part{"two", func(context.Context) error { // that knows no context
				if hangs {
					<-goOn
				}
				return nil
			}})
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan struct{})
		go func() { w.Run(ctx); close(ended) }()
		after := func(d time.Duration, want ...string) {
			t.Helper()
			<-time.After(d)
			synctest.Wait()
			if !slices.Equal(w.told, want) {
				t.Errorf("told %q, want %q", w.told, want)
			}
			w.told = nil
		}
		after(3500 * time.Millisecond)
		wrong = nil
		after(time.Second, "READY=1", "WATCHDOG=1")
		after(time.Minute, "WATCHDOG=1", "WATCHDOG=1")
		wrong = errors.New("the disk is away")
		after(time.Minute)
		wrong, hangs = nil, true
		after(time.Minute)
		hangs = false
		close(goOn) // for the one that was asked last, in time
		after(time.Minute, "WATCHDOG=1", "WATCHDOG=1", "WATCHDOG=1")
		cancel()
		<-ended
		after(0, "STOPPING=1")
		for _, says := range []string{"one does not answer: not ready", "one does not answer: the disk is away",
			"two does not answer: context deadline exceeded"} {
			if !strings.Contains(w.log.String(), says) {
				t.Errorf("the log lacks %q: %s", says, w.log.String())
			}
		}
	})
}

// A service manager that watches nothing is told of the start and the stop, and where
// there is none, nothing.
func TestNobodyWatches(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		w := newWatched(0)
		ended := make(chan struct{})
		go func() { w.Run(ctx); close(ended) }()
		<-time.After(time.Hour)
		cancel()
		<-ended
		if want := []string{"READY=1", "STOPPING=1"}; !slices.Equal(w.told, want) {
			t.Errorf("told %q, want %q", w.told, want)
		}
		alone, tried := newWatched(time.Second), 0
		alone.tell = func(string) (bool, error) { tried++; return false, nil }
		alone.Run(t.Context())
		if tried != 1 {
			t.Errorf("tried %d times", tried)
		}
	})
}
