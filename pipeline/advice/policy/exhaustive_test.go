package policy

import (
	"math"
	"slices"
	"testing"
	"time"

	"lintel/internal/house"
)

// A breach makes one condition fail, in one way where what is asked for is
// known not to hold, and in another where it can't be told. implied are
// conditions that can't be told any more then, since they go by the same.
type breach struct {
	code             string
	unmet            func(*Input)
	implied          []string
	unknown          func(*Input)
	impliedByUnknown []string
}

// byRule are what can't be met where no rule holds.
var byRule = []string{Time, Match, Factors}

var breaches = []breach{
	{On, func(in *Input) { in.House.Paused = true }, nil,
		func(in *Input) { in.House.Expiry = 0 }, nil},
	{Home, func(in *Input) { in.House.AwayUntil = evening.Add(time.Hour) }, nil,
		func(in *Input) { in.House = nil }, slices.Concat(byRule, []string{On, Wait, Never})},
	{Wait, func(in *Input) { in.Misses = missed(ada, 1, 2, 3) }, nil,
		func(in *Input) { in.Misses = nil }, nil},
	{Door, func(in *Input) { in.Door.Bell = "back" }, nil,
		func(in *Input) { in.Door.Bell = "" }, nil},
	{Fresh, func(in *Input) { in.Visit.ReceivedAt = evening.Add(-2 * time.Minute) }, nil,
		func(in *Input) { in.Visit.ReceivedAt = time.Time{} }, nil},
	{Healthy, func(in *Input) { in.Bell.RefusedAt = evening.Add(-time.Minute) }, nil,
		func(in *Input) { in.Bell = nil }, nil},
	{Clock, func(in *Input) { in.Clock.JumpedAt = evening.Add(-time.Minute) }, nil,
		func(in *Input) { in.Clock = nil }, nil},
	{People, func(in *Input) { in.Visit.Stills[0].Faces = append(in.Visit.Stills[0].Faces, house.Face{}) }, nil,
		func(in *Input) { in.Visit.Stills[0].State = house.Pending }, nil},
	{Consent, func(in *Input) { in.Persons[ada] = house.Person{ID: ada, Name: "Ada Quill"} }, nil,
		func(in *Input) { delete(in.Persons, ada) }, nil},
	{Allowed, func(in *Input) {
		in.Rules = slices.DeleteFunc(in.Rules, func(r house.DoorRule) bool { return r.Allowed })
	}, byRule, func(in *Input) { in.Rules = append(in.Rules, house.DoorRule{Person: ada, Door: front}) },
		[]string{Never}},
	{Never, func(in *Input) { in.Rules = append(in.Rules, never("n", ada)) }, nil,
		func(in *Input) { in.Zone = nil }, byRule},
	{Time, func(in *Input) { in.Rules[0].To = 8 * 60 }, byRule,
		func(in *Input) { in.Zone = nil }, slices.Concat(byRule, []string{Never})},
	{Match, func(in *Input) {
		eachFace(in, func(f *house.Face) { editMatch(f, func(m *house.Match) { m.Band = "weak" }) })
	}, nil,
		func(in *Input) {
			eachFace(in, func(f *house.Face) { editMatch(f, func(m *house.Match) { m.Distance = math.NaN() }) })
		}, nil},
	{Frames, func(in *Input) {
		eachFace(in, func(f *house.Face) { editMatch(f, func(m *house.Match) { m.Frames = 1 }) })
	}, nil,
		func(in *Input) {
			eachFace(in, func(f *house.Face) { editMatch(f, func(m *house.Match) { m.Frames = 0 }) })
		}, nil},
	{Quality, func(in *Input) {
		eachFace(in, func(f *house.Face) {
			if f.Quality != nil {
				f.Quality.Luma = 3
			}
		})
	}, nil,
		func(in *Input) { eachFace(in, func(f *house.Face) { f.Quality = nil }) }, nil},
	{Alike, func(in *Input) {
		if in.Alike != nil {
			in.Alike[ada] = []string{cy}
		}
	}, nil,
		func(in *Input) { in.Alike = nil }, nil},
	{Factors, func(in *Input) { in.Factors = nil }, nil,
		func(in *Input) { in.Factors = []house.Factor{{ID: "f", Person: ada}} }, nil},
	// Not among those that can be met: it is listed where it withholds, as the last.
	{Sign, func(in *Input) {
		eachFace(in, func(f *house.Face) {
			if f.Liveness != nil {
				f.Liveness.Level = house.Picture
			}
		})
	}, nil, func(in *Input) { eachFace(in, func(f *house.Face) { f.Liveness = nil }) }, nil},
}

