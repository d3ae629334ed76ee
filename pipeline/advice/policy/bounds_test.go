package policy

import (
	"errors"
	"slices"
	"testing"
	"time"

	"lintel/internal/house"
)

// around are the moments before, at and after a bound.
var around = []time.Duration{-1, 0, 1}

// A bound is something set at a distance to it, the condition that goes by it, and whether that is met before, at and
// after it.
type bound struct {
	set  func(in *Input, d time.Duration)
	code string
	want [3]bool
}

var always, until, from, after = [3]bool{true, true, true}, [3]bool{true, false, false}, [3]bool{false, true, true},
	[3]bool{true, true, false}

func (b bound) check(t *testing.T, name string) {
	t.Helper()
	for i, d := range around {
		in := good()
		b.set(&in, d)
		if c := conditionOf(t, Decide(in), b.code); c.Met != b.want[i] {
			t.Errorf("%s, by %v: met %v, %+v", name, d, c.Met, c.Reasons)
		}
	}
}

// TestRingBounds has each time of a ring, its bell and the clocks that the package states before, at and after it.
func TestRingBounds(t *testing.T) {
	for name, b := range map[string]bound{
		"a ring of a minute ago": {func(in *Input, d time.Duration) {
			in.Visit.ReceivedAt = evening.Add(-time.Minute - d)
		}, Fresh, until},
		"a ring of now": {func(in *Input, d time.Duration) { in.Visit.ReceivedAt = evening.Add(d) }, Fresh, after},
		"a still of a minute ago": {func(in *Input, d time.Duration) {
			in.Visit.Stills[1].ReceivedAt = evening.Add(-time.Minute - d)
		}, Fresh, until},
		"a still of now": {func(in *Input, d time.Duration) {
			in.Visit.Stills[1].ReceivedAt = evening.Add(d)
		}, Fresh, after},
		"taken 10 s ahead": {func(in *Input, d time.Duration) {
			in.Visit.Stills[1].TakenAt = evening.Add(10*time.Second + d)
		}, Fresh, after},
		"taken a minute ago": {func(in *Input, d time.Duration) {
			in.Visit.Stills[1].TakenAt = evening.Add(-time.Minute - d)
		}, Fresh, until},
		"away": {func(in *Input, d time.Duration) { in.House.AwayUntil = evening.Add(d) }, Home, after},
		"refused 10 minutes ago": {func(in *Input, d time.Duration) {
			in.Bell.RefusedAt = evening.Add(-10*time.Minute - d)
		}, Healthy, from},
		"refused now": {func(in *Input, d time.Duration) { in.Bell.RefusedAt = evening.Add(d) }, Healthy, [3]bool{}},
		"tried until it rang": {func(in *Input, d time.Duration) {
			in.Bell.TrialUntil = in.Visit.ReceivedAt.Add(d)
		}, Healthy, after},
		"jumped an hour ago": {func(in *Input, d time.Duration) {
			in.Clock.JumpedAt = evening.Add(-time.Hour - d)
		}, Clock, from},
		"behind by 10 s": {func(in *Input, d time.Duration) { in.Clock.Behind = 10*time.Second + d }, Clock, after},
		"the bell's clock ahead by 10 s": {func(in *Input, d time.Duration) {
			in.Visit.Stills[0].TakenAt = in.Visit.Stills[0].ReceivedAt.Add(10*time.Second + d)
		}, Clock, after},
		"the bell's clock behind by 10 s": {func(in *Input, d time.Duration) {
			in.Visit.Stills[0].TakenAt = in.Visit.Stills[0].ReceivedAt.Add(-10*time.Second - d)
		}, Clock, after},
	} {
		b.check(t, name)
	}
}

