package match

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/stat"
)

// A Trial is what a curve is fitted to.
type Trial struct {
	Source  string
	Persons int
	Groups  []Group // at least one
	// Genuine and Impostor are distances between a reference and a probe as a
	// door sees it, of one person and of two of one group, for the likelihood
	// ratio.
	Genuine, Impostor []float64
}

// A Group holds comparisons between persons who share something: their sex, or
// sex and descent. Persons of different groups are not compared, since who rings
// mostly shares such things with who lives there. That groups differ in their
// error rates is what ISO/IEC 19795-10 calls a demographic differential.
type Group struct {
	Name  string
	Pairs []Pair
}

// A Pair is a comparison of pictures of two persons, who are numbered from 0.
type Pair struct {
	A, B     int
	Distance float64
}

// tailShare is the share of comparisons that a tail is fitted to, and the
// range that it is drawn from for intervals. 5 % is common practice, no source.
const (
	tailShare    = 0.05
	tailShareMin = 0.02
	tailShareMax = 0.10
)

// Of a small group the share is as large as leastExcesses comparisons take: our
// own choice, no source.
const leastExcesses = 30

// ownTail is how many persons it takes for a resample to have a tail of its own.
// Below, most resamples repeat so few persons that their tails are of two or
// three.
const ownTail = 40

const (
	resamples = 1000 // of the persons, for an interval
	upperEnd  = 0.95 // the quantile over these that is the rate: one-sided 95 %
)

// Fit fits a curve to a trial.
//
// In each group, down to the threshold below which 5 % of its distances lie, a
// rate is the share that was observed; below, it comes from the [Tail]. That is
// an estimate. The rate that a curve goes by is the upper end of its one-sided
// 95 % interval, and of all groups the worst one's, at every distance.
//
// Intervals are those of a bootstrap over persons, not over comparisons: as
// many persons are drawn as there are, with replacement, and each comparison
// counts as often as both its persons were drawn together. One person who
// resembles many moves many comparisons at once, and this shows it. Each
// resample of a group of 40 persons or more also fits its own tail and draws
// where that begins, from 2 % to 10 %, so that the interval holds the doubt about
// that choice. Smaller groups can't show how their tail falls, only how many of
// their comparisons are in it: there the tail's form stays, and its share is
// resampled. So what such a group says of distances below its least one is no
// more than its fit. The seed makes it repeatable.
//
// The error is ErrFewExcesses where a tail, of a group or of a resample, has
// fewer than 10 comparisons.
//
// The likelihood ratio is that of the two densities of Genuine and Impostor,
// smoothed with Gaussian kernels of Silverman's width, each mixed with a little
// of an even density that stands for what was not observed. It is made to fall
// with the distance by pooling neighbours that don't.
func Fit(t Trial, seed uint64) (*Curve, error) {
	c := &Curve{
		Source: t.Source, Persons: t.Persons, Genuine: len(t.Genuine),
		Rate: make([]float64, entries), Estimate: make([]float64, entries),
	}
	for _, g := range t.Groups {
		fitted, estimate, upper, err := fitGroup(g, seed)
		if err != nil {
			return nil, fmt.Errorf("fitting a curve to the group %s: %w", g.Name, err)
		}
		c.Groups = append(c.Groups, fitted)
		c.Comparisons = max(c.Comparisons, fitted.Comparisons)
		for e := range entries {
			c.Estimate[e] = max(c.Estimate[e], estimate[e])
			c.Rate[e] = max(c.Rate[e], estimate[e], upper[e])
		}
	}
	if len(c.Groups) == 0 {
		return nil, fmt.Errorf("fitting a curve: %w", ErrFewExcesses)
	}
	// Pairs of persons are what is independent, more or less, not of pictures.
	pairs := 0
	for _, g := range t.Groups {
		pairs = max(pairs, g.pairsOfPersons())
	}
	c.Evidence = evidence(t, pairs, c.Rate)
	return c, nil
}

// fitGroup fits one group: its estimated rates at a curve's entries, and the
// upper ends of their intervals.
func fitGroup(g Group, seed uint64) (f FittedGroup, estimate, upper []float64, err error) {
	pairs, persons := g.sorted()
	f = FittedGroup{Name: g.Name, Persons: persons, Comparisons: len(pairs)}
	if len(pairs) == 0 {
		return f, nil, nil, ErrFewExcesses
	}
	f.Observed = pairs[0].Distance
	once := slices.Repeat([]float64{1}, persons)
	share := max(tailShare, leastExcesses/float64(len(pairs)))
	if f.Tail, err = fitTail(pairs, once, share); err != nil {
		return f, nil, nil, err
	}
	estimate = ratesOf(pairs, once, f.Tail)
	upper, err = upperEnds(pairs, persons, f.Tail, seed)
	return f, estimate, upper, err
}

// sorted returns the pairs by distance, with their persons numbered anew from 0,
// and how many these are.
func (g Group) sorted() (pairs []Pair, persons int) {
	number := make(map[int]int)
	of := func(person int) int {
		if _, known := number[person]; !known {
			number[person] = len(number)
		}
		return number[person]
	}
	for _, p := range g.Pairs {
		pairs = append(pairs, Pair{of(p.A), of(p.B), p.Distance})
	}
	slices.SortStableFunc(pairs, func(a, b Pair) int { return cmp.Compare(a.Distance, b.Distance) })
	return pairs, len(number)
}

// pairsOfPersons counts the persons' pairs, whatever number of pictures there is
// of each.
func (g Group) pairsOfPersons() int {
	seen := make(map[[2]int]bool)
	for _, p := range g.Pairs {
		seen[[2]int{min(p.A, p.B), max(p.A, p.B)}] = true
	}
	return len(seen)
}

