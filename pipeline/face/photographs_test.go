package face

import (
	"bytes"
	"context"
	"encoding/xml"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/disintegration/imaging"

	"lintel/internal/house"
	"lintel/internal/supplies"
)

// anew copies a part of a picture into one whose bounds begin at (0, 0).
func anew(img image.Image) image.Image {
	b := img.Bounds()
	switch img := img.(type) {
	case *image.Gray:
		c := image.NewGray(image.Rect(0, 0, b.Dx(), b.Dy()))
		for y := range b.Dy() {
			copy(c.Pix[y*c.Stride:][:c.Stride], img.Pix[y*img.Stride:])
		}
		return c
	case *image.YCbCr:
		c := *img
		c.Rect = b.Sub(b.Min)
		return &c
	}
	return imaging.Clone(img)
}

func drawAt(dst, src *image.NRGBA, x, y int) {
	for sy := 0; sy < src.Rect.Dy() && y+sy < dst.Rect.Dy(); sy++ {
		copy(dst.Pix[dst.PixOffset(x, y+sy):dst.PixOffset(0, y+sy)+dst.Stride], src.Pix[sy*src.Stride:][:src.Stride])
	}
}

func open(t testing.TB) *Finder {
	t.Helper()
	f, err := Open(supplies.NeedModels(t))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	return f
}

func openBare(t testing.TB) *Bare {
	t.Helper()
	b, err := OpenBare(supplies.NeedModels(t))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { b.Close() })
	return b
}

// readExample reads one of dlib's example files.
func readExample(t testing.TB, name string) []byte {
	t.Helper()
	raw, err := os.ReadFile(filepath.Join(supplies.NeedModels(t), "examples", name))
	if errors.Is(err, os.ErrNotExist) && os.Getenv("LINTEL_MODELS") == "" {
		t.Skip("SKIPPED: dlib's example photographs are missing; `make test` fetches them")
	}
	if err != nil {
		t.Fatal(err)
	}
	return raw
}

func example(t testing.TB, name string) image.Image {
	t.Helper()
	img, err := jpeg.Decode(bytes.NewReader(readExample(t, name)))
	if err != nil {
		t.Fatal(err)
	}
	return img
}

// A photograph is an entry of dlib's lists of labelled faces.
type photograph struct {
	File  string  `xml:"file,attr"`
	Boxes []label `xml:"box"`
}

type label struct {
	Top    int `xml:"top,attr"`
	Left   int `xml:"left,attr"`
	Width  int `xml:"width,attr"`
	Height int `xml:"height,attr"`
}

func (l label) rectangle() image.Rectangle {
	return image.Rect(l.Left, l.Top, l.Left+l.Width, l.Top+l.Height)
}

// labelled reads dlib's lists of labelled faces.
func labelled(t testing.TB) []photograph {
	t.Helper()
	var all []photograph
	for _, name := range []string{"training.xml", "testing.xml"} {
		d := xml.NewDecoder(bytes.NewReader(readExample(t, name)))
		d.CharsetReader = func(charset string, in io.Reader) (io.Reader, error) {
			if !strings.EqualFold(charset, "ISO-8859-1") {
				return nil, fmt.Errorf("character set %s", charset)
			}
			raw, err := io.ReadAll(in)
			letters := make([]rune, len(raw))
			for i, b := range raw {
				letters[i] = rune(b)
			}
			return strings.NewReader(string(letters)), err
		}
		var list struct {
			Photographs []photograph `xml:"images>image"`
		}
		if err := d.Decode(&list); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		all = append(all, list.Photographs...)
	}
	return all
}

func find(t testing.TB, f *Finder, still image.Image) []house.Face {
	t.Helper()
	faces, err := f.Find(t.Context(), still)
	if err != nil {
		t.Fatal(err)
	}
	return faces
}

// findIn finds the faces on a JPEG still.
func findIn(f *Finder, raw []byte) ([]house.Face, error) {
	img, err := jpeg.Decode(bytes.NewReader(raw))
	if err != nil {
		return nil, err
	}
	return f.Find(context.Background(), img)
}

// portraits returns the files of the face pairs with a neutral expression, or
// skips the test.
func portraits(t testing.TB) []string {
	t.Helper()
	dir, ok := supplies.Faces()
	if !ok {
		t.Skipf("SKIPPED: no photographs in %s, so nothing was looked for or compared; LINTEL_FACES names their folder",
			filepath.Join(dir, "pairs"))
	}
	names, err := filepath.Glob(filepath.Join(dir, "pairs", "*", "neutral.jpg"))
	if err != nil {
		t.Fatal(err)
	}
	return names
}

// onAStill puts a photograph of one face on a still, at a random place, the face
// as many pixels wide as said, and returns the still as a bell sends it with the
// face's box.
func onAStill(t testing.TB, r *rand.Rand, still, photo image.Image, face image.Rectangle, width int) ([]byte,
	image.Rectangle) {
	t.Helper()
	k := float64(width) / float64(face.Dx())
	small := imaging.Resize(photo, int(math.Round(float64(photo.Bounds().Dx())*k)), 0, imaging.Lanczos)
	room := still.Bounds().Size().Sub(small.Rect.Size())
	at := image.Pt(r.IntN(room.X), r.IntN(room.Y))
	var b bytes.Buffer
	if err := jpeg.Encode(&b, imaging.Overlay(still, small, at, 1), &jpeg.Options{Quality: 85}); err != nil {
		t.Fatal(err)
	}
	scaled := func(p image.Point) image.Point { return house.Point{X: float64(p.X) * k, Y: float64(p.Y) * k}.Round() }
	return b.Bytes(), image.Rectangle{scaled(face.Min), scaled(face.Max)}.Add(at)
}

// hit reports whether one of the faces is at a box.
func hit(faces []house.Face, box image.Rectangle) bool {
	return slices.ContainsFunc(faces, func(f house.Face) bool { return iou(f.Box, box) >= 0.5 })
}

func iou(a, b image.Rectangle) float64 {
	both := area(a.Intersect(b))
	return float64(both) / float64(area(a)+area(b)-both)
}

func boxes(faces []house.Face) []image.Rectangle {
	var all []image.Rectangle
	for _, f := range faces {
		all = append(all, f.Box)
	}
	return all
}
