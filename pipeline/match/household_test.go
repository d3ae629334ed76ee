package match

import (
	"context"
	"math"
	"math/rand/v2"
	"testing"

	"lintel/store"
)

// strangers counts that many strangers, each compared with that many persons,
// at the rates of the curve times a factor.
func strangers(r *rand.Rand, n, persons int, factor float64) store.StrangerDistances {
	s := store.StrangerDistances{Strangers: n, Counts: make([]int, 151)}
	for range n * persons {
		s.Counts[int(math.Ceil(100*min(1.2, Shipped().DistanceAt(min(1, r.Float64()/factor)))))]++
	}
	return s
}

func TestAdaptNeedsEnough(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for _, c := range []struct {
		strangers, persons int
		want               bool
	}{{0, 0, false}, {EnoughStrangers - 1, 20, false}, {EnoughStrangers, 9, false}, {EnoughStrangers, 10, true}, {1000, 4, true}} {
		curve, enough := Shipped().Adapt(strangers(r, c.strangers, c.persons, 1))
		if enough != c.want || (curve == Shipped()) == c.want {
			t.Errorf("%d strangers and %d persons: adapted %v", c.strangers, c.persons, enough)
		}
	}
}

func TestAdapt(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 2))
	c := Shipped()
	for _, test := range []struct {
		name      string
		own       store.StrangerDistances
		low, high float64 // of the rate at 0.6 over the shipped one
	}{
		{"as expected", strangers(r, 400, 5, 1), 0.6, 1.6},
		{"relatives", strangers(r, 400, 5, 8), 2, 9},
		{"many relatives", strangers(r, 20000, 5, 8), 6.5, 9},
		{"nobody near", strangers(r, 20000, 5, 0.01), 0.2, 0.5}, // held by the interval's lower end
		{"all at the end", store.StrangerDistances{Strangers: 60, Counts: append(make([]int, 150), 600)}, 0.3, 1},
	} {
		adapted, enough := c.Adapt(test.own)
		if !enough {
			t.Fatalf("%s: not adapted", test.name)
		}
		if ratio := adapted.FMR(0.6) / c.FMR(0.6); ratio < test.low || ratio > test.high {
			t.Errorf("%s: the rate at 0.6 is %v of the shipped one", test.name, ratio)
		}
		if ratio := adapted.FMR(0.35) / c.FMR(0.35); ratio < 0.9 && test.name != "nobody near" {
			t.Errorf("%s: the tail fell to %v of what it was", test.name, ratio)
		}
		for i := range entries {
			last := max(0, i-1)
			if adapted.Rate[i] < c.Low[i] || adapted.Rate[i] < adapted.Rate[last] || adapted.Low[i] > adapted.Rate[i] ||
				adapted.High[i] < adapted.Rate[i] || adapted.High[i] > 1 || adapted.Evidence[i] > adapted.Evidence[last] {
				t.Fatalf("%s: entry %d: %v, from %v to %v; the shipped one is from %v", test.name, i, adapted.Rate[i], adapted.Low[i], adapted.High[i], c.Low[i])
			}
		}
	}
}

// A source of a gallery that counts how often it is read.
type source struct {
	revision int64
	refs     []store.Reference
	prior    float64
	reads    int
	err      error
}

func (s *source) GalleryRevision(context.Context) (int64, error) { return s.revision, nil }
func (s *source) Gallery(context.Context) ([]store.Reference, error) {
	s.reads++
	return s.refs, s.err
}
func (s *source) Prior(context.Context) (float64, error) { return s.prior, nil }
func (s *source) StrangerDistances(context.Context) (store.StrangerDistances, error) {
	return store.StrangerDistances{}, nil
}

func TestCurrentGallery(t *testing.T) {
	s := &source{refs: []store.Reference{{Person: "ada"}}}
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
