package store

import (
	"fmt"
	"testing"
	"time"

	"lintel/internal/house"
)

// TestClockIsDoubted has the bounds that the comments on clockAway and clockTolerance state, before, at and after.
func TestClockIsDoubted(t *testing.T) {
	sure := time.Date(2031, 5, 4, 18, 30, 0, 0, time.UTC)
	const minutes10, hours48 = 10 * time.Minute, 48 * time.Hour
	for _, test := range []struct {
		what          string
		inRun, served bool
		gone          time.Duration // of this run, which was 5 minutes old when it was right
		bound         time.Duration // after that
		want          [3]house.ClockDoubt
	}{
		{"of another run, back", false, false, time.Hour, -minutes10, [3]house.ClockDoubt{house.ClockBehind, "", ""}},
		{"of another run, on", false, false, time.Hour, hours48 + time.Hour, [3]house.ClockDoubt{"", "", house.ClockAhead}},
		{"of this run, back", true, false, time.Hour, 55*time.Minute - minutes10,
			[3]house.ClockDoubt{house.ClockBehind, "", ""}},
		{"of this run, on", true, false, time.Hour, 55*time.Minute + minutes10,
			[3]house.ClockDoubt{"", "", house.ClockAhead}},
		{"served, back", true, true, time.Hour, -minutes10, [3]house.ClockDoubt{}},
		{"served, on", false, true, time.Hour, hours48 + time.Hour, [3]house.ClockDoubt{}},
		{"served, before all that are right", false, true, time.Hour, -24 * time.Hour,
			[3]house.ClockDoubt{house.ClockBehind, "", ""}},
	} {
		for i, d := range around {
			w := &clockWatch{sure: sure, inRun: test.inRun, began: time.Minute, gone: test.gone + time.Minute,
				sureGone: 6 * time.Minute, now: sure.Add(test.bound + d)}
			w.NotBefore = sure.Add(-24 * time.Hour)
			if got := w.judge(test.served); got != test.want[i] {
				t.Errorf("%s, by %v: %q, want %q", test.what, d, got, test.want[i])
			}
		}
	}
	w := &clockWatch{now: sure.AddDate(9, 0, 0)}
	if got := w.judge(false); got != "" {
		t.Errorf("a clock of which nothing is known: %q", got)
	}
}

// TestClockWaits has a server wait an hour from its start for a time service that was there before.
func TestClockWaits(t *testing.T) {
	for _, d := range around {
		for _, test := range []struct{ was, is, want bool }{{true, false, d < 0}, {true, true, false}, {false, false, false},
			{false, true, false}} {
			w := &clockWatch{served: test.was, began: time.Minute, gone: time.Minute + time.Hour + d}
			if got := w.waits(test.is); got != test.want {
				t.Errorf("%v after an hour, served before %v and now %v: %v", d, test.was, test.is, got)
			}
		}
	}
}

// TestClockSteps has a clock that went otherwise than time by more than 2 seconds be one that was set.
func TestClockSteps(t *testing.T) {
	for _, d := range []time.Duration{-2*time.Second - time.Microsecond, -2 * time.Second, 0, 2 * time.Second,
		2*time.Second + time.Microsecond} {
		m := &machine{clock: newClock()}
		m.served.Store(true)
		a := m.starts(t, t.TempDir())
		m.pass(time.Minute)
		m.Advance(d)
		a.clock.mu.Lock()
		step, err := a.lookAtClock(t.Context())
		a.clock.mu.Unlock()
		want := d
		if d.Abs() <= 2*time.Second {
			want = 0
		}
		if err != nil || step != want {
			t.Errorf("set by %v: %v, %v", d, step, err)
		}
	}
}

// TestClockIsWrittenDown has it written down each hour that the clock is right.
func TestClockIsWrittenDown(t *testing.T) {
	for _, d := range around {
		m := &machine{clock: newClock()}
		m.served.Store(true)
		a := m.starts(t, t.TempDir())
		began := m.Now()
		m.pass(time.Hour + d)
		_, err := a.LookAtClock(t.Context())
		must(t, err)
		var sure int64
		must(t, a.read.QueryRowContext(t.Context(), `SELECT sure_at FROM clock`).Scan(&sure))
		want := began
		if d >= 0 {
			want = m.Now()
		}
		if got := time.UnixMicro(sure); !got.Equal(want) {
			t.Errorf("%v after an hour: %v, want %v", d, got, want)
		}
	}
}

// TestTimesToCome has what came more than 10 minutes after now doubted once the clock is right, and counted from now.
func TestTimesToCome(t *testing.T) {
	m, dir := &machine{clock: newClock()}, t.TempDir()
	m.served.Store(true)
	a := m.starts(t, dir)
	_, err := a.AddBell(t.Context(), "gate")
	must(t, err)
	now := m.Now()
	var visits []string
	for i, d := range around {
		m.Set(now.Add(10*time.Minute + d))
		visits = append(visits, visitAt(t, a, fmt.Sprint("r", i), m.Now()))
	}
	m.Set(now)
	must(t, a.Close())
	a = m.starts(t, dir)
	for i, id := range visits {
		v, err := a.Visit(t.Context(), id)
		late := around[i] > 0
		if err != nil || v.ClockDoubted != late || late && !v.CountedFrom.Equal(now) {
			t.Errorf("by %v: doubted %v, counted from %v; %v", around[i], v.ClockDoubted, v.CountedFrom, err)
		}
	}
}

// TestSinceSet has a still move along with the clock where it came before that was set, and stay where it came after.
func TestSinceSet(t *testing.T) {
	a, c := newArchive(t)
	hour := time.Hour
	for _, test := range []struct{ ago, step, want time.Duration }{
		{0, 0, 0}, {time.Minute, 0, -time.Minute}, {0, hour, 0}, {time.Second, hour, -time.Second},
		{hour, hour, 0}, {hour + time.Second, hour, -time.Second}, {-hour, -hour, 0}, {-time.Second, -hour, time.Second},
		{hour / 2, hour, -hour / 2}, {hour/2 + 1000, hour, hour/2 - 1000},
	} {
		if got := a.sinceSet(c.Ago(test.ago), test.step).Sub(c.Now()); got != test.want {
			t.Errorf("%v ago, by a clock that was set by %v: %v, want %v", test.ago, test.step, got, test.want)
		}
	}
}
