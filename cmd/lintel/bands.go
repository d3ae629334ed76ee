package main

import (
	"fmt"
	"io"
	"math/rand/v2"
	"text/tabwriter"

	"lintel/pipeline/match"
)

// A bandAccuracy is what Lintel says of a band, for a gallery of one reference,
// beside what the photographs show there.
type bandAccuracy struct {
	Band     match.Band `json:"band"`
	Distance float64    `json:"distance"` // the band's largest
	Said     float64    `json:"said"`     // FMR, at most, of the worst group
	// FMR is nil where no two persons could be compared: within groups, if these
	// are known, and then persons have to share the group of every column.
	FMR      *float64   `json:"fmr"`
	FMRCI95  [2]float64 `json:"fmr_ci95"`
	FNMR     *float64   `json:"fnmr"`
	FNMRCI95 [2]float64 `json:"fnmr_ci95"`

	fmr, fnmr match.Rate
}

// bandsOf reports on the three bands.
func bandsOf(groupings []grouping, pictures []picture) []bandAccuracy {
	one := match.Size{References: 1, Persons: 1}
	bands := []bandAccuracy{{Band: match.Strong}, {Band: match.Fair}, {Band: match.Weak}}
	var at []float64
	for i := range bands {
		b := &bands[i]
		b.Distance = match.Shipped().Threshold(b.Band.Limit(), one)
		b.Said = match.Shipped().FPIR(b.Distance, one)
		at = append(at, b.Distance)
	}
	genuine, impostor := tallies(groupings, pictures, at)
	for i := range bands {
		b := &bands[i]
		b.fnmr, b.FNMRCI95 = rateOverPersons(genuine, i)
		b.fmr, b.FMRCI95 = rateOverPersons(impostor, i)
		b.FNMR, b.FMR = observed(b.fnmr), observed(b.fmr)
	}
	return bands
}

// A tally counts the errors of the comparisons of two persons, or of one with
// itself, at each of some distances.
type tally struct {
	a, b   int // persons
	n      int
	errors []int
}

// tallies compares all pictures of each person, and of each two persons of the
// same groups.
func tallies(groupings []grouping, pictures []picture, at []float64) (genuine, impostor []tally) {
	var names []string
	of := make(map[string][]picture)
	for _, p := range pictures {
		if of[p.person] == nil {
			names = append(names, p.person)
		}
		if of[p.person] = append(of[p.person], p); p.err != nil {
			of[p.person] = of[p.person][:len(of[p.person])-1]
		}
	}
	for b := range names {
		for a := range b + 1 {
			if !together(groupings, names[a], names[b]) {
				continue
			}
			t := tally{a: a, b: b, errors: make([]int, len(at))}
			for i, p := range of[names[a]] {
				others := of[names[b]]
				if a == b {
					others = others[:i]
				}
				for _, q := range others {
					d := match.Distance(&p.face.Descriptor, &q.face.Descriptor)
					for k, threshold := range at {
						if (d <= threshold) != (a == b) {
							t.errors[k]++
						}
					}
					t.n++
				}
			}
			switch {
			case t.n == 0:
			case a == b:
				genuine = append(genuine, t)
			default:
				impostor = append(impostor, t)
			}
		}
	}
	return genuine, impostor
}

// together reports whether two persons are of the same group, whatever the
// grouping.
func together(groupings []grouping, one, other string) bool {
	for _, g := range groupings {
		if g.groups[one] != g.groups[other] {
			return false
		}
	}
	return true
}

// rateOverPersons returns the rate of errors at a distance, and its 95 % interval:
// the wider, at each end, of that of Clopper and Pearson, which holds where none
// was seen but takes comparisons for independent, and of a bootstrap that draws
// persons with replacement, as ISO/IEC 19795-1 suggests for comparisons that
// depend on each other (from memory).
func rateOverPersons(of []tally, distance int) (rate match.Rate, ci [2]float64) {
	persons := 0
	for _, t := range of {
		rate.Errors, rate.N = rate.Errors+t.errors[distance], rate.N+t.n
		persons = max(persons, t.b+1)
	}
	ci[0], ci[1] = rate.Interval(0.95)
	if rate.Errors == 0 || rate.Errors == rate.N {
		return rate, ci // every resample has the same
	}
	r := rand.New(rand.NewPCG(19795, 1))
	var rates []float64
	for range max(100, min(1000, 20_000_000/len(of))) { // many persons need fewer, and take long
		times := make([]int, persons)
		for range persons {
			times[r.IntN(persons)]++
		}
		drawn := match.Rate{}
		for _, t := range of {
			n := times[t.a]
			if t.a != t.b {
				n *= times[t.b]
			}
			drawn.Errors, drawn.N = drawn.Errors+n*t.errors[distance], drawn.N+n*t.n
		}
		if drawn.N > 0 {
			rates = append(rates, drawn.Value())
		}
	}
	if len(rates) > 0 {
		ci[0], ci[1] = min(ci[0], quantileOf(rates, 0.025)), max(ci[1], quantileOf(rates, 0.975))
	}
	return rate, ci
}

// writeBands says the same to people.
func writeBands(w io.Writer, bands []bandAccuracy, grouped bool) {
	key := "bands-anybody"
	if grouped {
		key = "bands-grouped"
	}
	tell(w, key)
	fmt.Fprintln(w)
	table := tabwriter.NewWriter(w, 0, 0, 3, ' ', 0)
	tell(table, "bands-head")
	for _, b := range bands {
		fmt.Fprint(table, say.Sprintf("%s\t%.3f\t%.2g %%\t%v\t%s\t%v\t%s\n", b.Band, b.Distance, 100*b.Said,
			b.fmr, match.Percents(b.FMRCI95), b.fnmr, match.Percents(b.FNMRCI95)))
	}
	table.Flush()
}
