package liveness

import (
	"bytes"
	"image"
	"image/color"
	"image/jpeg"
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"

	"lintel/store"
)

// spectral are the signs of spectrum and sharpness, by code.
var spectral = []sign{gridSign, bandsSign, halftoneSign, detailSign, focusSign}

// A painter gives the colour of a pixel, 0 to 255 each.
type painter func(x, y int) [3]float64

func grey(l float64) [3]float64 { return [3]float64{l, l, l} }

// paintStill draws a still with as much noise, in steps of luma, and sends it
// through a JPEG of that quality; 0 for none.
func paintStill(t testing.TB, w, h int, noise float64, quality int, paint painter) image.Image {
	t.Helper()
	r := rand.New(rand.NewPCG(7, uint64(w*h)))
	still := image.NewNRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			c, n := paint(x, y), noise*r.NormFloat64()
			for i := range c {
				c[i] = min(max(c[i]+n+0.5, 0), 255)
			}
			still.SetNRGBA(x, y, color.NRGBA{uint8(c[0]), uint8(c[1]), uint8(c[2]), 255})
		}
	}
	if quality == 0 {
		return still
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, still, &jpeg.Options{Quality: quality}); err != nil {
		t.Fatal(err)
	}
	img, err := jpeg.Decode(&b)
	if err != nil {
		t.Fatal(err)
	}
	return img
}

// natural paints noise whose amplitude falls with 1/f, as that of natural
// pictures does (Field, J. Opt. Soc. Am. A 4, 1987): random numbers by frequency
// and back. It repeats after 1024 pixels.
func natural(seed uint64) painter {
	const n = 1024
	r := rand.New(rand.NewPCG(seed, 1))
	pix := make([]complex128, n*n)
	for v := range n {
		for u := range n {
			if f := math.Hypot(float64(min(u, n-u)), float64(min(v, n-v))); f > 0 {
				pix[v*n+u] = complex(r.NormFloat64()/f, r.NormFloat64()/f)
			}
		}
	}
	fft, line := fourier.NewCmplxFFT(n), make([]complex128, n)
	for y := range n {
		fft.Sequence(pix[y*n:(y+1)*n], pix[y*n:(y+1)*n])
	}
	for x := range n {
		for y := range n {
			line[y] = pix[y*n+x]
		}
		fft.Sequence(line, line)
		for y := range n {
			pix[y*n+x] = line[y]
		}
	}
	return func(x, y int) [3]float64 { return grey(125 + 10*real(pix[(y&(n-1))*n+(x&(n-1))])) }
}

// personBox is the face's box of person.
var personBox = image.Rect(240, 160, 400, 320)

// person paints somebody before what is behind: a head of 120 by 170 pixels half
// a side, eyes, brows, nose, mouth, hair and a shirt.
func person(behind painter) painter {
	return func(x, y int) [3]float64 {
		dx, dy := float64(x-320), float64(y-230)
		disc := func(mx, my, rx, ry float64) float64 { // 1 within, with a soft border
			d := math.Hypot((dx-mx)/rx, (dy-my)/ry)
			return ramp(1-d, -1/min(rx, ry), 1/min(rx, ry))
		}
		c := behind(x, y)
		over := func(a float64, to [3]float64) {
			for i := range c {
				c[i] += a * (to[i] - c[i])
			}
		}
		over(disc(0, 330, 210, 190), [3]float64{60, 80, 120})
		over(disc(0, -15, 104, 140), [3]float64{50, 38, 30})
		shade := 1 - 0.15*dx/100
		over(disc(0, 10, 88, 118), [3]float64{190 * shade, 150 * shade, 130 * shade})
		for _, side := range []float64{-1, 1} {
			over(disc(38*side, -20, 18, 8), grey(225))
			over(disc(38*side, -20, 7, 7), grey(40))
			over(disc(38*side, -42, 24, 4), [3]float64{70, 50, 40})
		}
		over(disc(0, 30, 14, 8), [3]float64{150, 110, 95})
		over(disc(0, 68, 32, 9), [3]float64{160, 80, 80})
		return c
	}
}

func measure(t testing.TB, s sign, still image.Image, box image.Rectangle) store.Finding {
	t.Helper()
	f := tidy(s.measure(newScene(still).view(store.Face{Box: box}, nil)))
	if f.Missing != "" && f.Score != 0 {
		t.Errorf("%s: the score of what is missing (%s) is %v", s.code, f.Missing, f.Score)
	}
	return f
}

