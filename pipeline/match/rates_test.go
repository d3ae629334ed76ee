package match

import (
	"math"
	"math/rand/v2"
	"testing"

	"lintel/internal/python"
)

// Worked by hand, with two distances that are both a genuine and an impostor
// one: FMR(t) of 5 and FNMR(t) of 4 comparisons, for d <= t.
//
//	t     0.2  0.3  0.4  0.5  0.6  0.7  0.9
//	FMR    0   1/5  1/5  2/5  2/5  3/5   1
//	FNMR  3/4  2/4  1/4  1/4   0    0    0
func workedExample() Comparisons {
	return NewComparisons([]float64{0.3, 0.6, 0.4, 0.2}, []float64{0.9, 0.5, 0.7, 0.3, 0.9})
}

func TestRatesOfWorkedExample(t *testing.T) {
	c := workedExample()
	for _, at := range []struct {
		threshold float64
		fmr, fnmr Rate
	}{
		{0, Rate{0, 5}, Rate{4, 4}},
		{0.2, Rate{0, 5}, Rate{3, 4}},
		{0.29, Rate{0, 5}, Rate{3, 4}},
		{0.3, Rate{1, 5}, Rate{2, 4}}, // a distance equal to the threshold matches
		{0.4, Rate{1, 5}, Rate{1, 4}},
		{0.5, Rate{2, 5}, Rate{1, 4}},
		{0.6, Rate{2, 5}, Rate{0, 4}},
		{0.7, Rate{3, 5}, Rate{0, 4}},
		{0.9, Rate{5, 5}, Rate{0, 4}},
	} {
		if fmr, fnmr := c.FMR(at.threshold), c.FNMR(at.threshold); fmr != at.fmr || fnmr != at.fnmr {
			t.Errorf("at %v: FMR %v, FNMR %v, want %v and %v", at.threshold, fmr, fnmr, at.fmr, at.fnmr)
		}
	}
	// From (FMR 1/5, FNMR 1/4) at 0.4 to (2/5, 1/4) at 0.5: the line meets
	// the diagonal at 1/4.
	if got := c.EER(); math.Abs(got-0.25) > 1e-12 {
		t.Errorf("EER = %v, want 0.25", got)
	}
	for _, at := range []struct{ fmr, below float64 }{
		{0, 0.3}, {0.19, 0.3}, {0.2, 0.5}, {0.4, 0.7}, {0.6, 0.9}, {0.8, 0.9}, // two at 0.9
	} {
		if got := c.ThresholdAt(at.fmr); got != math.Nextafter(at.below, 0) {
			t.Errorf("ThresholdAt(%v) = %v, want just below %v", at.fmr, got, at.below)
		}
	}
	if got := c.ThresholdAt(1); !math.IsInf(got, 1) {
		t.Errorf("ThresholdAt(1) = %v, want +Inf", got)
	}
}

func TestEER(t *testing.T) {
	for _, c := range []struct {
		name              string
		genuine, impostor []float64
		want              float64
	}{
		{"apart", []float64{0.1, 0.2}, []float64{0.3, 0.4}, 0},
		{"upside down", []float64{0.3, 0.4}, []float64{0.1, 0.2}, 1},
		{"all the same", []float64{0.3}, []float64{0.3}, 0.5}, // one step from (0, 1) to (1, 0)
		{"equal at a step", []float64{0.1, 0.3}, []float64{0.2, 0.4}, 0.5},
		{"no genuine", nil, []float64{0.3}, math.NaN()},
		{"no impostor", []float64{0.3}, nil, math.NaN()},
	} {
		got := NewComparisons(c.genuine, c.impostor).EER()
		if math.Abs(got-c.want) > 1e-12 || math.IsNaN(got) != math.IsNaN(c.want) {
			t.Errorf("%s: EER = %v, want %v", c.name, got, c.want)
		}
	}
}

// trial draws distances that overlap, rounded so that some are the same.
func trial(r *rand.Rand, genuine, impostor int) Comparisons {
	draw := func(n int, mean float64) []float64 {
		d := make([]float64, n)
		for i := range d {
			d[i] = math.Round(1000*max(0, mean+0.1*r.NormFloat64())) / 1000
		}
		return d
	}
	return NewComparisons(draw(genuine, 0.35), draw(impostor, 0.55+0.3*r.Float64()))
}

