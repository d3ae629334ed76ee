package match

import (
	"encoding/json"
	"errors"
	"flag"
	"maps"
	"math"
	"os"
	"slices"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "write the shipped curve anew")

// curveSeed makes the intervals of the shipped curve repeatable.
const curveSeed = 5152

// enoughPairs is how many comparisons a group of one sex and descent needs to be
// fitted alone. The others, each within itself, are fitted together.
const enoughPairs = 500

// trialOf compares subjects of one sex, and of one sex and descent: all portraits
// with each other for the rates, and each portrait, as a reference, with every
// sight of the others' and of the same person's other one, for the likelihood
// ratio.
func trialOf(all []subject) Trial {
	t := Trial{
		Source: "68 adults, two portraits each, of the Face Research Lab London Set, version 5 " +
			"(DeBruine and Jones 2017, CC BY 4.0, doi:10.6084/m9.figshare.5047666.v5)",
		Persons: len(all),
	}
	sexes := Group{Name: "of one sex"}
	within := make(map[string][]Pair)
	for a := range all {
		for b := range all {
			if all[a].sex() != all[b].sex() {
				continue
			}
			for i := range 2 {
				for j := range 2 {
					one, other := all[a].seen[i][0], all[b].seen[j]
					if a < b {
						p := Pair{a, b, Distance(one, other[0])}
						sexes.Pairs = append(sexes.Pairs, p)
						if all[a].group == all[b].group {
							within[all[a].group] = append(within[all[a].group], p)
						}
					}
					for _, probe := range other {
						switch {
						case probe == nil:
						case a != b:
							t.Impostor = append(t.Impostor, Distance(one, probe))
						case i != j:
							t.Genuine = append(t.Genuine, Distance(one, probe))
						}
					}
				}
			}
		}
	}
	t.Groups = []Group{sexes}
	small := Group{Name: "of one sex and descent, the small groups"}
	for _, name := range slices.Sorted(maps.Keys(within)) {
		if pairs := within[name]; len(pairs) >= enoughPairs {
			t.Groups = append(t.Groups, Group{name, pairs})
		} else {
			small.Pairs = append(small.Pairs, pairs...)
		}
	}
	if len(small.Pairs) > 0 {
		t.Groups = append(t.Groups, small)
	}
	return t
}

