package redact

import (
	"bytes"
	"fmt"
	"image"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"lintel/internal/house"
)

var half = house.Polygon{{X: 0, Y: 0}, {X: 0.5, Y: 0}, {X: 0.5, Y: 1}, {X: 0, Y: 1}}

// The masks of the tests lie across blocks.
var masks = []struct {
	name  string
	masks []house.Polygon
}{
	{"left half", []house.Polygon{half}},
	{"odd corner", []house.Polygon{{{X: 0.8013, Y: 0.7771}, {X: 1, Y: 0.7771}, {X: 1, Y: 1}, {X: 0.8013, Y: 1}}}},
	{"slanted", []house.Polygon{{{X: 0.111, Y: 0.203}, {X: 0.417, Y: 0.097}, {X: 0.371, Y: 0.533}}}},
	{"hook", []house.Polygon{{{X: 0.1, Y: 0.1}, {X: 0.9, Y: 0.13}, {X: 0.87, Y: 0.9}, {X: 0.8, Y: 0.2},
		{X: 0.1, Y: 0.16}}}},
	{"sliver", []house.Polygon{{{X: 0.3001, Y: 0}, {X: 0.302, Y: 0}, {X: 0.7023, Y: 1}, {X: 0.7004, Y: 1}}}},
	{"two, one across the other", []house.Polygon{
		{{X: 0.4, Y: 0.45}, {X: 0.6, Y: 0.45}, {X: 0.6, Y: 0.55}, {X: 0.4, Y: 0.55}},
		{{X: 0.49, Y: 0.3}, {X: 0.51, Y: 0.3}, {X: 0.51, Y: 0.7}, {X: 0.49, Y: 0.7}},
	}},
}

// A coverage says which pixels masks cover: at (x, y) it holds how many of
// those left of x and above y they do.
type coverage struct {
	size   image.Point
	counts [][]int
}

// coverageOf looks at 8 x 8 places in each pixel: slow, plain, and by
// Polygon.Contains, which has its own checks from outside. What slips between
// the places is up to an eighth of a pixel wide.
func coverageOf(size image.Point, masks []house.Polygon) coverage {
	c := coverage{size, make([][]int, size.Y+1)}
	c.counts[0] = make([]int, size.X+1)
	for y := range size.Y {
		c.counts[y+1] = make([]int, size.X+1)
		inRow := 0
		for x := range size.X {
			for place := range 64 {
				u := (float64(x) + (float64(place%8)+0.5)/8) / float64(size.X)
				v := (float64(y) + (float64(place/8)+0.5)/8) / float64(size.Y)
				if slices.ContainsFunc(masks, func(p house.Polygon) bool { return p.Contains(u, v) }) {
					inRow++
					break
				}
			}
			c.counts[y+1][x+1] = c.counts[y][x+1] + inRow
		}
	}
	return c
}

// touches reports whether a pixel of r is covered.
func (c coverage) touches(r image.Rectangle) bool {
	r = r.Intersect(image.Rectangle{Max: c.size})
	return c.counts[r.Max.Y][r.Max.X]-c.counts[r.Min.Y][r.Max.X] != c.counts[r.Max.Y][r.Min.X]-c.counts[r.Min.Y][r.Min.X]
}

func (c coverage) has(x, y int) bool { return c.touches(image.Rect(x, y, x+1, y+1)) }

