// Package face finds the faces on a still and describes each by 128 numbers.
//
//	finder, err := face.Open(models)
//	faces, err := finder.Find(ctx, still)
//
// What comes in is a decoded still. What goes out, for each face, is its box,
// five landmarks and its descriptor. The package is the only one that knows
// go-face, and through it dlib: everybody else sees [house.Face].
//
// # How a still is searched
//
// dlib's detector looks for faces of 80 pixels and more, over the whole still,
// and that takes most of its time; smaller faces it does not see at all. So
// the still is reduced first, and a cascade of pixel comparisons proposes
// places, large faces on a plane of a quarter of the side, small ones on a
// plane of half. Then the detector gets a crop around each place, scaled so
// that a face there is as wide as it likes best. The detector has the last
// word on what is a face; the cascade only says where to look.
//
//	still ─▶ luma ÷2 ─▶ ÷4 ─▶ large places ─▶ crop ─▶ detector ─▶ descriptor
//	                └────────▶ small places ─▶ crop ─┘
//
// While the detector looks at large places, the search for small ones goes on
// beside it.
//
// # What reaches C++
//
// Only JPEG that this package encoded itself, of at most [maxCrop] pixels a
// side. Whatever a bell sent was decoded and drawn anew in Go before.
package face

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"image"
	"os"
	"path/filepath"
	"slices"

	goface "github.com/Kagami/go-face"

	"lintel/internal/house"
)

// ErrModels says that the model files can't be loaded.
var ErrModels = errors.New("loading the face models")

// A Finder finds faces. It is for one goroutine at a time, since dlib's
// networks keep state; make one for each worker. It holds about 40 MB, most of
// them the networks, and uses the memory that a still takes for the next one.
type Finder struct {
	detector     detector
	here, beside *scanner // for the goroutine of Find, and for the one beside
	planes       planes
	most         int          // faces that are looked at on a still
	left         []proposal   // places on the still that were not, since there were so many
	encoded      bytes.Buffer // the crop that the detector looks at
}

// A detector finds and describes the faces on a JPEG picture, as a
// goface.Recognizer does. It does not keep the picture.
type detector interface {
	Recognize(jpeg []byte) ([]goface.Face, error)
	Close()
}

// Open loads the model files from a folder; see package models for which. The
// error is ErrModels if one is missing or broken.
func Open(models string) (*Finder, error) {
	raw, err := os.ReadFile(filepath.Join(models, "facefinder"))
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrModels, err)
	}
	cascade, err := parseCascade(raw)
	if err != nil {
		return nil, fmt.Errorf("%w: facefinder: %w", ErrModels, err)
	}
	recognizer, err := goface.NewRecognizer(models)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrModels, err)
	}
	f := &Finder{detector: recognizer, here: newScanner(cascade), beside: newScanner(cascade), most: maxFaces}
	return f, nil
}

// Close frees the models.
func (f *Finder) Close() error {
	f.detector.Close()
	return nil
}

// Find returns the faces on a still, from left to right, and of a crowd the 16
// largest; each says how many more there seem to be. No faces is no error. It finds
// most faces 15 pixels wide or more on stills of up to 720 pixels a side, 30 or more
// up to 1440, and so on.
//
// Boxes and landmarks are in pixels from the still's left upper corner,
// whatever its Bounds begin with. Boxes are clipped to the still; landmarks of
// a face that the border cuts may lie beyond it.
//
// The error is the context's if that ended. Find runs two goroutines at the
// most and waits for both in any case.
func (f *Finder) Find(ctx context.Context, still image.Image) ([]house.Face, error) {
	f.planes.of(still)
	f.left = f.left[:0]
	fine, coarse := f.planes.fine, f.planes.coarse
	var found []house.Face
	var err error
	if fine.factor > 1 {
		beside := searchBeside(
			func() []proposal { return f.beside.likely(fine, f.beside.search(fine, smallFirst)) },
			func() []proposal { return f.beside.likely(coarse, f.beside.search(coarse, largeSecond)) })
		found, err = f.confirm(ctx, still, nil, f.here.likely(coarse, f.here.search(coarse, largeFirst)))
		found, err = f.confirmAll(ctx, still, found, err, beside)
	}
	if err == nil && len(found) == 0 {
		beside := searchBeside(func() []proposal { return f.beside.search(fine, smallClose) })
		found, err = f.confirm(ctx, still, nil, append(f.here.search(coarse, largeClose),
			f.here.search(fine, mediumClose)...))
		found, err = f.confirmAll(ctx, still, found, err, beside)
	}
	if err != nil {
		return nil, fmt.Errorf("finding faces: %w", err)
	}
	for i := range found {
		found[i].Unlooked = len(f.left)
	}
	slices.SortStableFunc(found, func(a, b house.Face) int { return cmp.Compare(a.Box.Min.X, b.Box.Min.X) })
	return found, nil
}

