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

func TestOdds(t *testing.T) {
	tests := []struct {
		fpir float64
		want string
	}{
		{0, "fewer than 1 stranger in 10\u202f000"}, // measured as none
		{1e-9, "fewer than 1 stranger in 10\u202f000"},
		{1e-4, "fewer than 1 stranger in 10\u202f000"},
		{1.25e-4, "about 1 stranger in 8\u202f000"},
		{1e-3, "about 1 stranger in 1\u202f000"},
		{1.0 / 1234, "about 1 stranger in 1\u202f200"},
		{1e-2, "about 1 stranger in 100"},
		{1.0 / 7, "about 1 stranger in 7"},
	}
	for _, test := range tests {
		if got := Odds(test.fpir); got != test.want {
			t.Errorf("Odds(%g) = %q, want %q", test.fpir, got, test.want)
		}
	}
}

func TestGrouped(t *testing.T) {
	for n, want := range map[float64]string{
		1: "1", 9.6: "10", 99: "99", 123: "120", 129: "120", 999: "990", 1000: "1\u202f000", 9999: "9\u202f900",
		9999.6: "10\u202f000", 1234567: "1\u202f200\u202f000",
	} {
		if got := grouped(n); got != want {
			t.Errorf("grouped(%v) = %q, want %q", n, got, want)
		}
	}
}
