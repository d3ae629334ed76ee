package geofence_test

import (
	"flag"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/internal/tracks"
	"lintel/pipeline/advice/geofence"
)

var (
	manyTracks = flag.Int("tracks", 0, "tracks of each kind and habit to measure by, held back; 0 for few")
	tuning     = flag.Bool("tuning", false, "measure by the tracks that are there to tune to")
	radii      = flag.Bool("radii", false, "measure homes of several radii")
)

// window is for how long an arrival counts where a household decided nothing.
const window = 10 * time.Minute

// A tally is what came of tracks of one kind and habit.
type tally struct {
	tracks, comings    int
	known, knownWeak   int // at the ring, by an ordinary arrival or by any
	soon               int // at the ring or in the 50 s after, by an ordinary one
	days               float64
	falsely, faintly   int // arrivals that opened where nobody came, ordinary and weak
	passed, misled     int // passings, and those after which a ring in 1 to 5 minutes is helped
	messages, refusals int
}

func (a *tally) add(b tally) {
	a.tracks += b.tracks
	a.comings += b.comings
	a.known += b.known
	a.knownWeak += b.knownWeak
	a.soon += b.soon
	a.passed += b.passed
	a.misled += b.misled
	a.days += b.days
	a.falsely += b.falsely
	a.faintly += b.faintly
	a.messages += b.messages
	a.refusals += b.refusals
}

// A spell is for how long an arrival counted.
type spell struct {
	from, until time.Time
	strength    float64
}

// follow gives a track to the rule, message by message as they are heard, and
// returns when arrivals counted.
func follow(t tracks.Track, radius float64, blind bool) (counted []spell, refused int) {
	home := house.Home{Latitude: t.Lat, Longitude: t.Lon, Radius: radius}
	var s geofence.State
	for i, m := range t.Messages {
		r := geofence.Report{Latitude: m.Lat, Longitude: m.Lon, Accuracy: m.Accuracy, At: m.At,
			Crossing: geofence.Crossing(m.Crossing)}
		if blind && r.Crossing != "" {
			r.Latitude, r.Longitude, r.NoPlace = 0, 0, true
		}
		next, err := geofence.Step(s, r, home, m.Heard)
		if err != nil {
			refused++
		}
		s = next
		until := t.To
		if i+1 < len(t.Messages) {
			until = t.Messages[i+1].Heard
		}
		if a := s.Stands; a.Strength > 0 {
			from, end := latest(m.Heard, a.Opens), earliest(until, a.Opens.Add(window))
			if from.Before(end) {
				counted = append(counted, spell{from, end, a.Strength})
			}
		}
	}
	return counted, refused
}