// searchBeside runs searches one after the other in a goroutine. Its owner
// drains the channel, which is closed after the last of them.
func searchBeside(searches ...func() []proposal) <-chan []proposal {
	results := make(chan []proposal, len(searches))
	go func() {
		defer close(results)
		for _, search := range searches {
			results <- search()
		}
	}()
	return results
}

// confirmAll confirms all that searches beside found, unless err says that
// confirming failed before; it waits for the searches in any case. Where they
// found more than can be looked at, it begins when they have ended.
func (f *Finder) confirmAll(ctx context.Context, still image.Image, found []house.Face, err error,
	beside <-chan []proposal) ([]house.Face, error) {
	var crowd []proposal
	for places := range beside {
		if len(crowd)+len(found)+len(places) > f.most {
			crowd = append(crowd, places...)
		} else if err == nil {
			found, err = f.confirm(ctx, still, found, places)
		}
	}
	if err == nil {
		found, err = f.confirm(ctx, still, found, crowd)
	}
	return found, err
}

// confirm asks the detector about each place, best first, and adds the faces
// it finds to those found so far. Of a crowd it asks about the largest first, and
// notes what it has not come to when there are enough.
func (f *Finder) confirm(ctx context.Context, still image.Image, found []house.Face, places []proposal) ([]house.Face,
	error) {
	if len(found)+len(places) > f.most {
		slices.SortStableFunc(places, func(a, b proposal) int { return cmp.Compare(b.side, a.side) })
	}
	for _, p := range places {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		if covered(found, p.box()) {
			continue
		}
		if len(found) >= f.most {
			f.leave(p)
			continue
		}
		faces, err := f.look(still, p)
		if err != nil {
			return nil, err
		}
		for _, face := range faces {
			if !covered(found, face.Box) {
				found = append(found, face)
			}
		}
	}
	return found, ctx.Err()
}

// leave notes a place that is not looked at, once.
func (f *Finder) leave(p proposal) {
	for _, other := range f.left {
		if covered([]house.Face{{Box: other.box()}}, p.box()) {
			return
		}
	}
	f.left = append(f.left, p)
}

// look asks the detector about one place.
func (f *Finder) look(still image.Image, p proposal) ([]house.Face, error) {
	c := cropAround(still, p)
	raw, err := c.encode(&f.encoded)
	if err != nil {
		return nil, fmt.Errorf("encoding a crop: %w", err)
	}
	faces, err := f.detector.Recognize(raw)
	if err != nil {
		return nil, fmt.Errorf("asking go-face: %w", err)
	}
	size := still.Bounds().Size()
	var found []house.Face
	for _, face := range faces {
		onStill := c.onStill(face)
		// dlib draws boxes beyond the border where a face is cut.
		onStill.Box = onStill.Box.Intersect(image.Rectangle{Max: size})
		if !onStill.Box.Empty() {
			found = append(found, onStill)
		}
	}
	return found, nil
}

// covered reports whether one of the faces takes up the same place as box:
// half of the smaller of the two lies in the other.
func covered(faces []house.Face, box image.Rectangle) bool {
	for _, f := range faces {
		both := area(f.Box.Intersect(box))
		if 2*both > min(area(f.Box), area(box)) {
			return true
		}
	}
	return false
}

func area(r image.Rectangle) int { return r.Dx() * r.Dy() }
