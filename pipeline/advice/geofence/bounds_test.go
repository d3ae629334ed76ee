package geofence

import (
	"errors"
	"testing"
	"time"

	"lintel/internal/house"
)

// around are the moments before, at and after a bound.
var around = []time.Duration{-1, 0, 1}

// TestCheckBounds has a report dated 5 minutes ahead at most, a week old at most, and as sure of its place as a
// kilometre.
func TestCheckBounds(t *testing.T) {
	for _, d := range around {
		for name, test := range map[string]struct {
			at   time.Time
			want error
		}{
			"ahead": {noon.Add(5*time.Minute + d), ErrFuture}, "old": {noon.Add(-7*24*time.Hour - d), ErrOld},
		} {
			r := north(10, 10, 0)
			r.At = test.at
			want := test.want
			if d <= 0 {
				want = nil
			}
			if err := r.check(noon); !errors.Is(err, want) {
				t.Errorf("%s by %v more: %v", name, d, err)
			}
		}
	}
	for accuracy, want := range map[float64]error{-1: ErrAccuracy, 0: ErrAccuracy, 0.1: nil, 999: nil, 1000: nil,
		1000.5: ErrAccuracy} {
		if err := north(10, accuracy, 0).check(noon); !errors.Is(err, want) {
			t.Errorf("an accuracy of %v m: %v", accuracy, err)
		}
	}
	for _, test := range []struct {
		lat, lon float64
		want     error
	}{{90, 0, nil}, {-90, 0, nil}, {90.1, 0, ErrPosition}, {-90.1, 0, ErrPosition}, {0, 180, nil}, {0, -180, nil},
		{0, 180.1, ErrPosition}, {0, -180.1, ErrPosition}} {
		if err := (Report{Latitude: test.lat, Longitude: test.lon, Accuracy: 5, At: noon}).check(noon); err != test.want {
			t.Errorf("at %v, %v: %v", test.lat, test.lon, err)
		}
	}
	if err := (Report{Latitude: 99, NoPlace: true, At: noon}).check(noon); err != nil {
		t.Errorf("without a place: %v", err)
	}
	for radius, want := range map[float64]error{19.9: ErrHome, 20: nil, 21: nil, 499: nil, 500: nil, 500.1: ErrHome} {
		if err := CheckHome(house.Home{Latitude: 47, Radius: radius}); err != want {
			t.Errorf("a home of %v m: %v", radius, err)
		}
	}
}

// TestWhereBounds has inside end where half the accuracy passes the radius (100 m), outside begin where all of it is
// 50 m beyond, and "entered" be believed 400 m beyond it.
func TestWhereBounds(t *testing.T) {
	for _, test := range []struct {
		metres, accuracy float64
		crossing         Crossing
		want             Place
	}{
		{89, 20, "", Inside}, {91, 20, "", Undecided}, {99, 1, "", Inside}, {101, 1, "", Undecided},
		{169, 20, "", Undecided}, {171, 20, "", Outside}, {150.5, 1, "", Undecided}, {152, 1, "", Outside},
		{519, 20, Entered, Inside}, {521, 20, Entered, Outside}, {5000, 20, Left, Outside}, {0, 20, Left, Outside},
		{499, 1, Entered, Inside}, {502, 1, Entered, Outside},
	} {
		r := north(test.metres, test.accuracy, 0)
		r.Crossing = test.crossing
		if got := Where(r, home); got != test.want {
			t.Errorf("%+v: %s", test, got)
		}
	}
	if got := Where(Report{NoPlace: true}, home); got != Undecided {
		t.Errorf("nothing is said: %s", got)
	}
	if got := Where(Report{NoPlace: true, Crossing: Entered}, home); got != Inside {
		t.Errorf("entered: %s", got)
	}
}