func TestMaskedPixelsAreBlackAndOthersStay(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 1))
	size := image.Pt(149, 117)
	for _, mask := range masks {
		covered := coverageOf(size, mask.masks)
		for i, ratio := range append(ratios, 0) {
			m := noise(r, size.X, size.Y, ratio, i == len(ratios))
			t.Run(fmt.Sprint(mask.name, "/", kind(m)), func(t *testing.T) {
				got, err := MaskImage(m, mask.masks)
				if err != nil {
					t.Fatal(err)
				}
				ps, err := planes(got)
				if err != nil {
					t.Fatal(err)
				}
				block := block(ps)
				far := image.Pt(max(Reach, block.X)+1, max(Reach, block.Y)+1) // one more, for what only touches a pixel
				black, kept := 0, 0
				edited(t, got, func(p plane, pixels image.Rectangle, v byte) byte {
					if covered.touches(pixels) {
						black++
						if v != p.black {
							t.Errorf("a sample of %v is %d", pixels, v)
						}
					}
					return v
				})
				before, err := planes(m)
				if err != nil {
					t.Fatal(err)
				}
				for i, p := range ps {
					for y := range p.size.Y {
						for x := range p.size.X {
							at := image.Pt(x*p.pixels.X, y*p.pixels.Y)
							around := image.Rectangle{at.Sub(far), at.Add(p.pixels).Add(far)}
							if covered.touches(around) {
								continue
							}
							kept++
							if got, want := p.row(y, x, x+1)[0], before[i].row(y, x, x+1)[0]; got != want {
								t.Fatalf("a sample at %v, far from the mask, was %d and is %d", at, want, got)
							}
						}
					}
				}
				if black == 0 || kept == 0 {
					t.Errorf("%d black samples and %d that stayed: nothing was tested", black, kept)
				}
			})
		}
	}
}

func kind(m image.Image) string {
	if m, ok := m.(*image.YCbCr); ok {
		return m.SubsampleRatio.String()
	}
	return "grey"
}

// Stills that differ in nothing but what is under the mask, and in the coded
// blocks that show a part of it, become the same still.
func TestNothingUnderTheMaskIsLeft(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 2))
	size := image.Pt(149, 117)
	for _, mask := range masks {
		covered := coverageOf(size, mask.masks)
		for i, ratio := range append(ratios, 0) {
			one := noise(r, size.X, size.Y, ratio, i == len(ratios))
			t.Run(fmt.Sprint(mask.name, "/", kind(one)), func(t *testing.T) {
				differ := 0
				other := edited(t, one, func(p plane, pixels image.Rectangle, v byte) byte {
					side := p.pixels.Mul(8)
					at := image.Pt(pixels.Min.X/side.X*side.X, pixels.Min.Y/side.Y*side.Y)
					if covered.touches(image.Rectangle{at, at.Add(side)}) {
						differ++
						return uint8(r.Uint32())
					}
					return v
				})
				if differ == 0 {
					t.Fatal("nothing differs")
				}
				a, b := maskedAndEncoded(t, one, mask.masks), maskedAndEncoded(t, other, mask.masks)
				if !bytes.Equal(a, b) {
					t.Error("what is under the mask makes a difference")
				}
			})
		}
	}
}

func maskedAndEncoded(tb testing.TB, m image.Image, masks []house.Polygon) []byte {
	tb.Helper()
	masked, err := MaskImage(m, masks)
	if err != nil {
		tb.Fatal(err)
	}
	b, err := Encode(masked)
	if err != nil {
		tb.Fatal(err)
	}
	return b
}

// The same from JPEG to JPEG: two scenes that differ, up to the mask's very
// edge and in colour, go through the bell's own coding at several qualities
// before they are masked. It spreads what is under the mask over its blocks.
func TestCodedStillsLeakNothing(t *testing.T) {
	size := image.Pt(211, 163)
	r := rand.New(rand.NewPCG(5, 3))
	for _, mask := range masks {
		covered := coverageOf(size, mask.masks)
		one, other := scene(size.X, size.Y), scene(size.X, size.Y)
		for y := range size.Y {
			for x := range size.X {
				if covered.has(x, y) {
					for i := range 3 {
						other.Pix[other.PixOffset(x, y)+i] = uint8(r.Uint32())
					}
				}
			}
		}
		for _, quality := range []int{20, 85, 100} {
			t.Run(fmt.Sprint(mask.name, "/", quality), func(t *testing.T) {
				a, b := asJPEG(t, one, quality), asJPEG(t, other, quality)
				if mask.name != "sliver" && spread(t, decoded(t, a), decoded(t, b), covered) == 0 {
					t.Fatal("the coding spreads nothing beyond the mask: nothing is tested")
				}
				a, err := Mask(a, mask.masks)
				if err != nil {
					t.Fatal(err)
				}
				b, err = Mask(b, mask.masks)
				if err != nil {
					t.Fatal(err)
				}
				if !bytes.Equal(a, b) {
					t.Error("what is under the mask makes a difference")
				}
			})
		}
	}
}

