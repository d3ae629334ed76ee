package liveness

import (
	"image"
	"math"
	"math/rand/v2"
	"testing"

	"lintel/internal/python"
)

// TestSpectrumAgainstNumpy checks the mean power of patches against numpy's FFT
// and scipy's Hann window.
func TestSpectrumAgainstNumpy(t *testing.T) {
	const side, n = 100, 32
	r := rand.New(rand.NewPCG(5, 5))
	p := plane{pix: make([]uint8, side*side), stride: side, size: image.Pt(side, side), scale: 1}
	rows := make([][]int, side)
	for y := range side {
		for x := range side {
			l := uint8(128 + 40*math.Sin(float64(x)/2+float64(y)/5) + 60*r.Float64())
			p.pix[y*side+x] = l
			rows[y] = append(rows[y], int(l))
		}
	}
	corners := [][2]int{{0, 0}, {17, 40}, {68, 68}}
	s := newSpectrum(n)
	for _, c := range corners {
		s.add(p, c[0], c[1])
	}
	var want [][]float64
	python.Ask(t, "scipy", `
import json, sys, numpy
from scipy.signal import get_window
q = json.load(sys.stdin)
n, rows = q["n"], numpy.array(q["rows"], float)
w = get_window("hann", n)
power = 0
for x, y in q["corners"]:
    patch = rows[y:y+n, x:x+n]
    power = power + numpy.abs(numpy.fft.fft2((patch - patch.mean()) * numpy.outer(w, w)))**2
json.dump((power / len(q["corners"])).tolist(), sys.stdout)
`, map[string]any{"n": n, "rows": rows, "corners": corners}, &want)
	for v := -n; v < n; v++ { // beyond the ends too
		for u := -n; u < n; u++ {
			if got, want := s.at(u, v), want[mod(v, n)][mod(u, n)]; math.Abs(got-want) > 1e-6*(1+want) {
				t.Fatalf("power at %d, %d is %v; numpy says %v", u, v, got, want)
			}
		}
	}
}

// TestPeak: a wave's frequency, direction and amplitude are those it was drawn
// with, and its opposite is not another.
func TestPeak(t *testing.T) {
	const n = 64
	p := plane{pix: make([]uint8, n*n), stride: n, size: image.Pt(n, n), scale: 1}
	r := rand.New(rand.NewPCG(5, 6))
	for i := range p.pix {
		x, y := float64(i%n), float64(i/n)
		p.pix[i] = uint8(128 + 12*math.Cos(2*math.Pi*(14*x-9*y)/n) + r.NormFloat64() + 0.5)
	}
	s := newSpectrum(n)
	s.add(p, 0, 0)
	peaks := s.peaks(0.05, 0.72, 20)
	if len(peaks) != 1 {
		t.Fatalf("%d peaks: %v; want one", len(peaks), peaks)
	}
	got := peaks[0]
	if got.u != 14./n || got.v != -9./n || math.Abs(got.amplitude-12) > 0.3 {
		t.Errorf("%+v; want 14/64, -9/64 and an amplitude of 12", got)
	}
}

// TestBlocks: what repeats as JPEG's squares of 8 pixels do is no peak.
func TestBlocks(t *testing.T) {
	const n = 64
	p := plane{pix: make([]uint8, n*n), stride: n, size: image.Pt(n, n), scale: 1}
	r := rand.New(rand.NewPCG(5, 7))
	for i := range p.pix {
		l := 128 + 2*r.NormFloat64()
		if i%8 == 0 || i/n%8 == 0 {
			l += 12
		}
		p.pix[i] = uint8(l)
	}
	s := newSpectrum(n)
	s.add(p, 0, 0)
	if peaks := s.peaks(0.05, 0.72, 8); len(peaks) != 0 {
		t.Errorf("peaks of squares: %v", peaks)
	}
}

// TestRounding checks the floor against pixels that were rounded: an error spread
// evenly over a step has the variance 1/12 (Bennett 1948).
func TestRounding(t *testing.T) {
	const n = 64
	p := plane{pix: make([]uint8, n*n), stride: n, size: image.Pt(n, n), scale: 1}
	r := rand.New(rand.NewPCG(5, 8))
	for i := range p.pix {
		p.pix[i] = uint8(128 + r.IntN(2)) // a variance of 1/4
	}
	s := newSpectrum(n)
	s.add(p, 0, 0)
	mean := 0.0
	for v := range n {
		for u := range n {
			mean += s.at(u, v) / (n * n)
		}
	}
	if got := mean / (3 * s.rounding()); math.Abs(got-1) > 0.1 {
		t.Errorf("noise of variance 1/4 has %.3f times the power it should have", got)
	}
}

func TestStarts(t *testing.T) {
	for _, c := range []struct {
		from, to, n, size int
		want              []int
	}{
		{100, 200, 64, 1000, []int{84, 118, 152}},
		{100, 130, 64, 1000, []int{83}}, // narrower than what counts of a patch
		{0, 64, 64, 1000, []int{0, 16}}, // moved from the border
		{980, 1000, 64, 1000, []int{936}},
	} {
		got := starts(c.from, c.to, c.n, c.size)
		if len(got) != len(c.want) {
			t.Errorf("starts(%d, %d, %d, %d) = %v, want %v", c.from, c.to, c.n, c.size, got, c.want)
			continue
		}
		for i := range got {
			if got[i] != c.want[i] {
				t.Errorf("starts(%d, %d, %d, %d) = %v, want %v", c.from, c.to, c.n, c.size, got, c.want)
				break
			}
		}
	}
}

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