func TestRatesAreMonotone(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	for range 50 {
		c := trial(r, 1+r.IntN(80), 1+r.IntN(800))
		eer := c.EER()
		for x := 0.0; x < 1.5; x += 0.005 {
			if c.FMR(x).Errors > c.FMR(x+0.005).Errors || c.FNMR(x).Errors < c.FNMR(x+0.005).Errors {
				t.Fatalf("at %v a rate turns round", x)
			}
			// No threshold is better than the EER on both sides at once, nor worse.
			fmr, fnmr := c.FMR(x).Value(), c.FNMR(x).Value()
			if max(fmr, fnmr) < eer-1e-12 || min(fmr, fnmr) > eer+1e-12 {
				t.Fatalf("at %v: FMR %v and FNMR %v are on one side of the EER, %v", x, fmr, fnmr, eer)
			}
		}
		for _, fmr := range []float64{0, 1e-4, 1e-3, 0.01, 0.1, 0.5} {
			x := c.ThresholdAt(fmr)
			if got := c.FMR(x).Value(); got > fmr {
				t.Fatalf("FMR at ThresholdAt(%v) is %v", fmr, got)
			}
			if next := math.Nextafter(x, 2); c.FMR(next).Value() <= fmr {
				t.Fatalf("ThresholdAt(%v) = %v is not the largest", fmr, x)
			}
		}
	}
}

// Outside: scikit-learn's roc_curve, which takes a score equal to the
// threshold for a match too, as scores are negated distances here. Where its
// curve meets the diagonal FPR = 1 - TPR is worked out by numpy.
func TestRatesAgainstScikitLearn(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	trials := []Comparisons{workedExample()}
	type distances struct{ Genuine, Impostor []float64 }
	var question []distances
	for _, n := range []int{1, 2, 30, 300} {
		trials = append(trials, trial(r, n, 10*n), trial(r, 2*n, n))
	}
	for _, c := range trials {
		question = append(question, distances{c.genuine, c.impostor})
	}
	var answer []struct {
		Distance, FPR, TPR []float64
		EER                float64
	}
	python.Ask(t, "sklearn.metrics", `
import json, sys
import numpy as np
from sklearn.metrics import roc_curve
answer = []
for c in json.load(sys.stdin):
    genuine, impostor = c["Genuine"], c["Impostor"]
    label = [1] * len(genuine) + [0] * len(impostor)
    fpr, tpr, score = roc_curve(label, [-d for d in genuine + impostor], drop_intermediate=False)
    eer = np.interp(0, fpr - (1 - tpr), fpr)
    # The first point, where nothing matches, has a made-up threshold.
    answer.append(dict(Distance=list(-score[1:]), FPR=list(fpr[1:]), TPR=list(tpr[1:]), EER=eer))
json.dump(answer, sys.stdout)`, question, &answer)
	for i, c := range trials {
		for j, x := range answer[i].Distance {
			fmr, fnmr := c.FMR(x).Value(), c.FNMR(x).Value()
			if math.Abs(fmr-answer[i].FPR[j]) > 1e-12 || math.Abs(fnmr-(1-answer[i].TPR[j])) > 1e-12 {
				t.Errorf("trial %d at %v: FMR %v, FNMR %v; scikit-learn has %v and %v", i, x, fmr, fnmr, answer[i].FPR[j],
					1-answer[i].TPR[j])
			}
		}
		if got := c.EER(); math.Abs(got-answer[i].EER) > 1e-12 {
			t.Errorf("trial %d: EER %v, scikit-learn and numpy have %v", i, got, answer[i].EER)
		}
	}
}

// The values are those of printed tables of the Clopper-Pearson interval, as
// remembered: no source was at hand.
func TestIntervalInTables(t *testing.T) {
	for _, c := range []struct {
		rate      Rate
		low, high float64
	}{
		{Rate{0, 10}, 0, 0.3085},
		{Rate{1, 10}, 0.0025, 0.4450},
		{Rate{5, 10}, 0.1871, 0.8129},
		{Rate{10, 10}, 0.6915, 1},
		{Rate{0, 100}, 0, 0.0362},
	} {
		low, high := c.rate.Interval(0.95)
		if math.Abs(low-c.low) > 6e-5 || math.Abs(high-c.high) > 6e-5 {
			t.Errorf("%v: %.4f to %.4f, want %.4f to %.4f", c.rate, low, high, c.low, c.high)
		}
	}
}

