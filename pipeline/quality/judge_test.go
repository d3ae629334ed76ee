package quality

import (
	"slices"
	"strings"
	"testing"

	"lintel/internal/house"
	"lintel/internal/words"
)

var fine = house.Quality{FaceWidth: 200, EyeDistance: 80, PixelsPerMetre: 1270, Sharpness: .3, Luma: 120, Contrast: .1}

func TestJudge(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(q *house.Quality)
		codes  string
		poor   bool
		says   string
	}{
		{"nothing", func(q *house.Quality) {}, "", false, ""},
		{"small", func(q *house.Quality) { q.FaceWidth = 42 }, "small", false, "The face is only 42 pixels wide."},
		{"just large enough", func(q *house.Quality) { q.FaceWidth = 80 }, "", false, ""},
		{"just too small", func(q *house.Quality) { q.FaceWidth = 79 }, "small", false, "The face is only 79 pixels wide."},
		{"far", func(q *house.Quality) {
			q.PixelsPerMetre = 190
		}, "far", true, "The face is too far away to identify somebody. It shows 190 pixels per metre. 250 are asked for."},
		{"soft", func(q *house.Quality) { q.Sharpness = .02 }, "blurred", false, "The face is blurred."},
		{"blurred", func(q *house.Quality) { q.Sharpness = .009 }, "blurred", true, "The face is blurred."},
		{"dark", func(q *house.Quality) { q.Luma = 30 }, "dark", false, "The face is too dark."},
		{"night", func(q *house.Quality) { q.Luma = 12 }, "dark", true, "The face is too dark."},
		{"bright", func(q *house.Quality) { q.Luma = 240 }, "bright", true, "The face is too bright."},
		{"clipped", func(q *house.Quality) {
			q.Clipped = .234
		}, "clipped", false, "23 % of the face is plain black or white."},
		{"haze", func(q *house.Quality) { q.Contrast = .02 }, "flat", true, "The face has hardly any contrast."},
		{"turned left", func(q *house.Quality) {
			q.Yaw = -40
		}, "turned", false, "The face is turned aside by about 40 degrees."},
		{"turned right", func(q *house.Quality) {
			q.Yaw = 50
		}, "turned", true, "The face is turned aside by about 50 degrees."},
		{"tilted", func(q *house.Quality) { q.Roll = -40 }, "tilted", false, "The head is tilted by 40 degrees."},
		{"covered", func(q *house.Quality) { q.Occlusion = .5 }, "covered", false, "A part of the face may be covered."},
		{"cut", func(q *house.Quality) { q.Cut = .3 }, "cut", true, "The edge of the picture cuts off 30 % of the face."},
		{"the worst first", func(q *house.Quality) {
			q.FaceWidth, q.Sharpness = 70, .001
		}, "blurred small", true, "The face is blurred."},
		{"no eyes", func(q *house.Quality) {
			*q = house.Quality{FaceWidth: 90}
		}, "no-eyes", true, "The eyes could not be made out."},
	} {
		q := fine
		c.change(&q)
		score, complaints := Judge(q)
		var codes []string
		for _, x := range complaints {
			codes = append(codes, x.Code)
			if do := words.For("en").Remedy(x.Code); !strings.HasPrefix(do, "Choose a ") || !strings.HasSuffix(do, ".") {
				t.Errorf("%s: what to do is %q", c.name, do)
			}
		}
		if got := strings.Join(codes, " "); got != c.codes {
			t.Errorf("%s: complaints %q, want %q", c.name, got, c.codes)
		}
		if len(complaints) > 0 {
			if says := words.For("en").Complaint(complaints[0].Code, complaints[0].Value); says != c.says {
				t.Errorf("%s: says %q, want %q", c.name, says, c.says)
			}
		}
		if Poor(q) != c.poor {
			t.Errorf("%s: poor is %t", c.name, Poor(q))
		}
		if q == fine && score != 1 || len(complaints) > 0 && score > .75 || score < 0 {
			t.Errorf("%s: a score of %v", c.name, score)
		}
	}
}

// The limits of each criterion go one way, so that what gets no complaint has
// a score above 0, which the archive takes for measured.
func TestCriteria(t *testing.T) {
	for _, c := range criteria {
		limits := []float64{c.useless, c.poor, c.enough, c.fine}
		if c.useless > c.fine {
			slices.Reverse(limits)
		}
		if !slices.IsSorted(limits) || c.worth(c.enough) <= 0 || c.worth(c.useless) != 0 || c.worth(c.fine) != 1 {
			t.Errorf("%s: limits %v, worth %v when just enough", c.code, limits, c.worth(c.enough))
		}
		if c.short(c.enough, c.enough) || c.short(c.fine, c.poor) || !c.short(c.useless, c.enough) {
			t.Errorf("%s: what is enough is short, or what is useless is not", c.code)
		}
	}
}

// Outside: the pixels per metre of EN 62676-4:2015, from memory: identify 250,
// recognise 125, observe 62, detect 25.
func TestLevels(t *testing.T) {
	for _, c := range []struct {
		pixels float64
		want   string
	}{{1000, "identify"}, {250, "identify"}, {249, "recognise"}, {125, "recognise"}, {124, "observe"}, {62, "observe"},
		{61, "detect"}, {25, "detect"}, {24, "below detect"}, {0, "below detect"}} {
		if got := LevelOf(house.Quality{PixelsPerMetre: c.pixels}).String(); got != c.want {
			t.Errorf("%v pixels per metre: %s, want %s", c.pixels, got, c.want)
		}
	}
}
