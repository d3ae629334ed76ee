package policy

import (
	"slices"
	"testing"

	"lintel/internal/house"
)

// What a rule needs and what is given, by hand from the package's comment:
// a weak factor is half a kind.
func TestWeakFactors(t *testing.T) {
	give := func(kind house.FactorKind, strength float64) house.Factor {
		f := arrival("f-"+string(kind), ada)
		f.Kind, f.Strength = kind, strength
		return f
	}
	for _, test := range []struct {
		name    string
		need    int
		given   []house.Factor
		rests   []string
		counted int
	}{
		{"an ordinary one", 1, []house.Factor{give(house.FactorArrival, house.Ordinary)}, []string{"f-arrival"}, 1},
		{"a weak one", 1, []house.Factor{give(house.FactorArrival, house.Slight)}, nil, 0},
		{"nearly ordinary", 1, []house.Factor{give(house.FactorArrival, 0.49)}, nil, 0},
		{"two weak ones of two kinds", 1, []house.Factor{give(house.FactorArrival, house.Slight),
			give(house.FactorToken, house.Slight)}, []string{"f-arrival", "f-token"}, 1},
		{"two weak ones of one kind", 1, []house.Factor{give(house.FactorArrival, house.Slight),
			func() house.Factor { f := give(house.FactorArrival, house.Slight); f.ID = "f-other"; return f }()}, nil, 0},
		{"a weak one beside an ordinary one", 1, []house.Factor{give(house.FactorArrival, house.Slight),
			give(house.FactorToken, house.Ordinary)}, []string{"f-token"}, 1},
		{"a weak one beside an ordinary one, where two are needed", 2, []house.Factor{
			give(house.FactorArrival, house.Slight), give(house.FactorToken, house.Ordinary)}, nil, 1},
		{"two weak ones beside a code, where two are needed", 2, []house.Factor{give(house.FactorArrival, house.Slight),
			give(house.FactorToken, house.Slight), code("f-code", ada)}, []string{"f-arrival", "f-code", "f-token"}, 2},
	} {
		in := good()
		in.Rules[0].Factors = []house.FactorKind{house.FactorArrival, house.FactorToken, house.FactorCode}
		in.Rules[0].Need, in.Factors = test.need, test.given
		a := Decide(in)
		slices.Sort(a.Factors)
		if !slices.Equal(a.Factors, test.rests) || suggested(a) != (test.rests != nil) {
			t.Errorf("%s: %s, rests on %q, want %q", test.name, a.State, a.Factors, test.rests)
		}
		if got := kindsGiven(in.Rules[0], ask(in).visitors[0].factors); got != test.counted {
			t.Errorf("%s: %d kinds are told as given, want %d", test.name, got, test.counted)
		}
	}
}
