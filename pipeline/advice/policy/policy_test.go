package policy

import (
	"encoding/json"
	"slices"
	"testing"
	"time"

	"lintel/internal/house"
)

func TestDecideSuggests(t *testing.T) {
	in := good()
	a := Decide(in)
	if !suggested(a) {
		t.Fatalf("withheld: %v", a.Conditions)
	}
	if a.Person != ada || a.Visit != "v1" || a.Door != front || !a.At.Equal(evening) || a.ID != "" || a.By != "" {
		t.Errorf("advice %+v", a)
	}
	if !a.ExpiresAt.Equal(evening.Add(time.Minute)) {
		t.Errorf("expires at %s", a.ExpiresAt)
	}
	if !slices.Equal(a.Factors, []string{"f-arrival"}) {
		t.Errorf("rests on %v", a.Factors)
	}
	order := []string{On, Home, Wait, Door, Fresh, Healthy, Clock, People, Consent, Allowed, Never, Time, Match, Frames,
		Quality, Alike, Factors}
	var got []string
	for _, c := range a.Conditions {
		got = append(got, c.Code)
		t.Logf("%-8s %s", c.Code, says(in, c))
	}
	if !slices.Equal(got, order) {
		t.Errorf("conditions %v", got)
	}
	// No factor is spent that is not needed, and the one that says most is.
	in.Factors = append(in.Factors, code("f-code", ada))
	if a := Decide(in); !slices.Equal(a.Factors, []string{"f-code"}) {
		t.Errorf("with two kinds where one is needed, rests on %v", a.Factors)
	}
	// A suggestion does not outlive its factor.
	in.Factors[1].Until = evening.Add(20 * time.Second)
	if a := Decide(in); !a.ExpiresAt.Equal(evening.Add(20 * time.Second)) {
		t.Errorf("a suggestion by a factor of 20 s expires at %s", a.ExpiresAt)
	}
}

// TestDecideSeveralRules holds that of several rules each must be met.
func TestDecideSeveralRules(t *testing.T) {
	in := good()
	lax := ruleFor("r-lax", ada)
	lax.Band, lax.Liveness, lax.CantTell = "fair", house.Doubtful, true
	in.Rules = append(in.Rules, lax)
	eachFace(&in, func(f *house.Face) { f.Match.Band, f.Match.FPIR = "fair", 5e-4 })
	if a := Decide(in); suggested(a) || conditionOf(t, a, Match).Met {
		t.Error("a laxer rule loosened the band")
	}
	for _, order := range []bool{false, true} {
		for what, change := range map[string]func(*Input){
			"signs":      func(in *Input) { eachFace(in, func(f *house.Face) { f.Liveness.Level = house.Doubtful }) },
			"one still":  oneStill,
			"the band":   func(in *Input) { eachFace(in, func(f *house.Face) { f.Match.Band, f.Match.FPIR = "fair", 5e-4 }) },
			"no factors": func(in *Input) { in.Factors = nil },
		} {
			in := good()
			in.Rules = append(in.Rules, lax)
			if order {
				slices.Reverse(in.Rules)
			}
			change(&in)
			if suggested(Decide(in)) {
				t.Errorf("a laxer rule loosened what is asked of %s", what)
			}
		}
	}
	in = good()
	other := ruleFor("r-token", ada)
	other.Factors = []house.FactorKind{house.FactorToken}
	in.Rules = append(in.Rules, other)
	if a := Decide(in); suggested(a) {
		t.Error("suggested though one of two rules had no factor")
	}
	token := arrival("f-token", ada)
	token.Kind = house.FactorToken
	in.Factors = append(in.Factors, token)
	a := Decide(in)
	slices.Sort(a.Factors)
	if !suggested(a) || !slices.Equal(a.Factors, []string{"f-arrival", "f-token"}) {
		t.Errorf("%s, rests on %v: %v", a.State, a.Factors, unmet(a))
	}
}

// TestDecideCompany holds that the suggestion is for whoever gave the factor.
func TestDecideCompany(t *testing.T) {
	in := good()
	joinedBy(&in, ben)
	in.Rules = append(in.Rules, ruleFor("r-ben", ben))
	in.Factors = []house.Factor{arrival("f-ben", ben)}
	a := Decide(in)
	if !suggested(a) || a.Person != ben || !slices.Equal(a.Factors, []string{"f-ben"}) {
		t.Errorf("%s for %s by %v", a.State, a.Person, a.Factors)
	}
}

// TestDecideTwinSpendsTheCode holds that a factor which settled who it is
// counts as used, though the rule did not need it.
func TestDecideTwinSpendsTheCode(t *testing.T) {
	in := good()
	in.Alike[ada] = []string{cy}
	in.Rules[0].Factors = []house.FactorKind{house.FactorArrival}
	in.Factors = append(in.Factors, code("f-code", ada))
	a := Decide(in)
	if !suggested(a) || !slices.Equal(a.Factors, []string{"f-arrival", "f-code"}) {
		t.Errorf("%s by %v", a.State, a.Factors)
	}
}

// TestBellCondition claims no more of the bell than can fail: the ring itself is
// the last that was heard of it, so silence is no part of it.
func TestBellCondition(t *testing.T) {
	in := good()
	for _, c := range Decide(in).Conditions {
		if c.Code == Healthy && (!c.Met || says(in, c) != "Nobody came in the bell's name with a wrong secret lately, "+
			"and nothing is known to be wrong with the bell.") {
			t.Errorf("of a good bell: %+v", c)
		}
	}
}

// TestDecideKeepsItsInput and says the same twice.
func TestDecideKeepsItsInput(t *testing.T) {
	in := good()
	in.Misses = missed(ada, time.Minute, 2*time.Minute)
	in.Factors = append(in.Factors, code("f-code", ada))
	before, first := dump(t, in), dump(t, Decide(in))
	if dump(t, DecideParcel(in)); dump(t, in) != before {
		t.Error("the input changed")
	}
	if dump(t, Decide(in)) != first {
		t.Error("another decision the second time")
	}
}

func dump(t testing.TB, v any) string {
	t.Helper()
	if in, ok := v.(Input); ok {
		in.Zone = nil
		v = in
	}
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}
