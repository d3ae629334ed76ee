package match

import (
	"math"
	"slices"
	"sort"
	"strconv"

	"gonum.org/v1/gonum/stat/distuv"
)

// Comparisons are the distances of a trial: of genuine comparisons, between
// two pictures of one person, and of impostor comparisons, between pictures of
// two persons. The terms and rates are those of ISO/IEC 19795-1.
//
// A comparison is a match when its distance is at most the threshold, so a
// threshold equal to an observed distance accepts it.
//
// Pictures without a face make no comparisons. They are failures to acquire,
// which FMR and FNMR leave out, and whoever runs the trial has to count them
// beside.
type Comparisons struct {
	genuine, impostor []float64 // ascending
}

// NewComparisons returns a trial of these distances, which it copies. None may
// be NaN.
func NewComparisons(genuine, impostor []float64) Comparisons {
	return Comparisons{slices.Sorted(slices.Values(genuine)), slices.Sorted(slices.Values(impostor))}
}

// Genuine returns the number of genuine comparisons.
func (c Comparisons) Genuine() int { return len(c.genuine) }

// Impostor returns the number of impostor comparisons.
func (c Comparisons) Impostor() int { return len(c.impostor) }

// FMR returns the false match rate at a threshold: the impostor comparisons
// that match.
func (c Comparisons) FMR(threshold float64) Rate {
	return Rate{matches(c.impostor, threshold), len(c.impostor)}
}

// FNMR returns the false non-match rate at a threshold: the genuine
// comparisons that don't match.
func (c Comparisons) FNMR(threshold float64) Rate {
	return Rate{len(c.genuine) - matches(c.genuine, threshold), len(c.genuine)}
}

// matches counts the distances of at most threshold.
func matches(distances []float64, threshold float64) int {
	return sort.Search(len(distances), func(i int) bool { return distances[i] > threshold })
}

// EER returns the equal error rate, from 0 to 1, where FMR and FNMR are the
// same. It is NaN for a trial without genuine or without impostor comparisons.
//
// Both rates change in steps, at the observed distances, and may jump past
// each other. Then the two operating points beside the jump are joined by a
// straight line, on a detection error trade-off curve with linear axes, and
// the EER is where it meets the diagonal.
func (c Comparisons) EER() float64 {
	if len(c.genuine) == 0 || len(c.impostor) == 0 {
		return math.NaN()
	}
	observed := slices.Concat(c.genuine, c.impostor)
	slices.Sort(observed)
	// At the largest distance everything matches, so some step crosses.
	at := sort.Search(len(observed)-1, func(i int) bool {
		return c.FMR(observed[i]).Value() >= c.FNMR(observed[i]).Value()
	})
	before := math.Nextafter(observed[at], math.Inf(-1))
	fmr0, fnmr0 := c.FMR(before).Value(), c.FNMR(before).Value()
	fmr1, fnmr1 := c.FMR(observed[at]).Value(), c.FNMR(observed[at]).Value()
	gap0, gap1 := fnmr0-fmr0, fmr1-fnmr1
	return fmr0 + (fmr1-fmr0)*gap0/(gap0+gap1)
}

// ThresholdAt returns the largest threshold whose observed FMR is at most fmr:
// the number just below the first impostor distance that would be one match
// too many. It is +Inf where even all of them are not.
func (c Comparisons) ThresholdAt(fmr float64) float64 {
	n := len(c.impostor)
	allowed := sort.Search(n, func(k int) bool { return Rate{k + 1, n}.Value() > fmr })
	if allowed == n {
		return math.Inf(1)
	}
	return math.Nextafter(c.impostor[allowed], math.Inf(-1))
}

// A Rate is a number of errors observed among N trials.
type Rate struct{ Errors, N int }

// Value returns the observed rate, from 0 to 1; NaN where N is 0.
func (r Rate) Value() float64 { return float64(r.Errors) / float64(r.N) }

// Interval returns the ends of the Clopper-Pearson interval of the true rate,
// at a confidence between 0 and 1. It is exact: it holds the true rate at least
// that often, however small the rate and N, provided that the trials are
// independent. Comparisons that share a person are not: where each of some
// persons is compared with all others, the FMR is several times less certain,
// since one who resembles many counts in many comparisons.
//
// Where no error was observed the lower end is 0, and the upper end is all
// that is known: 3.7 errors in N at 95 %. The rule of three, 3 in N, is the
// same limit with all of the doubt on that side, Interval(0.90).
func (r Rate) Interval(confidence float64) (low, high float64) {
	tail := (1 - confidence) / 2
	k, n := float64(r.Errors), float64(r.N)
	high = 1
	if r.Errors > 0 {
		low = distuv.Beta{Alpha: k, Beta: n - k + 1}.Quantile(tail)
	}
	if r.Errors < r.N {
		high = distuv.Beta{Alpha: k + 1, Beta: n - k}.Quantile(1 - tail)
	}
	return low, high
}

// String returns the rate in per cent, for people. Where no error was observed
// it says "at most" and the upper end of the 95 % interval: a trial can't show
// that there are none.
func (r Rate) String() string {
	if r.N == 0 {
		return "not measured"
	}
	if _, high := r.Interval(0.95); r.Errors == 0 {
		return "at most " + Percent(high, math.Ceil)
	}
	return Percent(r.Value(), math.Round)
}

// IntervalString returns the 95 % interval in per cent, for people, rounded
// outwards.
func (r Rate) IntervalString() string {
	if r.N == 0 {
		return "not measured"
	}
	low, high := r.Interval(0.95)
	return Percents([2]float64{low, high})
}

// Percents returns an interval of rates in per cent, for people, rounded
// outwards.
func Percents(interval [2]float64) string {
	return Percent(interval[0], math.Floor) + " to " + Percent(interval[1], math.Ceil)
}

// Percent formats a rate with two figures that count, rounded as told.
func Percent(rate float64, round func(float64) float64) string {
	v := 100 * rate
	if v <= 0 {
		return "0 %"
	}
	decimals := max(0, 1-int(math.Floor(math.Log10(v))))
	shift := math.Pow10(decimals)
	return strconv.FormatFloat(round(v*shift)/shift, 'f', decimals, 64) + " %"
}
