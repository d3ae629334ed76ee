package policy

import (
	"reflect"
	"testing"

	"lintel/internal/house"
)

// TestSaidIsNoMatch holds that what a resident says of a face never helps a suggestion:
// a name that was said is no match, and a match that was denied is none any more.
func TestSaidIsNoMatch(t *testing.T) {
	says := func(answer house.Answer, person string) *house.Said {
		return &house.Said{Answer: answer, Person: person}
	}
	for _, test := range []struct {
		name      string
		matched   bool // the face, as Ada's
		said      *house.Said
		suggested bool
	}{
		{"Ada, and nobody spoke", true, nil, true},
		{"Ada, and it is", true, says(house.AnswerYes, ada), true},
		{"Ada, and it is not", true, says(house.AnswerNo, ""), false},
		{"Ada, and it is Ben", true, says(house.AnswerElse, ben), false},
		{"Ada, and it is a stranger", true, says(house.AnswerElse, ""), false},
		{"Ada, and it is no face", true, says(house.AnswerNotFace, ""), false},
		{"a stranger, and it is Ada", false, says(house.AnswerElse, ada), false},
		{"a stranger, and it is no face", false, says(house.AnswerNotFace, ""), false},
	} {
		in := good()
		eachFace(&in, func(f *house.Face) {
			if f.Said = test.said; !test.matched {
				f.Match = nil
			}
		})
		if got := suggested(Decide(in)); got != test.suggested {
			t.Errorf("%s: suggested is %t", test.name, got)
		}
	}
	// Who else was seen withholds, whatever is said of them.
	in := good()
	in.Visit.Stills[0].Faces = append(in.Visit.Stills[0].Faces, house.Face{Said: says(house.AnswerNotFace, "")},
		house.Face{Said: says(house.AnswerElse, ada)})
	if suggested(Decide(in)) {
		t.Error("suggested, though others were seen")
	}
}

// TestSaidHelpsNoParcel has said what can be said of each face of a ring that a parcel
// is expected by: nothing more speaks in favour.
func TestSaidHelpsNoParcel(t *testing.T) {
	for _, person := range []string{"", ada, ben} {
		for _, answer := range []house.Answer{house.AnswerYes, house.AnswerNo, house.AnswerElse, house.AnswerNotFace} {
			plain, said := parcelGood(), parcelGood()
			eachFace(&said, func(f *house.Face) { f.Said = &house.Said{Answer: answer, Person: person} })
			if a, b := DecideParcel(plain), DecideParcel(said); !suggested(a) && suggested(b) ||
				suggested(b) && !reflect.DeepEqual(inFavour(a), inFavour(b)) {
				t.Errorf("%s, %q: suggested %t, and without %t", answer, person, suggested(b), suggested(a))
			}
			for _, in := range []*Input{&plain, &said} {
				eachFace(in, func(f *house.Face) { f.Match = faceOf(ben, 2).Match })
			}
			if a, b := DecideParcel(plain), DecideParcel(said); !suggested(a) && suggested(b) {
				t.Errorf("Ben, %s, %q: suggested by what was said", answer, person)
			}
		}
	}
}
