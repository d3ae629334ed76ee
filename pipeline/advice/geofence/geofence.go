// Package geofence tells from the reports of a person's phone when the person
// comes home.
//
// What comes in are reports ([ParseReport]): where the phone is, how sure it is
// of that, and when. What goes out, from [Step], is what is to be remembered of
// the phone until its next report, and whether it arrived just now. Nothing is
// read or written here, and the time is the caller's.
//
// An arrival is evidence that somebody may be let in by, so whatever is not
// certain is none. A report is a circle, the point with its accuracy around it,
// and the home is another:
//
//	inside     the whole circle lies within the home's
//	outside    the whole circle lies more than Margin beyond the home's
//	undecided  everything else; it says nothing either way
//
// An arrival is an inside report after the phone was away: after Outsides
// reports or more that were outside, over Away or longer, with no gap above Gap
// from each to the next and to the inside one. So no arrival is made of being at
// home for hours, of a first report, or of a phone that was silent for a long
// time. Then all begins anew.
//
// An inside report between outside ones does not begin the count anew. It would
// be more cautious on its face, but then losing that one report, which a poor
// network or somebody on it can bring about, would make an arrival out of none.
// As it is, reports that are lost, repeated, late, or less accurate never add
// an arrival, with one exception: a report that is impossible by its speed
// ([ErrSpeed]) spoils what was known before, and can't if it never comes or is
// too vague to be impossible.
//
// What it can't tell: where the person is. A phone may be lent, stolen, left in
// a car, or made to report what is not so. An arrival is worth less than a code.
package geofence

import (
	"math"
	"time"

	"lintel/internal/house"
)

const (
	// Margin is how far beyond the home's radius outside begins, in metres, so
	// that a phone at the edge does not come and go. It is five times what
	// distances may be wrong by there: the edge is at 1550 m at most, of a home
	// of 500 m and a circle of 1000, where taking the Earth for a sphere errs
	// by 8.7 m. At the edge of inside, 500 m at most, it errs by 2.8.
	Margin = 50.0
	// Outsides is how many reports from outside, and Away over how long, make
	// that somebody was away. A single stray position never does.
	Outsides = 3
	Away     = 3 * time.Minute
	// Gap is how long an outside report counts for. A phone has to report at
	// least so often on its way home.
	Gap = 30 * time.Minute

	// Skew is how far a phone's clock may be ahead of ours, Old how old a report
	// may be.
	Skew = 30 * time.Second
	Old  = 2 * time.Minute
	// Vague is the largest accuracy of a report that is of any use, in metres.
	Vague = 1000.0
	// Fastest is the highest believable speed, in metres a second: 216 km/h.
	// Somebody in an aeroplane or a fast train is faster, and is not arriving
	// at a house: what is known begins anew with what comes after.
	Fastest = 60.0

	leastRadius, mostRadius = 20, 500 // of a home, in metres, as house.Home has it
)

var (
	// ErrPosition says that a latitude is beyond 90 degrees or a longitude
	// beyond 180, or one is no number.
	ErrPosition error = house.Refusal("position-none")
	// ErrAccuracy says that an accuracy is 0 or less, above Vague, or no number.
	ErrAccuracy error = house.Refusal("accuracy-bounds")
	// ErrFuture says that a report's time is more than Skew ahead.
	ErrFuture error = house.Refusal("report-future")
	// ErrOld says that a report is older than Old.
	ErrOld error = house.Refusal("report-old")
	// ErrOrder says that a report is not later than the one before, or is the
	// same again.
	ErrOrder error = house.Refusal("report-order")
	// ErrSpeed says that nobody gets from the report before to this one in the
	// time between, even by the shortest way between the two circles. What was
	// known of the phone is forgotten; the state that comes with the error has
	// to be kept.
	ErrSpeed error = house.Refusal("report-speed")
	// ErrHome says that a home has no position on the Earth, or a radius that
	// is not from 20 to 500 m.
	ErrHome error = house.Refusal("home-nowhere")
)

