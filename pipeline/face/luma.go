package face

import (
	"bytes"
	"image"
	"image/color"
)

// A plane is a grey picture, reduced from a still by a whole factor.
type plane struct {
	pix    []uint8
	w, h   int
	factor int // how many pixels of the still make one here, along each axis
	margin int // how many pixels around the still were added, see widened
}

// reducedLuma averages the still's luma over squares, so that neither side of
// the plane is longer than longest. What is left over at the right and lower
// border is dropped, so that a still narrower than a square makes an empty plane.
func reducedLuma(still image.Image, longest int) plane {
	b := still.Bounds()
	k := max(1, (max(b.Dx(), b.Dy())+longest-1)/longest)
	p := plane{w: b.Dx() / k, h: b.Dy() / k, factor: k}
	p.pix = make([]uint8, p.w*p.h)
	row := lumaRows(still)
	sums := make([]uint32, p.w)
	for y := range p.h {
		clear(sums)
		for dy := range k {
			addRuns(sums, row(y*k+dy), k)
		}
		for x, s := range sums {
			p.pix[y*p.w+x] = uint8(s / uint32(k*k))
		}
	}
	return p
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

// halved reduces a plane once more.
func (p plane) halved() plane {
	half := reducedLuma(&image.Gray{Pix: p.pix, Stride: p.w, Rect: image.Rect(0, 0, p.w, p.h)}, max(1, (max(p.w, p.h)+1)/2))
	half.factor *= p.factor
	return half
}

// widened repeats the border's pixels outside it, so many times on each side:
// the cascade wants whole squares, and those of faces near the border reach
// beyond it.
func (p plane) widened(margin int) plane {
	if len(p.pix) == 0 {
		return p
	}
	wide := plane{w: p.w + 2*margin, h: p.h + 2*margin, factor: p.factor, margin: margin}
	wide.pix = make([]uint8, 0, wide.w*wide.h)
	for y := -margin; y < p.h+margin; y++ {
		row := p.pix[min(max(y, 0), p.h-1)*p.w:][:p.w]
		wide.pix = append(wide.pix, bytes.Repeat(row[:1], margin)...)
		wide.pix = append(wide.pix, row...)
		wide.pix = append(wide.pix, bytes.Repeat(row[p.w-1:], margin)...)
	}
	return wide
}
