package redact

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"lintel/internal/house"
)

// Ratios are all that image/jpeg decodes.
var ratios = []image.YCbCrSubsampleRatio{
	image.YCbCrSubsampleRatio444, image.YCbCrSubsampleRatio440, image.YCbCrSubsampleRatio422,
	image.YCbCrSubsampleRatio420, image.YCbCrSubsampleRatio411, image.YCbCrSubsampleRatio410,
}

// noise returns a picture of random samples, the hardest to hide a part of:
// grey, or as many colours as the ratio says.
func noise(r *rand.Rand, width, height int, ratio image.YCbCrSubsampleRatio, grey bool) image.Image {
	rect := image.Rect(0, 0, width, height)
	fill := func(planes ...[]byte) {
		for _, p := range planes {
			for i := range p {
				p[i] = uint8(r.Uint32())
			}
		}
	}
	if grey {
		m := image.NewGray(rect)
		fill(m.Pix)
		return m
	}
	m := image.NewYCbCr(rect, ratio)
	fill(m.Y, m.Cb, m.Cr)
	return m
}

// scene draws a busy picture of many colours.
func scene(width, height int) *image.RGBA {
	m := image.NewRGBA(image.Rect(0, 0, width, height))
	r := rand.New(rand.NewPCG(1, 2))
	for y := range height {
		for x := range width {
			v := 140 + 60*math.Sin(float64(x)/11)*math.Cos(float64(y)/7) + 12*r.NormFloat64()
			u := 50 * math.Sin(float64(x+2*y)/31)
			clip := func(f float64) uint8 { return uint8(max(0, min(255, f))) }
			m.SetRGBA(x, y, color.RGBA{clip(v + u), clip(v), clip(v - u), 255})
		}
	}
	return m
}

func asJPEG(tb testing.TB, m image.Image, quality int) []byte {
	tb.Helper()
	b, err := EncodeAt(m, quality)
	if err != nil {
		tb.Fatal(err)
	}
	return b
}

func asGrey(m image.Image) *image.Gray {
	g := image.NewGray(m.Bounds())
	for y := range g.Rect.Dy() {
		for x := range g.Rect.Dx() {
			g.Set(x, y, m.At(x, y))
		}
	}
	return g
}

func decoded(tb testing.TB, b []byte) image.Image {
	tb.Helper()
	m, err := jpeg.Decode(bytes.NewReader(b))
	if err != nil {
		tb.Fatal(err)
	}
	return m
}

// readGoImage reads a file of $GOROOT/src/image: the Go toolchain carries, for
// its own tests, kinds of JPEG that its encoder does not write.
func readGoImage(name string) ([]byte, error) {
	root, err := exec.Command("go", "env", "GOROOT").Output()
	if err != nil {
		return nil, fmt.Errorf("asking for GOROOT: %w", err)
	}
	return os.ReadFile(filepath.Join(strings.TrimSpace(string(root)), "src", "image", filepath.FromSlash(name)))
}

// psnr is the peak signal-to-noise ratio in decibels of luma within r.
func psnr(a, b image.Image, r image.Rectangle) float64 {
	sum := 0.0
	for y := r.Min.Y; y < r.Max.Y; y++ {
		for x := r.Min.X; x < r.Max.X; x++ {
			d := float64(luma(a, x, y)) - float64(luma(b, x, y))
			sum += d * d
		}
	}
	return 10 * math.Log10(255*255*float64(r.Dx()*r.Dy())/sum)
}

func luma(m image.Image, x, y int) uint8 {
	if m, ok := m.(*image.YCbCr); ok {
		return m.Y[m.YOffset(x, y)]
	}
	return color.GrayModel.Convert(m.At(x, y)).(color.Gray).Y
}

