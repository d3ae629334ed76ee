package policy

import (
	"math"
	"reflect"
	"testing"

	"lintel/internal/house"
)

// inFavour are the conditions that are met.
func inFavour(a house.Advice) (met []house.Condition) {
	for _, c := range a.Conditions {
		if c.Met {
			met = append(met, c)
		}
	}
	return met
}

// TestPictureNeverInFavour holds that what is found of pictures adds nothing to
// what stands in favour of a suggestion, for persons and parcels: a face without
// a sign has no more of it than one that nobody looked at, or one that looks like
// a picture.
func TestPictureNeverInFavour(t *testing.T) {
	found := map[string]*house.Liveness{
		"no sign":         {Level: house.NoSign, Probability: 0, Frames: 2},
		"no sign, surely": {Level: house.NoSign, Probability: 0, Frames: 9, Findings: []house.Finding{{Sign: "edges"}}},
		"can't tell":      {Level: house.NoSign, Probability: 0.02, Frames: 2, CantTell: []string{"dark"}},
		"doubtful":        {Level: house.Doubtful, Probability: 0.4, Frames: 2},
		"a picture":       {Level: house.Picture, Probability: 0.98, Frames: 2},
		"no number":       {Level: house.NoSign, Probability: math.NaN(), Frames: 2},
		"of a later kind": {Level: "of-clay", Probability: 0.5, Frames: 2},
	}
	for way, decide := range map[string]func(Input) house.Advice{"a person": Decide, "a parcel": DecideParcel} {
		for rule, allowed := range map[string]house.LivenessLevel{"strict": house.NoSign, "lenient": house.Doubtful} {
			input := func(l *house.Liveness) Input {
				in := good()
				if way == "a parcel" {
					in = parcelGood()
				}
				in.Rules[0].Liveness, in.Rules[0].CantTell = allowed, allowed == house.Doubtful
				eachFace(&in, func(f *house.Face) { f.Liveness = l })
				return in
			}
			blind := decide(input(nil)) // nobody looked
			if suggested(blind) {
				t.Errorf("%s, %s rule: suggested, though nobody looked", way, rule)
			}
			for name, l := range found {
				a := decide(input(l))
				if !reflect.DeepEqual(inFavour(a), inFavour(blind)) {
					t.Errorf("%s, %s rule, %s: in favour %v, and without a look %v", way, rule, name, inFavour(a),
						inFavour(blind))
				}
				for _, c := range a.Conditions {
					if c.Code == Sign && c.Met {
						t.Errorf("%s, %s rule, %s: listed as fulfilled: %v", way, rule, name, c.Reasons)
					}
				}
			}
		}
	}
}

// TestTold leaves out what archives have of earlier versions, and nothing else.
func TestTold(t *testing.T) {
	on := house.Condition{Code: On, Met: true, Reasons: []house.Reason{{Code: onOn}}}
	sign := house.Condition{Code: Sign, Met: true}
	against := house.Condition{Code: Sign, Reasons: []house.Reason{{Code: picturePlain}}}
	kept := []house.Condition{on, sign, against}
	if got := Told(kept); !reflect.DeepEqual(got, []house.Condition{on, against}) {
		t.Errorf("%v", got)
	}
	if !reflect.DeepEqual(kept, []house.Condition{on, sign, against}) {
		t.Errorf("what was kept changed: %v", kept)
	}
}