// Outside: the rule of three of ISO/IEC 19795-1: with no error in N, the rate
// is below 3/N with a confidence of 95 %, all the doubt being on that side.
func TestIntervalOfNoErrors(t *testing.T) {
	for _, n := range []int{30, 300, 9112, 1_000_000} {
		low, high := Rate{0, n}.Interval(0.90)
		if low != 0 || math.Abs(high*float64(n)/3-1) > 0.06 {
			t.Errorf("N = %d: %v to %v, want 0 to about %v", n, low, high, 3/float64(n))
		}
	}
}

// Outside: the definition. The ends are the rates at which as few errors, or
// as many, have a probability of 2.5 %; the binomial sums are worked out term
// by term.
func TestIntervalByDefinition(t *testing.T) {
	atMost := func(k, n int, p float64) (sum float64) {
		for i := range k + 1 {
			all, _ := math.Lgamma(float64(n + 1))
			in, _ := math.Lgamma(float64(i + 1))
			out, _ := math.Lgamma(float64(n - i + 1))
			sum += math.Exp(all - in - out + float64(i)*math.Log(p) + float64(n-i)*math.Log1p(-p))
		}
		return sum
	}
	for _, c := range intervalCases {
		low, high := c.Interval(0.95)
		if tail := atMost(c.Errors, c.N, high); c.Errors < c.N && math.Abs(tail-0.025) > 1e-6 {
			t.Errorf("%v: at %v, at most %d errors have a probability of %v", c, high, c.Errors, tail)
		}
		if tail := 1 - atMost(c.Errors-1, c.N, low); c.Errors > 0 && math.Abs(tail-0.025) > 1e-6 {
			t.Errorf("%v: at %v, at least %d errors have a probability of %v", c, low, c.Errors, tail)
		}
	}
}

var intervalCases = []Rate{
	{0, 1}, {1, 1}, {0, 68}, {1, 68}, {3, 68}, {67, 68}, {0, 9112}, {1, 9112}, {80, 9112}, {9111, 9112},
	{0, 20604}, {1, 20604}, {181, 20604}, {5, 1_000_000},
}

// Outside: SciPy's exact binomial interval.
func TestIntervalAgainstSciPy(t *testing.T) {
	var answer [][2]float64
	python.Ask(t, "scipy.stats", `
import json, sys
from scipy.stats import binomtest
answer = []
for c in json.load(sys.stdin):
    ci = binomtest(c["Errors"], c["N"]).proportion_ci(0.95, method="exact")
    answer.append([ci.low, ci.high])
json.dump(answer, sys.stdout)`, intervalCases, &answer)
	for i, c := range intervalCases {
		low, high := c.Interval(0.95)
		// SciPy's ends come from a search that stops at 1e-12 or so.
		if math.Abs(low-answer[i][0]) > 1e-9 || math.Abs(high-answer[i][1]) > 1e-9 {
			t.Errorf("%v: %v to %v, SciPy has %v", c, low, high, answer[i])
		}
	}
}

func TestRateForPeople(t *testing.T) {
	for _, c := range []struct {
		rate     Rate
		want, in string
	}{
		{Rate{0, 68}, "at most 5.3 %", "0 % to 5.3 %"},
		{Rate{0, 9112}, "at most 0.041 %", "0 % to 0.041 %"},
		{Rate{80, 9112}, "0.88 %", "0.69 % to 1.1 %"}, // scipy 1.10: 0.6968 % to 1.0915 %
		{Rate{68, 68}, "100 %", "94 % to 100 %"},
		{Rate{1, 3}, "33 %", "0.84 % to 91 %"}, // scipy 1.10: 0.8404 % to 90.57 %
		{Rate{0, 0}, "not measured", "not measured"},
	} {
		if got := c.rate.String(); got != c.want {
			t.Errorf("%d of %d: %q, want %q", c.rate.Errors, c.rate.N, got, c.want)
		}
		if got := c.rate.IntervalString(); got != c.in {
			t.Errorf("%d of %d: %q, want %q", c.rate.Errors, c.rate.N, got, c.in)
		}
	}
}
