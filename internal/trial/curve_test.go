package trial

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"lintel/internal/house"
	"lintel/internal/python"
)

// told makes the outcome of a ring of that person with that probability.
func told(species, person string, p float64) Outcome {
	o := Outcome{Ring: Ring{Species: species, Name: "r", Person: person},
		Together: &house.Liveness{Level: house.NoSign, Probability: p}}
	if p >= 0.5 {
		o.Together.Level = house.Picture
	}
	return o
}

// overlapping draws rings of persons, with several rings each and probabilities
// of four digits that overlap and tie at the ends, as those of the pipeline do.
func overlapping(seed uint64, persons int) (outcomes []Outcome) {
	r := rand.New(rand.NewPCG(seed, 1))
	for i := range persons {
		habit := r.NormFloat64()
		for range 1 + r.IntN(4) {
			for species, logit := range map[string]float64{BonaFide: -2, "print": 1, "screen": 3} {
				p := 1 / (1 + math.Exp(-logit-habit-2*r.NormFloat64()))
				outcomes = append(outcomes, told(species, fmt.Sprint("person ", i), math.Round(p*1e4)/1e4))
			}
		}
	}
	return outcomes
}

// Worked by hand: of 2 attacks and 3 persons, 0.5 beats 0.1 and 0.4 and ties
// with 0.5, and 0.2 beats 0.1: 3.5 of 6 pairs. At an APCER of 0 the threshold
// lies under 0.2, where 2 of 3 persons are taken for pictures.
func TestCurve(t *testing.T) {
	c := CurveOf([]Outcome{
		told(BonaFide, "", 0.1), told(BonaFide, "", 0.4), told(BonaFide, "", 0.5), told("print", "", 0.5),
		told("print", "", 0.2),
		{Ring: Ring{Species: "print"}}, // no face: in no rate
		told("screen", "", 0.9),
	}, "print")
	if math.Abs(c.Area.Value-3.5/6) > 1e-12 || math.Abs(c.BPCER10.Value-2./3) > 1e-12 {
		t.Errorf("area %v, BPCER10 %v", c.Area, c.BPCER10)
	}
	if c.Area.By != ResampledRings || !(c.Area.Low < c.Area.Value && c.Area.Value < c.Area.High) {
		t.Errorf("area %v", c.Area)
	}
}

// Nothing to tell is told as such, and no doubt is never found where there is some.
func TestCurveOfLittle(t *testing.T) {
	one := CurveOf([]Outcome{told("print", "", 0.3)}, BonaFide)
	if !math.IsNaN(one.Area.Value) || !math.IsNaN(one.EER.Value) || !math.IsNaN(one.BPCER20.Value) ||
		one.EER.By != NotKnown {
		t.Errorf("without a person: %+v", one)
	}
	// All attacks above all persons: an interval of 1 to 1 would be a lie.
	apart := []Outcome{told(BonaFide, "a", 0.1), told(BonaFide, "a", 0.2), told(BonaFide, "b", 0.1),
		told("print", "a", 0.9)}
	c := CurveOf(apart, BonaFide)
	if c.Area.Value != 1 || c.Area.By != NotKnown || c.EER.Value != 0 || c.EER.By != NotKnown {
		t.Errorf("apart: %+v", c)
	}
	// 0 of 2 persons: at most 1-0.025^(1/2), the exact binomial limit.
	if c.BPCER100.Value != 0 || c.BPCER100.By != ExactPersons || math.Abs(c.BPCER100.High-(1-math.Sqrt(0.025))) > 1e-9 {
		t.Errorf("BPCER100 apart: %+v", c.BPCER100)
	}
}

// Outside: scikit-learn's area, and EER and BPCER at a stated APCER from its ROC
// curve.
func TestCurveAgainstScikitLearn(t *testing.T) {
	type question struct {
		Attack []bool
		P      []float64
	}
	var questions []question
	var curves []Curve
	for seed, persons := range []int{3, 20, 150} {
		outcomes := overlapping(uint64(seed), persons)
		for _, species := range []string{BonaFide, "print", "screen"} {
			var q question
			for _, o := range outcomes {
				if o.Species == BonaFide || species == BonaFide || o.Species == species {
					q.Attack, q.P = append(q.Attack, o.Species != BonaFide), append(q.P, o.Together.Probability)
				}
			}
			questions, curves = append(questions, q), append(curves, CurveOf(outcomes, species))
		}
	}
	var answers []struct{ Area, EER, B10, B20, B100 float64 }
	python.Ask(t, "sklearn.metrics", `
import json, sys
import numpy as np
from sklearn.metrics import roc_auc_score, roc_curve
answers = []
for q in json.load(sys.stdin):
    fpr, tpr, _ = roc_curve(q["Attack"], q["P"], drop_intermediate=False)
    eer = np.interp(0, fpr - (1 - tpr), fpr)
    at = lambda apcer: float(fpr[1 - tpr <= apcer].min())
    answers.append(dict(Area=roc_auc_score(q["Attack"], q["P"]), EER=eer, B10=at(.1), B20=at(.05), B100=at(.01)))
json.dump(answers, sys.stdout)`, questions, &answers)
	for i, c := range curves {
		for _, x := range []struct {
			what      string
			got, want float64
		}{
			{"area", c.Area.Value, answers[i].Area}, {"EER", c.EER.Value, answers[i].EER},
			{"BPCER10", c.BPCER10.Value, answers[i].B10}, {"BPCER20", c.BPCER20.Value, answers[i].B20},
			{"BPCER100", c.BPCER100.Value, answers[i].B100},
		} {
			if math.Abs(x.got-x.want) > 1e-9 {
				t.Errorf("%d: %s %v, scikit-learn has %v", i, x.what, x.got, x.want)
			}
		}
	}
}