// TestPersonBounds has each time of consents, failed attempts and factors before, at and after it.
func TestPersonBounds(t *testing.T) {
	for name, b := range map[string]bound{
		"consent": {func(in *Input, d time.Duration) {
			p := in.Persons[ada]
			p.Consent = &house.Consent{GivenBy: p.Name, GivenAt: evening.Add(d), Scope: "the door"}
			in.Persons[ada] = p
		}, Consent, after},
		"three misses of an hour": {func(in *Input, d time.Duration) {
			in.Misses = missed(ada, time.Hour+time.Minute+d, 10*time.Minute, time.Minute)
		}, Wait, [3]bool{false, false, true}},
		"a wait that is over": {func(in *Input, d time.Duration) {
			in.Misses = missed(ada, 20*time.Minute, 18*time.Minute, 15*time.Minute+d)
		}, Wait, from},
		"a miss of now":     {func(in *Input, d time.Duration) { in.Misses = missed(ada, -d) }, Wait, after},
		"an arrival of now": {func(in *Input, d time.Duration) { in.Factors[0].At = evening.Add(d) }, Factors, after},
		"an arrival until now": {func(in *Input, d time.Duration) {
			in.Factors[0].Until = evening.Add(d)
		}, Factors, [3]bool{2: true}},
		"an arrival's window": {func(in *Input, d time.Duration) {
			in.Factors[0].At = evening.Add(-10*time.Minute - d)
		}, Factors, until},
		"two misses":            {func(in *Input, d time.Duration) { in.Misses = missed(ada, 2-d, 5) }, Wait, always},
		"a resident as it rang": {func(in *Input, d time.Duration) { resident("v1", 8*time.Second-d)(in) }, Factors, from},
	} {
		b.check(t, name)
	}
}

// TestUntoldTimes has the reason say that a time is not told, and not that it is old.
func TestUntoldTimes(t *testing.T) {
	for name, set := range map[string]func(*Input){"now": func(in *Input) { in.Now = time.Time{} },
		"the ring's": func(in *Input) { in.Visit.ReceivedAt = time.Time{} }} {
		in := good()
		set(&in)
		if c := conditionOf(t, Decide(in), Fresh); c.Met || len(c.Reasons) != 1 || c.Reasons[0].Code != ringNoTime {
			t.Errorf("%s: %+v", name, c)
		}
	}
}

// TestHouseBounds has the bounds that house.AdviceRules states.
func TestHouseBounds(t *testing.T) {
	for _, test := range []struct {
		set         func(h *house.AdviceRules, d time.Duration)
		least, most time.Duration
		step        time.Duration
		want        error
	}{
		{func(h *house.AdviceRules, d time.Duration) { h.Window = d }, time.Minute, 15 * time.Minute, 1, ErrWindow},
		{func(h *house.AdviceRules, d time.Duration) { h.Expiry = d }, 15 * time.Second, 5 * time.Minute, 1, ErrExpiry},
		{func(h *house.AdviceRules, d time.Duration) { h.Wait = d }, time.Minute, 24 * time.Hour, 1, ErrWait},
		{func(h *house.AdviceRules, d time.Duration) { h.Misses = int(d) }, 1, 10, 1, ErrMisses},
		{func(h *house.AdviceRules, d time.Duration) {
			h.Holidays = slices.Repeat([]string{"2031-05-04"}, int(d))
		}, 0, 400, 1, ErrHolidays},
	} {
		for d, right := range map[time.Duration]bool{test.least - 1: false, test.least: true, test.least + 1: true,
			test.most - 1: true, test.most: true, test.most + 1: false} {
			if d < 0 {
				continue
			}
			h := house.DefaultAdviceRules()
			test.set(&h, d)
			errs := CheckAdviceRules(h)
			if right && len(errs) > 0 || !right && (len(errs) != 1 || !errors.Is(errs[0], test.want)) {
				t.Errorf("%v: %v, want %v", d, errs, test.want)
			}
		}
	}
}

