package trial

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"lintel/pipeline/match"
)

// A Method is how an interval was worked out.
type Method string

const (
	// NotKnown is for what no interval can be worked out of: nothing was
	// measured, or every resample came to the same number.
	NotKnown Method = "not-known"
	// Exact is the Clopper-Pearson interval, of rings that are each of
	// another person.
	Exact Method = "clopper-pearson"
	// ExactPersons is the Clopper-Pearson interval of as many trials as there
	// are persons. It is for rates of none or all, where several rings are of
	// one person: resampling would find no doubt there at all.
	ExactPersons Method = "clopper-pearson-persons"
	// Resampled is by drawing persons again and again, each with all of their
	// rings, and taking what the middle 95 % of the draws came to (the
	// percentile bootstrap of Efron and Tibshirani, An Introduction to the
	// Bootstrap, chapter 13, over clusters).
	Resampled Method = "bootstrap-persons"
	// ResampledRings is the same where each ring is of another person.
	ResampledRings Method = "bootstrap-rings"
)

// A judged ring is one that an error rate counts.
type judged struct {
	person string
	wrong  bool
}

// intervalOf returns the 95 % interval of the share of rings judged wrong.
func intervalOf(rings []judged) (low, high float64, by Method) {
	rate := match.Rate{N: len(rings)}
	for _, r := range rings {
		if r.wrong {
			rate.Errors++
		}
	}
	if rate.N == 0 {
		return 0, 1, NotKnown
	}
	persons := clusters(rings, func(r judged) string { return r.person })
	if len(persons) == rate.N {
		low, high = rate.Interval(0.95)
		return low, high, Exact
	}
	if rate.Errors == 0 || rate.Errors == rate.N {
		low, high = noneOrAll(rate, len(persons))
		return low, high, ExactPersons
	}
	draws := resample(persons, func(drawn []judged) (float64, bool) {
		wrong := 0
		for _, r := range drawn {
			if r.wrong {
				wrong++
			}
		}
		return float64(wrong) / float64(len(drawn)), true
	})
	low, high, _ = middle(draws)
	return low, high, Resampled
}

// noneOrAll is the interval of a rate of 0 or 1, as if each person had been
// tried once.
func noneOrAll(rate match.Rate, persons int) (low, high float64) {
	if rate.Errors > 0 {
		rate.Errors = persons
	}
	rate.N = persons
	return rate.Interval(0.95)
}

// clusters puts what is of one person together, in the order they come in. What
// is of nobody in particular is by itself.
func clusters[T any](all []T, person func(T) string) (persons [][]T) {
	place := make(map[string]int)
	for _, v := range all {
		name := person(v)
		i, known := place[name]
		if name == "" || !known {
			i = len(persons)
			persons = append(persons, nil)
			place[name] = i
		}
		persons[i] = append(persons[i], v)
	}
	return persons
}

// draws is how often persons are drawn: at the ends of a 95 % interval 2000
// leave an error of about 0.06 standard errors.
const draws = 2000

// resample draws as many persons as there are, with replacement, again and
// again, and returns what the draws come to. A draw that comes to nothing, since
// it has no ring of some kind, is left out.
func resample[T, V any](persons [][]T, statistic func([]T) (V, bool)) (values []V) {
	r := rand.New(rand.NewPCG(30107, 3)) // the same at every run
	var drawn []T
	for range draws {
		drawn = drawn[:0]
		for range persons {
			drawn = append(drawn, persons[r.IntN(len(persons))]...)
		}
		if v, ok := statistic(drawn); ok {
			values = append(values, v)
		}
	}
	return values
}

// middle returns where the middle 95 % of values begin and end, between two
// values by a straight line. It reports false if they are all the same.
func middle(values []float64) (low, high float64, ok bool) {
	if len(values) == 0 {
		return 0, 0, false
	}
	slices.Sort(values)
	at := func(share float64) float64 {
		place := share * float64(len(values)-1)
		i := int(place)
		next := values[min(i+1, len(values)-1)]
		return values[i] + (place-math.Floor(place))*(next-values[i])
	}
	low, high = at(0.025), at(0.975)
	return low, high, values[0] < values[len(values)-1]
}

// Words say the method to people.
func (m Method) Words() string {
	words, ok := map[Method]string{
		NotKnown: "not known", Exact: "Clopper-Pearson over rings", ExactPersons: "Clopper-Pearson over persons",
		Resampled: "persons resampled", ResampledRings: "rings resampled",
	}[m]
	if !ok {
		return fmt.Sprintf("by %s", string(m))
	}
	return words
}
