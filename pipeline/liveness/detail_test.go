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

	"lintel/internal/house"
)

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

func measure(t testing.TB, s sign, still image.Image, box image.Rectangle) house.Finding {
	t.Helper()
	f := tidy(s.measure(newScene(still).view(house.Face{Box: box})))
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
				if f := measure(t, detailSign, still, personBox); f.Score > 0.02 {
					t.Errorf("%s, noise %v, quality %d: score %v, values %v", name, noise, quality, f.Score, f.Values)
				}
			}
		}
	}
}

// TestGridOnFace: a grid on the face is plain, and its period is found.
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
	if f := measure(t, detailSign, soft(image.Rect(430, 0, 910, h)), box); f.Score < 0.5 {
		t.Errorf("a soft picture: score %v, values %v %s", f.Score, f.Values, f.Missing)
	}
	if f := measure(t, detailSign, soft(image.Rect(0, 0, w, h)), box); f.Score > 0.02 {
		t.Errorf("a still that is soft all over: score %v, values %v", f.Score, f.Values)
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
// TestNoiseKnown: Immerkær's estimate of noise whose deviation is known, on a
// slope that it must not answer to.
func TestNoiseKnown(t *testing.T) {
	for _, sigma := range []float64{1.5, 3, 6, 12} {
		r := rand.New(rand.NewPCG(3, uint64(sigma*10)))
		luma := image.NewGray(image.Rect(0, 0, 320, 240))
		for i := range luma.Pix {
			x, y := i%320, i/320
			luma.Pix[i] = uint8(math.Round(80 + float64(x)/8 + float64(y)/8 + sigma*r.NormFloat64()))
		}
		s := newScene(luma)
		if got := s.immerkaer(image.Rect(1, 1, 319, 239)); math.Abs(got/sigma-1) > 0.05 {
			t.Errorf("a deviation of %v is estimated as %.2f", sigma, got)
		}
		// A quarter of the squares reads less, by chance.
		if got := s.noise(luma.Bounds()); got > sigma || got < 0.85*sigma {
			t.Errorf("a deviation of %v is estimated as %.2f by squares", sigma, got)
		}
	}
}

// TestSteepness checks the measure against edges of known blur: a step under a
// gaussian of deviation s has the slope 1/(s√2π), between neighbours of 2 pixels
// erf(1/(s√2))/2, and over the wide difference the mean of three such.
func TestSteepness(t *testing.T) {
	for _, sigma := range []float64{0.5, 1, 1.5, 2.5} {
		luma := image.NewGray(image.Rect(0, 0, 200, 200))
		step := func(d float64) float64 { return math.Erf(d/(sigma*math.Sqrt2)) / 2 }
		for i := range luma.Pix {
			luma.Pix[i] = uint8(math.Round(120 + 60*step(float64(i%200)-100)))
		}
		s := newScene(luma)
		got := s.steepness(luma.Bounds(), image.Rectangle{}, 1, 0)
		wide := 2. / 3 * (step(1) + step(2) + step(3))
		want := 2 * 2 * step(1) / wide
		if math.Abs(got[0]-want) > 0.04*want || got[1] != 0 {
			t.Errorf("a blur of %v: steepness %v, want %.2f across the columns alone", sigma, got, want)
		}
	}
}
