package match

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"lintel/internal/python"
)

// paretoExcesses draws excesses by inverting their distribution.
func paretoExcesses(r *rand.Rand, n int, shape, scale float64) []excess {
	all := make([]excess, n)
	for i := range all {
		u := 1 - r.Float64()
		all[i] = excess{scale * -math.Log(u), 1}
		if shape != 0 {
			all[i].by = scale / shape * (math.Pow(u, -shape) - 1)
		}
	}
	return all
}

// Outside: SciPy's maximum likelihood fit of a generalised Pareto distribution,
// and its distribution function. Where that fit has a shape above 0, which we
// leave out, it is SciPy's exponential fit: the shape of 0.
func TestParetoAgainstSciPy(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 9))
	type sample struct {
		Excesses            []float64
		Shape, Scale, Above float64
	}
	var question []sample
	for _, shape := range []float64{-0.4, -0.3, -0.1, -0.04, 0} {
		for _, n := range []int{60, 450, 3000} {
			var s sample
			excesses := paretoExcesses(r, n, shape, 0.04)
			for _, e := range excesses {
				s.Excesses = append(s.Excesses, e.by)
			}
			var err error
			if s.Shape, s.Scale, err = fitPareto(excesses); err != nil {
				t.Fatal(err)
			}
			s.Above = paretoAbove(s.Shape, s.Scale, 0.1)
			question = append(question, s)
		}
	}
	var answer []struct{ Ours, Theirs, Above float64 }
	python.Ask(t, "scipy.stats", `
import json, sys
from scipy.stats import expon, genpareto
answer = []
for s in json.load(sys.stdin):
    shape, _, scale = genpareto.fit(s["Excesses"], floc=0, method="MLE")
    if shape > 0:
        shape, scale = 0, expon.fit(s["Excesses"], floc=0)[1]
    answer.append(dict(
        Ours=genpareto.logpdf(s["Excesses"], s["Shape"], scale=s["Scale"]).sum(),
        Theirs=genpareto.logpdf(s["Excesses"], shape, scale=scale).sum(),
        Above=genpareto.sf(0.1, s["Shape"], scale=s["Scale"])))
json.dump(answer, sys.stdout)`, question, &answer)
	for i, a := range answer {
		// SciPy's search stops early, so ours may only be the likelier.
		if a.Ours < a.Theirs-1e-4 || a.Ours > a.Theirs+0.5 {
			t.Errorf("sample %d: log-likelihood %v at shape %v, scale %v; SciPy's fit has %v",
				i, a.Ours, question[i].Shape, question[i].Scale, a.Theirs)
		}
		if math.Abs(a.Above-question[i].Above) > 1e-9 {
			t.Errorf("sample %d: %v above 0.1, SciPy has %v", i, question[i].Above, a.Above)
		}
	}
}

// An excess that counts three times is as good as three of them.
func TestParetoWeights(t *testing.T) {
	all := paretoExcesses(rand.New(rand.NewPCG(1, 1)), 100, -0.1, 1)
	var thrice []excess
	for i := range all {
		thrice = append(thrice, all[i], all[i], all[i])
		all[i].times = 3
	}
	shape, scale, err := fitPareto(all)
	shape3, scale3, err3 := fitPareto(thrice)
	if err != nil || err3 != nil || math.Abs(shape-shape3) > 1e-6 || math.Abs(scale-scale3) > 1e-6 {
		t.Errorf("shape %v, scale %v, %v; want %v, %v, %v", shape, scale, err, shape3, scale3, err3)
	}
}

func TestParetoNeedsExcesses(t *testing.T) {
	if _, _, err := fitPareto(paretoExcesses(rand.New(rand.NewPCG(1, 1)), 9, 0, 1)); !errors.Is(err, ErrFewExcesses) {
		t.Error(err)
	}
}