// fitTail fits a tail to a share of the pairs, which are sorted by distance; each
// counts as often as the product of how often its persons do.
func fitTail(pairs []Pair, times []float64, share float64) (tail Tail, err error) {
	total := 0.0
	for _, p := range pairs {
		total += times[p.A] * times[p.B]
	}
	var excesses []excess
	below, i := 0.0, 0
	for ; i < len(pairs) && below < share*total; i++ {
		below += times[pairs[i].A] * times[pairs[i].B]
	}
	if i == len(pairs) {
		return Tail{}, ErrFewExcesses
	}
	tail.Threshold, tail.Share = pairs[i].Distance, below/total
	for _, p := range pairs[:i] {
		if n := times[p.A] * times[p.B]; n > 0 && p.Distance < tail.Threshold {
			excesses = append(excesses, excess{tail.Threshold - p.Distance, n})
		}
	}
	tail.Shape, tail.Scale, err = fitPareto(excesses)
	return tail, err
}

// ratesOf returns the rates at a curve's entries: below the tail's threshold the
// tail's, above it what was observed.
func ratesOf(pairs []Pair, times []float64, tail Tail) (rate []float64) {
	total := 0.0
	for _, p := range pairs {
		total += times[p.A] * times[p.B]
	}
	rate = make([]float64, entries)
	seen, i := 0.0, 0
	for e := range rate {
		distance := float64(e) * Step
		for ; i < len(pairs) && pairs[i].Distance <= distance; i++ {
			seen += times[pairs[i].A] * times[pairs[i].B]
		}
		if distance < tail.Threshold {
			rate[e] = tail.FMR(distance)
		} else {
			rate[e] = seen / total
		}
		rate[e] = min(max(rate[e], leastRate), 1)
	}
	return rate
}

// upperEnds returns the upper ends of the rates' intervals, over resamples of
// the persons.
func upperEnds(pairs []Pair, persons int, fitted Tail, seed uint64) (upper []float64, err error) {
	r := rand.New(rand.NewPCG(seed, 0))
	rates := make([][]float64, entries)
	for range resamples {
		times := make([]float64, persons)
		for range persons {
			times[r.IntN(persons)]++
		}
		tail, any := fitted.sharedBy(pairs, times)
		if !any {
			continue // one person alone was drawn, or none who were compared
		}
		if persons >= ownTail {
			share := tailShareMin + (tailShareMax-tailShareMin)*r.Float64()
			if tail, err = fitTail(pairs, times, share); err != nil {
				return nil, err
			}
		}
		for e, rate := range ratesOf(pairs, times, tail) {
			rates[e] = append(rates[e], rate)
		}
	}
	for _, at := range rates {
		if len(at) == 0 {
			return nil, ErrFewExcesses
		}
		slices.Sort(at)
		upper = append(upper, stat.Quantile(upperEnd, stat.Empirical, at, nil))
	}
	return upper, nil
}

// sharedBy returns the tail with the share of the comparisons that are in it,
// where each counts as often as its persons do; false where none counts.
func (t Tail) sharedBy(pairs []Pair, times []float64) (Tail, bool) {
	below, total := 0.0, 0.0
	for _, p := range pairs {
		n := times[p.A] * times[p.B]
		total += n
		if p.Distance < t.Threshold {
			below += n
		}
	}
	if total == 0 {
		return t, false
	}
	t.Share = below / total
	return t, true
}

// evidence returns the logarithms of a likelihood ratio at a curve's entries:
// those of the two smoothed densities, made to fall with the distance by
// pooling neighbours that don't. As far as names are given, the density between two
// persons is at least what the rate of the worst group rises by, so that a
// probability promises no more than a band does.
func evidence(t Trial, pairsOfPersons int, rate []float64) []float64 {
	genuine := density(t.Genuine, t.Persons)
	impostor := density(t.Impostor, pairsOfPersons)
	ratio := make([]float64, entries)
	for e := range ratio {
		before, after := max(e-1, 0), min(e+1, entries-1)
		rise := (rate[after] - rate[before]) / (Step * float64(after-before))
		if distance := float64(e) * Step; distance < MaxDistance {
			impostor[e] = max(impostor[e], rise)
		}
		ratio[e] = math.Log(genuine[e] / impostor[e])
	}
	return falling(ratio)
}

// density returns the density of distances at a curve's entries, by Gaussian
// kernels of Silverman's width. One made-up distance in independent+1, spread
// evenly over the curve, stands for all that was not observed, so the density
// is nowhere 0: no ratio promises more than so many observations can show.
func density(distances []float64, independent int) []float64 {
	sorted := slices.Sorted(slices.Values(distances))
	quartiles := stat.Quantile(0.75, stat.Empirical, sorted, nil) - stat.Quantile(0.25, stat.Empirical, sorted, nil)
	// Silverman, Density Estimation, 1986, equation 3.31 (from memory).
	width := 0.9 * min(stat.StdDev(sorted, nil), quartiles/1.34) * math.Pow(float64(len(sorted)), -0.2)
	madeUp := 1 / float64(independent+1)
	all := make([]float64, entries)
	for e := range all {
		sum := 0.0
		for _, d := range sorted {
			z := (float64(e)*Step - d) / width
			sum += math.Exp(-z * z / 2)
		}
		smooth := sum / (float64(len(sorted)) * width * math.Sqrt(2*math.Pi))
		all[e] = (1-madeUp)*smooth + madeUp/(Step*(entries-1))
	}
	return all
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
