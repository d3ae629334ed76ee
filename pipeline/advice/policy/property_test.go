package policy

import (
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"lintel/internal/house"
)

// TestDoubtNeverHelps takes many inputs, adds a doubt to each, and finds none
// that was withheld and is then suggested. It also finds each doubt to make a
// difference somewhere, or it would be none.
func TestDoubtNeverHelps(t *testing.T) {
	t.Parallel()
	turned := make(map[string]int)
	tried, were := 0, 0
	ways := []func(Input) house.Advice{Decide, decideParcelAtGarage}
	seeds := fewer(3000)
	for seed := range uint64(seeds) {
		base := drawn(seeded(seed))
		var before []bool
		for _, decide := range ways {
			before = append(before, suggested(decide(base)))
		}
		if before[0] {
			were++
		}
		for name, doubt := range doubts {
			in := drawn(seeded(seed))
			doubt(&in, seeded(seed+1<<32))
			for i, decide := range ways {
				tried++
				after := suggested(decide(in))
				if !before[i] && after {
					t.Fatalf("seed %d: %s, and way %d suggests: %s", seed, name, i, dumpInput(in))
				}
				if before[i] && !after {
					turned[name]++
				}
			}
		}
	}
	t.Logf("%d pairs; of %d inputs %d are suggested", tried, seeds, were)
	if were < seeds/20 {
		t.Errorf("only %d of the inputs are suggested, too few to tell", were)
	}
	for name := range doubts {
		if turned[name] == 0 && !raceDetector {
			t.Errorf("%q never made a difference", name)
		}
	}
}

// fewer is how many to try where the race detector makes it slow.
func fewer(n int) int {
	if raceDetector {
		return n / 20
	}
	return n
}

// decideParcelAtGarage decides of a parcel at a door for parcels, as if whom drawn
// knows were strangers; whom a doubt brings along stays known.
func decideParcelAtGarage(in Input) house.Advice {
	if in.Door.ID != "" {
		in.Door.Parcel = true
	}
	eachFace(&in, func(f *house.Face) {
		if f.Match != nil && f.Match.Person != "p-dee" {
			f.Match = nil
		}
	})
	return DecideParcel(in)
}

func dumpInput(in Input) string {
	a := Decide(in)
	s := a.Person
	for _, c := range a.Conditions {
		s += "\n" + c.Code + ": " + says(in, c)
	}
	return s
}

// TestAnotherRuleNeverLoosens adds a rule where one holds already.
func TestAnotherRuleNeverLoosens(t *testing.T) {
	tried := 0
	for seed := range uint64(fewer(20_000)) {
		in := drawn(seeded(seed))
		before := Decide(in)
		if suggested(before) || !conditionOf(t, before, Time).Met {
			continue
		}
		tried++
		more := seeded(seed + 1<<32)
		r := ruleFor("r9", pick(more, ada, ben, cy))
		// For somebody to whom a rule allows nothing now it may allow something,
		// which is what rules are for.
		if i := slices.IndexFunc(ask(in).visitors, func(v *visitor) bool { return v.id == r.Person }); i < 0 ||
			len(ask(in).visitors[i].ruling.holding) == 0 {
			continue
		}
		r.Need, r.Band, r.Liveness, r.CantTell, r.Holidays = 1, "fair", house.Doubtful, true, true
		in.Rules = append(in.Rules, r)
		if suggested(Decide(in)) {
			t.Fatalf("seed %d: another rule, and it is suggested: %s", seed, dumpInput(in))
		}
	}
	if tried < fewer(500) {
		t.Errorf("only %d inputs tell", tried)
	}
}

