package liveness

import (
	"image"
	"math"
	"slices"

	"lintel/internal/house"
)

// A picture of a picture has gone through two lenses and is no finer than what
// was printed or shown: its edges are softer than those of the things that the
// bell sees directly.
//
// Measured is how steep edges are: the slope at an edge over the mean slope
// about it. A step reads 2 and a smooth slope 1, whatever its contrast and the
// light. That is the idea of telling blur by blurring again (Zhuo and Sim,
// Defocus map estimation from a single image, Pattern Recognition 44, 2011),
// done with differences. Noise is a step too, so only edges count whose
// contrast is well above the still's noise (Immerkær, Fast noise variance
// estimation, Computer Vision and Image Understanding 64, 1996).
//
// The steepest edges of the head, across the columns or the rows, whichever are
// steeper, are compared with the steepest of the rest of the still. With the
// head goes its outline, which is sharp against what is behind a person even
// where skin is smooth. Whoever moves is blurred along one direction only, and
// a still that is soft or shaken as a whole is so everywhere, so neither
// counts. Still, things have sharper edges than heads, and a head may be out of
// focus; so it has to be far softer than the rest to count. A sharp picture
// through a soft lens reads 0.
//
// Values: steepness of the head's and of the rest's edges, from 1 to 2 or, where
// the camera sharpens, more; the deviation of the noise in steps of 0 to 255.
var detailSign = sign{
	code:    Detail,
	measure: measureDetail,
}

const (
	detailTiny = 40 // pixels of face width
	// Edges of less contrast than edgesLeast, in steps of luma, say little, and
	// of more than edgesMost too much: cameras sharpen those more than others.
	edgesLeast, edgesMost = 18, 70
	// edgesFew are too few edges to go by.
	edgesFew = 24
	// What the head's steepness over 1 is of the rest's: from here it counts,
	// and there it is plain.
	detailFrom, detailPlain = 0.57, 0.33
)

func measureDetail(v *view) house.Finding {
	head := v.head()
	switch {
	case v.face.Box.Dx() < detailTiny:
		return missing(Tiny)
	case v.meanLuma(v.face.Box) < darkest:
		return missing(Dark)
	case head.Intersect(v.bounds).Empty():
		return missing(Border)
	}
	noise := v.noise(head)
	face := v.steepness(head, image.Rectangle{}, 1, noise)
	rest := v.steepness(v.bounds, outset(head, v.face.Box.Dx()/2), 6, noise)
	if !face.known() || !rest.known() {
		return missing(Plain)
	}
	f := house.Finding{Values: []float64{face.most(), rest.most(), noise}}
	share := (face.most() - 1) / max(rest.most()-1, 0.1)
	if f.Score = ramp(-share, -detailFrom, -detailPlain); f.Score > 0 {
		f.Region = outline(v.face.Box, 1)
	}
	return f
}

// head is about where the head is, with the neck or a collar: dlib's boxes
// reach from the brows to the chin. It may reach over the still.
func (v *view) head() image.Rectangle {
	b := v.face.Box
	return image.Rect(b.Min.X-b.Dx()/5, b.Min.Y-b.Dy()/2, b.Max.X+b.Dx()/5, b.Max.Y+b.Dy()/2)
}

// outset is a rectangle larger by so much on each side.
func outset(r image.Rectangle, by int) image.Rectangle { return r.Inset(-by) }

// An edgeSteepness is how steep the steepest edges are, across the columns and
// across the rows; 0 where there are too few.
type edgeSteepness [2]float64

func (e edgeSteepness) most() float64 { return max(e[0], e[1]) }
func (e edgeSteepness) known() bool   { return e.most() > 0 }

