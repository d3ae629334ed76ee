package match

import (
	"context"
	"math"
	"math/rand/v2"
	"testing"

	"lintel/internal/house"
)

// strangers counts that many strangers, each compared with that many persons,
// at the rates of the curve times a factor.
func strangers(r *rand.Rand, n, persons int, factor float64) house.StrangerDistances {
	s := house.StrangerDistances{Strangers: n, Counts: make([]int, 151)}
	for range n * persons {
		s.Counts[int(math.Ceil(100*min(1.2, Shipped().DistanceAt(min(1, r.Float64()/factor)))))]++
	}
	return s
}

func TestAdapt(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 2))
	c := Shipped()
	near := house.StrangerDistances{Strangers: 1, Counts: make([]int, 151)}
	near.Counts[42], near.Counts[80] = 1, 3 // somebody at 0.42, and far from three others
	for _, test := range []struct {
		name      string
		own       house.StrangerDistances
		low, high float64 // of the rate at 0.45 over the shipped one
	}{
		{"none", house.StrangerDistances{}, 1, 1},
		{"none compared", house.StrangerDistances{Strangers: 5, Counts: make([]int, 151)}, 1, 1},
		{"one who is near", near, 1.8, 2},                   // (1 + 1)/(1 + 4·F)
		{"too few to fall", strangers(r, 9, 4, 1e-6), 1, 1}, // nobody near
		{"enough to fall", strangers(r, 10, 4, 1e-6), 0.8, 0.99},
		{"nobody near", strangers(r, 20000, 4, 1e-6), 0, 0.999}, // held by the estimate
		{"as expected", strangers(r, 400, 5, 1), 0.7, 1.4},
		{"relatives", strangers(r, 20, 4, 8), 1.5, 8},
		{"many relatives", strangers(r, 20000, 5, 8), 7, 9},
		{"all at the end", house.StrangerDistances{Strangers: 60, Counts: append(make([]int, 150), 600)}, 0.3, 1},
	} {
		adapted := c.Adapt(test.own)
		if ratio := adapted.FMR(0.45) / c.FMR(0.45); ratio < test.low || ratio > test.high {
			t.Errorf("%s: the rate at 0.45 is %v of the shipped one, want %v to %v", test.name, ratio, test.low, test.high)
		}
		for i := range entries {
			last := max(0, i-1)
			if adapted.Rate[i] < c.Estimate[i] || adapted.Rate[i] < adapted.Rate[last] || adapted.Rate[i] > 1 ||
				adapted.Evidence[i] > adapted.Evidence[last] || adapted.Estimate[i] > adapted.Rate[i] {
				t.Fatalf("%s: entry %d: %v, the estimate is %v", test.name, i, adapted.Rate[i], c.Estimate[i])
			}
		}
	}
}

// The rule worked by hand: of a rate of 1 %, one false match in 100, two in 20
// comparisons make 3/120.
func TestCorrected(t *testing.T) {
	if got := corrected(0.01, 2, 20); math.Abs(got-0.025) > 1e-12 {
		t.Errorf("%v, want 0.025", got)
	}
}

// TestMeasureAdapt says after how many strangers the curve has followed a
// household whose strangers look like its four persons eight times as often as
// the curve says, or never: the distance where naming ends.
func TestMeasureAdapt(t *testing.T) {
	size := Size{4, 4}
	for _, factor := range []float64{8, 1, 1e-6} {
		for _, n := range []int{1, 5, 10, 20, 50, 100, 400} {
			sum, end := 0.0, 0.0
			const draws = 50
			for i := range uint64(draws) {
				adapted := Shipped().Adapt(strangers(rand.New(rand.NewPCG(i, 7)), n, 4, factor))
				sum += adapted.FMR(0.45) / Shipped().FMR(0.45) / draws
				end += adapted.Threshold(Weak.Limit(), size) / draws
			}
			t.Logf("strangers alike %g times as often, after %d: the rate at 0.45 is %.2g of the shipped one; naming ends "+
				"at %.3f (%.3f)",
				factor, n, sum, end, Shipped().Threshold(Weak.Limit(), size))
		}
	}
}

// A source of a gallery that counts how often it is read.
type source struct {
	revision int64
	refs     []house.Reference
	prior    float64
	reads    int
	err      error
}

func (s *source) GalleryRevision(context.Context) (int64, error) { return s.revision, nil }
func (s *source) Gallery(context.Context) ([]house.Reference, error) {
	s.reads++
	return s.refs, s.err
}
func (s *source) Prior(context.Context) (float64, error) { return s.prior, nil }
func (s *source) StrangerDistances(context.Context) (house.StrangerDistances, error) {
	return house.StrangerDistances{}, nil
}

func TestCurrentGallery(t *testing.T) {
	s := &source{refs: []house.Reference{{Person: "ada"}}}
	current := NewCurrent(s)
	look := func(size, reads int, prior float64) {
		t.Helper()
		g, err := current.Gallery(t.Context())
		if err != nil || g.Size().References != size || s.reads != reads || g.Prior() != prior {
			t.Errorf("%+v after %d reads, prior %v, %v", g.Size(), s.reads, g.Prior(), err)
		}
	}
	look(1, 1, DefaultPrior)
	look(1, 1, DefaultPrior)
	s.refs, s.prior, s.revision = append(s.refs, s.refs...), 0.8, 1
	look(2, 2, 0.8)
	look(2, 2, 0.8)
	s.err, s.revision = context.DeadlineExceeded, 2
	if _, err := current.Gallery(t.Context()); err == nil {
		t.Error("a gallery that could not be read was taken for current")
	}
	s.err = nil
	look(2, 4, 0.8)
}
