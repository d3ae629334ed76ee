package face

import (
	"image"
	"image/color"
	"slices"
)

// A plane is a grey picture, reduced from a still by a whole factor.
type plane struct {
	pix    []uint8
	w, h   int
	factor int // how many pixels of the still make one here, along each axis
	margin int // how many pixels around the still were added, see widened
}

// planes are what a still is searched on. They own the memory of their pixels,
// at most 1.4 MB, and the next still uses it again.
type planes struct {
	reduced, halved plane // the still's luma, and that reduced once more
	fine, coarse    plane // both, widened
}

// of draws a still's planes.
func (p *planes) of(still image.Image) {
	p.reduced.reduce(still, maxPlane)
	p.halved.halve(p.reduced)
	p.fine.widen(p.reduced, fineMargin)
	p.coarse.widen(p.halved, coarseMargin)
}

// resize makes a plane of other sides, with whatever pixels.
func (p *plane) resize(w, h int) {
	p.w, p.h = w, h
	p.pix = slices.Grow(p.pix[:0], w*h)[:w*h]
}

// reduce averages the still's luma over squares, so that neither side of
// the plane is longer than longest. What is left over at the right and lower
// border is dropped, so that a still narrower than a square makes an empty plane.
func (p *plane) reduce(still image.Image, longest int) {
	b := still.Bounds()
	k := max(1, (max(b.Dx(), b.Dy())+longest-1)/longest)
	p.resize(b.Dx()/k, b.Dy()/k)
	p.factor, p.margin = k, 0
	row := lumaRows(still)
	sums := make([]uint32, p.w)
	for y := range p.h {
		clear(sums)
		for dy := range k {
			addRuns(sums, row(y*k+dy), k)
		}
		to := p.pix[y*p.w:][:len(sums)]
		if k == 2 { // the usual still; a division by a constant is none
			for x, s := range sums {
				to[x] = uint8(s / 4)
			}
			continue
		}
		for x, s := range sums {
			to[x] = uint8(s / uint32(k*k))
		}
	}
}

// addRuns adds each run of k values to one sum.
func addRuns(sums []uint32, values []uint8, k int) {
	if k == 2 { // the usual still; twice as fast as the loop below
		values = values[:2*len(sums)]
		for x := range sums {
			sums[x] += uint32(values[2*x]) + uint32(values[2*x+1])
		}
		return
	}
	for x := range sums {
		for _, v := range values[x*k : x*k+k] {
			sums[x] += uint32(v)
		}
	}
}

// lumaRows returns a function that gives a row of luma, counted from the top
// of the still; the row is good until the next call.
func lumaRows(still image.Image) func(y int) []uint8 {
	b := still.Bounds()
	switch img := still.(type) {
	case *image.YCbCr:
		return func(y int) []uint8 { return img.Y[img.YOffset(b.Min.X, b.Min.Y+y):][:b.Dx()] }
	case *image.Gray:
		return func(y int) []uint8 { return img.Pix[img.PixOffset(b.Min.X, b.Min.Y+y):][:b.Dx()] }
	}
	row := make([]uint8, b.Dx())
	return func(y int) []uint8 {
		for x := range row {
			row[x] = color.GrayModel.Convert(still.At(b.Min.X+x, b.Min.Y+y)).(color.Gray).Y
		}
		return row
	}
}

// halve reduces another plane once more.
func (p *plane) halve(of plane) {
	p.reduce(&image.Gray{Pix: of.pix, Stride: of.w, Rect: image.Rect(0, 0, of.w, of.h)}, max(1, (max(of.w, of.h)+1)/2))
	p.factor *= of.factor
}

// widen repeats another plane's border outside it, so many times on each side:
// the cascade wants whole squares, and those of faces near the border reach
// beyond it. An empty plane stays empty.
func (p *plane) widen(of plane, margin int) {
	p.factor, p.margin = of.factor, margin
	if len(of.pix) == 0 {
		p.resize(of.w, of.h)
		return
	}
	p.resize(of.w+2*margin, of.h+2*margin)
	for y := range p.h {
		from := of.pix[min(max(y-margin, 0), of.h-1)*of.w:][:of.w]
		to := p.pix[y*p.w:][:p.w]
		for i := range margin {
			to[i], to[p.w-1-i] = from[0], from[of.w-1]
		}
		copy(to[margin:], from)
	}
}
