package trial

import (
	"cmp"
	"math"
	"slices"

	"lintel/pipeline/match"
)

// An Estimate is a number, NaN if there is none, with its 95 % interval.
type Estimate struct {
	Value     float64
	Low, High float64 // 0 to 1 where By is NotKnown
	By        Method
}

// A Curve says how well the probability of a picture tells rings of persons
// from attacks, at whatever threshold. It leaves out rings on which no face was
// found.
type Curve struct {
	// Area is that under the receiver operating characteristic: how often, of
	// an attack and a person, the attack has the higher probability. Equal
	// ones count half.
	Area Estimate
	// EER is the equal error rate: where APCER and BPCER are the same.
	EER Estimate
	// BPCER10, BPCER20 and BPCER100 are the BPCER where the APCER is at most
	// 10 %, 5 % and 1 %, as ISO/IEC 30107-3 names them. Fewer attacks than
	// 10, 20 or 100 can't show such a rate: then none may pass.
	BPCER10, BPCER20, BPCER100 Estimate
}

// A scored ring has the probability of a picture.
type scored struct {
	person string
	attack bool
	p      float64
}

// CurveOf returns the curve of persons against attacks of a species, or of all
// together for BonaFide.
func CurveOf(outcomes []Outcome, species string) Curve {
	var rings []scored
	for _, o := range outcomes {
		if o.Together != nil && (o.Species == BonaFide || species == BonaFide || o.Species == species) {
			rings = append(rings, scored{o.Person, o.Species != BonaFide, o.Together.Probability})
		}
	}
	persons := clusters(rings, func(r scored) string { return r.person })
	by := Resampled
	if len(persons) == len(rings) {
		by = ResampledRings
	}
	observed, ok := figuresOf(rings)
	drawn := resample(persons, figuresOf)
	var e [5]Estimate
	for i := range e {
		if e[i] = (Estimate{math.NaN(), 0, 1, NotKnown}); !ok {
			continue
		}
		e[i].Value = observed[i]
		values := make([]float64, len(drawn))
		for k, f := range drawn {
			values[k] = f[i]
		}
		if low, high, differ := middle(values); differ {
			e[i].Low, e[i].High, e[i].By = low, high, by
		}
	}
	c := Curve{e[0], e[1], e[2], e[3], e[4]}
	for _, bpcer := range []*Estimate{&c.BPCER10, &c.BPCER20, &c.BPCER100} {
		bpcer.doubt(rings)
	}
	return c
}

// figures are the values of a curve, in the order of its fields.
type figures [5]float64

// figuresOf reports false where there are no rings of one kind.
func figuresOf(rings []scored) (f figures, ok bool) {
	c, ok := comparisons(rings)
	if !ok {
		return f, false
	}
	at := func(apcer float64) float64 { return c.FNMR(c.ThresholdAt(apcer)).Value() }
	return figures{area(rings), c.EER(), at(0.10), at(0.05), at(0.01)}, true
}

// doubt gives a BPCER of none or all of the persons, that no draw changed, the
// interval that as many persons leave.
func (e *Estimate) doubt(rings []scored) {
	if e.By != NotKnown || e.Value != 0 && e.Value != 1 {
		return
	}
	bonaFide := slices.DeleteFunc(slices.Clone(rings), func(r scored) bool { return r.attack })
	persons := clusters(bonaFide, func(r scored) string { return r.person })
	e.Low, e.High = noneOrAll(match.Rate{Errors: int(e.Value), N: len(persons)}, len(persons))
	e.By = ExactPersons
	if len(persons) == len(bonaFide) {
		e.By = Exact
	}
}

// comparisons lets package match count: a probability is a distance from a
// person, a person's ring genuine, and an attack an impostor. APCER and BPCER
// are then FMR and FNMR. It reports false where there are no rings of one kind.
func comparisons(rings []scored) (c match.Comparisons, ok bool) {
	var persons, attacks []float64
	for _, r := range rings {
		if r.attack {
			attacks = append(attacks, r.p)
		} else {
			persons = append(persons, r.p)
		}
	}
	return match.NewComparisons(persons, attacks), len(persons) > 0 && len(attacks) > 0
}

// area is the statistic of Mann and Whitney, by midranks, over all pairs of an
// attack and a person.
func area(rings []scored) float64 {
	sorted := slices.Clone(rings)
	slices.SortFunc(sorted, func(a, b scored) int { return cmp.Compare(a.p, b.p) })
	ranks, attacks := 0.0, 0
	for from := 0; from < len(sorted); {
		to := from
		tied := 0
		for ; to < len(sorted) && sorted[to].p == sorted[from].p; to++ {
			if sorted[to].attack {
				tied++
			}
		}
		ranks += float64(tied) * float64(from+1+to) / 2 // ranks begin at 1
		attacks += tied
		from = to
	}
	persons := len(sorted) - attacks
	n := float64(attacks)
	return (ranks - n*(n+1)/2) / (n * float64(persons))
}
