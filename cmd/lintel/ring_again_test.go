package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"
)

// An hour is a clock that only waiting moves.
type hour struct {
	at    time.Time
	waits []time.Duration
}

func (h *hour) patience(random float64) patience {
	return patience{
		now: func() time.Time { return h.at },
		pause: func(_ context.Context, d time.Duration) error {
			h.at, h.waits = h.at.Add(d), append(h.waits, d)
			return nil
		},
		random: func() float64 { return random },
		waits:  func(error, time.Duration) {},
	}
}

func newHour() *hour { return &hour{at: time.Date(2031, 5, 4, 18, 30, 0, 0, time.UTC)} }

// TestBackoff has the waits double up to a minute, a random part of each, and none be
// shorter than what was asked for.
//
// Outside: full jitter as patience names its source; Retry-After as RFC 9110, section
// 10.2.3, has it.
func TestBackoff(t *testing.T) {
	again := func(after time.Duration) error { return refusal{error: io.EOF, after: after} }
	for name, c := range map[string]struct {
		random float64
		asked  time.Duration
		want   []time.Duration
	}{
		"half of each": {.5, 0, []time.Duration{.5e9, 1e9, 2e9, 4e9, 8e9, 16e9, 30e9, 30e9, 30e9}},
		"none":         {0, 0, make([]time.Duration, 9)},
		"asked for":    {.5, 3e9, []time.Duration{3e9, 3e9, 3e9, 4e9, 8e9, 16e9, 30e9, 30e9, 30e9}},
	} {
		h, tries := newHour(), 0
		err := h.patience(c.random).insist(t.Context(), h.at.Add(time.Hour), func() error {
			if tries++; tries == 10 {
				return nil
			}
			return again(c.asked)
		})
		if err != nil || !slices.Equal(h.waits, c.want) {
			t.Errorf("%s: waited %v, want %v; %v", name, h.waits, c.want, err)
		}
	}
	h := newHour()
	err := h.patience(.5).insist(t.Context(), h.at.Add(5*time.Second), func() error { return again(0) })
	if want := []time.Duration{.5e9, 1e9, 2e9}; !errors.Is(err, io.EOF) || !slices.Equal(h.waits, want) {
		t.Errorf("with 5 s of patience: waited %v, %v", h.waits, err)
	}
}

func TestRetryAfter(t *testing.T) {
	const date = "Sun, 04 May 2031 18:30:00 GMT"
	for after, want := range map[string]time.Duration{"": 0, "7": 7 * time.Second, "-3": 0, "soon": 0,
		"Sun, 04 May 2031 18:32:00 GMT": 2 * time.Minute, "Sun, 04 May 2031 18:00:00 GMT": 0} {
		if got := retryAfter(http.Header{"Retry-After": {after}, "Date": {date}}); got != want {
			t.Errorf("%q: %v, want %v", after, got, want)
		}
	}
	if got := retryAfter(http.Header{"Retry-After": {date}}); got != 0 {
		t.Errorf("without a clock: %v", got)
	}
}

// An answerer is a server that answers as it is told, and then 201.
type answerer struct {
	mu      sync.Mutex // a request that was broken off may not have ended when the next one comes
	answers []string   // status and kind; "0" breaks the connection off
	asked   []string   // ring, frame and whether it had a time
}

func (a *answerer) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	a.mu.Lock()
	defer a.mu.Unlock()
	timed := r.Header.Get("Lintel-Taken-At") != ""
	a.asked = append(a.asked, fmt.Sprint(r.Header.Get("Lintel-Ring"), " ", r.Header.Get("Lintel-Frame"), " ", timed))
	if len(a.answers) == 0 {
		w.WriteHeader(http.StatusCreated)
		io.WriteString(w, "{}")
		return
	}
	var status int
	var kind string
	fmt.Sscan(a.answers[0], &status, &kind)
	a.answers = a.answers[1:]
	if status == 0 {
		panic(http.ErrAbortHandler)
	}
	w.Header().Set("Retry-After", "9")
	w.WriteHeader(status)
	fmt.Fprintf(w, `{"type":"/problems/%s","title":"It says %s.","status":%d}`, kind, kind, status)
}

func (a *answerer) all() []string {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.asked
}

// TestRingDay rings through what a day brings. The ring's id stays, what has to be
// waited for is waited for, and what is of no use is not sent again.
func TestRingDay(t *testing.T) {
	file := aVisitorsFile(t)
	for name, c := range map[string]struct {
		answers []string
		clock   time.Time
		waits   []time.Duration
		asked   []string
		says    string // "" where all is kept
		again   bool   // whether it says that the same command sends what is missing
	}{
		"no Wi-Fi, and again": {[]string{"0", "0"}, newHour().at, []time.Duration{.5e9, 1e9},
			[]string{"R 0 true", "R 0 true", "R 0 true", "R 1 true"}, "", false},
		"too often": {[]string{"429 too-often"}, newHour().at, []time.Duration{9e9},
			[]string{"R 0 true", "R 0 true", "R 1 true"}, "", false},
		"a full disk": {[]string{"507 no-space", "503 stopping"}, newHour().at, []time.Duration{9e9, 9e9},
			[]string{"R 0 true", "R 0 true", "R 0 true", "R 1 true"}, "", false},
		"a wrong secret": {[]string{"401 wrong-secret"}, newHour().at, nil, []string{"R 0 true"},
			"It says wrong-secret.", false},
		"an unknown bell": {[]string{"404 unknown-bell"}, newHour().at, nil, []string{"R 0 true"},
			"It says unknown-bell.", false},
		"no picture": {[]string{"422 not-a-picture"}, newHour().at, nil, []string{"R 0 true", "R 1 true"},
			"1 of 2 frames were kept", false},
		"no picture, and then too often": {append([]string{"422 not-a-picture"}, slices.Repeat([]string{"429 too-often"}, 9)...),
			newHour().at, slices.Repeat([]time.Duration{9e9}, 5), append([]string{"R 0 true"},
				slices.Repeat([]string{"R 1 true"}, 6)...), "It says not-a-picture.", true},
		"a clock that is not set": {nil, time.Unix(40, 0), nil, []string{"R 0 false", "R 1 false"}, "", false},
		"never back": {slices.Repeat([]string{"0"}, 20), newHour().at, []time.Duration{.5e9, 1e9, 2e9, 4e9, 8e9, 16e9},
			slices.Repeat([]string{"R 0 true"}, 7), "Is the server running?", true},
	} {
		a := &answerer{answers: c.answers}
		server := httptest.NewServer(a)
		h := &hour{at: c.clock}
		command := ringCmd{Files: []string{file, file}, Bell: "front", Ring: "R", Patience: time.Minute}
		var out bytes.Buffer
		err := command.at(&globals{ctx: t.Context(), stdout: &out, stderr: &out},
			&httpLine{server: server.URL, bell: "front", secret: "S"}, h.patience(.5))
		server.Close()
		if asked := a.all(); !slices.Equal(h.waits, c.waits) || !slices.Equal(asked, c.asked) {
			t.Errorf("%s: waited %v, asked %q", name, h.waits, asked)
		}
		if (err != nil) != (c.says != "") || err != nil && !strings.Contains(explain(err), c.says) {
			t.Errorf("%s: %v", name, err)
		}
		if err != nil && strings.Contains(explain(err), "the same command sends what is missing") != c.again {
			t.Errorf("%s: %s", name, explain(err))
		}
	}
}
