package review

import (
	"math"
	"testing"

	"lintel/internal/house"
)

// TestThreshold judges the visits of a small household at several distances. The
// counts are worked out by hand from the distances.
func TestThreshold(t *testing.T) {
	h, ada, ben, _, weak := newDoubtfulHouse(t)
	d := h.weakly()
	h.seen(faceAt(descriptorAt(1, .1)))
	wrong := h.seen(faceAt(descriptorAt(2, .15)))
	h.seen(faceAt(descriptorAt(3, .3))) // more than 1 from everybody
	nothing := h.seen(faceAt(descriptorAt(1, .2)))
	h.answers(wrong, Given{Answer: house.AnswerElse})
	h.answers(nothing, Given{Answer: house.AnswerNotFace})
	past, err := h.LookBack(t.Context())
	if err != nil || past.Cut || len(past.Searches) != 4 {
		t.Fatalf("%d searches, cut %t, %v", len(past.Searches), past.Cut, err)
	}
	if p, g := past.Present(), past.Gallery; g.FPIR(p) > namedUpTo*(1+1e-9) || g.FPIR(p+.001) <= namedUpTo {
		t.Errorf("naming ends at %g now, where FPIR is %g", p, g.FPIR(p))
	}
	for _, test := range []struct {
		distance                    float64
		named, missed, called, left int
	}{
		{.2, 1, 1, 1, 1}, // Ada at .1; her weak match is missed; the stranger at .15 from Ben is called Ben
		{d + .01, 2, 0, 1, 1},
		{.9, 2, 0, 1, 1},
	} {
		r := past.At(test.distance)
		got := [...]int{len(r.Named), len(r.Missed), len(r.Called), r.Left, len(r.Misnamed), r.Answered}
		if want := [...]int{test.named, test.missed, test.called, test.left, 0, 1}; got != want {
			t.Errorf("at %g: %v, want %v", test.distance, got, want)
		}
		if r.FNIR.Errors != test.missed || r.FNIR.N != 2 || r.FPIR.Errors != test.called || r.FPIR.N != 2 {
			t.Errorf("at %g: FNIR %+v, FPIR %+v", test.distance, r.FNIR, r.FPIR)
		}
		for _, s := range r.Missed {
			if s.ID != weak || s.Truth != ada.ID || s.Answered || math.Abs(s.Own-d) > 1e-6 {
				t.Errorf("missed %+v", s)
			}
		}
		for _, s := range r.Called {
			if s.ID != wrong || s.Truth != "" || s.Nearest.Person != ben.ID || !s.Answered || !math.IsInf(s.Own, 1) {
				t.Errorf("called %+v", s)
			}
		}
		// From no rate to the other's end, as a DET curve goes.
		first, last := r.Curve[0], r.Curve[len(r.Curve)-1]
		if first.FNIR != .5 || first.FPIR != 0 || last.FNIR != 0 || last.FPIR != 1 {
			t.Errorf("the curve is %+v", r.Curve)
		}
	}
}

// TestMisnamed takes somebody for who is nearer.
func TestMisnamed(t *testing.T) {
	h, _, ben, _, face := newDoubtfulHouse(t)
	h.answers(face, Given{Answer: house.AnswerElse, Person: ben.ID})
	past, err := h.LookBack(t.Context())
	h.must(err)
	r := past.At(MostThreshold)
	if len(r.Misnamed) != 1 || r.Misnamed[0].ID != face || r.Misnamed[0].Truth != ben.ID || r.FNIR.Errors != 1 {
		t.Errorf("%+v", r)
	}
	if r.Curve != nil {
		t.Errorf("a curve without strangers: %+v", r.Curve)
	}
}

// TestThresholdIsSure has a reference that is the face itself: it would be found
// at any threshold, and so says nothing.
func TestThresholdIsSure(t *testing.T) {
	h, _, _, _, face := newDoubtfulHouse(t)
	h.answers(face, Given{Answer: house.AnswerYes, Reference: true})
	if past, err := h.LookBack(t.Context()); err != nil || len(past.Searches) != 0 {
		t.Errorf("%d searches, %v", len(past.Searches), err)
	}
}

func TestBinned(t *testing.T) {
	bins := binned([]float64{0, .0499, .05, .3, 1.19, 1.2, 7}, []float64{.3, .349999, .35, -1})
	if len(bins) != BinCount {
		t.Fatalf("%d bins", len(bins))
	}
	for i, want := range map[int][2]int{0: {2, 1}, 1: {1, 0}, 6: {1, 2}, 7: {0, 1}, 23: {3, 0}} {
		if got := [2]int{bins[i].Genuine, bins[i].Impostor}; got != want {
			t.Errorf("bin %d from %.2f: %v, want %v", i, bins[i].From, got, want)
		}
	}
}