// edited returns a copy of a picture in which change decides what becomes of
// each sample; pixels are those of the picture that the sample stands for.
func edited(tb testing.TB, m image.Image, change func(p plane, pixels image.Rectangle, v byte) byte) image.Image {
	tb.Helper()
	c, err := copied(m)
	if err != nil {
		tb.Fatal(err)
	}
	ps, err := planes(c)
	if err != nil {
		tb.Fatal(err)
	}
	for _, p := range ps {
		for y := range p.size.Y {
			row := p.row(y, 0, p.size.X)
			for x := range row {
				at := image.Pt(x*p.pixels.X, y*p.pixels.Y)
				row[x] = change(p, image.Rectangle{at, at.Add(p.pixels)}, row[x])
			}
		}
	}
	return c
}

func samePicture(tb testing.TB, a, b image.Image) bool {
	tb.Helper()
	if a.Bounds() != b.Bounds() {
		return false
	}
	pa, err := planes(a)
	if err != nil {
		tb.Fatal(err)
	}
	pb, err := planes(b)
	if err != nil {
		tb.Fatal(err)
	}
	if len(pa) != len(pb) {
		return false
	}
	for i, p := range pa {
		for y := range p.size.Y {
			if !bytes.Equal(p.row(y, 0, p.size.X), pb[i].row(y, 0, p.size.X)) {
				return false
			}
		}
	}
	return true
}

func TestNothingToDoChangesNoByte(t *testing.T) {
	still := asJPEG(t, scene(100, 80), 70)
	masked, err := Mask(still, nil)
	if err != nil || !bytes.Equal(masked, still) {
		t.Errorf("without masks: %d bytes, were %d, %v", len(masked), len(still), err)
	}
	m := decoded(t, still)
	if got, err := MaskImage(m, []house.Polygon{}); err != nil || got != m {
		t.Errorf("without masks another picture: %v", err)
	}
	for _, boxes := range [][]image.Rectangle{nil, {{}}, {image.Rect(50, 50, 50, 70)},
		{image.Rect(100, 0, 120, 20), image.Rect(-9, -9, 0, 0)}} {
		if got, err := Blur(still, boxes); err != nil || !bytes.Equal(got, still) {
			t.Errorf("no face at %v: %d bytes, were %d, %v", boxes, len(got), len(still), err)
		}
	}
	for _, side := range []int{100, 101, math.MaxInt} {
		if got, w, h, err := Shrink(still, side); err != nil || !bytes.Equal(got, still) || w != 100 || h != 80 {
			t.Errorf("shrunk to %d: %d bytes, were %d, %d x %d, %v", side, len(got), len(still), w, h, err)
		}
	}
}

func TestErrors(t *testing.T) {
	whole := asJPEG(t, scene(40, 40), 70)
	rgb, err := readGoImage("testdata/video-001.rgb.jpeg")
	if err != nil {
		t.Logf("SKIPPED in part, the Go toolchain does not carry a JPEG in RGB: %v", err)
		rgb = nil
	}
	for _, test := range []struct {
		name  string
		still []byte
	}{{"nothing", nil}, {"text", []byte("no picture")}, {"a header alone", whole[:200]}, {"half", whole[:len(whole)/2]},
		{"RGB", rgb}} {
		_, maskErr := Mask(test.still, []house.Polygon{half})
		_, blurErr := Blur(test.still, []image.Rectangle{image.Rect(2, 2, 9, 9)})
		_, _, _, shrinkErr := Shrink(test.still, 10)
		for _, err := range []error{maskErr, blurErr, shrinkErr} {
			if !errors.Is(err, ErrNotAStill) {
				t.Errorf("%s: %v", test.name, err)
			}
		}
	}
	if _, err := Mask(whole, []house.Polygon{half, half[:2]}); !errors.Is(err, house.ErrBadMask) {
		t.Errorf("a bad mask: %v", err)
	}
	if m, err := MaskImage(decoded(t, whole), []house.Polygon{half[:2]}); !errors.Is(err, house.ErrBadMask) || m != nil {
		t.Errorf("a bad mask: %v, %v", m, err)
	}
	for _, m := range []image.Image{scene(40, 40), asGrey(scene(40, 40)).SubImage(image.Rect(1, 1, 9, 9))} {
		if _, err := MaskImage(m, []house.Polygon{half}); !errors.Is(err, ErrNotAStill) {
			t.Errorf("a %T at %v: %v", m, m.Bounds(), err)
		}
	}
	if _, _, _, err := Shrink(whole, 0); err == nil {
		t.Error("shrunk to nothing")
	}
}