func latest(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

func earliest(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}

// judge follows tracks of one kind and habit.
func judge(kind tracks.Kind, habit tracks.Habit, n int, radius float64) (all tally) {
	for i := range n {
		seed := uint64(2*i) + 1000
		if *tuning {
			seed++
		}
		all.add(judgeOne(tracks.Make(kind, habit, seed), seed, radius))
	}
	return all
}

func judgeOne(t tracks.Track, seed uint64, radius float64) tally {
	r := rand.New(rand.NewPCG(seed, 99))
	counted, refused := follow(t, radius, seed/2%2 == 0)
	got := tally{tracks: 1, comings: len(t.Doors), days: t.To.Sub(t.From).Hours() / 24,
		messages: len(t.Messages), refusals: refused}
	for _, door := range t.Doors {
		ring := door.Add(time.Minute + time.Duration(r.Float64()*float64(4*time.Minute)))
		at := func(least float64) bool {
			return slices.ContainsFunc(counted, func(s spell) bool {
				return s.strength >= least && !ring.Before(s.from) && ring.Before(s.until)
			})
		}
		if at(house.Ordinary) {
			got.known++
		}
		if slices.ContainsFunc(counted, func(s spell) bool {
			return s.strength >= house.Ordinary && s.from.Before(ring.Add(50*time.Second)) && ring.Before(s.until)
		}) {
			got.soon++
		}
		if at(0) {
			got.knownWeak++
		}
	}
	for _, past := range t.Pasts {
		got.passed++
		ring := past.Add(time.Minute + time.Duration(r.Float64()*float64(4*time.Minute)))
		if slices.ContainsFunc(counted, func(s spell) bool {
			return s.strength >= house.Ordinary && !ring.Before(s.from) && ring.Before(s.until)
		}) {
			got.misled++
		}
	}
	var ordinary, weak time.Time // until when one was seen
	for _, s := range counted {
		if slices.ContainsFunc(t.Doors, func(door time.Time) bool {
			return s.until.After(door.Add(-5*time.Minute)) && s.from.Before(door.Add(20*time.Minute))
		}) {
			continue
		}
		switch {
		case s.strength < house.Ordinary:
			if s.from.Sub(weak) > time.Second {
				got.faintly++
			}
			weak = s.until
		default:
			if s.from.Sub(ordinary) > time.Second {
				got.falsely++
			}
			ordinary = s.until
		}
	}
	return got
}

func percent(n, of int) string { return fmt.Sprintf("%.0f %%", 100*float64(n)/float64(max(of, 1))) }

func (a tally) each(n int) float64 { return float64(n) / float64(a.tracks) }

// TestMeasure writes the tables of MEASUREMENTS.md.
func TestMeasure(t *testing.T) {
	if *manyTracks == 0 {
		t.Skip("SKIPPED: measuring takes minutes; go test -run Measure -tracks 200")
	}
	var out strings.Builder
	for _, radius := range []float64{50, 75, 100, 150} {
		if radius == 100 || *radii {
			measure(&out, radius)
		}
	}
	t.Log(out.String())
}

func measure(out *strings.Builder, radius float64) {
	fmt.Fprintf(out, "\nhome's radius %g m\n\n| |", radius)
	for _, h := range tracks.Habits {
		fmt.Fprintf(out, " %s |", h.Name)
	}
	sums := make([]tally, len(tracks.Habits))
	for _, k := range tracks.Kinds {
		fmt.Fprintf(out, "\n| %s |", k.Name)
		for i, h := range tracks.Habits {
			got := judge(k, h, *manyTracks, radius)
			switch {
			case k.Comes:
				fmt.Fprintf(out, " %s |", percent(got.known, got.comings))
				sums[i].add(got)
			case got.passed > 0:
				fmt.Fprintf(out, " %.2f, %s |", got.each(got.falsely), percent(got.misled, got.passed))
			default:
				fmt.Fprintf(out, " %.3f |", got.each(got.falsely))
			}
		}
	}
	for _, row := range []struct {
		name string
		of   func(tally) string
	}{
		{"all who come, at the ring", func(a tally) string { return percent(a.known, a.comings) }},
		{"or in the 50 s after it", func(a tally) string { return percent(a.soon, a.comings) }},
		{"weak ones too", func(a tally) string { return percent(a.knownWeak, a.comings) }},
		{"messages refused", func(a tally) string { return percent(a.refusals, a.messages) }},
	} {
		fmt.Fprintf(out, "\n| %s |", row.name)
		for _, sum := range sums {
			fmt.Fprintf(out, " %s |", row.of(sum))
		}
	}
	fmt.Fprintln(out)
}

// TestBars holds the rule to its bars, on tracks that it was not tuned to: fewer
// than MEASUREMENTS.md has.
func TestBars(t *testing.T) {
	if testing.Short() {
		t.Skip("SKIPPED: takes seconds")
	}
	habit := func(name string) tracks.Habit {
		i := slices.IndexFunc(tracks.Habits, func(h tracks.Habit) bool { return h.Name == name })
		return tracks.Habits[i]
	}
	for name, bar := range map[string]float64{"each minute": .9, "crossings, each 15 minutes": .8, "crossings": .6} {
		var all tally
		for _, k := range tracks.Kinds {
			if k.Comes {
				all.add(judge(k, habit(name), 8, 100))
			}
		}
		t.Logf("%s: %d of %d who come are known at the ring", name, all.known, all.comings)
		if got := float64(all.known) / float64(all.comings); got < bar || all.comings < 90 {
			t.Errorf("%s: %.2f of %d who come are known at the ring, want %g", name, got, all.comings, bar)
		}
	}
	for _, bar := range []struct {
		kind  string
		habit string
		n     int
		most  float64 // a track: a day, or a way past
	}{
		{"home all day", "each minute", 6, .02}, {"home all day", "crossings", 6, .02},
		{"home all day, wrong for spells", "each minute", 6, .05},
		{"home all day, wrong now and then", "each minute", 6, .05},
		{"bicycle past", "each minute", 300, .1}, {"drive past", "each minute", 300, .03},
		{"train past", "each minute", 20, 0}, {"out for minutes", "each minute", 20, 0},
		{"next street", "each minute", 20, .05}, {"phone left at home", "each minute", 20, 0},
	} {
		i := slices.IndexFunc(tracks.Kinds, func(k tracks.Kind) bool { return k.Name == bar.kind })
		got := judge(tracks.Kinds[i], habit(bar.habit), bar.n, 100)
		t.Logf("%s, %s: %d arrivals on %d tracks", bar.kind, bar.habit, got.falsely, got.tracks)
		if got.each(got.falsely) > bar.most {
			t.Errorf("%s, %s: %d arrivals on %d tracks, want %g each", bar.kind, bar.habit, got.falsely, got.tracks, bar.most)
		}
	}
}
