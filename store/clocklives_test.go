package store

import (
	"errors"
	"fmt"
	"sync/atomic"
	"testing"
	"time"

	"lintel/internal/house"
)

// A machine has a clock that can be set, time that can't, and a time service that
// may vouch for the clock.
type machine struct {
	*clock
	gone   time.Duration
	served atomic.Bool
}

func (m *machine) Elapsed() time.Duration { return m.gone }

// pass lets time go by, as both see it.
func (m *machine) pass(d time.Duration) {
	m.gone += d
	m.Advance(d)
}

// starts has a server start on an archive, by this machine's clock.
func (m *machine) starts(t *testing.T, dir string) *Archive {
	t.Helper()
	a := openArchive(t, dir, m.clock)
	must(t, a.WatchClock(t.Context(), Timekeeping{Elapsed: m.Elapsed, Served: m.served.Load,
		NotBefore: time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)}))
	return a
}

// aLife is an archive that a server kept by a clock that a time service vouched for:
// three visits a day, for three days.
func aLife(t *testing.T) (m *machine, dir string, visits []string) {
	t.Helper()
	m, dir = &machine{clock: newClock()}, t.TempDir()
	m.served.Store(true)
	a := m.starts(t, dir)
	if _, err := a.AddBell(t.Context(), "gate"); err != nil {
		t.Fatal(err)
	}
	for i := range 9 {
		m.pass(8 * time.Hour)
		visits = append(visits, m.rings(t, a, fmt.Sprintf("before %d", i)))
	}
	must(t, a.Close())
	return m, dir, visits[len(visits)-6:] // the others are due by now
}

// rings has a still come in now.
func (m *machine) rings(t *testing.T, a *Archive, ring string) (visit string) {
	t.Helper()
	n := stillOf(ring, 0)
	n.ReceivedAt = m.Now()
	visit = keep(t, a, n)
	v, err := a.Visit(t.Context(), visit)
	must(t, err)
	must(t, a.Record(t.Context(), v.Stills[0].ID, house.Done, nil))
	return visit
}

// there checks that visits are there, and when the last is said to have come.
func there(t *testing.T, a *Archive, last time.Time, doubted bool, visits ...string) {
	t.Helper()
	for i, id := range visits {
		v, err := a.Visit(t.Context(), id)
		if err != nil {
			t.Errorf("visit %d: %v", i, err)
		} else if i == len(visits)-1 && (!v.ReceivedAt.Equal(last) || !v.Stills[0].ReceivedAt.Equal(last) ||
			v.ClockDoubted != doubted) {
			t.Errorf("received %v and %v, doubted %v, want %v, %v", v.ReceivedAt, v.Stills[0].ReceivedAt, v.ClockDoubted, last,
				doubted)
		}
	}
}

// sweeps has the archive swept, and checks what error comes of it.
func sweeps(t *testing.T, a *Archive, want error) house.Swept {
	t.Helper()
	s, err := a.Sweep(t.Context(), nil)
	wantError(t, err, want)
	return s
}

// TestDeadBattery starts a server whose clock says 2000, since its battery is dead. A
// time service comes after two minutes.
func TestDeadBattery(t *testing.T) {
	m, dir, visits := aLife(t)
	right := m.Now().Add(time.Hour)
	m.served.Store(false)
	m.Set(time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC))
	a := m.starts(t, dir)
	if a.ClockDoubt() != house.ClockBehind {
		t.Errorf("doubted as %q", a.ClockDoubt())
	}
	sweeps(t, a, house.ErrClockDoubted)
	m.pass(time.Minute)
	visits = append(visits, m.rings(t, a, "meanwhile"))
	there(t, a, m.Now(), true, visits...)
	if newest, err := a.Newest(t.Context()); err != nil || newest.Year() == 2000 {
		t.Errorf("the newest is of %v, %v", newest, err)
	}
	m.pass(time.Minute)
	m.Set(right.Add(2 * time.Minute))
	m.served.Store(true)
	doubt, err := a.LookAtClock(t.Context())
	if doubt != "" || err != nil {
		t.Errorf("still %q, %v", doubt, err)
	}
	there(t, a, right.Add(time.Minute), false, visits...)
	sweeps(t, a, nil)
	there(t, a, right.Add(time.Minute), false, visits...)
	m.pass(71 * time.Hour)
	sweeps(t, a, nil)
	there(t, a, right.Add(time.Minute), false, visits[len(visits)-1])
	m.pass(2 * time.Hour)
	sweeps(t, a, nil)
	_, err = a.Visit(t.Context(), visits[len(visits)-1])
	wantError(t, err, house.ErrNotFound)
}