// A Report is where a phone says that it is.
type Report struct {
	Latitude  float64   `json:"latitude_deg"`  // WGS 84, north is positive
	Longitude float64   `json:"longitude_deg"` // WGS 84, east is positive
	Accuracy  float64   `json:"accuracy_m"`    // the radius of the circle that it is within
	At        time.Time `json:"at"`            // by the phone's clock
}

// A State is what has to be remembered of a phone from one report to the next.
// The zero State is that of a phone that never reported. It says where somebody
// was, so it has to be sealed where it is kept.
type State struct {
	// Last is the report before; zero before the first.
	Last Report `json:"last,omitzero"`
	// Outside is how many reports were outside in a row without a gap, up to
	// Outsides; From and To are when the first and the last of them were.
	Outside int       `json:"outside,omitzero"`
	From    time.Time `json:"from,omitzero"`
	To      time.Time `json:"to,omitzero"`
	// Home is the one that they were outside of.
	Home house.Home `json:"home,omitzero"`
}

// Step takes a phone's next report. It returns the state to keep until the one
// after, and whether the phone has just arrived. The state comes with an error,
// too: it is the one before, but after [ErrSpeed], with which all that was known
// is forgotten. A home that was changed forgets it, too.
func Step(s State, r Report, home house.Home, now time.Time) (next State, arrived bool, err error) {
	if err := r.check(now); err != nil {
		return s, false, err
	}
	if err := CheckHome(home); err != nil {
		return s, false, err
	}
	if !r.At.After(s.Last.At) {
		return s, false, ErrOrder
	}
	r.At = r.At.UTC() // its zone is nobody's business
	away := distance(home.Latitude, home.Longitude, r.Latitude, r.Longitude)
	// The report after an impossible one is measured by it, so that no two in
	// a row are ever taken unmeasured, and it can't be sent again.
	if err := s.Last.reaches(r); err != nil {
		return State{Last: r}, false, err
	}
	s.Last = r
	if s.Home != home {
		s = State{Last: r, Home: home}
	}
	switch {
	case away-r.Accuracy > home.Radius+Margin:
		if s.Outside == 0 || r.At.Sub(s.To) > Gap {
			s.Outside, s.From = 0, r.At
		}
		s.Outside, s.To = min(s.Outside+1, Outsides), r.At
	case away+r.Accuracy <= home.Radius:
		if s.Outside >= Outsides && s.To.Sub(s.From) >= Away && r.At.Sub(s.To) <= Gap {
			return State{Last: r, Home: home}, true, nil
		}
	}
	return s, false, nil
}

// CheckHome returns [ErrHome] where nobody could ever arrive.
func CheckHome(h house.Home) error {
	if !onEarth(h.Latitude, h.Longitude) || !(h.Radius >= leastRadius && h.Radius <= mostRadius) {
		return ErrHome
	}
	return nil
}

// check returns why a report is refused that is wrong by itself.
func (r Report) check(now time.Time) error {
	switch {
	case !onEarth(r.Latitude, r.Longitude):
		return ErrPosition
	case !(r.Accuracy > 0 && r.Accuracy <= Vague):
		return ErrAccuracy
	case r.At.Sub(now) > Skew:
		return ErrFuture
	case now.Sub(r.At) > Old:
		return ErrOld
	}
	return nil
}

// onEarth reports whether there is such a place; it is false for NaN.
func onEarth(lat, lon float64) bool {
	return math.Abs(lat) <= 90 && math.Abs(lon) <= 180
}

// reaches returns ErrSpeed if nobody gets from one report to a later one in
// time. The zero Report reaches everything.
func (r Report) reaches(later Report) error {
	if r.At.IsZero() {
		return nil
	}
	far := distance(r.Latitude, r.Longitude, later.Latitude, later.Longitude)
	if far-r.Accuracy-later.Accuracy > Fastest*later.At.Sub(r.At).Seconds() {
		return ErrSpeed
	}
	return nil
}
