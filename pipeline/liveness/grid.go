package liveness

import (
	"fmt"
	"image"
	"math"

	"lintel/store"
)

// A screen is a grid of pixels, each of them stripes of red, green and blue.
// Seen by a camera it is another grid on the still: the screen's own where the
// camera resolves it, and otherwise its moiré. A frequency f above half a cycle
// a pixel is seen as |f - k|, k being the nearest whole number (the sampling
// theorem: Shannon, Communication in the presence of noise, Proc. IRE 37, 1949),
// as far as the lens and the area of a pixel let it through. The dots of a print
// make moiré in the same way. Either is a few narrow peaks in the spectrum of
// the face, of luma or of a colour difference: the stripes' colours do not
// coincide, so moiré is often coloured.
//
// Skin, hair and noise have no narrow peaks (see spectrum.peaks). Only patches
// on the face are looked at, so that bricks or a fence behind a person do not
// count; a veil or a visor of mesh before the face would. Slow waves are left
// out, because eyes, brows and mouth make such. A peak along the rows or columns
// has to be twice as far above: that is where a sensor's faults and JPEG lie.
//
// What can't be resolved is not there: a fine screen far enough away, or one
// whose moiré the lens' blur takes away, reads 0.
//
// Values: decibels of the strongest peak over what is around it, its period in
// pixels of the still, its amplitude in steps of 0 to 255, its direction in
// degrees, and the channel: 0 luma, 1 blue, 2 red difference.
var gridSign = sign{
	code: Grid,
	words: words{
		name: "A screen’s pixels",
		says: func(f store.Finding) string {
			if len(f.Values) < 5 {
				return ""
			}
			what := "A regular pattern"
			if f.Values[4] > 0 {
				what = "A regular pattern of colours"
			}
			return fmt.Sprintf("%s lies over the face, repeating every %.1f pixels, as a screen’s pixels or a print’s dots make.", what, f.Values[1])
		},
	},
	measure: measureGrid,
}

const (
	gridTiny = 40 // pixels of face width, below which a face is too small
	gridDark = 24 // mean luma of a face, below which noise and rounding are all there is
	// Slower waves than these, in cycles a pixel of the plane, may be a face's.
	gridSlowest = 0.08
	// What is less above its surroundings, in decibels, is not called a peak.
	peakLeast = 3
	// What a wave's amplitude has to be more than, in steps of luma: on a still
	// without noise, rounding alone makes fainter ones.
	gridFaintest = 0.05
	// Decibels from which a peak counts, and at which it is plain.
	gridFrom, gridPlain = 5.5, 12
)

func measureGrid(v *view) store.Finding {
	if why := v.spectral(); why != "" {
		return missing(why)
	}
	f := store.Finding{Values: []float64{0, 0, 0, 0, 0}}
	strongest := 0.0
	for channel, peaks := range v.facePeaks() {
		for _, p := range peaks {
			worth := p.decibel
			if p.alongSide(v.sideOf(channel)) {
				worth /= 2
			}
			worth *= ramp(p.amplitude, gridFaintest, 2*gridFaintest)
			if worth > strongest {
				strongest = worth
				f.Values = []float64{p.decibel, float64(scaleOf(channel)) / p.frequency(), p.amplitude, p.angle(), float64(channel)}
			}
		}
	}
	if f.Score = ramp(strongest, gridFrom, gridPlain); f.Score > 0 {
		f.Region = outline(v.face.Box, 1)
	}
	return f
}

// alongSide reports whether a peak is within a step and a half of the rows' or
// the columns' direction.
func (p peak) alongSide(n int) bool { return min(math.Abs(p.u), math.Abs(p.v))*float64(n) < 1.5 }

// spectral says why the face can't be looked at by its spectrum, or "".
func (v *view) spectral() (why string) {
	box := v.face.Box.Intersect(v.bounds)
	switch {
	case v.face.Box.Dx() < gridTiny || v.face.Box.Dy() < gridTiny:
		return Tiny
	case box.Dx()*2 < v.face.Box.Dx() || box.Dy()*2 < v.face.Box.Dy(), min(v.bounds.Dx(), v.bounds.Dy()) < v.side()+2:
		return Border
	case v.meanLuma(box) < gridDark:
		return Dark
	}
	return ""
}

// side is how wide patches of the face are.
func (v *view) side() int {
	if v.face.Box.Dx() < 96 {
		return 64
	}
	return 128
}

// facePeaks returns the peaks in the spectra of the face's luma and of its blue
// and red differences. Two signs ask for them.
func (v *view) facePeaks() [3][]peak {
	if v.peaks == nil {
		n, box := v.side(), v.face.Box.Intersect(v.bounds)
		blue, red := v.chromaPlanes(v.roomFor(box.Inset(-n/2), n+2))
		v.peaks = &[3][]peak{
			spectrumOver(v.lumaPlane(), box, n).peaks(gridSlowest, 0.72, peakLeast),
			spectrumOver(blue, box, n/2).peaks(gridSlowest, 0.72, peakLeast),
			spectrumOver(red, box, n/2).peaks(gridSlowest, 0.72, peakLeast),
		}
	}
	return *v.peaks
}

// sideOf is how wide a channel's patches are, in its own pixels, and scaleOf how
// many pixels of the still make one of them.
func (v *view) sideOf(channel int) int { return v.side() / scaleOf(channel) }
func scaleOf(channel int) int          { return min(channel, 1) + 1 }

// roomFor moves and cuts a rectangle so that it is within the still and, if the
// still is, n pixels wide and high.
func (v *view) roomFor(r image.Rectangle, n int) image.Rectangle {
	r = r.Intersect(v.bounds)
	if short := n - r.Dx(); short > 0 {
		r.Min.X, r.Max.X = r.Min.X-short, r.Max.X+short
	}
	if short := n - r.Dy(); short > 0 {
		r.Min.Y, r.Max.Y = r.Min.Y-short, r.Max.Y+short
	}
	return r.Intersect(v.bounds)
}

// meanLuma is that of every other pixel of a rectangle within the still.
func (s *scene) meanLuma(r image.Rectangle) float64 {
	r = r.Intersect(s.bounds).Sub(s.bounds.Min)
	sum, n := 0, 0
	for y := r.Min.Y; y < r.Max.Y; y += 2 {
		for x := r.Min.X; x < r.Max.X; x += 2 {
			sum += int(s.luma[y*s.stride+x])
			n++
		}
	}
	return float64(sum) / float64(max(n, 1))
}
