package redact

import (
	"fmt"
	"image"
	"math"

	"github.com/disintegration/imaging"
)

// ShrunkQuality is the JPEG quality of what [Shrink] returns, 1 to 100. Space
// is what it is for: 85 takes about half the bytes of [Quality], and below it
// blocks begin to show (common practice, no source).
const ShrunkQuality = 85

// Shrink returns the still with its longer side reduced to side pixels and its
// proportions as they were, with its new width and height. A still that is
// small enough is returned as it is. The error is [ErrNotAStill], or another
// if side is less than 1.
//
// What it leaves out is gone, but it takes nothing out on purpose: masked
// stays masked, and faces stay faces.
func Shrink(still []byte, side int) (data []byte, width, height int, err error) {
	if side < 1 {
		return nil, 0, 0, fmt.Errorf("shrinking a still to %d pixels: the least is 1", side)
	}
	before, grey, err := header(still)
	if err != nil {
		return nil, 0, 0, fmt.Errorf("shrinking: %w", err)
	}
	longer := max(before.X, before.Y)
	if longer <= side {
		return still, before.X, before.Y, nil
	}
	defer turn(still)()
	m, err := decode(still)
	if err != nil {
		return nil, 0, 0, fmt.Errorf("shrinking: %w", err)
	}
	scaled := func(v int) int { return max(1, int(math.Round(float64(v)*float64(side)/float64(longer)))) }
	width, height = scaled(before.X), scaled(before.Y)
	if data, err = EncodeAt(Reduced(m, width, height, grey, imaging.Lanczos), ShrunkQuality); err != nil {
		return nil, 0, 0, err
	}
	return data, width, height, nil
}

// Reduced returns a smaller copy of a decoded still, or of a part of one that was grey
// or not, to be encoded. It is of a kind that image/jpeg encodes fast.
func Reduced(m image.Image, width, height int, grey bool, filter imaging.ResampleFilter) image.Image {
	small := imaging.Resize(m, width, height, filter)
	if !grey {
		return &image.RGBA{Pix: small.Pix, Stride: small.Stride, Rect: small.Rect} // opaque, so the same picture
	}
	g := image.NewGray(small.Rect)
	for i := range g.Pix {
		g.Pix[i] = small.Pix[4*i]
	}
	return g
}