// spread counts the pixels beyond the mask in which two pictures differ.
func spread(tb testing.TB, a, b image.Image, covered coverage) (n int) {
	for y := range a.Bounds().Dy() {
		for x := range a.Bounds().Dx() {
			if !covered.has(x, y) && a.At(x, y) != b.At(x, y) {
				n++
			}
		}
	}
	return n
}

// A still that was turned or made smaller shows the bell's blocks at another
// phase, whatever its own are: no block of 16 pixels that shows a part of what
// is masked is left in part.
func TestBlocksOfATurnedStill(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 4))
	size := image.Pt(149, 117)
	for _, mask := range masks {
		covered := coverageOf(size, mask.masks)
		for i := range 30 {
			phase := image.Pt(2*r.IntN(8), 2*r.IntN(8)) // whole colour samples
			one := noise(r, size.X, size.Y, []image.YCbCrSubsampleRatio{image.YCbCrSubsampleRatio420,
				image.YCbCrSubsampleRatio444, 0}[i%3], i%3 == 2)
			other := edited(t, one, func(p plane, pixels image.Rectangle, v byte) byte {
				at := image.Pt((pixels.Min.X+phase.X)/16*16, (pixels.Min.Y+phase.Y)/16*16).Sub(phase)
				if covered.touches(image.Rectangle{at, at.Add(image.Pt(16, 16))}) {
					return uint8(r.Uint32())
				}
				return v
			})
			if !bytes.Equal(maskedAndEncoded(t, one, mask.masks), maskedAndEncoded(t, other, mask.masks)) {
				t.Errorf("%s, %s, blocks at %v: what is under the mask makes a difference", mask.name, kind(one), phase)
			}
		}
	}
}

// On the still that is kept, black is black but for what the coding does at
// the edge, and what is far from the mask is as good as it was.
func TestMaskedStill(t *testing.T) {
	mask := []house.Polygon{{{X: 0, Y: 0}, {X: 0.4, Y: 0}, {X: 0.4, Y: 0.5}, {X: 0, Y: 0.5}}}
	for _, grey := range []bool{false, true} {
		var before image.Image = scene(640, 480)
		if grey {
			before = asGrey(before)
		}
		still := asJPEG(t, before, 85)
		masked, err := Mask(still, mask)
		if err != nil {
			t.Fatal(err)
		}
		after := decoded(t, masked)
		for y := range 240 {
			for x := range 256 {
				if r, g, b, _ := after.At(x, y).RGBA(); r|g|b != 0 {
					t.Fatalf("the pixel at %d, %d is %v", x, y, after.At(x, y))
				}
			}
		}
		got := psnr(decoded(t, still), after, image.Rect(320, 0, 640, 480))
		t.Logf("grey %v: what is not masked is within %.1f dB", grey, got)
		if got < 40 {
			t.Errorf("what is not masked is within %.1f dB", got)
		}
		m, err := MaskImage(decoded(t, still), mask)
		if err != nil {
			t.Fatal(err)
		}
		if again, err := Encode(m); err != nil || !bytes.Equal(again, masked) {
			t.Errorf("MaskImage and Encode make another still than Mask, %v", err)
		}
	}
}

// Masking again, as after a change of the masks, keeps black what was black.
func TestMaskTwice(t *testing.T) {
	still := asJPEG(t, scene(160, 120), 85)
	for range 3 {
		var err error
		if still, err = Mask(still, []house.Polygon{half}); err != nil {
			t.Fatal(err)
		}
	}
	m := decoded(t, still)
	for y := range 120 {
		for x := range 80 {
			if luma(m, x, y) != 0 {
				t.Fatalf("%v at %d, %d", m.At(x, y), x, y)
			}
		}
	}
}

