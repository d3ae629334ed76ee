package liveness

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"lintel/store"
)

// A print in colour is made of dots: for each ink a square lattice, all of about
// the same period, turned against each other so that they do not interfere:
// 15 and 75 degrees for cyan and magenta, 0 for yellow, 45 for black (common
// practice, no source; other orders of the same angles are in use). Where the
// camera resolves the dots, each lattice is a pair of peaks in the spectrum of
// the face, equally far from the middle and at right angles.
//
// Looked for are such pairs, of luma and the colour differences together, at a
// common period and at different angles. One pair alone may be a screen's pixels
// or cloth and counts half: what makes a print is a second lattice, turned
// against the first.
//
// Prints are fine: 150 lines an inch are 6 dots a millimetre, while a face of
// 150 mm that is 200 pixels wide on the still has 1.3 pixels a millimetre. So
// nothing is there to be seen of most prints, and this reads 0; a coarse print
// held near shows it. Prints whose dots have no lattice (as of inkjets, most
// often) have no peaks. What lies beyond half a cycle a pixel folds back out of
// its right angles, and is left to the sign of a grid.
//
// Values: how many lattices were seen, their period in pixels of the still, and
// decibels of the weakest peak of the strongest pair.
var halftoneSign = sign{
	code: Halftone,
	words: words{
		name: "A print’s dots",
		says: func(f store.Finding) string {
			if len(f.Values) < 2 {
				return ""
			}
			return fmt.Sprintf("Dots lie over the face in rows at right angles, %.1f pixels apart, as a print has them.", f.Values[1])
		},
	},
	measure: measureHalftone,
}

const (
	// A peak may be so many steps off where its lattice has it.
	dotsSlack = 1.6
	// Decibels from which a pair of peaks counts, and at which it is plain.
	dotsFrom, dotsPlain = 3.5, 7
)

// A dotPair is a square lattice: two peaks at right angles.
type dotPair struct {
	frequency float64 // cycles a pixel of the still
	angle     float64 // 0 to 90 degrees
	decibel   float64 // of the weaker peak
	amplitude float64 // of the weaker peak, in steps of luma
}

func measureHalftone(v *view) store.Finding {
	if why := v.spectral(); why != "" {
		return missing(why)
	}
	n := float64(v.side())
	var pairs []dotPair
	for channel, peaks := range v.facePeaks() {
		pairs = append(pairs, rightAngles(peaks, n, float64(scaleOf(channel)))...)
	}
	slices.SortFunc(pairs, func(a, b dotPair) int { return cmp.Compare(b.amplitude, a.amplitude) })
	f := store.Finding{Values: []float64{0, 0, 0}}
	for _, a := range pairs { // the strongest first
		lattices, sum := 1., ramp(a.decibel, dotsFrom, dotsPlain)/2
		second := 0.
		for _, b := range pairs {
			turned := math.Abs(a.angle - b.angle)
			turned = min(turned, 90-turned)
			// 15, 30 or 45 degrees, and 4 for the slant of the paper.
			if turned >= 11 && math.Abs(a.frequency-b.frequency)*n <= 2*dotsSlack {
				lattices = 2
				second = max(second, ramp(b.decibel, dotsFrom, dotsPlain)/2)
			}
		}
		if sum += second; sum > f.Score {
			f.Score = sum
			f.Values = []float64{lattices, 1 / a.frequency, a.decibel}
		}
	}
	if f.Score > 0 {
		f.Region = outline(v.face.Box, 1)
	}
	return f
}

// rightAngles returns the pairs of peaks that are equally far from the middle
// and at right angles, on a plane of that scale under a window of n pixels of
// the still.
func rightAngles(peaks []peak, n, scale float64) (pairs []dotPair) {
	steps := n / scale
	for i, a := range peaks {
		if a.alongSide(int(steps)) || a.amplitude < 2*gridFaintest {
			continue
		}
		for _, b := range peaks[i+1:] {
			// A real picture's spectrum is the same in opposite directions.
			off := min(math.Hypot(a.u+b.v, a.v-b.u), math.Hypot(a.u-b.v, a.v+b.u))
			if off*steps > dotsSlack || b.alongSide(int(steps)) || b.amplitude < 2*gridFaintest {
				continue
			}
			angle := a.angle()
			if angle < 0 {
				angle += 90
			}
			pairs = append(pairs, dotPair{(a.frequency() + b.frequency()) / 2 / scale, angle, min(a.decibel, b.decibel), min(a.amplitude, b.amplitude)})
		}
	}
	return pairs
}
