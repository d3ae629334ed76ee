package enrol_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	"math/rand/v2"
	"testing"

	"lintel/internal/house"
	"lintel/pipeline/enrol"
	"lintel/pipeline/intake"
)

// An album is an archive in memory that refuses as the store does.
type album struct {
	references []house.Reference
	consent    bool
}

func (a *album) GalleryRevision(context.Context) (int64, error)     { return int64(len(a.references)), nil }
func (a *album) Gallery(context.Context) ([]house.Reference, error) { return a.references, nil }
func (a *album) Prior(context.Context) (float64, error)             { return 0, nil }
func (a *album) StrangerDistances(context.Context) (house.StrangerDistances, error) {
	return house.StrangerDistances{}, nil
}

func (a *album) AddReference(_ context.Context, r house.Reference) error {
	if !a.consent {
		return house.ErrNoConsent
	}
	for _, known := range a.references {
		if known.SourceSHA256 == r.SourceSHA256 {
			return house.ErrExists
		}
	}
	a.references = append(a.references, r)
	return nil
}

// photograph is a picture of patches between two greys, as detailed as a face in
// good light where they are far apart.
func photograph(from, to int) []byte {
	r := rand.New(rand.NewPCG(1, 2))
	m := image.NewGray(image.Rect(0, 0, 400, 400))
	for y := 0; y < 400; y += 8 {
		for x := 0; x < 400; x += 8 {
			grey := color.Gray{uint8(from + r.IntN(to-from))}
			draw.Draw(m, image.Rect(x, y, x+8, y+8), image.NewUniform(grey), image.Point{}, draw.Src)
		}
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, nil); err != nil {
		panic(err)
	}
	return b.Bytes()
}

// finds makes a finder of so many faces.
func finds(n int) enrol.Find {
	return func(context.Context, image.Image) (faces []house.Face, err error) {
		for range n {
			faces = append(faces, house.Face{Box: image.Rect(100, 100, 300, 300), Descriptor: house.Descriptor{.5},
				Landmarks: []house.Point{{X: 260, Y: 168}, {X: 224, Y: 168}, {X: 140, Y: 168}, {X: 176, Y: 168},
					{X: 200, Y: 220}}})
		}
		return faces, nil
	}
}

func Example() {
	got, err := enrol.Enrol(context.Background(), &album{consent: true}, finds(1), "ADA", house.FromPhotograph, photograph(90, 170))
	fmt.Println(err, got.Quality.FaceWidth, got.Without.Others, got.Without.Band)

	_, err = enrol.Enrol(context.Background(), &album{consent: true}, finds(1), "ADA", house.FromPhotograph, photograph(5, 20))
	var poor enrol.Poor
	fmt.Println(errors.As(err, &poor), poor[0].Code)
	// Output:
	// <nil> 200 0 none
	// true flat
}

func TestEnrolRefuses(t *testing.T) {
	fine := photograph(90, 170)
	known := &album{consent: true}
	if _, err := enrol.Enrol(t.Context(), known, finds(1), "ADA", house.FromPhotograph, fine); err != nil {
		t.Fatal(err)
	}
	for name, test := range map[string]struct {
		archive    *album
		faces      int
		photograph []byte
		want       error
	}{
		"nobody":          {known, 0, fine, enrol.ErrNoFace},
		"two":             {known, 2, fine, enrol.ErrFaces},
		"no picture":      {known, 1, []byte("a letter"), intake.ErrNotAPicture},
		"the same again":  {known, 1, fine, house.ErrExists},
		"without consent": {&album{}, 1, fine, house.ErrNoConsent},
	} {
		t.Run(name, func(t *testing.T) {
			before := len(test.archive.references)
			_, err := enrol.Enrol(t.Context(), test.archive, finds(test.faces), "ADA", house.FromPhotograph,
				test.photograph)
			if !errors.Is(err, test.want) {
				t.Errorf("%v, want %v", err, test.want)
			}
			if len(test.archive.references) != before {
				t.Error("a reference was made")
			}
		})
	}
}

// TestTryKeepsNothing has a photograph judged as Enrol judges it, and no reference
// made.
func TestTryKeepsNothing(t *testing.T) {
	a := &album{consent: true}
	got, err := enrol.Try(t.Context(), a, finds(1), "ADA", photograph(90, 170))
	if err != nil || got.Quality.FaceWidth != 200 || got.Score <= 0 {
		t.Errorf("%+v, %v", got, err)
	}
	var poor enrol.Poor
	if _, err := enrol.Try(t.Context(), a, finds(1), "ADA", photograph(5, 20)); !errors.As(err, &poor) {
		t.Errorf("%v, want what is wrong with it", err)
	}
	if len(a.references) > 0 {
		t.Errorf("%d references were kept", len(a.references))
	}
}