// steepness measures the edges in a rectangle of the still, without those in
// another, on each step-th row and column.
func (s *scene) steepness(in, without image.Rectangle, step int, noise float64) (e edgeSteepness) {
	in = in.Intersect(s.bounds).Sub(s.bounds.Min)
	in = in.Intersect(image.Rectangle{Max: s.bounds.Size()}.Inset(4))
	without = without.Sub(s.bounds.Min)
	contrast := max(edgesLeast, 8*noise)
	least := int(contrast / 2)
	for way, along := range [2]int{1, s.stride} {
		across := s.stride + 1 - along // the pixel beside, along the edge
		stepX, stepY := 1, step
		if way == 1 {
			stepX, stepY = step, 1
		}
		var steep [256]int // how many edges by steepness, in steps of 1/64
		n := 0
		for y := in.Min.Y; y < in.Max.Y; y += stepY {
			for x := in.Min.X; x < in.Max.X; x += stepX {
				i := y*s.stride + x
				// Most pixels are at no edge: they can't have the contrast.
				if d := int(s.luma[i+2*along]) - int(s.luma[i-2*along]); -least < d && d < least {
					continue
				}
				if image.Pt(x, y).In(without) {
					x = without.Max.X - 1 // the step's phase does not matter
					continue
				}
				if r, ok := steepAt(s.luma, i, along, across, contrast); ok {
					steep[min(max(int(64*r), 0), 255)]++
					n++
				}
			}
		}
		if n >= edgesFew {
			left := max(n/20, 3)
			for k := 255; k >= 0; k-- {
				if left -= steep[k]; left <= 0 {
					e[way] = (float64(k) + 0.5) / 64
					break
				}
			}
		}
	}
	return e
}

// steepAt returns the slope at a pixel over the mean slope from two pixels before
// to two behind, both of three neighbouring lines, if there is an edge of that
// contrast whose middle is here.
func steepAt(luma []uint8, i, along, across int, contrast float64) (float64, bool) {
	var p [7]int
	for k := range p {
		j := i + (k-3)*along
		p[k] = int(luma[j-across]) + 2*int(luma[j]) + int(luma[j+across])
	}
	wide := float64(p[4]+p[5]+p[6]-p[0]-p[1]-p[2]) / 12 // the step's height
	if math.Abs(wide) < contrast || math.Abs(wide) > edgesMost {
		return 0, false
	}
	middle := p[4] - p[2]
	if wide < 0 {
		middle = -middle
	}
	before, behind := p[3]-p[1], p[5]-p[3]
	if wide < 0 {
		before, behind = -before, -behind
	}
	if middle < before || middle < behind {
		return 0, false
	}
	return float64(middle) / 4 / math.Abs(wide) * 2, true
}

// noise estimates the standard deviation of the noise in and around a rectangle,
// in steps of luma, by Immerkær's mask, which flat and evenly sloped parts do
// not answer to. It takes a quarter of the squares of 16 pixels to be flat and
// goes by those.
func (s *scene) noise(in image.Rectangle) float64 {
	const side = 16
	in = in.Intersect(s.bounds).Sub(s.bounds.Min)
	in = in.Intersect(image.Rectangle{Max: s.bounds.Size()}.Inset(1))
	var squares []float64
	for y := in.Min.Y; y+side <= in.Max.Y; y += side {
		for x := in.Min.X; x+side <= in.Max.X; x += side {
			squares = append(squares, s.immerkaer(image.Rect(x, y, x+side, y+side)))
		}
	}
	if len(squares) == 0 {
		return 0
	}
	slices.Sort(squares)
	return squares[len(squares)/4]
}

// immerkaer is the estimate over a rectangle, which has to be a pixel off the
// border, in coordinates from the still's corner.
func (s *scene) immerkaer(in image.Rectangle) float64 {
	sum := 0
	for y := in.Min.Y; y < in.Max.Y; y++ {
		for x := in.Min.X; x < in.Max.X; x++ {
			i := y*s.stride + x
			a, b, c := i-s.stride, i, i+s.stride
			l := s.luma
			m := int(l[a-1]) - 2*int(l[a]) + int(l[a+1]) - 2*int(l[b-1]) + 4*int(l[b]) - 2*int(l[b+1]) +
				int(l[c-1]) - 2*int(l[c]) + int(l[c+1])
			sum += max(m, -m)
		}
	}
	return math.Sqrt(math.Pi/2) / 6 * float64(sum) / float64(max(in.Dx()*in.Dy(), 1))
}
