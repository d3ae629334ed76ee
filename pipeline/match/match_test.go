package match

import (
	"math"
	"math/big"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/floats"

	"lintel/internal/house"
)

// Outside: 1-(1-p)^N worked in math/big with 400 bits, where float64 would
// lose small rates.
func TestFPIR(t *testing.T) {
	for _, distance := range []float64{0.2, 0.3, 0.45, 0.55} {
		for _, n := range []int{1, 10, 1000, 10000} {
			q := new(big.Float).SetPrec(400).SetFloat64(1)
			q.Sub(q, new(big.Float).SetPrec(400).SetFloat64(FMR(distance)))
			p := new(big.Float).SetPrec(400).SetFloat64(1)
			for range n {
				p.Mul(p, q)
			}
			one := new(big.Float).SetPrec(400).SetFloat64(1)
			want, _ := one.Sub(one, p).Float64()
			if got := FPIR(distance, n); math.Abs(got-want) > 1e-9*want {
				t.Errorf("FPIR(%v, %d) = %v, want %v", distance, n, got, want)
			}
		}
	}
}

// Outside: gonum's Euclidean distance.
func TestDistance(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for range 100 {
		a, b := randomDescriptor(r), randomDescriptor(r)
		want := floats.Distance(float64s(a), float64s(b), 2)
		if got := Distance(&a, &b); math.Abs(got-want) > 1e-6 {
			t.Errorf("Distance = %v, want %v", got, want)
		}
	}
}

func randomDescriptor(r *rand.Rand) (d house.Descriptor) {
	for i := range d {
		d[i] = float32(r.NormFloat64() / 10)
	}
	return d
}

func float64s(d house.Descriptor) []float64 {
	all := make([]float64, len(d))
	for i, v := range d {
		all[i] = float64(v)
	}
	return all
}
