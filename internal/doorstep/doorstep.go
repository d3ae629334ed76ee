// Package doorstep paints stills for tests and measurements: a face, taken
// from a photograph the caller has, on a blurred background, as wide as asked.
//
// Nothing of it runs in the server. The faces and backgrounds are read where
// they are and never become part of the project.
package doorstep

import (
	"fmt"
	"image"
	"image/color"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"github.com/disintegration/imaging"
)

// Width and Height are those of the bell's still, in pixels.
const (
	Width  = 1280
	Height = 1024
)

// A Portrait is a photograph of one face.
type Portrait struct {
	Image image.Image
	Face  image.Rectangle // dlib's box of the face
}

// MaxWidth is how wide, in pixels, a face may be painted, so that there is
// room for it and a margin of a quarter of its width on each side.
const MaxWidth = 600

// Paint draws a still with the portrait's face width pixels wide, 1 to
// [MaxWidth], at a random place, and returns it with the face's box. All of
// the box and a margin are on the still. A nil portrait makes a still with no
// face and an empty box.
func Paint(r *rand.Rand, background image.Image, p *Portrait, width int) (*image.NRGBA, image.Rectangle) {
	still := Background(r, background)
	if p == nil {
		return still, image.Rectangle{}
	}
	k := float64(width) / float64(p.Face.Dx())
	b := p.Image.Bounds()
	face := imaging.Resize(p.Image, max(1, scaled(b.Dx(), k)), max(1, scaled(b.Dy(), k)), imaging.Lanczos)
	on := p.Face.Sub(b.Min)
	box := image.Rect(scaled(on.Min.X, k), scaled(on.Min.Y, k), scaled(on.Max.X, k), scaled(on.Max.Y, k))
	// The portrait may hang over the still's border, the face and a margin may not.
	m := width / 4
	at := image.Pt(
		m-box.Min.X+r.IntN(Width-box.Dx()-2*m),
		m-box.Min.Y+r.IntN(Height-box.Dy()-2*m),
	)
	return imaging.Overlay(still, face, at, 1), box.Add(at)
}

func scaled(v int, k float64) int { return int(math.Round(float64(v) * k)) }

// Rotated returns the largest square of the portrait around its face, turned
// counter-clockwise about the face's middle by 0 to 45 degrees either way and
// cut so that nothing of the turned border shows.
func (p Portrait) Rotated(degrees float64) Portrait {
	b := p.Image.Bounds()
	middle := p.Face.Min.Add(p.Face.Max).Div(2)
	r := min(middle.X-b.Min.X, middle.Y-b.Min.Y, b.Max.X-middle.X, b.Max.Y-middle.Y)
	square := imaging.Crop(p.Image, image.Rectangle{middle, middle}.Inset(-r))
	turned := imaging.Rotate(square, degrees, color.Transparent)
	sin, cos := math.Sincos(math.Abs(degrees) * math.Pi / 180)
	inner := int(float64(2*r) / (sin + cos)) // side of the square that fits into a turned one
	turned = imaging.CropCenter(turned, inner, inner)
	face := image.Rect(0, 0, p.Face.Dx(), p.Face.Dy()).Add(image.Pt((inner-p.Face.Dx())/2, (inner-p.Face.Dy())/2))
	return Portrait{turned, face}
}

// Background is a random part of a photograph, mirrored or not, blurred by 4
// to 16 pixels and made darker or lighter, as large as a still. The photograph
// is at least 2 pixels wide and high.
func Background(r *rand.Rand, photo image.Image) *image.NRGBA {
	b := photo.Bounds()
	w := b.Dx()/2 + r.IntN(b.Dx()/2)
	h := w * Height / Width
	if h > b.Dy() {
		h, w = b.Dy(), b.Dy()*Width/Height
	}
	at := image.Pt(b.Min.X+r.IntN(b.Dx()-w+1), b.Min.Y+r.IntN(b.Dy()-h+1))
	// Blurred at a quarter of the size, in a sixteenth of the time.
	part := imaging.Resize(imaging.Crop(photo, image.Rectangle{at, at.Add(image.Pt(w, h))}), Width/4, Height/4,
		imaging.Box)
	if r.IntN(2) == 0 {
		part = imaging.FlipH(part)
	}
	part = imaging.Blur(part, 1+3*r.Float64())
	part = imaging.AdjustBrightness(part, 40*r.Float64()-25)
	return imaging.Resize(part, Width, Height, imaging.CatmullRom)
}

// Noise adds a sensor's noise with a deviation of sigma grey levels.
func Noise(r *rand.Rand, still *image.NRGBA, sigma float64) {
	for i := range still.Pix {
		if i%4 != 3 {
			still.Pix[i] = clamp(float64(still.Pix[i]) + sigma*r.NormFloat64())
		}
	}
}

func clamp(v float64) uint8 { return uint8(min(max(v, 0), 255)) }

// Faces returns the folder of face pairs ($LINTEL_FACES, or ../shared/faces
// beside the checkout), and whether it is there.
func Faces() (dir string, ok bool) {
	dir = os.Getenv("LINTEL_FACES")
	if dir == "" {
		dir = filepath.Join(checkout(), "..", "shared", "faces")
	}
	_, err := os.Stat(filepath.Join(dir, "pairs"))
	return dir, err == nil
}

// Models returns the folder of model files ($LINTEL_MODELS, or models in the
// checkout), and whether it is there.
func Models() (dir string, ok bool) {
	dir = os.Getenv("LINTEL_MODELS")
	if dir == "" {
		dir = filepath.Join(checkout(), "models")
	}
	_, err := os.Stat(filepath.Join(dir, "facefinder"))
	return dir, err == nil
}

// NeedModels returns the folder of model files, or skips the test where there
// is none; where $LINTEL_MODELS names one that lacks them, the test fails.
func NeedModels(t testing.TB) string {
	t.Helper()
	dir, ok := Models()
	if !ok {
		if os.Getenv("LINTEL_MODELS") != "" {
			t.Fatal("LINTEL_MODELS names a folder without the model files:", dir)
		}
		t.Skip("SKIPPED: the model files are missing; `make test` fetches them")
	}
	return dir
}

// checkout finds the checkout's root from the folder a test runs in.
func checkout() string {
	dir, err := os.Getwd()
	for err == nil {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			return dir
		}
		if filepath.Dir(dir) == dir {
			break
		}
		dir = filepath.Dir(dir)
	}
	return "."
}

// Plain returns a still of one colour: the emptiest doorstep.
func Plain(c color.Color) *image.NRGBA { return imaging.New(Width, Height, c) }

// ReadPortraits opens the neutral picture of the first n pairs under dir; find
// gives the box of the one face on each.
func ReadPortraits(dir string, n int, find func(image.Image) (image.Rectangle, error)) ([]Portrait, error) {
	names, err := filepath.Glob(filepath.Join(dir, "pairs", "*", "neutral.jpg"))
	if err != nil {
		return nil, err
	}
	var portraits []Portrait
	for _, name := range names[:min(n, len(names))] {
		img, err := imaging.Open(name)
		if err != nil {
			return nil, fmt.Errorf("opening a portrait: %w", err)
		}
		box, err := find(img)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		portraits = append(portraits, Portrait{img, box})
	}
	return portraits, nil
}