// TestRuleBounds has minutes of a day, 0 to 1440, and as many factors needed as the rule has, at least one.
func TestRuleBounds(t *testing.T) {
	for _, test := range []struct {
		set  func(r *house.DoorRule)
		want error
	}{
		{func(r *house.DoorRule) { r.From = -1 }, ErrTimes}, {func(r *house.DoorRule) { r.From = 0 }, nil},
		{func(r *house.DoorRule) { r.From = 1439 }, nil}, {func(r *house.DoorRule) { r.From, r.To = 1440, 1 }, ErrTimes},
		{func(r *house.DoorRule) { r.To = -1 }, ErrTimes}, {func(r *house.DoorRule) { r.To = 0 }, nil},
		{func(r *house.DoorRule) { r.To = 1440 }, nil}, {func(r *house.DoorRule) { r.To = 1441 }, ErrTimes},
		{func(r *house.DoorRule) { r.To = r.From }, ErrTimes}, {func(r *house.DoorRule) { r.To = r.From + 1 }, nil},
		{func(r *house.DoorRule) { r.Need = 0 }, ErrNeed}, {func(r *house.DoorRule) { r.Need = 1 }, nil},
		{func(r *house.DoorRule) { r.Need = 2 }, nil}, {func(r *house.DoorRule) { r.Need = 3 }, ErrNeed},
		{func(r *house.DoorRule) { r.Band = "weak" }, ErrWeak}, {func(r *house.DoorRule) { r.Band = "fair" }, nil},
		{func(r *house.DoorRule) { r.Band = "" }, ErrBand}, {func(r *house.DoorRule) { r.Band = "none" }, ErrBand},
		{func(r *house.DoorRule) { r.Liveness = house.Doubtful }, nil},
		{func(r *house.DoorRule) { r.Liveness = house.Picture }, ErrSign},
		{func(r *house.DoorRule) { r.Factors[1] = r.Factors[0] }, ErrFactor},
		{func(r *house.DoorRule) { r.Factors[1] = "smile" }, ErrFactor},
	} {
		r := ruleFor("r", ada)
		test.set(&r)
		faults := Faults(r)
		if test.want == nil && len(faults) > 0 || test.want != nil && !slices.Equal(faults, []error{test.want}) {
			t.Errorf("%+v: %v, want %v", r, faults, test.want)
		}
	}
}

// TestParcelBounds has a parcel expected over 24 hours at most, and what is suggested for it last 15 s to 5 min.
func TestParcelBounds(t *testing.T) {
	door := house.Door{ID: side, Parcel: true}
	for _, test := range []struct {
		lasts, window time.Duration
		want          error
	}{
		{-1, time.Minute, ErrParcelTime}, {0, time.Minute, ErrParcelTime}, {1, time.Minute, nil},
		{24*time.Hour - 1, time.Minute, nil}, {24 * time.Hour, time.Minute, nil},
		{24*time.Hour + 1, time.Minute, ErrParcelTime},
		{time.Hour, 15*time.Second - 1, ErrExpiry}, {time.Hour, 15 * time.Second, nil},
		{time.Hour, 5 * time.Minute, nil}, {time.Hour, 5*time.Minute + 1, ErrExpiry},
	} {
		r := house.ParcelRule{ID: "p", Door: side, From: evening, To: evening.Add(test.lasts), Window: test.window}
		if err := CheckParcel(r, door); !errors.Is(err, test.want) {
			t.Errorf("%v, %v: %v", test.lasts, test.window, err)
		}
	}
}

// TestAwaitedBounds has a still that came less than 5 s ago be awaited, while a suggestion is open.
func TestAwaitedBounds(t *testing.T) {
	open := &house.Advice{ID: "a"}
	for _, d := range around {
		q := &question{Input: Input{Now: evening, Open: open}}
		s := house.Still{State: house.Pending, ReceivedAt: evening.Add(-5*time.Second - d)}
		if got := q.isAwaited(s); got != (d < 0) {
			t.Errorf("by %v: %v", d, got)
		}
	}
}

// TestTogether has a face matched by as many stills as show it, and as many more as are awaited.
func TestTogether(t *testing.T) {
	for frames, want := range map[int]bool{1: false, 2: true, 3: true, 4: false} {
		if got := (&question{awaited: 1}).together(frames, &visitor{frames: 2}); got != want {
			t.Errorf("by %d: %v", frames, got)
		}
	}
}

// A household that bears one failed attempt or ten lets in whom nothing failed for.
func TestFewestMisses(t *testing.T) {
	for _, n := range []int{1, 2, 9, 10} {
		in := good()
		in.House.Misses = n
		if a := Decide(in); !suggested(a) {
			t.Errorf("with %d: %v", n, unmet(a))
		}
		in.Misses = append([]house.Miss{}, missed(ada, make([]time.Duration, n-1)...)...) // none, and not unknown
		if a := Decide(in); !suggested(a) {
			t.Errorf("with %d, after one fewer: %v", n, unmet(a))
		}
		if in.Misses = append(in.Misses, missed(ada, 0)...); suggested(Decide(in)) {
			t.Errorf("with %d, after as many", n)
		}
	}
}