// The shipped curve is what Fit makes of the open set. With -update it is
// written anew; without, it may differ as much as descriptors do between
// machines, whose linear algebra rounds differently. Rates of less than one in
// a million follow the least change of the tail, and are left out.
func TestShippedCurve(t *testing.T) {
	fitted, err := Fit(trialOf(subjects(t)), curveSeed)
	if err != nil {
		t.Fatal(err)
	}
	if *update {
		raw, err := json.Marshal(rounded(fitted))
		if err != nil {
			t.Fatal(err)
		}
		// One line for each table.
		text := strings.ReplaceAll(string(raw), `,"`, ",\n\"") + "\n"
		if err := os.WriteFile("curve.json", []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	c := Shipped()
	if c.Persons != fitted.Persons || c.Comparisons != fitted.Comparisons || c.Genuine != fitted.Genuine {
		t.Skipf("SKIPPED: LINTEL_FACES holds another set: %d persons, %d comparisons", fitted.Persons, fitted.Comparisons)
	}
	for i := range entries {
		for _, pair := range [][2]float64{{c.Rate[i], fitted.Rate[i]}, {c.Estimate[i], fitted.Estimate[i]}} {
			if min(pair[0], pair[1]) > 1e-6 && math.Abs(math.Log(pair[0]/pair[1])) > 0.25 {
				t.Errorf("at %.2f the shipped curve has %v, fitted %v", float64(i)*Step, pair[0], pair[1])
			}
		}
		if math.Abs(c.Evidence[i]-fitted.Evidence[i]) > 0.1 {
			t.Errorf("at %.2f the shipped evidence is %v, fitted %v", float64(i)*Step, c.Evidence[i], fitted.Evidence[i])
		}
	}
}

// rounded returns the curve with four figures that count.
func rounded(c *Curve) *Curve {
	one := *c
	for _, table := range []*[]float64{&one.Rate, &one.Estimate, &one.Evidence} {
		*table = slices.Clone(*table)
		for i, v := range *table {
			(*table)[i] = figures(v)
		}
	}
	one.Groups = slices.Clone(one.Groups)
	for i := range one.Groups {
		g := &one.Groups[i]
		for _, v := range []*float64{&g.Observed, &g.Tail.Threshold, &g.Tail.Share, &g.Tail.Shape, &g.Tail.Scale} {
			*v = figures(*v)
		}
	}
	return &one
}

func figures(v float64) float64 {
	if v == 0 {
		return 0
	}
	shift := math.Pow10(3 - int(math.Floor(math.Log10(math.Abs(v)))))
	return math.Round(v*shift) / shift
}

func TestCurveIsMonotone(t *testing.T) {
	c := Shipped()
	for d := -0.1; d < 1.5; d += 0.001 {
		rate, estimate := c.FMR(d), rateAt(c.Estimate, d)
		if !(estimate > 0 && estimate <= rate*(1+1e-12) && rate <= 1+1e-12) {
			t.Fatalf("at %.3f: %v, estimated as %v", d, rate, estimate)
		}
		const rounding = 1e-12
		if c.FMR(d+0.001) < rate*(1-rounding) || c.LikelihoodRatio(d+0.001) > c.LikelihoodRatio(d)*(1+rounding) {
			t.Fatalf("at %.3f a table turns round", d)
		}
	}
	if c.FMR(math.NaN()) != 1 || rateAt(c.Estimate, math.NaN()) != 1 || c.LikelihoodRatio(math.NaN()) != 1 ||
		c.FMR(math.Inf(1)) > 1 {
		t.Error("what is no distance is near somebody")
	}
}

func TestDistanceAt(t *testing.T) {
	c := Shipped()
	for _, fmr := range []float64{1e-6, 1e-5, 1e-4, 1e-3, 0.01, 0.1} {
		d := c.DistanceAt(fmr)
		if got := c.FMR(d); math.Abs(got/fmr-1) > 1e-9 {
			t.Errorf("DistanceAt(%v) = %v, where the FMR is %v", fmr, d, got)
		}
	}
	if d := c.DistanceAt(1e-12); d != 0 {
		t.Errorf("DistanceAt(1e-12) = %v, want 0: no distance is claimed to be so sure", d)
	}
	if d := c.DistanceAt(1); !math.IsInf(d, 1) {
		t.Errorf("DistanceAt(1) = %v", d)
	}
}

func TestParseCurve(t *testing.T) {
	for name, spoil := range map[string]func(*Curve){
		"too short":          func(c *Curve) { c.Rate = c.Rate[1:] },
		"none":               func(c *Curve) { c.Evidence = nil },
		"a rate of 0":        func(c *Curve) { c.Estimate[0] = 0 },
		"a rate above 1":     func(c *Curve) { c.Rate[120] = 1.1 },
		"below the estimate": func(c *Curve) { c.Estimate[50] = c.Rate[50] * 1.01 },
		"rates turn round":   func(c *Curve) { c.Rate[60] = c.Rate[61] * 1.01 },
		"evidence of all":    func(c *Curve) { c.Evidence[0] = 1e300 },
		"evidence turns too": func(c *Curve) { c.Evidence[60]++ },
	} {
		c := *Shipped()
		c.Rate, c.Estimate, c.Evidence = slices.Clone(c.Rate), slices.Clone(c.Estimate), slices.Clone(c.Evidence)
		spoil(&c)
		raw, err := json.Marshal(&c)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := ParseCurve(raw); !errors.Is(err, ErrBadCurve) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := ParseCurve([]byte("{")); !errors.Is(err, ErrBadCurve) {
		t.Error(err)
	}
}

// Whatever is taken for a curve behaves like one.
func FuzzParseCurve(f *testing.F) {
	f.Add(shippedTable)
	f.Add([]byte(`{"rate":[1e-9],"estimate":[],"evidence":null}`))
	f.Fuzz(func(t *testing.T, table []byte) {
		c, err := ParseCurve(table)
		if err != nil {
			if !errors.Is(err, ErrBadCurve) {
				t.Fatal(err)
			}
			return
		}
		last := 0.0
		for d := 0.0; d < 1.4; d += 0.007 {
			rate := c.FMR(d)
			p := c.Posterior(0.5, []float64{d, 0.5})
			if !(rate >= last*(1-1e-12) && rate > 0 && rate <= 1+1e-12) || !(p[0] >= 0 && p[0]+p[1] <= 1+1e-12) {
				t.Fatalf("at %v: a rate of %v after %v, probabilities %v", d, rate, last, p)
			}
			last = rate
		}
	})
}
