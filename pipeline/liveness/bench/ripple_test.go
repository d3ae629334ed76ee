package bench

import (
	"math"
	"testing"

	"lintel/store"
)

// What is left of a wave is what an integral over the pixel, the blur and the
// motion gives, worked out by brute force.
func TestPasses(t *testing.T) {
	for _, test := range []struct {
		by     smear
		fx, fy float64
	}{
		{smear{}, 0, 0}, {smear{}, 0.5, 0}, {smear{}, 0.3, 0.4}, {smear{}, 1.3, 0.2}, {smear{}, 1, 0},
		{smear{sigma: 0.5}, 0.5, 0.1}, {smear{sigma: 0.9}, 0.2, 0.3}, {smear{sigma: 0.3, moveX: 2, moveY: 1}, 0.3, 0.1},
		{smear{moveX: 3}, 0.2, 0.5},
	} {
		const n = 40
		sum, weight := 0.0, 0.0
		for i := range n {
			for j := range n {
				x, y := (float64(i)+0.5)/n-0.5, (float64(j)+0.5)/n-0.5
				for k := range n {
					m := (float64(k)+0.5)/n - 0.5
					sum += math.Cos(2 * math.Pi * (test.fx*(x+m*test.by.moveX) + test.fy*(y+m*test.by.moveY)))
					weight++
				}
			}
		}
		want := sum / weight
		if s := test.by.sigma; s > 0 { // along the wave; across it nothing changes
			f := math.Hypot(test.fx, test.fy)
			blurred, all := 0.0, 0.0
			for x := -6 * s; x <= 6*s; x += s / 200 {
				g := math.Exp(-x * x / (2 * s * s))
				blurred, all = blurred+g*math.Cos(2*math.Pi*f*x), all+g
			}
			want *= blurred / all
		}
		if got := test.by.passes(test.fx, test.fy); math.Abs(got-want) > 0.003 {
			t.Errorf("%+v at (%g, %g): %.4f passes, want %.4f", test.by, test.fx, test.fy, got, want)
		}
	}
	// sinc(1/2) = 2/π, of which Boreman's chapter on detector footprints tells.
	if got := (smear{}).passes(0.5, 0); math.Abs(got-2/math.Pi) > 1e-12 {
		t.Errorf("%g of the finest stripes pass, want 2/π", got)
	}
}

// The strength of dots is the Fourier coefficient of discs on a lattice, worked
// out by summing over one cell.
func TestDotStrength(t *testing.T) {
	for _, share := range []float64{0.1, 0.3, 0.5, 0.7} {
		const lpi = 25.4 // one dot a millimetre
		period, f := dots(lpi, [3]float64{1, 1, 1})
		if math.Abs(period-1) > 1e-12 {
			t.Fatalf("a period of %g mm, want 1", period)
		}
		// Yellow's lattice is upright. At a dot's middle, seen by a sharp lens whose
		// pixels are tiny, both waves are at their highest.
		mean := 1 - 0.9*share
		add := f(0, 0, slope{1e-6, 0, 0, 1e-6}, smear{}, [3]float64{mean, mean, mean})
		small := min(share, 1-share)
		radius, n, sum := math.Sqrt(small/math.Pi), 400, 0.0
		for i := range n {
			for j := range n {
				x, y := (float64(i)+0.5)/float64(n)-0.5, (float64(j)+0.5)/float64(n)-0.5
				if x*x+y*y < radius*radius {
					sum += math.Cos(2 * math.Pi * x)
				}
			}
		}
		want := -0.9 * 2 * 2 * sum / float64(n*n) // two waves, each twice the coefficient
		if math.Abs(add[2]-want) > 0.01 {
			t.Errorf("share %g: the dots add %.4f, want %.4f", share, add[2], want)
		}
	}
}

// A screen whose pixels are just finer than the camera's shows moiré: stripes
// of 1.1 cycles to a pixel come out as 0.1, as strong as aperture and blur let
// them through, and none of that far from there.
func TestMoire(t *testing.T) {
	o := newOptics(store.Lens{Angle: 90, Projection: store.Straight}, 0)
	const perMM = 1.28 // at 500 mm
	period, f := subPixels(25.4*1.1*perMM, 0.75)
	s := o.see(newSheet(-100, -50, 100, 50, 20, 20, func(u, v float64) vec { return vec{u, v, 500} }))
	c := s.paint(func(*dab, int) pigment { return pigment{0.5, 0.5, 0.5, 1} })
	by := smear{sigma: 0.4}
	p := c.rippled(period, func(x, y float64) smear { return by }, f)
	row := p.pix[3*(s.box.Dy()/2)*s.box.Dx():][:3*s.box.Dx()]
	amplitude := func(frequency float64) float64 {
		var re, im float64
		for i := range 200 {
			sin, cos := math.Sincos(2 * math.Pi * frequency * float64(i))
			v := float64(row[3*(i+20)+1])
			re, im = re+v*cos, im+v*sin
		}
		return 2 * math.Hypot(re, im) / 200
	}
	want := 0.5 * 2 * sinc(0.25) * by.passes(1.1, 0)
	if got := amplitude(0.1); math.Abs(got-math.Abs(want)) > 0.05*math.Abs(want) {
		t.Errorf("moiré of %.5f, want %.5f", got, want)
	}
	if got := amplitude(0.3); got > 0.1*math.Abs(want) {
		t.Errorf("%.5f where there is nothing", got)
	}
}