func editMatch(f *house.Face, edit func(*house.Match)) {
	if f.Match != nil {
		edit(f.Match)
	}
}

// TestDecideEveryCombination goes through all 2^18 ways that the 17 conditions
// hold or not and a picture withholds or not. It is suggested in exactly one of
// them; in every one each condition is told right and in its place, whatever the
// others are, and that of pictures only where it withholds.
func TestDecideEveryCombination(t *testing.T) {
	if len(breaches) != len(conditions)+1 {
		t.Fatalf("%d breaches of %d conditions and pictures", len(breaches), len(conditions))
	}
	t.Parallel()
	suggestions, step := 0, 1
	if raceDetector {
		step = 61 // it is about ten times as slow
	}
	for mask := 0; mask < 1<<len(breaches); mask += step {
		in := good()
		// From the last, since a rule is changed before it is taken away.
		for i := len(breaches) - 1; i >= 0; i-- {
			if mask>>i&1 == 1 {
				breaches[i].unmet(&in)
			}
		}
		a := Decide(in)
		if suggested(a) {
			suggestions++
		} else if len(a.Unmet()) == 0 {
			t.Fatalf("%018b: withheld for nothing that was asked", mask)
		}
		if suggested(a) != (mask == 0) {
			t.Fatalf("%018b: %s", mask, a.State)
		}
		implied := make(map[string]bool)
		for i, b := range breaches {
			if mask>>i&1 == 1 {
				for _, code := range b.implied {
					implied[code] = true
				}
			}
		}
		picture := mask >> len(conditions) & 1
		if len(a.Conditions) != len(conditions)+picture {
			t.Fatalf("%018b: %d conditions", mask, len(a.Conditions))
		}
		for i, b := range breaches[:len(a.Conditions)] {
			c := a.Conditions[i]
			broken := mask>>i&1 == 1
			if c.Code != b.code || len(c.Reasons) == 0 {
				t.Fatalf("%018b: condition %d is %+v", mask, i, c)
			}
			if want := !broken && !implied[b.code]; c.Met != want || c.Met && c.NotAsked {
				t.Fatalf("%018b: %s is met: %t, not asked: %t (%v)", mask, b.code, c.Met, c.NotAsked, c.Reasons)
			}
		}
	}
	if suggestions != 1 {
		t.Errorf("%d suggestions", suggestions)
	}
}

// TestDecideAllButOne has each condition alone not met, and alone not known.
func TestDecideAllButOne(t *testing.T) {
	for _, b := range breaches {
		for name, way := range map[string]struct {
			change  func(*Input)
			implied []string
		}{"unmet": {b.unmet, b.implied}, "unknown": {b.unknown, b.impliedByUnknown}} {
			in := good()
			way.change(&in)
			a := Decide(in)
			if suggested(a) {
				t.Errorf("%s %s, and it is suggested", b.code, name)
			}
			for _, c := range a.Conditions {
				if want := c.Code != b.code && !slices.Contains(way.implied, c.Code); c.Met != want {
					t.Errorf("%s %s: %s is met: %t (%v)", b.code, name, c.Code, c.Met, c.Reasons)
				}
			}
			t.Logf("%-8s %-8s %s", b.code, name, says(in, conditionOf(t, a, b.code)))
		}
	}
}

// TestDecideUnknownPairs has every two conditions not met or not known.
func TestDecideUnknownPairs(t *testing.T) {
	ways := func(b breach) []func(*Input) { return []func(*Input){b.unmet, b.unknown} }
	for i, one := range breaches {
		for _, other := range breaches[:i] {
			for _, first := range ways(one) {
				for _, second := range ways(other) {
					// What takes something away comes last, or it could not be changed.
					for _, order := range [][]func(*Input){{first, second}, {second, first}} {
						in, ok := good(), true
						for _, change := range order {
							ok = ok && try(change, &in)
						}
						if a := Decide(in); ok && suggested(a) {
							t.Errorf("%s and %s, and it is suggested", one.code, other.code)
						}
					}
				}
			}
		}
	}
}

// try makes a change, and reports whether there was something to change.
func try(change func(*Input), in *Input) (ok bool) {
	defer func() { ok = recover() == nil }()
	change(in)
	return true
}
