package liveness

import (
	"fmt"
	"image"
	"math"
	"math/cmplx"
	"slices"

	"lintel/store"
)

// Many screens are not lit evenly in time: they flash to be dimmed, or light up
// line after line. A camera that reads its rows one after the other then sees
// bars along its rows, on the screen and not beside it.
//
// The still is taken in squares, and the log of the luma of each is compared
// with that of the one above. A bar makes the same difference in all columns of
// the screen, whatever they show, while the edges of what they show lie in some
// columns only: the median over the columns is the slope of the bar. To those
// medians left of the face and right of it a wave is fitted by least squares (as
// in Lomb, Least-squares frequency analysis of unequally spaced data,
// Astrophys. Space Sci. 39, 1976).
//
// It counts where one wave explains most of both, alike in strength and phase,
// where it goes on over the face, as boards or blinds behind a person do not,
// and where far from the face it is not: lamps that flicker, and walls of
// boards, make bars all over the still (common practice, no source).
//
// This needs at least one and a half bars beside the face and a quiet picture
// there. Bars wider than that, and those of a small screen, read 0. So do bars
// along the columns, as of a bell mounted on its side.
//
// Values: strength of the bars as a share of the luma, their period in pixels of
// the still, and the strength of the same wave far from the face.
var bandsSign = sign{
	code: Bands,
	words: words{
		name: "A screen’s flicker",
		says: func(f store.Finding) string {
			if len(f.Values) < 2 {
				return ""
			}
			return fmt.Sprintf("Bars of light, %.0f pixels from one to the next, lie over the face and beside it and not elsewhere, as a flickering screen has them.", f.Values[1])
		},
	},
	measure: measureBands,
}

const (
	bandsTiny   = 64 // pixels of face width
	bandsSquare = 6  // pixels along a side
	bandsFew    = 16 // rows of squares that are too few
	// Strength from which bars count, at which they are plain, and above which
	// they are something else.
	bandsFrom, bandsPlain, bandsMost = 0.015, 0.05, 0.3
)

func measureBands(v *view) store.Finding {
	b := v.face.Box
	w, h := b.Dx(), b.Dy()
	switch {
	case w < bandsTiny || h < bandsTiny:
		return missing(Tiny)
	case v.meanLuma(b) < gridDark:
		return missing(Dark)
	}
	rows := image.Rect(0, b.Min.Y-h*5/4, 1, b.Max.Y+h/2)
	columns := func(x0, x1 int) image.Rectangle { return image.Rect(x0, rows.Min.Y, x1, rows.Max.Y) }
	left, right := columns(b.Min.X-w/2, b.Min.X-w/20), columns(b.Max.X+w/20, b.Max.X+w/2)
	face := v.slopes(columns(b.Min.X, b.Max.X))
	beside := [2][]float64{v.slopes(left), v.slopes(right)}
	if face == nil || beside[0] == nil || beside[1] == nil || len(face) < bandsFew {
		return missing(Border)
	}
	far := v.slopes(columns(v.bounds.Min.X, b.Min.X-w*3/2), columns(b.Max.X+w*3/2, v.bounds.Max.X))
	if far == nil {
		return missing(Plain)
	}
	f := store.Finding{Values: []float64{0, 0, 0}}
	n := float64(len(face) + 1)
	for waves := 1.5; waves <= n/6; waves += 0.125 {
		k := waves / n // cycles a square
		l, fitL := waveOf(beside[0], k)
		r, fitR := waveOf(beside[1], k)
		both := (l + r) / 2
		strength := cmplx.Abs(both)
		if strength < bandsFrom || strength > bandsMost {
			continue
		}
		onto := func(z complex128) float64 { return real(z*cmplx.Conj(both)) / (strength * strength) }
		o, _ := waveOf(face, k)
		e, _ := waveOf(far, k)
		score := ramp(strength, bandsFrom, bandsPlain) * ramp(min(fitL, fitR), 0.4, 0.8) *
			ramp(-cmplx.Abs(l-r)/strength, -0.8, -0.4) * ramp(onto(o), 0.2, 0.6) * ramp(-onto(o), -4, -2) * ramp(-onto(e), -0.5, -0.2)
		if score > f.Score {
			f.Score = score
			f.Values = []float64{strength, bandsSquare / k, cmplx.Abs(e)}
		}
	}
	if f.Score > 0 {
		f.Region = outline(left.Union(right).Intersect(v.bounds), 1)
	}
	return f
}

// slopes returns the median over all columns of squares in these rectangles, all
// of the same rows, of the difference of the log of the luma from one row of
// squares to the next. Nil if there are fewer than 4 columns.
func (s *scene) slopes(in ...image.Rectangle) []float64 {
	var by [][]float64
	columns := 0
	for _, r := range in {
		r = r.Intersect(s.bounds).Sub(s.bounds.Min)
		rows := r.Dy() / bandsSquare
		if r.Empty() || rows < 2 {
			continue
		}
		if by == nil {
			by = make([][]float64, rows-1)
		}
		step := max(r.Dx()/bandsSquare/24, 1) * bandsSquare // not more than is worth it
		for x := r.Min.X; x+bandsSquare <= r.Max.X; x += step {
			columns++
			last := 0.
			for y := range rows {
				sum := 0
				for dy := range bandsSquare {
					i := (r.Min.Y+y*bandsSquare+dy)*s.stride + x
					for _, v := range s.luma[i : i+bandsSquare] {
						sum += int(v)
					}
				}
				now := math.NaN()
				if mean := float64(sum) / (bandsSquare * bandsSquare); mean > 12 && mean < 245 {
					now = math.Log(mean)
				}
				if y > 0 && !math.IsNaN(now-last) {
					by[y-1] = append(by[y-1], now-last)
				}
				last = now
			}
		}
	}
	if columns < 4 {
		return nil
	}
	slopes := make([]float64, len(by))
	for i, row := range by {
		if len(row) < 4 {
			continue
		}
		slices.Sort(row)
		slopes[i] = row[len(row)/2]
	}
	return slopes
}

// waveOf returns strength and phase of the wave of k cycles a square whose
// slopes are nearest to these, by least squares, and what part of the slopes'
// squares it explains.
func waveOf(slopes []float64, k float64) (z complex128, explains float64) {
	var vc, vs, vv, cc, cs, ss float64
	for i, v := range slopes {
		sin, cos := math.Sincos(2 * math.Pi * k * float64(i))
		vc, vs, vv = vc+v*cos, vs+v*sin, vv+v*v
		cc, cs, ss = cc+cos*cos, cs+cos*sin, ss+sin*sin
	}
	det := cc*ss - cs*cs
	if det < 1e-9 || vv == 0 {
		return 0, 0
	}
	a, b := (vc*ss-vs*cs)/det, (vs*cc-vc*cs)/det
	// A wave of strength 1 has slopes of 2·sin(πk).
	return complex(a, -b) / complex(2*math.Sin(math.Pi*k), 0), (a*vc + b*vs) / vv
}
