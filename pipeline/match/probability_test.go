package match

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// Bayes' rule worked by hand: with ratios of 8 and 1/2, a prior of 1/5 and so
// 1/10 for each of two persons, 8/10, 1/20 and 4/5 for a stranger are the
// weights; they add up to 33/20.
func TestPosterior(t *testing.T) {
	c := *Shipped()
	c.Evidence = make([]float64, entries)
	for i := range c.Evidence {
		c.Evidence[i] = math.Log(8)
		if i > 50 {
			c.Evidence[i] = math.Log(0.5)
		}
	}
	got := c.Posterior(0.2, []float64{0.3, 0.7})
	if want := []float64{16.0 / 33, 1.0 / 33}; math.Abs(got[0]-want[0]) > 1e-12 || math.Abs(got[1]-want[1]) > 1e-12 {
		t.Errorf("%v, want %v", got, want)
	}
}

func TestPosteriorBounds(t *testing.T) {
	c := Shipped()
	r := rand.New(rand.NewPCG(1, 9))
	for range 1000 {
		distances := make([]float64, 1+r.IntN(20))
		for i := range distances {
			distances[i] = 1.4 * r.Float64()
		}
		prior := r.Float64()
		all := c.Posterior(prior, distances)
		sum := 0.0
		for _, p := range all {
			sum += p
		}
		if slices.Min(all) < 0 || sum > 1+1e-12 {
			t.Fatalf("prior %v, %v: %v", prior, distances, all)
		}
		// Nearer, or likelier to ring: more probable. Others nearer: less.
		nearer := slices.Clone(distances)
		nearer[0] = max(0, nearer[0]-0.1)
		after := c.Posterior(prior, nearer)
		if after[0] < all[0]-1e-12 || c.Posterior(min(1, prior+0.1), distances)[0] < all[0]-1e-12 {
			t.Fatalf("prior %v: %v became %v", prior, all, after)
		}
		for i := 1; i < len(all); i++ {
			if after[i] > all[i]+1e-12 {
				t.Fatalf("%v became %v", all, after)
			}
		}
	}
	if p := c.Posterior(0, []float64{0.1}); p[0] != 0 {
		t.Errorf("nobody enrolled ever rings, and %v", p)
	}
	if p := c.Posterior(1, []float64{0.9}); p[0] != 1 {
		t.Errorf("only one person ever rings, and %v", p)
	}
	if p := c.Posterior(0.5, nil); len(p) != 0 {
		t.Error(p)
	}
}

// No ratio promises more than was observed: pairs of persons on one side,
// persons on the other.
func TestLikelihoodRatioIsBounded(t *testing.T) {
	c := Shipped()
	persons := float64(c.Persons)
	most, least := c.LikelihoodRatio(0), c.LikelihoodRatio(1.2)
	t.Logf("from %.0f down to 1/%.0f", most, 1/least)
	if most > 30*persons*(persons-1)/2 || least < 1/(30*persons) || most < 100 || least > 0.1 {
		t.Errorf("the ratio goes from %v to %v", most, least)
	}
}

// Worked by hand: of 5 1 3 2 4,
// falling, the last four pool to their mean.
func TestFalling(t *testing.T) {
	for _, c := range []struct{ values, want []float64 }{
		{nil, nil},
		{[]float64{3, 2, 1}, []float64{3, 2, 1}},
		{[]float64{1, 2, 3}, []float64{2, 2, 2}},
		{[]float64{5, 1, 3, 2, 4}, []float64{5, 2.5, 2.5, 2.5, 2.5}},
		{[]float64{4, 5, 1, 2}, []float64{4.5, 4.5, 1.5, 1.5}},
	} {
		if got := falling(c.values); !slices.Equal(got, c.want) {
			t.Errorf("falling(%v) = %v, want %v", c.values, got, c.want)
		}
	}
}
