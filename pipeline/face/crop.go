package face

import (
	"bytes"
	"image"
	"image/jpeg"
	"math"

	goface "github.com/Kagami/go-face"
	"github.com/disintegration/imaging"

	"lintel/internal/house"
)

const (
	// minFace is how wide a crop shows a face at the least: dlib's detector
	// works from 80 pixels up.
	minFace = 100
	// maxFace is how wide a crop shows a face at the most. dlib makes a
	// chip of 150 pixels from a face, on which its box takes up about 110:
	// more pixels than this cost time and add nothing.
	maxFace = 120
	// around is the side of a crop as a multiple of the face's width.
	around = 1.7
	// maxCrop is what the three above bound a crop's sides by, in pixels.
	maxCrop = 256
)

// A crop is a part of a still, drawn at another scale.
type crop struct {
	img    *image.NRGBA
	origin image.Point // its left upper corner on the still, from the still's own
	scale  float64     // pixels here for one of the still
}

// cropAround draws the surroundings of a place at the scale that the detector
// wants: as they are where the face is of a good size, reduced where it is
// large, enlarged where it is small.
func cropAround(still image.Image, p proposal) crop {
	width := float64(p.side) * boxRatio
	r := int(math.Ceil(width * around / 2))
	corner := still.Bounds().Min
	part := image.Rect(p.x-r, p.y-r, p.x+r, p.y+r).Add(corner).Intersect(still.Bounds())
	scale := 1.0
	if width > maxFace {
		scale = maxFace / width
	} else if width < minFace {
		scale = minFace / width
	}
	c := crop{origin: part.Min.Sub(corner), scale: scale}
	if scale == 1 {
		c.img = imaging.Crop(still, part)
		return c
	}
	filter := imaging.Linear
	if scale > 1 {
		filter = imaging.CatmullRom
	}
	w, h := math.Round(float64(part.Dx())*scale), math.Round(float64(part.Dy())*scale)
	c.img = imaging.Resize(cut(still, part), int(max(w, 1)), int(max(h, 1)), filter)
	return c
}

// cut returns a part of a still, without a copy where the still allows it.
func cut(still image.Image, part image.Rectangle) image.Image {
	if s, ok := still.(interface {
		SubImage(image.Rectangle) image.Image
	}); ok {
		return s.SubImage(part)
	}
	return imaging.Crop(still, part)
}

// encode makes what go-face takes of the crop: JPEG of three components, even
// where the still is grey. It lies in the buffer, whatever was there before.
func (c crop) encode(b *bytes.Buffer) ([]byte, error) {
	var img image.Image = c.img
	if c.img.Opaque() { // then this is the same picture, and encoded in half the time
		img = &image.RGBA{Pix: c.img.Pix, Stride: c.img.Stride, Rect: c.img.Rect}
	}
	b.Reset()
	err := jpeg.Encode(b, img, &jpeg.Options{Quality: 97})
	return b.Bytes(), err
}

// onStill translates a face on the crop into one on the still.
func (c crop) onStill(f goface.Face) house.Face {
	r := f.Rectangle
	face := house.Face{
		// go-face's rectangle names the last pixel, image.Rectangle the one after.
		Box: image.Rectangle{
			c.point(float64(r.Min.X), float64(r.Min.Y)).Round(),
			c.point(float64(r.Max.X)+1, float64(r.Max.Y)+1).Round(),
		},
		Descriptor: house.Descriptor(f.Descriptor),
	}
	for _, s := range f.Shapes {
		face.Landmarks = append(face.Landmarks, c.point(float64(s.X), float64(s.Y)))
	}
	return face
}

func (c crop) point(x, y float64) house.Point {
	return house.Point{X: float64(c.origin.X) + x/c.scale, Y: float64(c.origin.Y) + y/c.scale}
}