// fence are upright slats every 9.3 pixels, in between a hedge.
func fence(x, y int) [3]float64 {
	if math.Mod(float64(x), 9.3) < 5 {
		return [3]float64{150, 120, 90}
	}
	return [3]float64{40, 60, 40}
}

// blinds lie across, every 24 pixels.
func blinds(x, y int) [3]float64 { return grey(150 + 40*math.Cos(2*math.Pi*float64(y)/24)) }

// TestNoSignOnPersons: what is not of a picture gives no score. Flat, noise and
// 1/f patches are the extremes; persons stand before what is periodic.
func TestNoSignOnPersons(t *testing.T) {
	withoutRaces(t)
	flat := func(x, y int) [3]float64 { return grey(130) }
	for name, paint := range map[string]painter{
		"flat": flat, "one over f": natural(3), "another": natural(4),
		"person, plain wall": person(flat), "person, hedge": person(natural(5)),
		"person, fence": person(fence), "person, blinds": person(blinds),
	} {
		for _, noise := range []float64{0, 3} {
			for _, quality := range []int{0, 70} {
				still := paintStill(t, 640, 480, noise, quality, paint)
				for _, s := range spectral {
					if f := measure(t, s, still, personBox); f.Score > 0.02 {
						t.Errorf("%s, noise %v, quality %d: %s has the score %v, values %v", name, noise, quality, s.code, f.Score, f.Values)
					}
				}
			}
		}
	}
}

// TestGridOnFace: a grid on the face is plain, and its period is found.
func TestGridOnFace(t *testing.T) {
	const period, slant = 3.7, 0.12
	on := func(strength [3]float64) painter {
		face := person(natural(6))
		return func(x, y int) [3]float64 {
			c := face(x, y)
			// What repeats is period away at a right angle to the lines.
			at := (float64(x)*math.Cos(slant) + float64(y)*math.Sin(slant)) / period
			for i := range c {
				c[i] += strength[i] * math.Cos(2*math.Pi*at)
			}
			return c
		}
	}
	for _, quality := range []int{0, 70, 90} {
		f := measure(t, gridSign, paintStill(t, 640, 480, 2, quality, on([3]float64{7, 7, 7})), personBox)
		if f.Score < 0.9 || math.Abs(f.Values[1]-period) > 0.1 {
			t.Errorf("quality %d: score %v, values %v; a period of %v was drawn", quality, f.Score, f.Values, period)
		}
		if f.Region == nil {
			t.Error("a grid without a place")
		}
	}
}

// TestMoireByTheSamplingTheorem draws a screen's grid that is finer than the
// pixels: sampled, f cycles a pixel look like |f - k| (Shannon 1949).
func TestMoireByTheSamplingTheorem(t *testing.T) {
	face := person(natural(6))
	for _, f := range []float64{0.7, 0.85, 1.12, 1.3, 1.73, 2.2} {
		still := paintStill(t, 640, 480, 2, 90, func(x, y int) [3]float64 {
			c := face(x, y)
			for i := range c {
				c[i] += 7 * math.Cos(2*math.Pi*(f*float64(x)+0.04*float64(y)))
			}
			return c
		})
		alias := math.Hypot(math.Abs(f-math.Round(f)), 0.04)
		got := measure(t, gridSign, still, personBox)
		if got.Score < 0.5 || math.Abs(1/got.Values[1]-alias) > 0.5/64 {
			t.Errorf("%v cycles a pixel: score %v, %v cycles a pixel; want %v", f, got.Score, 1/got.Values[1], alias)
		}
	}
}

// TestColouredMoire: stripes whose colours differ and whose luma does not.
func TestColouredMoire(t *testing.T) {
	face := person(natural(6))
	still := paintStill(t, 640, 480, 2, 90, func(x, y int) [3]float64 {
		c := face(x, y)
		a := 14 * math.Cos(2*math.Pi*(float64(x)/9+float64(y)/40))
		c[0] += a
		c[1] -= a * 0.299 / 0.587 // of luma, as JPEG (ITU-R BT.601) has it
		return c
	})
	f := measure(t, gridSign, still, personBox)
	if f.Score < 0.5 || f.Values[4] == 0 {
		t.Errorf("score %v, values %v; want a pattern of colours", f.Score, f.Values)
	}
}

