package liveness

import (
	"fmt"
	"math"
	"slices"

	"lintel/store"
)

// Eyes on a picture never close. People blink 15 to 20 times in a minute when
// they neither read nor talk, for 0.1 to 0.4 seconds each (17 in a minute at
// rest by Bentivoglio and others, Analysis of blink rate patterns in normal
// subjects, Movement Disorders 12, 1997, from memory). Taken as a Poisson
// process at 17 in a minute and 0.25 seconds, the eyes are closed on 7 % of
// stills, and n stills that lie further apart than a blink is long miss all
// blinks with a probability of exp(-0.071 n): 81 % of three stills, 49 % of ten.
// So few stills say nothing, and many say little.
//
// How open an eye is: with 68 landmarks the mean height by its width (Soukupová
// and Čech, Real-time eye blink detection using facial landmarks, 2016). With
// the corners alone, how much darker it is between them than below: lids are as
// bright as cheeks, iris and lashes are not. An eye counts as closed on a still
// on which it is less than half as open as at the median of the ring.

const (
	blinksBySecond = 17.0 / 60
	blinkLasts     = 0.25 // seconds
	fewestForBlink = 4
	mostForBlink   = 0.2 // the highest score
)

func measureBlink(t *track) store.Finding {
	var open []float64
	small := false
	for _, s := range t.seen {
		o, why := openness(s)
		if small = small || why == Tiny; why == "" {
			open = append(open, o)
		}
	}
	switch {
	case len(open) < 2 && small:
		return missing(Tiny)
	case len(open) < 2:
		return missing(NoEyes)
	}
	sorted := slices.Sorted(slices.Values(open))
	least, median := sorted[0], sorted[len(sorted)/2]
	if !(median > 0) {
		return missing(NoEyes)
	}
	missed := math.Exp(-blinksBySecond * blinkLasts * float64(len(open)))
	f := store.Finding{Values: []float64{least / median, float64(len(open)), missed}}
	if len(open) >= fewestForBlink && least/median > 0.5 {
		f.Score = mostForBlink * (1 - missed)
	}
	return f
}

// openness is how far the eyes of a face are open, in a measure that can be
// compared within one track only, or why it can't be told.
func openness(s sighting) (open float64, why string) {
	l := s.face.Landmarks
	if len(l) == 68 {
		sum := 0.0
		for _, eye := range [2]int{36, 42} {
			p := l[eye : eye+6]
			width := between(p[0], p[3])
			if width <= 0 {
				return 0, NoEyes
			}
			sum += (between(p[1], p[5]) + between(p[2], p[4])) / (2 * width)
		}
		return sum / 2, ""
	}
	if len(l) < 4 || s.frame.Glance == nil || s.frame.Glance.Luma == nil || s.frame.Glance.Luma.Rect.Empty() {
		return 0, NoEyes
	}
	g := newSheet(s.frame.Glance.Luma)
	sum := 0.0
	for i := range 2 {
		a, b := l[2*i], l[2*i+1]
		if a.X > b.X {
			a, b = b, a
		}
		ex, ey := (b.X-a.X)/glanceScale, (b.Y-a.Y)/glanceScale // along the eye
		if math.Hypot(ex, ey) < 2 {
			return 0, Tiny
		}
		x0, y0 := (a.X+0.5)/glanceScale-0.5, (a.Y+0.5)/glanceScale-0.5
		// The darkest in the middle of the eye against the mean of what is half
		// an eye's width below.
		eye, below := math.Inf(1), 0.0
		for k := range 9 {
			along := 0.25 + 0.5*float64(k)/8
			for down := -0.12; down <= 0.13; down += 0.06 {
				eye = min(eye, g.at(x0+along*ex-down*ey, y0+along*ey+down*ex))
			}
			below += g.at(x0+along*ex-0.6*ey, y0+along*ey+0.6*ex) / 9
		}
		sum += max(below-eye, 0) / max(below, 1)
	}
	return sum / 2, ""
}

func between(a, b store.Point) float64 { return math.Hypot(a.X-b.X, a.Y-b.Y) }

var blinkWords = words{
	name: "Eyes that never close",
	says: func(f store.Finding) string {
		return fmt.Sprintf("The eyes were open on all %.0f stills. That happens with people too, %.0f times in a hundred, so it says little.",
			value(f, 1), 100*value(f, 2))
	},
}
