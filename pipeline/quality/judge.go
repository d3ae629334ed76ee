package quality

import (
	"cmp"
	"math"
	"slices"

	"lintel/internal/house"
)

// A Complaint is what is wrong with the picture of a face. Package words says
// it, and what to do about it when a photograph is chosen to enrol.
type Complaint struct {
	Code  string  // no-eyes, small, far, blurred, dark, bright, clipped, flat, turned, tilted, covered or cut
	Value float64 // what was measured, in the unit of [house.Quality]; for turned and tilted without a sign
	Poor  bool    // a match of such a face is not to be called strong
}

// Poor reports whether a face can be judged so badly that no match of it is to
// be called strong.
func Poor(q house.Quality) bool {
	_, complaints := Judge(q)
	return slices.ContainsFunc(complaints, func(c Complaint) bool { return c.Poor })
}

// Judge sums up what was measured. The score is over 0 to 1, and 0 for a face
// that can't be judged at all: the product of what each number is worth, from
// 0 where it is useless to 1 where a better one adds nothing. Complaints are
// about numbers that are not enough to enrol the face, the worst first.
func Judge(q house.Quality) (score float64, complaints []Complaint) {
	if q.EyeDistance == 0 {
		return 0, []Complaint{{Code: "no-eyes", Poor: true}}
	}
	score = 1
	worth := make(map[string]float64)
	for _, c := range criteria {
		v := c.value(q)
		worth[c.code] = c.worth(v)
		score *= worth[c.code]
		if c.short(v, c.enough) {
			complaints = append(complaints, Complaint{c.code, v, c.short(v, c.poor)})
		}
	}
	slices.SortStableFunc(complaints, func(a, b Complaint) int { return cmp.Compare(worth[a.Code], worth[b.Code]) })
	return score, complaints
}

// A criterion is what is asked of one number. useless and fine say which way is
// better: fine may be the larger or the smaller of the two.
type criterion struct {
	code    string
	value   func(house.Quality) float64
	useless float64 // worth 0 from here on
	poor    float64 // short of this, no match is strong
	enough  float64 // short of this, nobody is enrolled
	fine    float64 // worth 1 from here on
}

// worth is 0 at useless, 1 at fine, and in between on a straight line.
func (c criterion) worth(v float64) float64 {
	return min(max((v-c.useless)/(c.fine-c.useless), 0), 1)
}

// short reports whether v is worse than the limit.
func (c criterion) short(v, limit float64) bool {
	if c.fine > c.useless {
		return !(v >= limit) // so that what is not a number is short
	}
	return !(v <= limit)
}

// MinWidth is the width in pixels under which a face is not enrolled: errors
// grow tenfold between 32 and 24 pixels, and a reference counts in every
// comparison to come.
const MinWidth = 80

// criteria are what a picture is judged by. Where no source is named, limits
// are common practice without one, checked on the pictures of MEASUREMENTS.md.
var criteria = []criterion{
	{
		code:    "small",
		value:   func(q house.Quality) float64 { return float64(q.FaceWidth) },
		useless: 12, poor: 24, enough: MinWidth, fine: 160,
	},
	{
		code:    "far", // EN 62676-4, see LevelOf
		value:   func(q house.Quality) float64 { return q.PixelsPerMetre },
		useless: float64(Detect), poor: float64(Identify), enough: float64(Identify), fine: float64(Identify),
	},
	{
		code:    "blurred",
		value:   func(q house.Quality) float64 { return q.Sharpness },
		useless: 0, poor: 0.01, enough: 0.03, fine: 0.15, // measured, see MEASUREMENTS.md
	},
	{
		code:    "dark",
		value:   func(q house.Quality) float64 { return q.Luma },
		useless: 5, poor: 20, enough: 35, fine: 55,
	},
	{
		code:    "bright",
		value:   func(q house.Quality) float64 { return q.Luma },
		useless: 250, poor: 235, enough: 220, fine: 200,
	},
	{
		code:    "clipped",
		value:   func(q house.Quality) float64 { return q.Clipped },
		useless: 0.6, poor: 0.25, enough: 0.1, fine: 0.02,
	},
	{
		code:    "flat",
		value:   func(q house.Quality) float64 { return q.Contrast },
		useless: 0.01, poor: 0.025, enough: 0.04, fine: 0.065,
	},
	{
		code:    "turned",
		value:   func(q house.Quality) float64 { return math.Abs(q.Yaw) },
		useless: 75, poor: 45, enough: 30, fine: 15,
	},
	{
		code:    "tilted", // aligning makes most of it good
		value:   func(q house.Quality) float64 { return math.Abs(q.Roll) },
		useless: 90, poor: 50, enough: 35, fine: 20,
	},
	{
		code:    "covered",
		value:   func(q house.Quality) float64 { return q.Occlusion },
		useless: 1.2, poor: 0.6, enough: 0.3, fine: 0, // a hint takes not all away
	},
	{
		code:    "cut",
		value:   func(q house.Quality) float64 { return q.Cut },
		useless: 0.8, poor: 0.25, enough: 0.1, fine: 0,
	},
}

// A Level is what EN 62676-4 holds a picture of a person fit for, as a number
// of pixels per metre: the edition of 2015, from memory. The edition of 2025
// may count otherwise.
type Level int

const (
	Below     Level = 0   // less than any
	Detect    Level = 25  // whether somebody is there
	Observe   Level = 62  // how somebody is dressed
	Recognise Level = 125 // whether it is somebody one knows
	Identify  Level = 250 // who it is, beyond reasonable doubt
)

// LevelOf returns the highest level whose pixels per metre the face has.
func LevelOf(q house.Quality) Level {
	for _, l := range []Level{Identify, Recognise, Observe, Detect} {
		if q.PixelsPerMetre >= float64(l) {
			return l
		}
	}
	return Below
}

// String returns the level in a word.
func (l Level) String() string {
	switch l {
	case Identify:
		return "identify"
	case Recognise:
		return "recognise"
	case Observe:
		return "observe"
	case Detect:
		return "detect"
	}
	return "below detect"
}
