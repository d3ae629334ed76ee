package match

import (
	"math"
	"slices"

	"lintel/internal/house"
)

// EnoughStrangers is how many strangers of its own a household has to have
// answered for before the curve may fall because of them. It may rise from the
// first one on.
const EnoughStrangers = 10

// Adapt returns the curve for a household whose own strangers were as far from
// its persons as the counts say; without any, the curve it came from.
//
// What was observed at home corrects what was measured elsewhere, by the
// gamma-Poisson rule: a rate F is worth one false match in 1/F comparisons, and
// with k more in n it becomes
//
//	(1 + k) / (1/F + n)
//
// To rise, each comparison counts by itself. That errs towards doubt, and so does
// that the household is asked of those strangers who look like somebody here. To
// fall, all comparisons of one stranger count as a single one, since they are
// alike, and there have to be [EnoughStrangers].
//
// The result is never below the estimate that the curve came from: a household
// whose strangers happen to look like nobody learns no more than that. It may
// rise without limit, as with relatives at the door. The likelihood ratio falls
// where the rate rose, and never rises.
func (c *Curve) Adapt(own house.StrangerDistances) *Curve {
	comparisons := own.Comparisons()
	if own.Strangers <= 0 || comparisons == 0 {
		return c
	}
	one := *c
	one.Strangers = own.Strangers
	one.Rate, one.Estimate, one.Evidence = make([]float64, entries), make([]float64, entries), slices.Clone(c.Evidence)
	seen := 0
	for i := range entries {
		if i < len(own.Counts) {
			seen += own.Counts[i]
		}
		rate := c.Rate[i]
		if risen := corrected(rate, float64(seen), float64(comparisons)); risen > rate {
			rate = risen
		} else if n := float64(own.Strangers); n >= EnoughStrangers {
			rate = min(rate, max(c.Estimate[i], corrected(rate, n*float64(seen)/float64(comparisons), n)))
		}
		last := max(0, i-1)
		one.Rate[i] = min(max(rate, one.Rate[last]), 1)
		one.Estimate[i] = c.Estimate[i]
		one.Evidence[i] -= max(0, math.Log(one.Rate[i]/c.Rate[i]))
	}
	one.Evidence = falling(one.Evidence)
	return &one
}

// corrected returns a rate after k false matches were observed in n comparisons.
func corrected(rate, k, n float64) float64 { return (1 + k) / (1/rate + n) }

// falling returns the nearest values, by least squares, that never rise: the
// pool adjacent violators algorithm.
func falling(values []float64) []float64 {
	type pool struct {
		mean float64
		n    int
	}
	var pools []pool
	for _, v := range values {
		p := pool{v, 1}
		for len(pools) > 0 && pools[len(pools)-1].mean < p.mean {
			last := pools[len(pools)-1]
			n := last.n + p.n
			p = pool{(last.mean*float64(last.n) + p.mean*float64(p.n)) / float64(n), n}
			pools = pools[:len(pools)-1]
		}
		pools = append(pools, p)
	}
	var out []float64
	for _, p := range pools {
		for range p.n {
			out = append(out, p.mean)
		}
	}
	return out
}