// A still that comes in at the very moment when the clock is set is right as well.
func TestRingsAsTheClockIsSet(t *testing.T) {
	m, dir, _ := aLife(t)
	right := m.Now()
	m.served.Store(false)
	m.Set(time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC))
	a := m.starts(t, dir)
	n := stillOf("meanwhile", 0)
	n.ReceivedAt = m.Now()
	m.Set(right) // between intake and the archive
	visit := keep(t, a, n)
	m.served.Store(true)
	_, err := a.LookAtClock(t.Context())
	must(t, err)
	there(t, a, right, false, visit)
	// One that comes after, before anybody looked at the clock, came when it says.
	m.served.Store(false)
	m.pass(time.Hour)
	m.Advance(3 * 365 * 24 * time.Hour)
	after := m.rings(t, a, "after")
	there(t, a, m.Now(), true, after)
}

// TestClockAhead starts a server 14 months ahead, which nobody puts right before it
// stops. What came meanwhile keeps the doubt, and its periods begin when the clock is
// right again.
func TestClockAhead(t *testing.T) {
	m, dir, visits := aLife(t)
	right := m.Now()
	m.served.Store(false)
	m.Set(right.AddDate(0, 14, 0))
	a := m.starts(t, dir)
	if a.ClockDoubt() != house.ClockAhead {
		t.Errorf("doubted as %q", a.ClockDoubt())
	}
	sweeps(t, a, house.ErrClockDoubted)
	wrong := m.Now()
	visits = append(visits, m.rings(t, a, "meanwhile"))
	m.pass(3 * time.Hour)
	must(t, a.Close())

	m.Set(right.Add(4 * time.Hour))
	m.served.Store(true)
	a = m.starts(t, dir)
	there(t, a, wrong, true, visits...)
	if newest, err := a.Newest(t.Context()); err != nil || newest.After(m.Now()) {
		t.Errorf("the newest is of %v, %v", newest, err)
	}
	sweeps(t, a, nil)
	there(t, a, wrong, true, visits...)
	m.pass(71 * time.Hour)
	sweeps(t, a, nil)
	there(t, a, wrong, true, visits[len(visits)-1])
	m.pass(2 * time.Hour)
	sweeps(t, a, nil)
	_, err := a.Visit(t.Context(), visits[len(visits)-1])
	wantError(t, err, house.ErrNotFound)
}

// A clock that is set while the server runs is doubted, and not once it is set back.
// What came meanwhile moves along; other visits stay where they are.
func TestClockSetByHand(t *testing.T) {
	m, dir, visits := aLife(t)
	m.served.Store(false)
	a := m.starts(t, dir)
	m.pass(2 * time.Hour) // nobody waits for a time service any more
	before := m.rings(t, a, "r1")
	came := m.Now()
	m.Advance(400 * 24 * time.Hour)
	m.pass(time.Minute)
	sweeps(t, a, house.ErrClockDoubted)
	during := m.rings(t, a, "r2")
	m.Advance(-400 * 24 * time.Hour)
	m.pass(time.Minute)
	sweeps(t, a, nil)
	there(t, a, came, false, before)
	there(t, a, came.Add(time.Minute), false, append(visits, during)...)
	// Setting it right by a few minutes is what people do.
	m.Advance(-4 * time.Minute)
	m.pass(time.Minute)
	sweeps(t, a, nil)
	there(t, a, came.Add(time.Minute), false, during)
}

