package match

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"

	"lintel/store"
)

// A curve follows the household's own strangers only once there are so many of
// them, and so many comparisons with persons who are enrolled.
const (
	EnoughStrangers   = 50
	EnoughComparisons = 500
)

// Adapt returns the curve for a household whose own strangers were as far from
// its persons as the counts say, and whether there were enough of them; where
// not, the curve is the one it came from.
//
// What was observed at home corrects what was measured elsewhere, by the
// gamma-Poisson rule: a rate F, as uncertain as its interval says, is worth a
// false matches in a/F comparisons, and with k more in n it becomes
//
//	(a + k) / (a/F + n)
//
// Comparisons of one stranger are alike, so all those of one count as a single
// comparison: n is the number of strangers. Where next to none would be
// expected, in the tail, the rate stays what it was.
//
// The result is never below the lower end of the interval it came from: a
// household whose strangers happen to look like nobody learns no more than
// that. It may rise without limit, as with relatives at the door. The
// likelihood ratio falls where the rate rose, and never rises.
func (c *Curve) Adapt(own store.StrangerDistances) (adapted *Curve, enough bool) {
	comparisons := own.Comparisons()
	if own.Strangers < EnoughStrangers || comparisons < EnoughComparisons {
		return c, false
	}
	one := *c
	one.Strangers, one.Comparisons = own.Strangers, c.Comparisons+comparisons
	one.Rate, one.Low, one.High = make([]float64, entries), make([]float64, entries), make([]float64, entries)
	one.Evidence = slices.Clone(c.Evidence)
	n := float64(own.Strangers)
	seen := 0
	for i := range entries {
		if i < len(own.Counts) {
			seen += own.Counts[i]
		}
		k := n * float64(seen) / float64(comparisons)
		known := certainty(c.Rate[i], c.High[i])
		rate := distuv.Gamma{Alpha: known + k, Beta: known/c.Rate[i] + n}
		last := max(0, i-1)
		limited := func(v, before float64) float64 { return min(max(v, c.Low[i], before), 1) }
		one.Rate[i] = limited(rate.Mean(), one.Rate[last])
		one.Low[i] = min(limited(rate.Quantile(0.025), one.Low[last]), one.Rate[i])
		one.High[i] = max(limited(rate.Quantile(0.975), one.High[last]), one.Rate[i])
		one.Evidence[i] -= max(0, math.Log(one.Rate[i]/c.Rate[i]))
	}
	one.Evidence = falling(one.Evidence)
	if first := slices.IndexFunc(own.Counts, func(n int) bool { return n > 0 }); first >= 0 {
		one.Observed = min(c.Observed, float64(first)*Step)
	}
	return &one, true
}

// certainty returns how many false matches a rate is worth: the shape of the
// gamma distribution whose logarithm deviates as much as the upper side of the
// rate's interval says. The lower side is of no use in the tail, where a rate
// may be next to nothing.
func certainty(rate, high float64) float64 {
	deviation := math.Log(high/rate) / 1.96
	return 1 / max(math.Expm1(deviation*deviation), 1e-6)
}
