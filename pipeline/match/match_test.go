package match

import (
	"fmt"
	"math"
	"math/big"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/floats"

	"lintel/store"
)

// The rates are those measured for the table in the doc comment: 0.005 % at
// 0.45 and 0.88 % at 0.60. Between them the logarithm is linear, so that the
// middle has the geometric mean.
func TestFMR(t *testing.T) {
	for _, c := range []struct{ distance, want float64 }{
		{0.45, 0.00005},
		{0.60, 0.0088},
		{0.525, math.Sqrt(0.00005 * 0.0088)},
		{2, 1},
	} {
		if got := FMR(c.distance); math.Abs(got-c.want) > 1e-9*c.want {
			t.Errorf("FMR(%v) = %v, want %v", c.distance, got, c.want)
		}
	}
	for d := 0.0; d < 1.4; d += 0.01 {
		if FMR(d) > FMR(d+0.01) {
			t.Errorf("FMR falls from %v on", d)
		}
	}
}

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

func TestBandOf(t *testing.T) {
	for _, c := range []struct {
		distance float64
		n        int
		want     Band
	}{
		{0, 0, None}, // nobody is enrolled
		{0.30, 1, Strong},
		{0.46, 1, Strong},
		{0.48, 1, Fair},
		{0.53, 1, Fair},
		{0.55, 1, Weak},
		{0.579, 1, Weak},
		{0.58, 1, None},
		{0.60, 1, None}, // dlib's default may never be a door's threshold
		{0.45, 2, Strong},
		{0.45, 3, Fair}, // the same distance is worth less in a larger gallery
		{0.45, 100, Weak},
		{0.45, 1000, None},
		{math.NaN(), 1, None},
		{math.Inf(1), 1, None},
	} {
		if got := BandOf(c.distance, c.n); got != c.want {
			t.Errorf("BandOf(%v, %d) = %s, want %s (FPIR %v)", c.distance, c.n, got, c.want, FPIR(c.distance, c.n))
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

func TestIdentify(t *testing.T) {
	at := func(x float32) store.Descriptor { return store.Descriptor{x} }
	gallery := []store.Reference{
		{Person: "ada", Descriptor: at(0.9)},
		{Person: "ben", Descriptor: at(0)},
		{Person: "ada", Descriptor: at(0.2)},
	}
	for _, c := range []struct {
		face    float32
		gallery []store.Reference
		want    string
	}{
		{0.25, gallery, "ada 0.05 strong"},
		{0.05, gallery, "ben 0.05 strong"},
		{-0.45, gallery, "ben 0.45 fair"},
		{-0.7, gallery, "stranger"},
		{0.25, nil, "stranger"},
	} {
		face := at(c.face)
		got := "stranger"
		if m := Identify(&face, c.gallery); m != nil {
			got = fmt.Sprintf("%s %.2f %s", m.Person, m.Distance, m.Band)
			if m.FPIR != FPIR(m.Distance, len(c.gallery)) {
				t.Errorf("at %v: FPIR = %v, not that of a gallery of %d", c.face, m.FPIR, len(c.gallery))
			}
		}
		if got != c.want {
			t.Errorf("at %v: %s, want %s", c.face, got, c.want)
		}
	}
}

func randomDescriptor(r *rand.Rand) (d store.Descriptor) {
	for i := range d {
		d[i] = float32(r.NormFloat64() / 10)
	}
	return d
}

func float64s(d store.Descriptor) []float64 {
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