// What was done to a still must not show in the bytes the caller holds.
func TestCallersBytesStay(t *testing.T) {
	still := asJPEG(t, scene(90, 90), 70)
	before := bytes.Clone(still)
	m := decoded(t, still)
	boxes := []image.Rectangle{{}, image.Rect(10, 10, 20, 20)}
	if _, err := Mask(still, []house.Polygon{half}); err != nil {
		t.Fatal(err)
	}
	if _, err := MaskImage(m, []house.Polygon{half}); err != nil {
		t.Fatal(err)
	}
	if _, err := Blur(still, boxes); err != nil {
		t.Fatal(err)
	}
	if _, _, _, err := Shrink(still, 50); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(still, before) || !samePicture(t, m, decoded(t, before)) || !boxes[0].Empty() ||
		boxes[1] != image.Rect(10, 10, 20, 20) {
		t.Error("something of the caller's was changed")
	}
}

// FuzzRedact feeds all three what may become of a still on a disk.
func FuzzRedact(f *testing.F) {
	f.Add(asJPEG(f, scene(48, 40), 70), 0.2, 0.3, 0.7, uint16(3), uint16(5), uint16(20), uint16(21), uint16(17))
	f.Add(asJPEG(f, asGrey(scene(20, 50)), 70), 0.0, 0.9, 1.0, uint16(0), uint16(0), uint16(900), uint16(900), uint16(1))
	for _, name := range []string{"video-001.q50.410.progressive.jpeg", "video-001.q50.411.jpeg",
		"video-001.221212.jpeg"} {
		if b, err := readGoImage("testdata/" + name); err == nil {
			f.Add(b, 0.1, 0.2, 0.3, uint16(30), uint16(30), uint16(60), uint16(60), uint16(99))
		}
	}
	f.Fuzz(func(t *testing.T, still []byte, x, y, z float64, x0, y0, x1, y1, side uint16) {
		if c, err := jpeg.DecodeConfig(bytes.NewReader(still)); err == nil && c.Width*c.Height > 1<<16 {
			t.Skip("correct or not, large pictures would slow the search for others")
		}
		masked, err := Mask(still, []house.Polygon{{{X: x, Y: y}, {X: y, Y: z}, {X: z, Y: x}}})
		checkRedacted(t, still, masked, err)
		blurred, err := Blur(still, []image.Rectangle{image.Rect(int(x0)-99, int(y0)-99, int(x1), int(y1))})
		checkRedacted(t, still, blurred, err)
		small, w, h, err := Shrink(still, int(side))
		if side == 0 {
			if err == nil {
				t.Error("shrunk to nothing")
			}
			return
		}
		if err != nil {
			checkRedacted(t, still, nil, err)
			return
		}
		if bytes.Equal(small, still) {
			return // its header was enough
		}
		if got := decoded(t, small).Bounds(); got != image.Rect(0, 0, w, h) || max(w, h) != int(side) || min(w, h) < 1 {
			t.Errorf("shrunk to %d: %v, said to be %d x %d", side, got, w, h)
		}
	})
}

func checkRedacted(t *testing.T, before, after []byte, err error) {
	t.Helper()
	if err != nil {
		if !errors.Is(err, ErrNotAStill) && !errors.Is(err, house.ErrBadMask) {
			t.Errorf("an error of no kind: %v", err)
		}
		return
	}
	if bytes.Equal(before, after) {
		return
	}
	m := decoded(t, after)
	if m.Bounds() != decoded(t, before).Bounds() {
		t.Errorf("another size: %v", m.Bounds())
	}
	if _, err := planes(m); err != nil {
		t.Error(err)
	}
}
