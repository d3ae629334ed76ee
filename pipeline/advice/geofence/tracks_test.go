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

func percent(n, of int) string {
	if of == 0 {
		return "–"
	}
	return fmt.Sprintf("%.0f %%", 100*float64(n)/float64(of))
}

func TestMeasure(t *testing.T) {
	if *manyTracks == 0 {
		t.Skip("SKIPPED: measuring takes minutes; -tracks 200")
	}
	var out strings.Builder
	for _, radius := range []float64{50, 75, 100, 150} {
		if radius != 100 && !*radii {
			continue
		}
		fmt.Fprintf(&out, "\nradius %g\n\n| |", radius)
		for _, h := range tracks.Habits {
			fmt.Fprintf(&out, " %s |", h.Name)
		}
		sums := make([]tally, len(tracks.Habits))
		for _, k := range tracks.Kinds {
			fmt.Fprintf(&out, "\n| %s |", k.Name)
			for i, h := range tracks.Habits {
				got := judge(k, h, *manyTracks, radius)
				if k.Comes {
					fmt.Fprintf(&out, " %s (%s) |", percent(got.known, got.comings), percent(got.knownWeak, got.comings))
					sums[i].add(got)
				} else {
					fmt.Fprintf(&out, " %.3f (%.3f) %s |", float64(got.falsely)/float64(got.tracks), float64(got.faintly)/float64(got.tracks), percent(got.misled, got.passed))
				}
			}
		}
		fmt.Fprintf(&out, "\n| all who come |")
		for _, s := range sums {
			fmt.Fprintf(&out, " %s, soon %s, any %s, false %d of %d, refused %s |", percent(s.known, s.comings), percent(s.soon, s.comings), percent(s.knownWeak, s.comings), s.falsely, s.tracks, percent(s.refusals, s.messages))
		}
	}
	t.Log(out.String())
}