// TestWays has a walk be 2.2 m a second, within 100 seconds, between places that are known to 100 m.
func TestWays(t *testing.T) {
	for _, test := range []struct {
		metres, seconds, accuracy float64
		want                      bool
	}{
		{109, 50, 10, true}, {111, 50, 10, false}, {219, 100, 10, true}, {222, 100, 10, false}, {0, 100, 10, true},
		{0, 100.5, 10, false}, {0, 10, 100, true}, {0, 10, 101, false},
	} {
		if got := north(0, test.accuracy, 0).walks(north(test.metres, 10, test.seconds)); got != test.want {
			t.Errorf("%+v: %v", test, got)
		}
	}
	for accuracy, want := range map[float64]bool{0: false, 1: true, 99: true, 100: true, 101: false} {
		if north(0, accuracy, 0).precise() != want || (Report{Accuracy: accuracy, NoPlace: true}).precise() {
			t.Errorf("an accuracy of %v m is precise: %v", accuracy, !want)
		}
	}
	none := Report{At: noon, NoPlace: true}
	for name, err := range map[string]error{"from nowhere": (Report{}).reaches(north(1e6, 10, 0)),
		"from no place": none.reaches(north(1e6, 10, 0)), "to no place": north(1e6, 10, 0).reaches(none)} {
		if err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	if metres, placed := Away(none, home); placed || metres != 0 {
		t.Errorf("no place is %v m away, %v", metres, placed)
	}
}

// TestTrip has 2 reports outside of which one is far, or 5 with a walk, show that somebody was gone; and "left"
// where there are fewer than 5 reports.
func TestTrip(t *testing.T) {
	for _, test := range []struct {
		trip       trip
		seen, said bool
	}{
		{trip{Outside: 1, Far: true}, false, false}, {trip{Outside: 2, Far: true}, true, false},
		{trip{Outside: 3, Far: true}, true, false}, {trip{Outside: 2}, false, false},
		{trip{Outside: 4, Walked: true}, false, false}, {trip{Outside: 5, Walked: true}, true, false},
		{trip{Outside: 5}, false, false}, {trip{Left: true}, false, true}, {trip{Left: true, Reports: 4}, false, true},
		{trip{Left: true, Reports: 5}, false, false}, {trip{Left: true, Outside: 2, Far: true}, true, false},
		{trip{}, false, false},
	} {
		if test.trip.seen() != test.seen || test.trip.said() != test.said || test.trip.shown() != (test.seen || test.said) {
			t.Errorf("%+v: seen %v, said %v", test.trip, test.trip.seen(), test.trip.said())
		}
	}
}

// TestWorth has an arrival after ten minutes of being gone, told of within five minutes.
func TestWorth(t *testing.T) {
	gone := trip{From: noon, Outside: 2, Far: true}
	left := trip{From: noon, Left: true}
	day := 24 * time.Hour
	for _, d := range around {
		at := noon.Add(Gone + d)
		late := at.Add(5*time.Minute - Gone)
		yesterday := trip{From: noon.Add(-day), Outside: 2, Far: true}
		often := [Believed]time.Time{at.Add(d - day)}
		after := func(is float64) float64 { // from the bound on
			if d < 0 {
				return 0
			}
			return is
		}
		for name, test := range map[string]struct {
			state   State
			entered bool
			made    time.Time
			now     time.Time
			want    float64
		}{
			"gone":                    {State{Trip: gone}, false, at, at, after(house.Ordinary)},
			"gone, entered":           {State{Trip: gone}, true, at, at, after(house.Ordinary)},
			"left, a position":        {State{Trip: left}, false, at, at, after(house.Slight)},
			"left, entered":           {State{Trip: left}, true, at, at, after(house.Ordinary)},
			"rusty":                   {State{Trip: gone, Rusty: true}, false, at, at, after(house.Slight)},
			"nothing shows it":        {State{Trip: trip{From: noon}}, false, at, at, 0},
			"nothing, but entered":    {State{Trip: trip{From: noon}}, true, at, at, after(house.Slight)},
			"entered alone":           {State{}, true, at, at, house.Slight},
			"a position alone":        {State{}, false, at, at, 0},
			"told late":               {State{Trip: yesterday}, false, noon, late, ordinaryIf(d <= 0)},
			"left too often in a day": {State{Trip: left, Words: often}, true, at, at, after(house.Slight)},
		} {
			r := north(5, 10, 0)
			r.At = test.made
			if test.entered {
				r.Crossing = Entered
			}
			if name == "left too often in a day" && d >= 0 { // then the first of them is a day ago, and not a moment more
				test.want = map[bool]float64{true: house.Slight, false: house.Ordinary}[d > 0]
			}
			if got := test.state.worth(r, test.now); got != test.want {
				t.Errorf("%s, by %v: %v, want %v", name, d, got, test.want)
			}
		}
	}
}

func ordinaryIf(is bool) float64 {
	if is {
		return house.Ordinary
	}
	return 0
}

// A moment is a time after noon with what holds before it and at it; after it holds the other of before.
type moment struct {
	bound      time.Duration
	is         func(now time.Time) bool
	before, at bool
}

func (m moment) check(t *testing.T, name string) {
	t.Helper()
	for _, d := range around {
		want := map[time.Duration]bool{-1: m.before, 0: m.at, 1: !m.before}[d]
		if got := m.is(noon.Add(m.bound + d)); got != want {
			t.Errorf("%s, by %v: %v", name, d, got)
		}
	}
}

// cameHome is the state of a phone that came home at noon.
var cameHome = State{Home: home, Stay: stay{From: noon, Strength: house.Ordinary}}

// TestMoments has each time of a stay at home that the package tells of before, at and after it.
func TestMoments(t *testing.T) {
	for name, m := range map[string]moment{
		"settled": {10 * time.Minute, func(now time.Time) bool { s := cameHome; return s.settled(now) }, false, true},
		"a reader's word": {5 * time.Minute, func(now time.Time) bool {
			return (&State{Seen: noon}).witnessed(now)
		}, true, true},
		"a second sign": {45 * time.Second, func(now time.Time) bool {
			s := cameHome
			s.stays(north(5, 10, 0).dated(now), north(5, 10, 0), now)
			return s.Stands.Opens.Equal(now)
		}, false, true},
		"a second sign told late": {5 * time.Minute, func(now time.Time) bool {
			s := cameHome
			s.stays(north(5, 10, 0), north(5, 10, 0), now)
			return s.Stands.Strength > 0
		}, true, true},
		"a window that moves on": {5 * time.Minute, func(now time.Time) bool {
			s := cameHome
			s.Stands = Arrival{Opens: noon, Strength: house.Ordinary}
			s.stays(north(5, 10, 0).dated(now), north(5, 10, 0), now)
			return s.Stands.Opens.Equal(now)
		}, true, true},
		"a glance outside": {3 * time.Minute, func(now time.Time) bool {
			s := cameHome
			s.Stay.Broken = noon
			s.inside(north(5, 10, 0).dated(now), north(5, 10, 0), false, false, now)
			return s.Stay.From.Equal(noon)
		}, true, true},
		"entered alone": {30 * time.Minute, func(now time.Time) bool {
			s := State{Home: home, Stay: stay{From: noon.Add(-time.Hour), To: noon}}
			r := north(5, 10, 0).dated(now)
			r.Crossing = Entered
			s.inside(r, north(5, 10, 0), false, false, now)
			return s.Stay.From.Equal(now)
		}, false, false},
	} {
		m.check(t, name)
	}
}

// TestSilences has each time without a word that the package tells of before, at and after it.
func TestSilences(t *testing.T) {
	for name, m := range map[string]moment{
		"home again after a silence": {10 * time.Minute, func(now time.Time) bool {
			s := cameHome
			s.Rusty = true
			s.inside(north(5, 10, 0).dated(now), north(5, 10, 0), false, false, now)
			return s.Rusty
		}, true, false},
		"silence": {48 * time.Hour, func(now time.Time) bool {
			s := State{Home: home, Heard: noon, Last: north(5, 10, 0), Fix: north(5, 10, 0)}
			s, err := Step(s, north(5, 10, 0).dated(now), home, now)
			return err == nil && s.Rusty
		}, false, false},
		"seldom heard": {100 * time.Second, func(now time.Time) bool {
			s := State{Home: home, Heard: noon, Last: north(600, 10, 0)}
			s.Trip = trip{From: noon.Add(-time.Hour), Outside: 2, Far: true}
			s, err := Step(s, north(50, 10, 0).dated(now), home, now)
			return err == nil && s.Stands.Opens.Equal(now)
		}, false, false},
	} {
		m.check(t, name)
	}
}

// dated is the report made at another time.
func (r Report) dated(at time.Time) Report {
	r.At = at
	return r
}

// TestSigns has a single sign at the doorstep (10 m) or deep within the circle (75 of 100 m) count at once, and
// wait otherwise, for 130 seconds or 70.
func TestSigns(t *testing.T) {
	now := noon.Add(time.Hour)
	for _, test := range []struct {
		metres, accuracy float64
		crossing         Crossing
		seldom           bool
		want             time.Duration // -1 for not at all
	}{
		{9, 10, "", false, 0}, {11, 10, "", false, 130 * time.Second}, {9, 120, "", false, 130 * time.Second},
		{69, 10, "", true, 0}, {71, 10, "", true, -1}, {5, 10, Entered, false, 0},
		{50, 10, Entered, false, 70 * time.Second},
		{159, 10, Entered, true, 0}, {162, 10, Entered, true, 70 * time.Second},
	} {
		s := State{Home: home, Trip: trip{From: noon, Outside: 2, Far: true}}
		r := north(test.metres, test.accuracy, 3600)
		r.Crossing = test.crossing
		s.comes(r, test.seldom, now)
		want := Arrival{Opens: now.Add(test.want), Strength: house.Ordinary}
		if test.want < 0 {
			want = Arrival{}
		}
		if s.Stands != want {
			t.Errorf("%+v: %+v", test, s.Stands)
		}
	}
}

// TestLeaves has a phone on its way out of the circle: beyond half its radius, farther than before, and
// faster than a walk.
func TestLeaves(t *testing.T) {
	s := State{Home: home}
	for _, test := range []struct {
		from, to, seconds float64
		want              bool
	}{
		{10, 49, 5, false}, {10, 51, 5, true}, {51, 90, 5, true}, {90, 51, 5, false}, {51, 72, 10, false},
		{51, 74, 10, true}, {-80, 60, 5, false}, {-60, 80, 5, true},
	} {
		if got := s.leaves(north(test.to, 10, test.seconds), north(test.from, 10, 0)); got != test.want {
			t.Errorf("%+v: %v", test, got)
		}
	}
	if s.leaves(north(90, 101, 5), north(10, 10, 0)) || s.leaves(north(90, 10, 5), north(10, 101, 0)) {
		t.Error("a way is measured by places that are not precise")
	}
}

// TestFarBounds has a report be far by all of its circle: 900 m.
func TestFarBounds(t *testing.T) {
	for metres, want := range map[float64]bool{909: false, 912: true} {
		s := State{Home: home}
		s.outside(north(metres, 10, 0), false, noon)
		if s.Trip.Far != want || s.Trip.Outside != 1 || s.Trip.Reports != 1 || !s.Trip.From.Equal(noon) {
			t.Errorf("at %v m: %+v", metres, s.Trip)
		}
	}
	s := State{Home: home}
	for range 9 {
		s.outside(north(400, 10, 0), false, noon)
	}
	if s.Trip.Outside != Walked || s.Trip.Reports != Walked {
		t.Errorf("more are counted than count: %+v", s.Trip)
	}
}

// TestEnteredOnTheWayOut has "entered" not be believed of a phone that went away by its positions, within 100
// seconds, by more than its accuracy, to outside.
func TestEnteredOnTheWayOut(t *testing.T) {
	for _, test := range []struct {
		from, to, accuracy, seconds float64
		want                        Place
	}{
		{100, 400, 10, 99, Outside}, {100, 400, 10, 100, Outside}, {100, 400, 10, 101, Inside},
		{391, 400, 10, 50, Inside}, {389, 400, 10, 50, Outside}, {10, 159, 10, 50, Inside}, {10, 161, 10, 50, Outside},
		{400, 300, 10, 50, Inside},
	} {
		r := north(test.to, test.accuracy, test.seconds)
		r.Crossing = Entered
		if got := (State{Home: home}).where(r, north(test.from, 10, 0)); got != test.want {
			t.Errorf("%+v: %s", test, got)
		}
		if got := (State{Home: home}).where(r, north(test.from, 101, 0)); got != Inside {
			t.Errorf("%+v, from a place that is not precise: %s", test, got)
		}
	}
	nowhere := Report{Crossing: Entered, NoPlace: true, At: noon}
	if got := (State{Home: home}).where(nowhere, north(0, 10, 0)); got != Inside {
		t.Errorf("without a place: %s", got)
	}
}

// TestNext has a report belong after the last by its date, or with it as a crossing; and after what was dated later
// than now, where it is of now by a minute.
func TestNext(t *testing.T) {
	last := north(0, 10, 0)
	for _, test := range []struct {
		at       time.Duration
		crossing Crossing
		was      Crossing
		want     bool
	}{
		{-1, "", "", false}, {0, "", "", false}, {1, "", "", true}, {0, Left, "", true}, {0, Left, Left, false},
		{0, Entered, Left, true}, {-1, Left, "", false}, {0, "", Left, false},
	} {
		before, r := last, last.dated(noon.Add(test.at))
		before.Crossing, r.Crossing = test.was, test.crossing
		if got := (State{Last: before, Heard: noon}).next(r, noon.Add(time.Hour)); got != test.want {
			t.Errorf("%+v: %v", test, got)
		}
	}
	for _, d := range around {
		s := State{Last: last.dated(noon.Add(time.Hour)), Heard: noon}
		if got := s.next(last.dated(noon.Add(d-time.Minute)), noon.Add(time.Minute)); got != (d > 0) {
			t.Errorf("a minute before, by %v: %v", d, got)
		}
		if got := s.next(last.dated(noon.Add(time.Minute+d)), noon.Add(time.Minute)); got != (d <= 0) {
			t.Errorf("of now, by %v: %v", d, got)
		}
	}
}

// TestPast has only a crossing that was heard late still say something of the trip that goes on.
func TestPast(t *testing.T) {
	left := Report{Crossing: Left, NoPlace: true, At: noon}
	away := State{Trip: trip{From: noon}, Last: north(900, 10, 60)}
	for name, test := range map[string]struct {
		change func(*State, *Report)
		taken  bool
	}{
		"left":               {func(*State, *Report) {}, true},
		"entered":            {func(_ *State, r *Report) { r.Crossing = Entered }, false},
		"at home":            {func(s *State, _ *Report) { s.Trip = trip{} }, false},
		"left before":        {func(s *State, _ *Report) { s.Trip.Left = true }, false},
		"before it was home": {func(s *State, _ *Report) { s.Stay.At = noon.Add(1) }, false},
		"as it was home":     {func(s *State, _ *Report) { s.Stay.At = noon }, false},
		"after it was home":  {func(s *State, _ *Report) { s.Stay.At = noon.Add(-1) }, true},
		"the last again":     {func(s *State, r *Report) { s.Last = *r }, false},
	} {
		s, r := away, left
		test.change(&s, &r)
		next, err := s.past(r)
		if (err == nil) != test.taken || test.taken && !next.Trip.Left || err != nil && next != s {
			t.Errorf("%s: %+v, %v", name, next.Trip, err)
		}
	}
}

// TestBetween has a report at the edge take back what waits, where it is not in the circle at all.
func TestBetween(t *testing.T) {
	for _, test := range []struct {
		metres float64
		opens  time.Duration
		stands bool
	}{{109, 1, true}, {111, 1, false}, {111, 0, true}, {111, -1, true}} {
		s := State{Home: home, Stands: Arrival{Opens: noon.Add(test.opens), Strength: 1}, Trip: trip{From: noon, Reports: 4}}
		for n := 5; n < 7; n++ {
			s.between(north(test.metres, 10, 0), false, noon)
			if s.Trip.Reports != 5 {
				t.Errorf("%d reports", s.Trip.Reports)
			}
		}
		if (s.Stands != Arrival{}) != test.stands || s.Stay.Broken.IsZero() != test.stands {
			t.Errorf("%+v: %+v, broken %v", test, s.Stands, s.Stay.Broken)
		}
	}
	s := State{Home: home}
	s.between(Report{NoPlace: true}, true, noon)
	if s.Steps || s.Trip.Reports != 0 {
		t.Errorf("of a phone at home: %+v", s)
	}
	if s.between(north(120, 10, 0), true, noon); !s.Steps {
		t.Error("a walk at the edge is none")
	}
}
