package match

import (
	"cmp"
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
	// Pairs are comparisons between persons, for the false match rate.
	Pairs []Pair
	// Genuine and Impostor are distances between a reference and a probe as a
	// door sees it, of one person and of two, for the likelihood ratio.
	Genuine, Impostor []float64
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

// resamples is how often persons are drawn for an interval.
const resamples = 1000

// Fit fits a curve to a trial.
//
// Down to the threshold below which 5 % of the distances between persons lie,
// a rate is the share that was observed; below, it comes from the [Tail].
//
// Intervals are those of a bootstrap over persons, not over comparisons: as
// many persons are drawn as there are, with replacement, and each comparison
// counts as often as both its persons were drawn together. One person who
// resembles many moves many comparisons at once, and this shows it. Each
// resample also draws where its tail begins, from 2 % to 10 %, so that the
// interval holds the doubt about that choice. The seed makes it repeatable.
//
// A trial of 40 persons is about the least: the error is ErrFewExcesses where a
// tail, of the trial or of a resample, has fewer than 10 comparisons.
//
// The likelihood ratio is that of the two densities of Genuine and Impostor,
// smoothed with Gaussian kernels of Silverman's width, each mixed with a little
// of an even density that stands for what was not observed. It is made to fall
// with the distance by pooling neighbours that don't.
func Fit(t Trial, seed uint64) (*Curve, error) {
	pairs := slices.SortedFunc(slices.Values(t.Pairs), func(a, b Pair) int { return cmp.Compare(a.Distance, b.Distance) })
	once := make([]float64, t.Persons)
	for i := range once {
		once[i] = 1
	}
	rate, tail, err := fitRates(pairs, once, tailShare)
	if err != nil {
		return nil, fmt.Errorf("fitting a curve: %w", err)
	}
	c := &Curve{
		Source: t.Source, Persons: t.Persons, Comparisons: len(pairs), Genuine: len(t.Genuine),
		Rate: rate, Observed: pairs[0].Distance, Tail: tail, Evidence: evidence(t),
	}
	if c.Low, c.High, err = intervals(pairs, t.Persons, seed); err != nil {
		return nil, fmt.Errorf("fitting the intervals of a curve: %w", err)
	}
	for i := range entries {
		c.Low[i], c.High[i] = min(c.Low[i], rate[i]), max(c.High[i], rate[i])
	}
	return c, nil
}

// fitRates returns the rates at a curve's entries and the tail they come from.
// Pairs are sorted by distance, and each counts as often as the product of how
// often its persons do.
func fitRates(pairs []Pair, times []float64, share float64) (rate []float64, tail Tail, err error) {
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
		return nil, Tail{}, ErrFewExcesses
	}
	tail.Threshold, tail.Share = pairs[i].Distance, below/total
	for _, p := range pairs[:i] {
		if n := times[p.A] * times[p.B]; n > 0 && p.Distance < tail.Threshold {
			excesses = append(excesses, excess{tail.Threshold - p.Distance, n})
		}
	}
	if tail.Shape, tail.Scale, err = fitPareto(excesses); err != nil {
		return nil, Tail{}, err
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
	return rate, tail, nil
}

// intervals returns the 2.5th and 97.5th percentile of each rate over
// resamples of the persons.
func intervals(pairs []Pair, persons int, seed uint64) (low, high []float64, err error) {
	r := rand.New(rand.NewPCG(seed, 0))
	rates := make([][]float64, entries)
	for range resamples {
		times := make([]float64, persons)
		for range persons {
			times[r.IntN(persons)]++
		}
		rate, _, err := fitRates(pairs, times, tailShareMin+(tailShareMax-tailShareMin)*r.Float64())
		if err != nil {
			return nil, nil, err
		}
		for e := range rate {
			rates[e] = append(rates[e], rate[e])
		}
	}
	for _, at := range rates {
		slices.Sort(at)
		low = append(low, stat.Quantile(0.025, stat.Empirical, at, nil))
		high = append(high, stat.Quantile(0.975, stat.Empirical, at, nil))
	}
	return low, high, nil
}

// evidence returns the logarithms of a likelihood ratio at a curve's entries:
// those of the two smoothed densities, made to fall with the distance by
// pooling neighbours that don't.
func evidence(t Trial) []float64 {
	genuine := density(t.Genuine, t.Persons)
	impostor := density(t.Impostor, t.Persons*(t.Persons-1)/2)
	ratio := make([]float64, entries)
	for e := range ratio {
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
