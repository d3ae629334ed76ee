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
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/disintegration/imaging"

	"lintel/internal/doorstep"
	"lintel/internal/house"
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
	f, err := Open(doorstep.NeedModels(t))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	return f
}

func openBare(t testing.TB) *Bare {
	t.Helper()
	b, err := OpenBare(doorstep.NeedModels(t))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { b.Close() })
	return b
}

// readExample reads one of dlib's example files.
func readExample(t testing.TB, name string) []byte {
	t.Helper()
	raw, err := os.ReadFile(filepath.Join(doorstep.NeedModels(t), "examples", name))
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
	dir, ok := doorstep.Faces()
	if !ok {
		t.Skipf("SKIPPED: no photographs in %s, so nothing was painted or compared; LINTEL_FACES names their folder",
			filepath.Join(dir, "pairs"))
	}
	names, err := filepath.Glob(filepath.Join(dir, "pairs", "*", "neutral.jpg"))
	if err != nil {
		t.Fatal(err)
	}
	return names
}

// paints makes one still after the other.
type paints struct {
	r          *rand.Rand
	background image.Image
	portraits  []doorstep.Portrait
	next       int
}

// painter paints up to n portraits in turn. Where their faces are, a bare
// go-face call says.
func painter(t testing.TB, f *Finder, seed uint64, n int) *paints {
	t.Helper()
	portraits(t)
	dir, _ := doorstep.Faces()
	p := &paints{r: rand.New(rand.NewPCG(seed, seed)), background: example(t, "dogs.jpg")}
	var err error
	p.portraits, err = doorstep.ReadPortraits(dir, n, func(img image.Image) (image.Rectangle, error) {
		faces, err := f.Find(t.Context(), img)
		if err == nil && len(faces) != 1 {
			err = fmt.Errorf("%d faces", len(faces))
		}
		if err != nil {
			return image.Rectangle{}, err
		}
		return faces[0].Box, nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// paint returns a still as a bell sends it, and the face's box. The face is
// width pixels wide, or there is none if width is 0, and turned by up to so
// many degrees either way.
func (p *paints) paint(t testing.TB, width int, degrees float64) ([]byte, image.Rectangle) {
	t.Helper()
	var portrait *doorstep.Portrait
	if width > 0 {
		turned := p.portraits[p.next%len(p.portraits)]
		p.next++
		if degrees > 0 {
			turned = turned.Rotated(degrees * (2*p.r.Float64() - 1))
		}
		portrait = &turned
	}
	still, box := doorstep.Paint(p.r, p.background, portrait, width)
	var b bytes.Buffer
	if err := jpeg.Encode(&b, still, &jpeg.Options{Quality: 85}); err != nil {
		t.Fatal(err)
	}
	return b.Bytes(), box
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
