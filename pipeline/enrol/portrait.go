package enrol

import (
	"bytes"
	"fmt"
	"image"
	"image/jpeg"
	"slices"

	"github.com/disintegration/imaging"

	"lintel/internal/house"
)

const (
	// portraitSide is how wide and high a portrait is at the most, in pixels: 192
	// of a page's, on a screen of twice the density.
	portraitSide = 384
	// portraitRoom is the side of a portrait as a multiple of the face's: with the
	// hair and the chin, and little else.
	portraitRoom = 1.7
)

// Portrait returns a face cut out of a picture as JPEG, square and made smaller
// where it is large, to be kept with the reference that is made of it. Where
// another face would be on it, it shows what is within the face's own box alone:
// nobody else agreed to be kept.
func Portrait(picture image.Image, face image.Rectangle, others []image.Rectangle) ([]byte, error) {
	part := square(face, portraitRoom)
	if slices.ContainsFunc(others, part.Overlaps) {
		part = square(face, 1).Intersect(face)
	}
	part = part.Add(picture.Bounds().Min).Intersect(picture.Bounds())
	cut := imaging.Fit(imaging.Crop(picture, part), portraitSide, portraitSide, imaging.Lanczos)
	var b bytes.Buffer
	opaque := &image.RGBA{Pix: cut.Pix, Stride: cut.Stride, Rect: cut.Rect} // encoded in half the time
	if err := jpeg.Encode(&b, opaque, &jpeg.Options{Quality: 85}); err != nil {
		return nil, fmt.Errorf("cutting a face out: %w", err)
	}
	return b.Bytes(), nil
}

// square is so many times as wide as a box, around its middle.
func square(box image.Rectangle, times float64) image.Rectangle {
	middle := box.Min.Add(box.Max).Div(2)
	half := int(times * float64(max(box.Dx(), box.Dy())) / 2)
	return image.Rect(middle.X-half, middle.Y-half, middle.X+half, middle.Y+half)
}

// portraitOf is the portrait of a reference.
func portraitOf(from house.Origin, picture image.Image, f house.Face) (*house.Portrait, error) {
	cut, err := Portrait(picture, f.Box, nil)
	return &house.Portrait{Origin: from, JPEG: cut}, err
}