// Outside: SciPy's percentile bootstrap, drawing persons. Both are by chance: an
// end may differ by a quarter of the standard error that SciPy finds.
func TestResamplingAgainstSciPy(t *testing.T) {
	outcomes := overlapping(7, 60)
	type ring struct {
		Person string
		Attack bool
		P      float64
	}
	var question []ring
	for _, o := range outcomes {
		question = append(question, ring{o.Person, o.Species != BonaFide, o.Together.Probability})
	}
	var answers map[string]struct{ Low, High, SE float64 }
	python.Ask(t, "scipy.stats", `
import json, sys
import numpy as np
from scipy.stats import bootstrap, rankdata
rings = json.load(sys.stdin)
names = sorted({r["Person"] for r in rings})
of = [[r for r in rings if r["Person"] == n] for n in names]
persons = [np.array([r["P"] for r in mine if not r["Attack"]]) for mine in of]
attacks = [np.array([r["P"] for r in mine if r["Attack"]]) for mine in of]
def area(i):
    p, a = np.concatenate([persons[k] for k in i]), np.concatenate([attacks[k] for k in i])
    ranks = rankdata(np.concatenate([a, p]))[:len(a)]
    return (ranks.sum() - len(a) * (len(a) + 1) / 2) / (len(a) * len(p))
def bpcer(i):
    return np.mean(np.concatenate([persons[k] for k in i]) >= .5)
answers = {}
for name, f in dict(area=area, bpcer=bpcer).items():
    b = bootstrap((np.arange(len(names)),), f, vectorized=False, method="percentile", n_resamples=4000, random_state=1)
    answers[name] = dict(Low=b.confidence_interval.low, High=b.confidence_interval.high, SE=b.standard_error)
json.dump(answers, sys.stdout)`, question, &answers)
	area := CurveOf(outcomes, BonaFide).Area
	low, high, by := ReportOn(outcomes, Outcome.Attack).Interval(BonaFide)
	for name, got := range map[string]Estimate{"area": area, "bpcer": {Low: low, High: high, By: by}} {
		want := answers[name]
		if got.By != Resampled || math.Abs(got.Low-want.Low) > want.SE/4 || math.Abs(got.High-want.High) > want.SE/4 {
			t.Errorf("%s: %+v, SciPy has %+v", name, got, want)
		}
	}
}

// Rings of one person say less than as many rings of others: the interval is
// wider, and the same at each run.
func TestIntervals(t *testing.T) {
	rings := func(persons, each, wrongPersons int) (all []judged) {
		for i := range persons {
			for range each {
				all = append(all, judged{fmt.Sprint(i), i < wrongPersons})
			}
		}
		return all
	}
	apart := func(all []judged) []judged {
		for i := range all {
			all[i].person = ""
		}
		return all
	}
	lowAlone, highAlone, by := intervalOf(apart(rings(30, 4, 6)))
	low, high, byPersons := intervalOf(rings(30, 4, 6))
	if by != Exact || byPersons != Resampled || !(low < lowAlone && highAlone < high) {
		t.Errorf("%v to %v by %s; by %s %v to %v", lowAlone, highAlone, by, byPersons, low, high)
	}
	if again, _, _ := intervalOf(rings(30, 4, 6)); again != low {
		t.Errorf("another run begins at %v, not %v", again, low)
	}
	// 0 of 30 persons: 1-0.025^(1/30), the exact binomial limit.
	if low, high, by := intervalOf(rings(30, 4, 0)); by != ExactPersons || low != 0 ||
		math.Abs(high-(1-math.Pow(0.025, 1./30))) > 1e-9 {
		t.Errorf("none: %v to %v by %s", low, high, by)
	}
	if low, high, by := intervalOf(nil); by != NotKnown || low != 0 || high != 1 {
		t.Errorf("nothing: %v to %v by %s", low, high, by)
	}
}