// A resident says that the clock is right: a year without power, and no time service.
// Then unusually much is due, which waits for another word, and for a week at most.
func TestYearWithoutPower(t *testing.T) {
	for name, test := range map[string]struct {
		served, allowed bool
	}{"said": {false, true}, "served": {true, true}, "nobody looks": {true, false}} {
		t.Run(name, func(t *testing.T) {
			m, dir, visits := aLife(t)
			for i := range 12 { // more than three times the busiest day
				a := m.starts(t, dir)
				visits = append(visits, m.rings(t, a, fmt.Sprintf("r%d", i)))
				m.pass(5 * time.Hour)
				must(t, a.Close())
			}
			m.served.Store(test.served)
			m.Advance(365 * 24 * time.Hour)
			a := m.starts(t, dir)
			if !test.served {
				sweeps(t, a, house.ErrClockDoubted)
				must(t, a.TrustClock(t.Context()))
			}
			_, err := a.Sweep(t.Context(), nil)
			var waits house.WaitingSweep
			if !errors.As(err, &waits) || waits.Due < len(visits) || waits.Due <= 3*waits.Usual ||
				!waits.Until.Equal(m.Now().Add(house.SweepWaits)) {
				t.Fatalf("%+v, %v", waits, err)
			}
			if w, is, err := a.WaitingSweep(t.Context()); err != nil || !is || w != waits {
				t.Errorf("%+v, %v, %v", w, is, err)
			}
			m.pass(house.SweepWaits - time.Minute)
			if test.allowed {
				must(t, a.AllowSweep(t.Context()))
			} else {
				_, err := a.Sweep(t.Context(), nil)
				if !errors.As(err, &waits) {
					t.Errorf("before its end: %v", err)
				}
				m.pass(2 * time.Minute)
			}
			if s := sweeps(t, a, nil); s.Visits < len(visits) {
				t.Errorf("%+v", s)
			}
			if w, is, err := a.WaitingSweep(t.Context()); err != nil || is {
				t.Errorf("still waiting: %+v, %v", w, err)
			}
		})
	}
}

// A busy day goes at once when its time is over, what rules were changed for goes, and
// so do old visits that were brought in.
func TestSweepsThatAreExpected(t *testing.T) {
	m, dir, _ := aLife(t)
	a := m.starts(t, dir)
	for i := range 60 { // children at the door
		m.pass(time.Minute)
		m.rings(t, a, fmt.Sprintf("busy %d", i))
	}
	m.pass(73 * time.Hour)
	if s := sweeps(t, a, nil); s.Visits < 60 {
		t.Errorf("after the busy day: %+v", s)
	}
	for i := range 40 {
		n := stillOf(fmt.Sprintf("old %d", i), 0)
		n.ReceivedAt, n.Imported = m.Now().AddDate(-1, 0, -i), true
		keep(t, a, n)
	}
	m.pass(25 * time.Hour)
	if s := sweeps(t, a, nil); s.Visits != 40 {
		t.Errorf("of what was brought in: %+v", s)
	}
	for i := range 14 {
		m.rings(t, a, fmt.Sprintf("slow %d", i))
		m.pass(5 * time.Hour)
	}
	rules := house.DefaultRules()
	rules.Keep[house.NoFace] = house.Rule{Stills: house.Period{Hours: 1}, Findings: house.Period{Hours: 1}}
	must(t, a.SetRules(t.Context(), rules))
	if s := sweeps(t, a, nil); s.Visits < 14 {
		t.Errorf("by a rule that was changed: %+v", s)
	}
}

// A machine without a clock of its own begins where it stopped, until a time service
// sets it: what came before that is put right.
func TestClockOfAFile(t *testing.T) {
	m, dir, visits := aLife(t)
	m.served.Store(false)
	a := m.starts(t, dir) // as if no time had passed since the power went
	m.pass(time.Minute)
	visits = append(visits, m.rings(t, a, "meanwhile"))
	sweeps(t, a, nil)
	m.Advance(6 * time.Hour)
	m.served.Store(true)
	_, err := a.LookAtClock(t.Context())
	must(t, err)
	there(t, a, m.Now(), false, visits...)
}

// Daylight saving moves no clock that counts: nothing is doubted, and nothing moves.
func TestDaylightSavingIsNoJump(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Berlin")
	must(t, err)
	for _, day := range []time.Time{time.Date(2031, 3, 30, 0, 30, 0, 0, zone),
		time.Date(2031, 10, 26, 0, 30, 0, 0, zone)} {
		m := &machine{clock: newClock()}
		m.Set(day)
		a := m.starts(t, t.TempDir())
		if _, err := a.AddBell(t.Context(), "gate"); err != nil {
			t.Fatal(err)
		}
		came := m.Now()
		visit := m.rings(t, a, "r1")
		for range 8 {
			m.pass(30 * time.Minute)
			sweeps(t, a, nil)
		}
		there(t, a, came, false, visit)
	}
}