// drawnTrial has distances between persons who differ by themselves: each adds
// something of its own to all of its comparisons.
func drawnTrial(r *rand.Rand, persons int, shared float64) Trial {
	own := make([]float64, persons)
	for i := range own {
		own[i] = shared * r.NormFloat64()
	}
	t := Trial{Persons: persons, Groups: []Group{{Name: "drawn"}}}
	for a := range persons {
		t.Genuine = append(t.Genuine, math.Abs(0.3+0.05*r.NormFloat64()))
		for b := range a {
			for range 4 {
				d := max(0.01, 0.83+0.07*r.NormFloat64()+own[a]+own[b])
				t.Groups[0].Pairs = append(t.Groups[0].Pairs, Pair{a, b, d})
				t.Impostor = append(t.Impostor, d)
			}
		}
	}
	return t
}

// The truth is known where distances are drawn, so how often the rate is below it
// can be counted: it should be in 5 % of trials, of which there are few, since
// each takes a thousand resamples. A group that is too small for resamples to have
// tails of their own is checked where it was observed, since nothing is promised
// below.
func TestRatesAreAboveTheTruth(t *testing.T) {
	if raceDetector || testing.Short() {
		t.Skip("SKIPPED: resampling takes too long")
	}
	const shared, trials = 0.02, 12
	deviation := math.Sqrt(0.07*0.07 + 2*shared*shared)
	truth := func(d float64) float64 { return math.Erfc((0.83-d)/deviation/math.Sqrt2) / 2 }
	for _, c := range []struct {
		name    string
		persons int
		least   float64 // distance that is checked, and not only logged
	}{{"40 persons", 40, 0}, {"20 persons", 20, 0.7}} {
		for _, d := range []float64{0.5, 0.55, 0.65, 0.75} {
			held, times := 0, 0.0
			for seed := range uint64(trials) {
				curve, err := fittedTrial(c.persons, seed, shared)
				if err != nil {
					t.Fatal(err)
				}
				if curve.FMR(d) >= truth(d) {
					held++
				}
				times += math.Log(curve.FMR(d)/truth(d)) / trials
			}
			t.Logf("%s: at %.2f, where the rate is %.2g, %d of %d rates are above it, by a factor of %.2g on average",
				c.name, d, truth(d), held, trials, math.Exp(times))
			if d >= c.least && held < trials-3 {
				t.Errorf("%s: at %.2f only %d of %d rates are above %.2g", c.name, d, held, trials, truth(d))
			}
		}
	}
}

var fittedTrials = make(map[[2]uint64]*Curve)

// fittedTrial fits a drawn trial, each once.
func fittedTrial(persons int, seed uint64, shared float64) (*Curve, error) {
	key := [2]uint64{uint64(persons), seed}
	if c := fittedTrials[key]; c != nil {
		return c, nil
	}
	c, err := Fit(drawnTrial(rand.New(rand.NewPCG(seed, 3)), persons, shared), seed)
	fittedTrials[key] = c
	return c, err
}

// Same trial, same seed, same curve.
func TestFitIsRepeatable(t *testing.T) {
	if raceDetector {
		t.Skip("SKIPPED: resampling takes too long with the race detector")
	}
	trial := drawnTrial(rand.New(rand.NewPCG(1, 3)), 40, 0.02)
	a, errA := Fit(trial, 1)
	b, errB := Fit(trial, 1)
	if errA != nil || errB != nil {
		t.Fatal(errA, errB)
	}
	for i := range entries {
		if a.Rate[i] != b.Rate[i] || a.Estimate[i] != b.Estimate[i] || a.Evidence[i] != b.Evidence[i] {
			t.Fatalf("entry %d differs", i)
		}
	}
}

func TestFitNeedsPairs(t *testing.T) {
	if _, err := Fit(Trial{Persons: 2, Groups: []Group{{Pairs: []Pair{{0, 1, 0.5}}}}, Genuine: []float64{0.2}},
		1); !errors.Is(err, ErrFewExcesses) {
		t.Error(err)
	}
}
