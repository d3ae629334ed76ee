package advise

import (
	"math"
	"slices"
	"testing"

	"lintel/store"
)

// inFavour are the conditions that are met.
func inFavour(a store.Advice) (met []store.Condition) {
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
	found := map[string]*store.Liveness{
		"no sign":         {Level: store.NoSign, Probability: 0, Frames: 2},
		"no sign, surely": {Level: store.NoSign, Probability: 0, Frames: 9, Findings: []store.Finding{{Sign: "edges"}}},
		"can't tell":      {Level: store.NoSign, Probability: 0.02, Frames: 2, CantTell: []string{"dark"}},
		"doubtful":        {Level: store.Doubtful, Probability: 0.4, Frames: 2},
		"a picture":       {Level: store.Picture, Probability: 0.98, Frames: 2},
		"no number":       {Level: store.NoSign, Probability: math.NaN(), Frames: 2},
		"of a later kind": {Level: "of-clay", Probability: 0.5, Frames: 2},
	}
	for way, decide := range map[string]func(Input) store.Advice{"a person": Decide, "a parcel": DecideParcel} {
		for rule, allowed := range map[string]store.LivenessLevel{"strict": store.NoSign, "lenient": store.Doubtful} {
			input := func(l *store.Liveness) Input {
				in := good()
				if way == "a parcel" {
					in = parcelGood()
				}
				in.Rules[0].Liveness, in.Rules[0].CantTell = allowed, allowed == store.Doubtful
				eachFace(&in, func(f *store.Face) { f.Liveness = l })
				return in
			}
			blind := decide(input(nil)) // nobody looked
			if suggested(blind) {
				t.Errorf("%s, %s rule: suggested, though nobody looked", way, rule)
			}
			for name, l := range found {
				a := decide(input(l))
				if !slices.Equal(inFavour(a), inFavour(blind)) {
					t.Errorf("%s, %s rule, %s: in favour %v, and without a look %v", way, rule, name, inFavour(a), inFavour(blind))
				}
				for _, c := range a.Conditions {
					if c.Code == Sign && c.Met {
						t.Errorf("%s, %s rule, %s: listed as fulfilled: %s", way, rule, name, c.Says)
					}
				}
			}
		}
	}
}

// TestTold leaves out what archives have of earlier versions, and nothing else.
func TestTold(t *testing.T) {
	on, sign := store.Condition{Code: On, Met: true, Says: "On."}, store.Condition{Code: Sign, Met: true, Says: "No sign."}
	against := store.Condition{Code: Sign, Says: "Signs."}
	kept := []store.Condition{on, sign, against}
	if got := Told(kept); !slices.Equal(got, []store.Condition{on, against}) {
		t.Errorf("%v", got)
	}
	if !slices.Equal(kept, []store.Condition{on, sign, against}) {
		t.Errorf("what was kept changed: %v", kept)
	}
}