// TestHalftoneOnFace: two lattices of dots 30 degrees apart are a print; one,
// along the sides, is not.
func TestHalftoneOnFace(t *testing.T) {
	face := person(func(x, y int) [3]float64 { return grey(170) })
	dotted := func(period float64, angles ...float64) painter {
		return func(x, y int) [3]float64 {
			c := face(x, y)
			for i, degrees := range angles {
				sin, cos := math.Sincos(degrees * math.Pi / 180)
				u, v := (float64(x)*cos+float64(y)*sin)/period, (float64(y)*cos-float64(x)*sin)/period
				d := 9 * (math.Cos(2*math.Pi*u) + math.Cos(2*math.Pi*v))
				c[i%3] += 0.3 * d
				for k := range c {
					c[k] += 0.7 * d
				}
			}
			return c
		}
	}
	f := measure(t, halftoneSign, paintStill(t, 640, 480, 2, 90, dotted(4, 15, 75)), personBox)
	if f.Score < 0.9 || f.Values[0] != 2 || math.Abs(f.Values[1]-4) > 0.1 {
		t.Errorf("two lattices of 4 pixels: score %v, values %v", f.Score, f.Values)
	}
	f = measure(t, halftoneSign, paintStill(t, 640, 480, 2, 90, dotted(4, 0)), personBox)
	if f.Score > 0.1 {
		t.Errorf("a grid along the sides: score %v, values %v", f.Score, f.Values)
	}
}

// TestBandsOnScreen: bars on a screen are a sign, and bars all over the still,
// as of a lamp that flickers, are not.
func TestBandsOnScreen(t *testing.T) {
	const period = 60
	bars := func(screen image.Rectangle) painter {
		face := person(func(x, y int) [3]float64 { return grey(150) })
		return func(x, y int) [3]float64 {
			c := face(x, y)
			if image.Pt(x, y).In(screen) {
				for i := range c {
					c[i] *= 1 + 0.08*math.Cos(2*math.Pi*float64(y)/period)
				}
			}
			return c
		}
	}
	w, h := 1280, 480
	box := personBox.Add(image.Pt(300, 0))
	shift := func(p painter) painter { return func(x, y int) [3]float64 { return p(x-300, y) } }
	f := measure(t, bandsSign, paintStill(t, w, h, 2, 85, shift(bars(image.Rect(150, 0, 490, 480)))), box)
	if f.Score < 0.6 || math.Abs(f.Values[1]-period) > 6 || math.Abs(f.Values[0]-0.08) > 0.03 {
		t.Errorf("bars of 0.08 every %d pixels: score %v, values %v", period, f.Score, f.Values)
	}
	f = measure(t, bandsSign, paintStill(t, w, h, 2, 85, shift(bars(image.Rect(-1000, 0, 2000, 480)))), box)
	if f.Score > 0.02 {
		t.Errorf("bars all over the still: score %v, values %v", f.Score, f.Values)
	}
}

// TestSoftFace: a face and its surroundings that went through another lens are
// softer than the rest; a still that is soft all over is not.
func TestSoftFace(t *testing.T) {
	tiles := func(x, y int) [3]float64 {
		if (x/23+y/29)%2 == 0 {
			return grey(110)
		}
		return grey(165)
	}
	const w, h = 1100, 480
	box := personBox.Add(image.Pt(350, 0))
	sharp := make([][3]float64, w*h)
	for i := range sharp {
		sharp[i] = person(tiles)(i%w-350, i/w)
	}
	soft := func(picture image.Rectangle) image.Image {
		return paintStill(t, w, h, 1, 90, func(x, y int) (c [3]float64) {
			r := 3
			if !image.Pt(x, y).In(picture) {
				r = 0
			}
			for dy := -r; dy <= r; dy++ {
				for dx := -r; dx <= r; dx++ {
					for i, v := range sharp[min(max(y+dy, 0), h-1)*w+min(max(x+dx, 0), w-1)] {
						c[i] += v / float64((2*r+1)*(2*r+1))
					}
				}
			}
			return c
		})
	}
	for _, s := range []sign{detailSign, focusSign} {
		if f := measure(t, s, soft(image.Rect(430, 0, 910, h)), box); f.Score < 0.5 {
			t.Errorf("%s of a soft picture: score %v, values %v %s", s.code, f.Score, f.Values, f.Missing)
		}
		if f := measure(t, s, soft(image.Rect(0, 0, w, h)), box); f.Score > 0.02 {
			t.Errorf("%s of a still that is soft all over: score %v, values %v", s.code, f.Score, f.Values)
		}
	}
}

