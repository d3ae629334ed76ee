package geofence

import (
	"time"

	"lintel/internal/house"
)

// A Crossing is that a phone says it passed the edge of a circle of its own
// round home.
type Crossing string

const (
	Left    Crossing = "left"
	Entered Crossing = "entered"
)

// A Report is where a phone says that it is, or that it crossed.
type Report struct {
	Latitude  float64   `json:"lat"`      // WGS 84, north is positive
	Longitude float64   `json:"lon"`      // WGS 84, east is positive
	Accuracy  float64   `json:"accuracy"` // the radius of the circle that it is within, in metres
	At        time.Time `json:"at"`       // by the phone's clock
	Crossing  Crossing  `json:"crossing,omitempty"`
	// NoPlace says that the report, a crossing, came without a position. Its
	// accuracy may be given all the same, or 0.
	NoPlace bool `json:"no_place,omitempty"`
}

// check returns why a report is refused that is wrong by itself.
func (r Report) check(now time.Time) error {
	switch {
	case !r.NoPlace && !onEarth(r.Latitude, r.Longitude):
		return ErrPosition
	case !(r.Accuracy > 0 && r.Accuracy <= Vague) && !(r.NoPlace && r.Accuracy == 0):
		return ErrAccuracy
	case r.At.Sub(now) > Ahead:
		return ErrFuture
	case now.Sub(r.At) > Old:
		return ErrOld
	}
	return nil
}

// A Place is what a report says of where the phone is.
type Place string

const (
	Inside    Place = "inside"
	Outside   Place = "outside"
	Undecided Place = "undecided" // at the edge, or too vague
)

// Where says what a report says of where the phone is. A crossing counts by its
// word, unless its position lies so far off that one of the two is wrong.
func Where(r Report, home house.Home) Place {
	switch {
	case r.Crossing == Left:
		return Outside
	case r.Crossing == Entered && (r.NoPlace || r.from(home)-r.Accuracy <= home.Radius+apart):
		return Inside
	case r.NoPlace:
		return Undecided
	}
	away := r.from(home)
	switch {
	case away-r.Accuracy > home.Radius+Margin:
		return Outside
	case away+r.Accuracy/2 <= home.Radius:
		return Inside
	}
	return Undecided
}

// apart is how far beyond home's circle a phone may be that says it entered its
// own, in metres: phones have circles of 100 m and more, and say so before they
// are there (common practice, no source).
const apart = 400.0

func (r Report) from(home house.Home) float64 {
	return distance(home.Latitude, home.Longitude, r.Latitude, r.Longitude)
}

func (r Report) to(o Report) float64 {
	return distance(r.Latitude, r.Longitude, o.Latitude, o.Longitude)
}

// precise reports whether a way can be measured by the report.
func (r Report) precise() bool { return !r.NoPlace && r.Accuracy > 0 && r.Accuracy <= Precise }

// reaches returns ErrSpeed if nobody gets from one report to a later one in
// time. The zero Report, and one without a place, reaches everything.
func (r Report) reaches(later Report) error {
	if r.At.IsZero() || r.NoPlace || later.NoPlace {
		return nil
	}
	if r.to(later)-r.Accuracy-later.Accuracy > Fastest*later.At.Sub(r.At).Seconds()+Jump {
		return ErrSpeed
	}
	return nil
}

// walks reports whether somebody may have walked from one report to a later one.
func (r Report) walks(later Report) bool {
	took := later.At.Sub(r.At)
	return r.precise() && took <= Close && r.to(later) <= Pace*took.Seconds()
}

// Away is how far from home a report is, in metres; it is not placed where it came
// without a position.
func Away(r Report, home house.Home) (metres float64, placed bool) {
	if r.NoPlace {
		return 0, false
	}
	return r.from(home), true
}