// soundly checks what must hold of any advice, by a plain reading of the input
// that shares no code with the decision.
func soundly(t *testing.T, in Input, a house.Advice) {
	t.Helper()
	all := true
	for i, c := range a.Conditions {
		all = all && c.Met
		if i == len(conditions) && c.Code == Sign && !c.Met && len(c.Reasons) > 0 {
			continue // after all that can be met
		}
		if len(c.Reasons) == 0 || i >= len(conditions) || c.Code != conditions[i].code {
			t.Errorf("condition %d is %+v", i, c)
		}
	}
	if len(a.Conditions) < len(conditions) || all != suggested(a) || a.State != house.Suggested &&
		a.State != house.Withheld {
		t.Fatalf("%s with %d conditions, all met: %t", a.State, len(a.Conditions), all)
	}
	if !suggested(a) {
		if a.Factors != nil || !a.ExpiresAt.IsZero() {
			t.Errorf("withheld advice expires at %s and rests on %v", a.ExpiresAt, a.Factors)
		}
		return
	}
	must := func(ok bool, what string) {
		t.Helper()
		if !ok {
			t.Fatalf("suggested, though not: %s", what)
		}
	}
	must(!in.House.Paused && !in.Now.Before(in.House.AwayUntil), "on and at home")
	age := in.Now.Sub(in.Visit.ReceivedAt)
	must(age >= 0 && age < time.Minute, "fresh")
	must(in.Visit.Bell == in.Door.Bell && in.Bell.Name == in.Visit.Bell, "the door's bell")
	for _, spell := range in.Bell.Ailing {
		must(!spell.Ailment.Withholds(), "a bell that is well")
	}
	must(a.ExpiresAt.After(in.Now) && !a.ExpiresAt.After(in.Now.Add(5*time.Minute)), "an end within 5 minutes")
	must(len(a.Factors) > 0, "a factor")
	for _, id := range a.Factors {
		must(slices.ContainsFunc(in.Factors, func(f house.Factor) bool {
			return f.ID == id && f.Person == a.Person && f.UsedBy == "" && !f.At.After(in.Now) && f.Until.After(in.Now) &&
				f.Source != "porch" && f.Strength > 0 && (f.Kind != house.FactorResident || f.Visit == in.Visit.ID)
		}), "a good factor of the person's, "+id)
	}
	for _, s := range in.Visit.Stills {
		must(s.State == house.Done && !s.Damaged, "stills examined")
		for _, f := range s.Faces {
			must(f.Match != nil && (f.Match.Band == "strong" || f.Match.Band == "fair") && f.Match.Distance < 0.58 &&
				f.Match.FPIR <= 1e-3, "a match")
			must(f.Liveness != nil && f.Liveness.Level != house.Picture && f.Quality != nil && f.Quality.FaceWidth >= 24,
				"a face judged")
			must(in.Persons[f.Match.Person].Consent != nil, "consent")
			must(slices.ContainsFunc(in.Rules,
				func(r house.DoorRule) bool { return r.Allowed && r.Person == f.Match.Person && r.Door == in.Door.ID }),
				"a rule")
			for _, r := range in.Rules {
				if r.Person == f.Match.Person && r.Door == in.Door.ID {
					must(r.Allowed || r.From > 0 || r.To < 1440 || !r.Days[in.Now.In(in.Zone).Weekday()], "no rule says never")
				}
			}
		}
	}
}

func TestDecideSoundly(t *testing.T) {
	were := 0
	for seed := range uint64(fewer(100_000)) {
		in := drawn(seeded(seed))
		a := Decide(in)
		soundly(t, in, a)
		if suggested(a) {
			were++
		}
	}
	t.Logf("%d are suggested", were)
}

// FuzzDecide looks for inputs that panic, or that are suggested against a plain
// reading. Bytes choose what is odd about the input.
func FuzzDecide(f *testing.F) {
	f.Add([]byte{})
	f.Add([]byte{1, 1, 0, 3, 2, 250, 7, 1, 1, 9})
	for seed := range uint64(16) {
		r := rand.New(rand.NewPCG(seed, 7))
		data := make([]byte, 300)
		for i := range data {
			data[i] = byte(r.IntN(256))
		}
		f.Add(data)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		in := drawn(bytesOf(data))
		soundly(t, in, Decide(in))
		p := DecideParcel(in)
		if suggested(p) && (!in.Door.Parcel || p.Person != "" || p.Parcel == "" || !p.ExpiresAt.After(in.Now)) {
			t.Fatalf("a parcel: %+v", p)
		}
		DryRun([]house.Visit{in.Visit}, in, kinds)
		Check(in.Rules)
		Conflicts(in.Rules)
		for _, r := range in.Rules {
			Restate(r)
		}
		for _, r := range in.Parcels {
			RestateParcel(r, in.Door, in.Zone)
		}
	})
}

// TestDecideNothing has nothing known at all.
func TestDecideNothing(t *testing.T) {
	for _, a := range []house.Advice{Decide(Input{}), DecideParcel(Input{})} {
		if suggested(a) {
			t.Error("suggested")
		}
		for _, c := range a.Conditions {
			if c.Met || len(c.Reasons) == 0 {
				t.Errorf("%s is met: %t (%v)", c.Code, c.Met, c.Reasons)
			}
		}
	}
}