// TestMovingFace: whoever moves is blurred along one direction only, before
// things that are sharp.
func TestMovingFace(t *testing.T) {
	const w, h, path = 1100, 480, 3
	tiles := func(x, y int) [3]float64 { return grey(110 + 55*float64((x/23+y/29)&1)) }
	somebody := person(tiles)
	still := paintStill(t, w, h, 1, 90, func(x, y int) (c [3]float64) {
		if !image.Pt(x, y).In(image.Rect(520, 40, 820, 480)) {
			return somebody(x-350, y)
		}
		for d := -path; d <= path; d++ {
			for i, v := range somebody(x+d-350, y) {
				c[i] += v / (2*path + 1)
			}
		}
		return c
	})
	f := measure(t, detailSign, still, personBox.Add(image.Pt(350, 0)))
	if f.Missing != "" || f.Score > 0.02 {
		t.Errorf("a face that moves: score %v, values %v %s", f.Score, f.Values, f.Missing)
	}
}

// TestSpectralSignsAnywhere: no size of a still, no box and no kind of picture
// makes them panic, and what they give is in its range.
func TestSpectralSignsAnywhere(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 9))
	for range 300 {
		w, h := 1+r.IntN(300), 1+r.IntN(300)
		at := image.Pt(r.IntN(9)-4, r.IntN(9)-4)
		var still image.Image
		switch bounds := image.Rect(0, 0, w, h).Add(at); r.IntN(4) {
		case 0:
			img := image.NewGray(bounds)
			for i := range img.Pix {
				img.Pix[i] = uint8(r.Uint32())
			}
			still = img
		case 1:
			img := image.NewNRGBA(bounds)
			for i := range img.Pix {
				img.Pix[i] = uint8(r.Uint32())
			}
			still = img
		default:
			ratios := []image.YCbCrSubsampleRatio{image.YCbCrSubsampleRatio444, image.YCbCrSubsampleRatio422, image.YCbCrSubsampleRatio420}
			img := image.NewYCbCr(bounds.Union(bounds.Sub(at)).Union(image.Rect(0, 0, 1, 1)).Intersect(image.Rect(0, 0, 999, 999)), ratios[r.IntN(3)])
			for i := range img.Y {
				img.Y[i] = uint8(r.Uint32())
			}
			still = img.SubImage(bounds)
		}
		box := image.Rect(r.IntN(500)-100, r.IntN(500)-100, r.IntN(500)-100, r.IntN(500)-100)
		for _, s := range spectral {
			if still.Bounds().Empty() {
				continue
			}
			f := s.measure(newScene(still).view(store.Face{Box: box}, nil))
			if math.IsNaN(f.Score) || f.Score < 0 || f.Score > 1 {
				t.Fatalf("%s on %v, box %v: score %v", s.code, still.Bounds(), box, f.Score)
			}
			if (f.Score > 0) != (f.Region != nil) {
				t.Errorf("%s: score %v, region %v", s.code, f.Score, f.Region)
			}
			if s.says(f) == "" && f.Missing == "" && f.Score > 0 {
				t.Errorf("%s has no words for %v", s.code, f)
			}
		}
	}
}

// BenchmarkSpectralSigns takes a still of the usual size and a face as near as
// they come.
func BenchmarkSpectralSigns(b *testing.B) {
	clouds := natural(8)
	still := paintStill(b, 1280, 1024, 3, 85, func(x, y int) [3]float64 {
		if x < 300 {
			return clouds(x, y)
		}
		return person(fence)(x-300, y-200)
	})
	box := personBox.Add(image.Pt(300, 200)).Inset(-20)
	for _, s := range spectral {
		b.Run(s.code, func(b *testing.B) {
			for b.Loop() {
				s.measure(newScene(still).view(store.Face{Box: box}, nil))
			}
		})
	}
	b.Run("all", func(b *testing.B) {
		for b.Loop() {
			v := newScene(still).view(store.Face{Box: box}, nil)
			for _, s := range spectral {
				s.measure(v)
			}
		}
	})
}
