package view

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"lintel/internal/python"
	"lintel/pipeline/review"
)

// TestProbit compares with quantiles as tables of the normal distribution print
// them: NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.1 (cumulative
// probabilities 0.8413, 0.9772 and 0.9987 at 1, 2 and 3), and the usual critical
// values 1.2816, 1.6449, 1.9600, 2.3263, 2.5758 and 3.0902 (from memory).
func TestProbit(t *testing.T) {
	for _, test := range []struct{ p, want, within float64 }{
		{.5, 0, 1e-15}, {.8413447, 1, 1e-6}, {.9772499, 2, 1e-5}, {.9986501, 3, 1e-5},
		{.9, 1.2816, 5e-5}, {.95, 1.6449, 5e-5}, {.975, 1.9600, 5e-5},
		{.99, 2.3263, 5e-5}, {.995, 2.5758, 5e-5}, {.999, 3.0902, 5e-5},
		{.1, -1.2816, 5e-5}, {.001, -3.0902, 5e-5},
	} {
		if got := probit(test.p); math.Abs(got-test.want) > test.within {
			t.Errorf("probit(%g) = %.6f, want %g", test.p, got, test.want)
		}
	}
	if !math.IsInf(probit(0), -1) || !math.IsInf(probit(1), 1) || !math.IsNaN(probit(1.1)) {
		t.Errorf("at the ends: %g, %g, beyond: %g", probit(0), probit(1), probit(1.1))
	}
}

// TestProbitAgainstSciPy compares with scipy.stats.norm.ppf (python3-scipy).
func TestProbitAgainstSciPy(t *testing.T) {
	var ps []float64
	for i := range 200 {
		ps = append(ps, (float64(i)+.5)/200)
	}
	for e := -12; e < 0; e++ {
		ps = append(ps, math.Pow(10, float64(e)))
	}
	var want []float64
	python.Ask(t, "scipy.stats", `
import json, sys
from scipy.stats import norm
json.dump([float(norm.ppf(p)) for p in json.load(sys.stdin)], sys.stdout)`, ps, &want)
	for i, p := range ps {
		// 2p-1 loses digits where p is small; a pixel is 0.01.
		if got := probit(p); math.Abs(got-want[i]) > 1e-5 {
			t.Errorf("probit(%g) = %.9f, scipy has %.9f", p, got, want[i])
		}
	}
}

func rates(threshold, fpir, fnir float64) review.ErrorRates {
	return review.ErrorRates{Threshold: threshold, FPIR: fpir, FNIR: fnir}
}

// TestDETIsStraight draws the rates of two normal distributions of one width,
// which is a straight line on normal deviate axes: that is what they are for
// (Martin et al., The DET Curve in Assessment of Detection Task Performance,
// 1997). From memory.
func TestDETIsStraight(t *testing.T) {
	cumulative := func(z float64) float64 { return .5 * math.Erfc(-z/math.Sqrt2) }
	var curve []review.ErrorRates
	for d := .4; d < .75; d += .01 {
		curve = append(curve, rates(d, cumulative((d-.75)/.1), 1-cumulative((d-.45)/.1)))
	}
	p := Presenter{}.DET(curve, curve[10])
	var xs, ys []float64
	for _, point := range strings.Fields(p.Lines[0].Points) {
		var x, y float64
		if _, err := fmt.Sscanf(point, "%g,%g", &x, &y); err != nil {
			t.Fatal(err)
		}
		if x < p.Left || x > p.Right || y < p.Top || y > p.Bottom {
			t.Errorf("%s is off the drawing", point)
		}
		if x > p.Left && x < p.Right && y > p.Top && y < p.Bottom {
			xs, ys = append(xs, x), append(ys, y)
		}
	}
	if len(xs) < 10 {
		t.Fatalf("%d points within the axes", len(xs))
	}
	last := len(xs) - 1
	for i := range xs {
		want := ys[0] + (ys[last]-ys[0])*(xs[i]-xs[0])/(xs[last]-xs[0])
		if math.Abs(ys[i]-want) > .2 {
			t.Errorf("%.1f, %.1f is off the line by %.2f", xs[i], ys[i], ys[i]-want)
		}
	}
	if slices.IsSorted(ys) == false && xs[0] < xs[last] {
		t.Error("more strangers called by a name, and more persons missed")
	}
	// Rates of 0 and 1 stay on the drawing.
	p = Presenter{}.DET([]review.ErrorRates{rates(.3, 0, 1), rates(.9, 1, 0)}, rates(.5, 0, 0))
	ends := fmt.Sprintf("%g,%g %g,%g", p.Left, p.Top, p.Right, p.Bottom)
	if p.Lines[0].Points != ends || p.Mark.X != p.Left || p.Mark.Y != p.Bottom {
		t.Errorf("%+v, %+v", p.Lines, p.Mark)
	}
}

func TestHistogramPlot(t *testing.T) {
	bins := review.LookBack{}.At(.5).Bins
	bins[3].Genuine, bins[7].Impostor = 4, 2
	p := Presenter{}.Histogram(bins, .5)
	if want := p.Left + (p.Right-p.Left)*.5/1.2; math.Abs(p.Mark.X-want) > .1 {
		t.Errorf("the threshold is at %g, want %g", p.Mark.X, want)
	}
	if p := (Presenter{}).Histogram(review.LookBack{}.At(2).Bins, 2); p.Mark != nil || len(p.Lines) != 2 {
		t.Errorf("without distances: %+v", p)
	}
}