// The pixels that touched names are all that a random outline covers, and
// none further than a pixel from it.
func TestTouched(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 5))
	size := image.Pt(41, 29)
	for range 60 {
		n := 3 + r.IntN(9)
		p := make(house.Polygon, n)
		for i := range p { // in the order of their directions from the middle: simple
			sin, cos := math.Sincos(2 * math.Pi * (float64(i) + 0.4*r.Float64()) / float64(n))
			d := 0.05 + 0.45*r.Float64()
			p[i] = house.Point{X: 0.5 + d*cos, Y: 0.5 + d*sin}
			if r.IntN(2) == 0 { // on the lines between pixels
				p[i] = house.Point{X: math.Round(p[i].X*float64(size.X)) / float64(size.X),
					Y: math.Round(p[i].Y*float64(size.Y)) / float64(size.Y)}
			}
		}
		if p.Check() != nil {
			continue
		}
		covered := coverageOf(size, []house.Polygon{p})
		o := outlineOn(p, size)
		for y := range size.Y {
			marked := make([]bool, size.X)
			for _, s := range o.touched(y) {
				for x := max(0, s.from); x < min(s.to, size.X); x++ {
					marked[x] = true
				}
			}
			for x := range marked {
				if covered.has(x, y) && !marked[x] {
					t.Errorf("%v covers %d, %d, and it is not marked", p, x, y)
				}
				if marked[x] && !covered.touches(image.Rect(x-1, y-1, x+2, y+2)) && !nearSide(o, x, y) {
					t.Errorf("%v is not near %d, %d, and it is marked", p, x, y)
				}
			}
		}
	}
}

// nearSide reports whether a side of the outline passes within a pixel of the
// middle of a pixel: a spike's end may be too thin for covered to see.
func nearSide(o outline, x, y int) bool {
	q := house.Point{X: float64(x) + 0.5, Y: float64(y) + 0.5}
	for i, a := range o {
		b := o[(i+1)%len(o)]
		dx, dy := b.X-a.X, b.Y-a.Y
		k := max(0, min(1, ((q.X-a.X)*dx+(q.Y-a.Y)*dy)/(dx*dx+dy*dy)))
		if math.Hypot(a.X+k*dx-q.X, a.Y+k*dy-q.Y) <= 1 {
			return true
		}
	}
	return false
}

func BenchmarkMask(b *testing.B) {
	still := asJPEG(b, scene(1280, 1024), 85)
	many := make([]house.Polygon, house.MaxMasks)
	for i := range many {
		for j := range house.MaxMaskPoints { // a ring of points around the middle
			sin, cos := math.Sincos(2 * math.Pi * float64(j) / house.MaxMaskPoints)
			d := 0.1 + 0.02*float64(i) + 0.05*float64(j%2)
			many[i] = append(many[i], house.Point{X: 0.5 + d*cos, Y: 0.5 + d*sin})
		}
	}
	for _, test := range []struct {
		name  string
		masks []house.Polygon
	}{{"one", masks[2].masks}, {"half", masks[0].masks}, {"most", many}} {
		b.Run(test.name, func(b *testing.B) {
			m := decoded(b, still)
			b.Run("picture", func(b *testing.B) {
				for b.Loop() {
					if _, err := MaskImage(m, test.masks); err != nil {
						b.Fatal(err)
					}
				}
			})
			b.Run("picture-and-encode", func(b *testing.B) {
				for b.Loop() {
					maskedAndEncoded(b, m, test.masks)
				}
			})
			b.Run("still", func(b *testing.B) {
				b.ReportAllocs()
				n := 0
				for b.Loop() {
					masked, err := Mask(still, test.masks)
					if err != nil {
						b.Fatal(err)
					}
					n = len(masked)
				}
				b.ReportMetric(float64(n)/float64(len(still)), "bytes/before")
			})
		})
	}
}