// An archive that is restored on a machine whose clock nobody vouches for asks, where
// the backup is older than two days; and loses nothing until it is answered.
func TestRestoredElsewhere(t *testing.T) {
	m, dir, visits := aLife(t)
	other := &machine{clock: newClock()}
	other.Set(m.Now().Add(90 * 24 * time.Hour))
	a := other.starts(t, dir)
	sweeps(t, a, house.ErrClockDoubted)
	there(t, a, m.Now(), false, visits...)
	other.served.Store(true)
	sweeps(t, a, nil) // which is no more than comes on three days
	if left, err := a.LatestVisits(t.Context(), 20); err != nil || len(left) > 0 {
		t.Errorf("%d left, %v", len(left), err)
	}
}

// TestNobodyIsSignedOut sets a clock 14 months ahead: whoever was signed in still is, and
// what bells said is there. Whoever signs in meanwhile has a session of the usual length
// once the clock is right, and what had ended before ends for good.
func TestNobodyIsSignedOut(t *testing.T) {
	m, dir := &machine{clock: newClock()}, t.TempDir()
	m.served.Store(true)
	a := m.starts(t, dir)
	ctx := t.Context()
	must(t, second(a.AddBell(ctx, "gate")))
	r, err := a.AddResident(ctx, "Odile", "$argon2id$one")
	must(t, err)
	signIn := func() string {
		t.Helper()
		token, err := a.SignIn(ctx, r, "")
		must(t, err)
		return token
	}
	ended := signIn()
	m.pass(31 * 24 * time.Hour)
	must(t, second(a.LookAtClock(ctx)))
	wantError(t, second(a.Session(ctx, ended)), house.ErrNotFound)
	signedIn := signIn()
	tablet, err := a.PairTablet(ctx, "hall", r.ID)
	must(t, err)
	must(t, a.KeepHeartbeat(ctx, "gate", house.Heartbeat{At: m.Now()}))
	right := func(when string, tokens ...string) {
		t.Helper()
		for i, token := range tokens {
			if _, err := a.Session(ctx, token); err != nil {
				t.Errorf("%s, session %d: %v", when, i, err)
			}
		}
		wantError(t, second(a.Session(ctx, ended)), house.ErrNotFound)
		must(t, a.ForgetHealth(ctx))
		if all, err := a.Heartbeats(ctx, "gate", time.Time{}); err != nil || len(all) != 1 {
			t.Errorf("%s: %d heartbeats, %v", when, len(all), err)
		}
	}
	right("before", signedIn, tablet)
	m.served.Store(false)
	now := m.Now()
	m.Set(now.AddDate(1, 2, 0))
	right("ahead", signedIn, tablet)
	if a.ClockDoubt() != house.ClockAhead {
		t.Fatalf("doubted as %q", a.ClockDoubt())
	}
	meanwhile := signIn() // which clears away what has ended
	right("ahead, and somebody signed in", signedIn, tablet, meanwhile)
	must(t, a.Close())
	a = m.starts(t, dir)
	right("ahead, and started anew", signedIn, tablet, meanwhile)
	m.Set(now)
	m.served.Store(true)
	right("right again", signedIn, tablet, meanwhile)
	s, err := a.Session(ctx, meanwhile)
	if err != nil || s.ExpiresAt.After(m.Now().Add(house.ResidentSession)) || s.SeenAt.After(m.Now()) {
		t.Errorf("%+v, %v", s, err)
	}
	if all, _, err := a.Suspicions(ctx, true); err != nil || len(all) > 0 {
		t.Errorf("%+v, %v", all, err)
	}
	m.pass(house.ResidentIdle)
	for _, token := range []string{signedIn, meanwhile} {
		wantError(t, second(a.Session(ctx, token)), house.ErrNotFound)
	}
	must(t, second(a.Session(ctx, tablet)))
}
