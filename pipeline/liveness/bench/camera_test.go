package bench

import (
	"math"
	"math/rand/v2"
	"testing"
)

// Light arrives in photons, whose number has its own root for a deviation
// (Poisson); reading adds its own (EMVA Standard 1288, the linear model).
func TestNoise(t *testing.T) {
	c := camera{gain: 1, white: 1000, read: 5}
	for _, level := range []float64{0.1, 0.5, 0.8} {
		pix := make([]float32, 300_000)
		for i := range pix {
			pix[i] = float32(level)
		}
		c.expose(rand.New(rand.NewPCG(1, 2)), pix)
		var sum, squares float64
		for _, v := range pix {
			sum, squares = sum+float64(v), squares+float64(v)*float64(v)
		}
		n := float64(len(pix))
		mean := sum / n
		deviation := math.Sqrt(squares/n - mean*mean)
		want := math.Sqrt(level*1000+25) / 1000
		if math.Abs(mean-level) > 0.001 || math.Abs(deviation/want-1) > 0.02 {
			t.Errorf("%g: mean %.4f and deviation %.5f, want %.5f", level, mean, deviation, want)
		}
	}
}

// A point blurred by a deviation has its variance, and nothing is lost.
func TestConvolve(t *testing.T) {
	const side = 41
	for _, sigma := range []float64{0.5, 1, 2.5} {
		pix := make([]float32, side*side*3)
		pix[3*(side*20+20)] = 1
		convolve(pix, side, side, 3, gaussian(sigma))
		var sum, across, down float64
		for y := range side {
			for x := range side {
				v := float64(pix[3*(y*side+x)])
				sum, across, down = sum+v, across+v*sq(float64(x-20)), down+v*sq(float64(y-20))
			}
		}
		if math.Abs(sum-1) > 1e-4 || math.Abs(math.Sqrt(across)/sigma-1) > 0.002 || math.Abs(across-down) > 1e-4 {
			t.Errorf("%g: a sum of %g, deviations %g and %g", sigma, sum, math.Sqrt(across), math.Sqrt(down))
		}
	}
}

// sRGB's curve by IEC 61966-2-1: 18 % grey is level 118 (worked out from the
// formula, 1.055·0.18^(1/2.4) - 0.055 = 0.4613).
func TestTransferCurve(t *testing.T) {
	if got := fromLinear[737]; got != 118 {
		t.Errorf("18 %% is level %d, want 118", got)
	}
	for i, v := range toLinear {
		if got := encoded(float64(v)) * 255; math.Abs(got-float64(i)) > 0.01 {
			t.Errorf("level %d comes back as %.2f", i, got)
		}
	}
}
