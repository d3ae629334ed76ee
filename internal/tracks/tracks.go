// Package tracks makes ways that people go, and what their phones send of it: a
// developers' tool, to judge by how well arrivals are told (package geofence)
// and how seldom they are made up.
//
// What comes in are a kind of day ([Kinds]), a habit of a phone ([Habits]) and a
// seed. What goes out is a [Track]: the messages that a server hears, each with
// the time when it hears it, and when the person really came home. All of it is
// drawn: no real person's way is in here. It knows no rule of Lintel's, and
// imports none of its packages.
//
// Phones are as phones are, to the author's knowledge (common practice, no
// source): positions err by an amount that changes over minutes, more indoors; a
// first fix may be off by hundreds of metres, and not know it; a phone's own
// circle round home has 100 to 200 metres, and it says that it left or entered
// half a minute to minutes later, or before, or never; messages are late, lost,
// sent twice, overtake each other, or wait for the network at home; clocks are
// off.
//
// Odd seeds are to tune rules to, even ones are held back to judge them by.
package tracks

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"
	"time"
)

// A Message is what a server hears of a phone.
type Message struct {
	Heard    time.Time
	At       time.Time // by the phone's clock
	Lat, Lon float64
	Accuracy float64 // in metres
	Crossing string  // left, entered, or empty for a position
}

// A Track is a way and what a phone sent of it.
type Track struct {
	Kind, Habit string
	Lat, Lon    float64 // of home
	From, To    time.Time
	Messages    []Message // in the order they are heard in
	// Doors are when the person came to the door of home after being gone for
	// ten minutes or more; empty where nobody did.
	Doors []time.Time
	// Pasts are when they were nearest to home and went by.
	Pasts []time.Time
}

// Start is when all tracks begin: the small hours of a Tuesday.
var Start = time.Date(2031, 5, 6, 4, 0, 0, 0, time.UTC)

// Make makes a track.
func Make(kind Kind, habit Habit, seed uint64) Track {
	r := rand.New(rand.NewPCG(seed, 0x7472616b))
	t := Track{Kind: kind.Name, Habit: habit.Name, From: Start,
		Lat: 50 * (2*r.Float64() - 1), Lon: 170 * (2*r.Float64() - 1)}
	w := &way{rand: r}
	kind.walk(w)
	p := newPhone(habit, w)
	p.run()
	t.To = Start.Add(seconds(w.end()))
	for _, s := range p.sent {
		t.Messages = append(t.Messages, Message{
			Heard: Start.Add(seconds(s.heard)), At: Start.Add(seconds(s.at + p.skew)).Truncate(time.Millisecond),
			Lat: t.Lat + s.y/metresPerDegree, Lon: t.Lon + s.x/metresPerDegree/math.Cos(t.Lat*math.Pi/180),
			Accuracy: s.accuracy, Crossing: s.crossing,
		})
	}
	slices.SortStableFunc(t.Messages, func(a, b Message) int {
		return cmp.Or(a.Heard.Compare(b.Heard), a.At.Compare(b.At))
	})
	for _, d := range w.doors {
		t.Doors = append(t.Doors, Start.Add(seconds(d)))
	}
	for _, d := range w.pasts {
		t.Pasts = append(t.Pasts, Start.Add(seconds(d)))
	}
	return t
}

// metresPerDegree are those of a degree of latitude, of a sphere.
const metresPerDegree = 6371008.8 * math.Pi / 180

func seconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }
