// Package geofence tells from what a person's phone sends when the person comes
// home.
//
// What comes in are reports: where the phone is, how sure it is of that, and
// when; or that it crossed the edge of a circle of its own round home ([Left],
// [Entered]), with or without a position. What goes out, from [Step], is what is
// to be remembered of the phone until its next report ([State]), and in that
// whether an arrival stands ([Arrival]). Nothing is read or written here, and
// the time is the caller's.
//
// # The rule
//
// An arrival stands where the phone was gone, is now inside, and seems to come
// rather than to pass. It takes all three:
//
//	gone     for Gone (10 minutes) or longer from the first sign outside to the
//	         first inside, and shown to be: by 2 reports outside, one of them Far
//	         (900 m) or farther; or by Walked (5) nearer ones that the phone walked
//	         to or from, no step faster than Pace; or, where it sent fewer than 5
//	         reports, by a crossing "left"
//	inside   the position lies within the home's circle with half its accuracy,
//	         or a crossing "entered"
//	coming   a second position inside after Again (45 s) or more that is not on its
//	         way out of the circle; or a reader at home saw something of the
//	         person's; or the ring itself, before any sign outside
//
// A report outside, or "left", takes the arrival back: a phone's last word
// counts. What is neither inside nor outside, by its accuracy and Margin, says
// nothing either way.
//
//	gone as above, inside, and a second position, or a reader     ordinary, at once
//	gone as above, inside at the Doorstep (10 m)                  ordinary, at once
//	one sign, of a phone that seldom reports: "entered", or a     ordinary, at once: the ring is the second sign
//	    position Deep (three quarters of the radius) inside
//	one position, of a phone that reports every minute or so      ordinary, after Patience (130 s): the next may
//	                                                                say that it passed
//	"entered" of such a phone, or by a position that is outside   ordinary, after Hesitation (70 s)
//	"left" alone shows that it was gone, and a position, not      weak, until "entered" comes
//	    "entered", that it is inside
//	"left" alone shows it, for the fourth time in a day           weak
//	the first arrival after Silence (two days without a word)     weak
//	"entered" alone: nothing shows that it was gone               weak
//	gone for less than 10 minutes                                 none
//	nothing shows that it was gone, and no crossing               none
//
// # Whose clock counts
//
// How long somebody was gone, and when they came, goes by when the server heard
// of it. The phone's own dates say only in what order its reports belong, how
// fast it moved between them, and whether one tells of now: a report that is
// heard more than Late (5 minutes) after its date is evidence of the past. It
// can show that somebody was outside since, from when it was heard on, but opens
// nothing. So whoever has a phone's token and makes up a way home has to take as
// long over it as the way takes.
//
// # When it counts
//
// An arrival counts from Opens on, for as long as the household decided. Signs
// inside within Renewed (5 minutes) of the first move Opens on: a last report
// while driving in does not use the window up.
//
// # What it can't tell
//
// Where the person is. A phone may be lent, stolen, left in a car, or made to
// report what is not so. A visit to a neighbour 30 metres off is an arrival: no
// position is as fine as that. Nor is a slow walk past the house told from coming
// home, until the phone is out of the circle again. A phone whose positions are
// wrong by hundreds of metres for a quarter of an hour, and right again after,
// was away for all that can be seen if it believed them and said "left" and
// "entered" itself. MEASUREMENTS.md says how often.
package geofence

import (
	"math"
	"time"

	"lintel/internal/house"
)

// What counts as gone, as coming, and as now. Where nothing is said of how a
// number was found it was tried on the tracks of package tracks that are for that
// (MEASUREMENTS.md).
const (
	// Margin is how far beyond the home's radius outside begins, in metres, so
	// that a phone at the edge does not come and go. It is five times what
	// distances may be wrong by there: the edge is at 1550 m at most, of a home
	// of 500 m and a circle of 1000, where taking the Earth for a sphere errs
	// by 8.7 m. At the edge of inside, 500 m at most, it errs by 2.8.
	Margin = 50.0
	// Gone is how long somebody has to be away before they can arrive.
	Gone = 10 * time.Minute
	// Far is how far off a report has to be, by all of its circle, to show
	// together with another that somebody was away. Wrong positions are off by
	// tens to hundreds of metres (common practice, no source).
	Far = 900.0
	// Pace is the fastest walk, in metres a second, and Close the longest time
	// between two reports that show one.
	Pace  = 2.2
	Close = 100 * time.Second
	// Walked is how many reports outside show, with a walk, that somebody was
	// away nearby.
	Walked = 5
	// Again is how long after the first sign inside a second one counts.
	Again = 45 * time.Second
	// Patience is how long a single position of a phone that reports often waits
	// for the next, of which one may be lost, and Hesitation how long its "entered"
	// does, after which it may report no more.
	Patience   = 130 * time.Second
	Hesitation = 70 * time.Second
	// Deep is how much of the home's radius a position lies within, with half its
	// accuracy, to count by itself.
	Deep = 0.75
	// Doorstep is how near home's point a single sign waits for nothing, in
	// metres: few who pass are ever reported as near.
	Doorstep = 10.0
	// Renewed is for how long signs inside move an arrival on.
	Renewed = 5 * time.Minute
	// Settled is after how long inside all that was known of being away is over.
	Settled = 10 * time.Minute
	// Glance is how long a report outside, between two inside, may last to be
	// taken for a wrong position.
	Glance = 3 * time.Minute
	// Believed is how many times in a day "left" alone shows that somebody was
	// gone. A phone that knows badly where it is says so more often.
	Believed = 3
	// Silence is how long a phone says nothing until its next arrival is weak.
	Silence = 48 * time.Hour
	// Alone is how long nothing may have been inside for "entered" to count
	// with nothing to show that the phone was gone.
	Alone = 30 * time.Minute

	// Ahead is how far a phone's clock may be ahead of ours, Late how late a
	// report may be heard and still tell of now, and Old how late at all.
	Ahead = 5 * time.Minute
	Late  = 5 * time.Minute
	Old   = 7 * 24 * time.Hour
	// Vague is the largest accuracy of a report that is of any use, in metres,
	// and Precise the largest of one that a way can be measured by.
	Vague   = 1000.0
	Precise = 100.0
	// Fastest is the highest believable speed, in metres a second: 360 km/h, as
	// the fastest trains go (from memory). Jump is how far a wrong position may
	// lie off a right one, at any speed.
	Fastest = 100.0
	Jump    = 1000.0

	leastRadius, mostRadius = 20, 500 // of a home, in metres, as house.Home has it
)

// Why a report is refused.
var (
	// ErrPosition says that a latitude is beyond 90 degrees or a longitude
	// beyond 180, or one is no number.
	ErrPosition error = house.Refusal("position-none")
	// ErrAccuracy says that an accuracy is 0 or less, above Vague, or no number.
	ErrAccuracy error = house.Refusal("accuracy-bounds")
	// ErrFuture says that a report's time is more than Ahead ahead.
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

// CheckHome returns [ErrHome] where nobody could ever arrive.
func CheckHome(h house.Home) error {
	if !onEarth(h.Latitude, h.Longitude) || !(h.Radius >= leastRadius && h.Radius <= mostRadius) {
		return ErrHome
	}
	return nil
}

// onEarth reports whether there is such a place; it is false for NaN.
func onEarth(lat, lon float64) bool {
	return math.Abs(lat) <= 90 && math.Abs(lon) <= 180
}
