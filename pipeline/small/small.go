// Package small makes the small pictures of a still that screens show: the still
// itself, of a few widths, and each face that was found on it.
//
//	shelf := small.NewShelf(archive, log)
//	jpeg, err := shelf.Still(ctx, still, 640)     // at most 640 pixels wide
//	jpeg, err = shelf.Face(ctx, still, face, 192) // a square around a face, at most 192 pixels
//
// What comes in are stills that were kept, with the ids of their faces. What goes
// out are upright JPEG pictures without metadata, made by [Make] once: when the
// still was examined ([Shelf.Examined]), or else when somebody asks first. They are
// kept beside the still, sealed as it is, and go with it.
//
// They show no more than the still does: what a mask made black there is black
// here. Nothing is ever made larger, so a small still has small pictures.
package small

import (
	"archive/zip"
	"bytes"
	"fmt"
	"image"
	"io"
	"math"
	"slices"

	"github.com/disintegration/imaging"

	"lintel/internal/house"
	"lintel/pipeline/redact"
)

// Widths are how wide a still's pictures may be, in pixels, and Sizes how wide and
// high a face's: by screens of one and of two pixels a point.
var (
	Widths = []int{320, 640, 960, 1280}
	Sizes  = []int{96, 192, 384}
)

// keptWidth is the widest picture of a still that is kept. A wider one has about as
// many bytes as the still, and is made anew for whoever asks.
const keptWidth = 640

// Quality is the JPEG quality of all pictures here, 1 to 100: at 75 their structural
// similarity to what was encoded is above 0.95, and ten more would add a third to their
// bytes (MEASUREMENTS.md).
const Quality = 75

// Square is the part of a picture around a face: a square twice as wide as the
// face, within the picture.
func Square(bounds image.Rectangle, face image.Rectangle) image.Rectangle {
	side := min(2*max(face.Dx(), face.Dy()), bounds.Dx(), bounds.Dy())
	at := face.Min.Add(face.Max).Div(2).Sub(image.Pt(side/2, side/2))
	at.X = max(bounds.Min.X, min(at.X, bounds.Max.X-side))
	at.Y = max(bounds.Min.Y, min(at.Y, bounds.Max.Y-side))
	return image.Rectangle{at, at.Add(image.Pt(side, side))}
}

// Make makes the pictures of a still that are kept, each under its name. The error
// is of a picture that can't be encoded.
func Make(still image.Image, faces []house.Face) (Pictures, error) {
	made := make(Pictures)
	before := still
	for _, width := range slices.Backward(Widths) {
		if width > keptWidth || width >= still.Bounds().Dx() {
			continue
		}
		before = narrowed(before, width) // of the wider one, which is quick and as good
		if err := made.add(ofStill(width), before); err != nil {
			return nil, err
		}
	}
	for _, f := range faces {
		if err := made.addFace(still, f); err != nil {
			return nil, err
		}
	}
	return made, nil
}

// narrowed reduces a picture to a width.
func narrowed(m image.Image, width int) image.Image {
	size := m.Bounds().Size()
	height := max(1, int(math.Round(float64(size.Y)*float64(width)/float64(size.X))))
	return redact.Reduced(m, width, height, isGrey(m), filter)
}

// filter takes half of Lanczos's time, and what it makes is as much like the still
// (MEASUREMENTS.md).
var filter = imaging.Linear

func isGrey(m image.Image) bool {
	_, grey := m.(*image.Gray)
	return grey
}

// Pictures are those of one still, JPEG, by their names.
type Pictures map[string][]byte

func ofStill(width int) string { return fmt.Sprintf("still-%d", width) }

func ofFace(face string, size int) string { return fmt.Sprintf("face-%s-%d", face, size) }

func (p Pictures) add(name string, m image.Image) (err error) {
	p[name], err = redact.EncodeAt(m, Quality)
	return err
}

// addFace adds the pictures of a face: those sizes that its square has the pixels
// for, and the square as it is in the place of the next one.
func (p Pictures) addFace(still image.Image, f house.Face) error {
	square := Square(still.Bounds(), f.Box)
	if square.Empty() {
		return nil
	}
	var before image.Image = imaging.Crop(still, square)
	for _, size := range slices.Backward(sizesFor(square.Dx())) {
		side := min(size, square.Dx())
		before = redact.Reduced(before, side, side, isGrey(still), filter)
		if err := p.add(ofFace(f.ID, size), before); err != nil {
			return err
		}
	}
	return nil
}

// sizesFor returns the sizes that a square of so many pixels has pictures of.
func sizesFor(side int) []int {
	for i, size := range Sizes {
		if size >= side {
			return Sizes[:i+1]
		}
	}
	return Sizes
}

// Face returns a face's picture of the size, or the largest one where there are no
// pixels for that; nil without such a face.
func (p Pictures) Face(face string, size int) (jpeg []byte) {
	for _, s := range Sizes {
		if found := p[ofFace(face, s)]; found != nil && s <= size {
			jpeg = found
		}
	}
	return jpeg
}

// pack writes pictures into one file, a ZIP archive that compresses nothing: they
// are compressed.
func (p Pictures) pack() ([]byte, error) {
	var b bytes.Buffer
	w := zip.NewWriter(&b)
	for name, jpeg := range p {
		f, err := w.CreateHeader(&zip.FileHeader{Name: name, Method: zip.Store})
		if err == nil {
			_, err = f.Write(jpeg)
		}
		if err != nil {
			return nil, fmt.Errorf("packing pictures: %w", err)
		}
	}
	if err := w.Close(); err != nil {
		return nil, fmt.Errorf("packing pictures: %w", err)
	}
	return b.Bytes(), nil
}

// unpack reads what pack wrote.
func unpack(packed []byte) (Pictures, error) {
	r, err := zip.NewReader(bytes.NewReader(packed), int64(len(packed)))
	if err != nil {
		return nil, fmt.Errorf("unpacking pictures: %w", err)
	}
	p := make(Pictures)
	for _, f := range r.File {
		opened, err := f.Open()
		if err == nil {
			p[f.Name], err = io.ReadAll(opened)
		}
		if err != nil {
			return nil, fmt.Errorf("unpacking pictures: %w", err)
		}
	}
	return p, nil
}
