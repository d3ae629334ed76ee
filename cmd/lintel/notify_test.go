package main

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

// A watched server has parts that answer as the test wants, and what it told.
type watched struct {
	notifier
	mu   sync.Mutex // of told
	told []string
	log  bytes.Buffer
}

func newWatched(every time.Duration, parts ...part) *watched {
	w := &watched{}
	w.notifier = notifier{log: slog.New(slog.NewTextHandler(&w.log, nil)), parts: parts, every: every,
		tell: func(state string) (bool, error) {
			w.mu.Lock()
			defer w.mu.Unlock()
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
		var mu sync.Mutex
		wrong, hangs := errors.New("not ready"), false
		answer := func(is error, hang bool) {
			mu.Lock()
			defer mu.Unlock()
			wrong, hangs = is, hang
		}
		now := func() (error, bool) {
			mu.Lock()
			defer mu.Unlock()
			return wrong, hangs
		}
		goOn := make(chan struct{})
		w := newWatched(30*time.Second, part{"one", func(context.Context) error { is, _ := now(); return is }},
			part{"two", func(context.Context) error { // that knows no context
				if _, hang := now(); hang {
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
			w.mu.Lock()
			defer w.mu.Unlock()
			if !slices.Equal(w.told, want) {
				t.Errorf("told %q, want %q", w.told, want)
			}
			w.told = nil
		}
		after(3500 * time.Millisecond)
		answer(nil, false)
		after(time.Second, "READY=1", "WATCHDOG=1")
		after(time.Minute, "WATCHDOG=1", "WATCHDOG=1")
		answer(errors.New("the disk is away"), false)
		after(time.Minute)
		answer(nil, true)
		after(time.Minute)
		answer(nil, false)
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
