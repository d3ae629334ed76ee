package match

import (
	"errors"
	"math"
	"slices"
)

// A Tail is what was fitted to the least distances between persons: a
// generalised Pareto distribution of how far they lie below a threshold, as
// extreme value theory has it of the excesses over a high one. ISO/IEC
// 5152:2024 extends biometric error rates below what was observed by such a
// fit (from memory; the text was not at hand).
type Tail struct {
	Threshold float64 `json:"threshold"` // distances below belong to the tail
	Share     float64 `json:"share"`     // of comparisons that do, 0 to 1
	Shape     float64 `json:"shape"`     // below 0, the distribution has an end
	Scale     float64 `json:"scale"`     // of distance, above 0
}

// FMR returns the false match rate at a distance below the threshold.
func (t Tail) FMR(distance float64) float64 {
	return t.Share * paretoAbove(t.Shape, t.Scale, t.Threshold-distance)
}

// paretoAbove returns the probability that an excess of a generalised Pareto
// distribution is more than x, which is at least 0:
//
//	(1 + shape·x/scale)^(-1/shape), or exp(-x/scale) for a shape of 0
func paretoAbove(shape, scale, x float64) float64 {
	if math.Abs(shape) < 1e-9 {
		return math.Exp(-x / scale)
	}
	inner := 1 + shape*x/scale
	if inner <= 0 {
		return 0 // beyond the end
	}
	return math.Exp(-math.Log(inner) / shape)
}

// ErrFewExcesses says that there is too little to fit a tail to.
var ErrFewExcesses = errors.New("too few comparisons to fit a tail to")

// An excess is how far a distance lies below a threshold, more than 0, and how
// often it counts.
type excess struct{ by, times float64 }

// fitPareto fits a generalised Pareto distribution to excesses by maximum
// likelihood. For a given ratio of shape to scale the best shape is known, so
// one number is searched for (Grimshaw, Technometrics 35, 1993, from memory).
// Shapes below -1/2, where the likelihood has no regular maximum, are left out,
// and so are shapes above 0, whose tails never end: no distance is below 0.
func fitPareto(excesses []excess) (shape, scale float64, err error) {
	total, mean, most := 0.0, 0.0, 0.0
	for _, e := range excesses {
		total += e.times
		mean += e.times * e.by
		most = max(most, e.by)
	}
	if len(excesses) < 10 {
		return 0, 0, ErrFewExcesses
	}
	mean /= total
	fit := func(ratio float64) (shape, likelihood float64) {
		if math.Abs(ratio*mean) < 1e-7 { // an exponential distribution
			return ratio * mean, -math.Log(mean) - 1
		}
		for _, e := range excesses {
			shape += e.times * math.Log1p(ratio*e.by)
		}
		shape /= total
		if shape < -0.5 || shape > 0 {
			return shape, math.Inf(-1)
		}
		return shape, -math.Log(shape/ratio) - shape - 1
	}
	// The likelihood may have two maxima, so a coarse search comes first. It
	// goes from where the distribution ends at the largest excess to where it
	// has no end.
	ratios := []float64{0}
	for i := range 160 {
		ratios = append(ratios, -(1-1e-9)/most*math.Pow(0.93, float64(i)))
	}
	slices.Sort(ratios)
	best, bestLikelihood := 0, math.Inf(-1)
	for i, ratio := range ratios {
		if _, l := fit(ratio); l > bestLikelihood {
			best, bestLikelihood = i, l
		}
	}
	ratio := maximum(func(r float64) float64 { _, l := fit(r); return l },
		ratios[max(0, best-1)], ratios[min(len(ratios)-1, best+1)])
	shape, _ = fit(ratio)
	if math.Abs(ratio*mean) < 1e-7 {
		return 0, mean, nil
	}
	return shape, shape / ratio, nil
}

// maximum returns where f, which has one maximum between low and high, has it,
// by golden section search.
func maximum(f func(float64) float64, low, high float64) float64 {
	golden := (math.Sqrt(5) - 1) / 2
	a, b := high-golden*(high-low), low+golden*(high-low)
	fa, fb := f(a), f(b)
	for range 60 {
		if fa > fb {
			high, b, fb = b, a, fa
			a = high - golden*(high-low)
			fa = f(a)
		} else {
			low, a, fa = a, b, fb
			b = low + golden*(high-low)
			fb = f(b)
		}
	}
	return (low + high) / 2
}
