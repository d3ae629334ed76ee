package match

import (
	"math"
	"slices"
	"testing"

	"lintel/internal/house"
)

// rare is a curve by which next to nobody is taken for another, at any distance.
func rare() *Curve {
	c := *Shipped()
	c.Rate, c.Estimate = slices.Repeat([]float64{1e-8}, entries), slices.Repeat([]float64{1e-8}, entries)
	return &c
}

// TestBandBounds has no match at 0.50 and beyond, however rare, and none without a person.
func TestBandBounds(t *testing.T) {
	before, after := math.Nextafter(0.5, 0), math.Nextafter(0.5, 1)
	for distance, want := range map[float64]Band{before: Strong, 0.5: None, after: None} {
		if got := rare().BandOf(distance, Size{1, 1}); got != want {
			t.Errorf("at %v: %s, want %s", distance, got, want)
		}
	}
	if got := rare().BandOf(0.3, Size{1, 0}); got != None {
		t.Errorf("without a person: %s", got)
	}
	for b, want := range map[Band]float64{Strong: 1e-4, Fair: 1e-3, Weak: 1e-2, None: 1, "": 1} {
		if b.Limit() != want {
			t.Errorf("the limit of %s is %v", b, b.Limit())
		}
	}
	if got := rare().Threshold(1e-2, Size{1, 1}); got != MaxDistance {
		t.Errorf("the threshold of a curve that is low everywhere is %v", got)
	}
}

// TestSizeBounds has persons count each by references to the power of 0.35, one reference as one.
func TestSizeBounds(t *testing.T) {
	for size, want := range map[Size]float64{{0, 0}: 0, {3, -1}: 0, {1, 1}: 1, {0, 1}: 1, {2, 1}: math.Pow(2, 0.35),
		{2, 2}: 2, {4, 2}: 2 * math.Pow(2, 0.35)} {
		if got := size.Effective(); math.Abs(got-want) > 1e-12 {
			t.Errorf("%+v: %v, want %v", size, got, want)
		}
	}
}

// TestWeightBounds has a reference weigh a hundredth to one, and one that was not measured as much as the best.
func TestWeightBounds(t *testing.T) {
	for score, want := range map[float64]float32{0: 1, 0.001: 0.01, 0.01: 0.01, 0.011: 0.011, 0.99: 0.99, 1: 1, 1.01: 1} {
		if got := weightOf(house.Reference{Quality: score}); got != want {
			t.Errorf("a score of %v weighs %v", score, got)
		}
	}
}

// TestPriorBounds has a prior be 0 to 1, and shares of it add up to one with a stranger's.
func TestPriorBounds(t *testing.T) {
	same := *Shipped()
	same.Evidence = make([]float64, entries) // a distance says nothing
	for prior, want := range map[float64]float64{-1: 0, 0: 0, 0.5: 0.25, 1: 0.5, 2: 0.5} {
		got := same.Posterior(prior, []float64{0.3, 0.6})
		if len(got) != 2 || math.Abs(got[0]-want) > 1e-12 || math.Abs(got[1]-want) > 1e-12 {
			t.Errorf("a prior of %v: %v, want %v each", prior, got, want)
		}
	}
	if got := same.Posterior(0.5, nil); len(got) != 0 {
		t.Errorf("of nobody: %v", got)
	}
	if got := Shipped().LikelihoodRatio(math.NaN()); got != 1 {
		t.Errorf("no number says %v", got)
	}
	for _, at := range []int{0, 30, entries - 1} {
		got, want := Shipped().LikelihoodRatio(float64(at)/100), math.Exp(Shipped().Evidence[at])
		if math.Abs(got/want-1) > 1e-9 {
			t.Errorf("at %d hundredths: %v, want %v", at, got, want)
		}
	}
	middle := math.Exp((Shipped().Evidence[40] + Shipped().Evidence[41]) / 2)
	if got := Shipped().LikelihoodRatio(0.405); math.Abs(got/middle-1) > 1e-9 {
		t.Errorf("between two entries: %v, want %v", got, middle)
	}
}

// TestEnoughStrangers has a rate fall from ten strangers on, and rise with the first.
func TestEnoughStrangers(t *testing.T) {
	for n, falls := range map[int]bool{1: false, 9: false, 10: true, 11: true} {
		counts := make([]int, 151)
		counts[150] = 1000 * n
		rate := Shipped().Adapt(house.StrangerDistances{Strangers: n, Counts: counts}).Rate[60]
		if got := rate < Shipped().Rate[60]; got != falls || rate > Shipped().Rate[60] {
			t.Errorf("%d strangers who are all far: the rate falls %v, %v of %v", n, got, rate, Shipped().Rate[60])
		}
	}
	counts := make([]int, 151)
	counts[40] = 1
	c := Shipped().Adapt(house.StrangerDistances{Strangers: 1, Counts: counts})
	if before, at := c.Rate[39], c.Rate[40]; before != Shipped().Rate[39] || at <= Shipped().Rate[40] {
		t.Errorf("one at 0.40: the rate is %v at 0.39 and %v at 0.40", before, at)
	}
	if got, want := c.Rate[40], 2/(1/Shipped().Rate[40]+1); math.Abs(got/want-1) > 1e-12 {
		t.Errorf("one at 0.40: the rate there is %v, by the rule %v", got, want)
	}
}

// TestRateBounds counts distances at a threshold as matches, and finds the threshold below the first that is too many.
func TestRateBounds(t *testing.T) {
	c := NewComparisons([]float64{0.3, 0.1, 0.2}, []float64{0.5, 0.4, 0.6, 0.7})
	for threshold, want := range map[float64][2]int{0.05: {3, 0}, 0.1: {2, 0}, 0.3: {0, 0}, 0.399: {0, 0}, 0.4: {0, 1},
		0.7: {0, 4}} {
		if fnmr, fmr := c.FNMR(threshold), c.FMR(threshold); fnmr != (Rate{want[0], 3}) || fmr != (Rate{want[1], 4}) {
			t.Errorf("at %v: %+v, %+v", threshold, fnmr, fmr)
		}
	}
	for fmr, want := range map[float64]float64{0: 0.4, 0.24: 0.4, 0.25: 0.5, 0.5: 0.6, 0.99: 0.7, 1: math.Inf(1)} {
		got := c.ThresholdAt(fmr)
		if want < 1 {
			want = math.Nextafter(want, 0)
		}
		if got != want {
			t.Errorf("at a rate of %v: %v, want %v", fmr, got, want)
		}
	}
	if c.Genuine() != 3 || c.Impostor() != 4 {
		t.Errorf("%d and %d comparisons", c.Genuine(), c.Impostor())
	}
}

// TestPercentBounds writes two digits that count, however small.
func TestPercentBounds(t *testing.T) {
	for rate, want := range map[float64]string{-0.1: "0 %", 0: "0 %", 0.001: "0.10 %", 0.01: "1.0 %", 0.0123: "1.2 %",
		0.1: "10 %", 0.456: "46 %", 1: "100 %", 0.000123: "0.012 %"} {
		if got := Percent(rate, math.Round); got != want {
			t.Errorf("%v: %s, want %s", rate, got, want)
		}
	}
	if (Rate{}).String() != "not measured" || (Rate{}).IntervalString() != "not measured" {
		t.Error("of nothing there is a rate")
	}
}
