package review

import (
	"errors"
	"testing"

	"lintel/internal/house"
	"lintel/pipeline/match"
)

// TestAnswer gives each answer about a weak match of Ada's, and looks at what
// becomes of the face and of its visit.
func TestAnswer(t *testing.T) {
	for _, test := range []struct {
		name      string
		given     func(ada, ben house.Person) Given
		named     bool // Ada still
		kind      house.Kind
		enrolment Enrolment
		strangers int // counted for the curve
	}{
		{"yes", func(ada, ben house.Person) Given { return Given{Answer: house.AnswerYes} }, true, house.Known, NotAsked,
			0},
		{"yes, and a reference", func(ada, ben house.Person) Given {
			return Given{Answer: house.AnswerYes, Asked: ada.ID, Reference: true}
		}, true, house.Known, Added, 0},
		{"no", func(ada, ben house.Person) Given {
			return Given{Answer: house.AnswerNo}
		}, false, house.Stranger, NotAsked, 0},
		{"someone else, who is far", func(ada, ben house.Person) Given {
			return Given{Answer: house.AnswerElse, Person: ben.ID}
		}, false, house.Stranger, NotAsked, 0},
		{"a stranger", func(ada, ben house.Person) Given {
			return Given{Answer: house.AnswerElse, Reference: true}
		}, false, house.Stranger, OfNobody, 1},
		{"not a face", func(ada, ben house.Person) Given {
			return Given{Answer: house.AnswerNotFace}
		}, false, house.Stranger, NotAsked, 0},
	} {
		t.Run(test.name, func(t *testing.T) {
			h, ada, ben, visit, face := newDoubtfulHouse(t)
			if done := h.answers(face, test.given(ada, ben)); done != test.enrolment {
				t.Errorf("the reference is %q, want %q", done, test.enrolment)
			}
			if m := h.found(face); (m != nil) != test.named || m != nil && (m.Person != ada.ID || m.Band != "weak") {
				t.Errorf("found is %+v", m)
			}
			if v := h.visit(visit); v.Kind != test.kind {
				t.Errorf("the visit is of kind %s, want %s", v.Kind, test.kind)
			}
			s, err := h.archive.StrangerDistances(t.Context())
			if err != nil || s.Strangers != test.strangers {
				t.Errorf("%d strangers count, %v", s.Strangers, err)
			}
			if _, err := h.Answer(t.Context(), face, test.given(ada, ben)); !errors.Is(err, house.ErrAnswered) {
				t.Errorf("a second answer: %v", err)
			}
		})
	}
}

// TestNamedByAnswer gives a stranger's face the name that the household says, with
// the band that the distance has and no better one than its quality allows, and
// none where there is no band.
func TestNamedByAnswer(t *testing.T) {
	h, ada, ben, _, _ := newDoubtfulHouse(t)
	g, err := h.gallery.Gallery(t.Context())
	h.must(err)
	if m := namedAs(ada.ID, h.justBeyond(), house.Face{}, g); m != nil {
		t.Errorf("beyond naming: %+v", m)
	}
	poor := house.Face{Quality: new(house.Quality)}
	for _, test := range []struct {
		face     house.Face
		distance float64
		band     match.Band
	}{
		{house.Face{}, h.strongly(), match.Strong}, {poor, h.strongly(), match.Fair},
		{house.Face{}, h.weakly(), match.Weak},
	} {
		want := house.Match{Person: ben.ID, Distance: test.distance, FPIR: g.FPIR(test.distance), Band: string(test.band)}
		if m := namedAs(ben.ID, test.distance, test.face, g); m == nil || *m != want {
			t.Errorf("at %g: %+v, want %+v", test.distance, m, want)
		}
	}
	near := h.seen(faceAt(descriptorAt(1, h.justBeyond())))
	h.answers(near, Given{Answer: house.AnswerYes})
	if m := h.found(near); m != nil {
		t.Errorf("an answer alone made a finding: %+v", m)
	}
}

// TestAnswerForRing has a ring of two frames, which are judged together: one
// answer is for both.
func TestAnswerForRing(t *testing.T) {
	h, _, _, _, _ := newDoubtfulHouse(t)
	d := h.weakly()
	visit, ids := h.sees(faceAt(descriptorAt(1, d-.02)), faceAt(descriptorAt(1, d+.01)))
	if a, b := h.found(ids[0]), h.found(ids[1]); a == nil || b == nil || *a != *b || a.Frames != 2 {
		t.Fatalf("not judged together: %+v, %+v", a, b)
	}
	if changes, err := h.Changes(t.Context()); err != nil || len(changes) != 0 {
		t.Errorf("changes of themselves: %+v, %v", changes, err)
	}
	if l, err := h.LookBack(t.Context()); err != nil || len(l.Searches) != 2 {
		t.Errorf("%d searches for two visits, %v", len(l.Searches), err)
	}
	if page, _ := h.queue(Cursor{}, 10); len(page) != 2 {
		t.Errorf("%d questions about two visits", len(page))
	}
	h.answers(ids[1], Given{Answer: house.AnswerNo})
	if v := h.visit(visit); v.Kind != house.Stranger {
		t.Errorf("the visit still names somebody: %+v", v)
	}
	if page, _ := h.queue(Cursor{}, 10); len(page) != 1 {
		t.Errorf("%d questions are left", len(page))
	}
}

// TestReferenceFromAnswer makes a face a reference where that is allowed and was
// asked for.
func TestReferenceFromAnswer(t *testing.T) {
	yes := func(ada house.Person) Given { return Given{Answer: house.AnswerYes, Reference: true} }
	for _, test := range []struct {
		name    string
		width   int
		consent bool
		given   func(ada house.Person) Given
		want    Enrolment
		more    int
	}{
		{"asked for", 100, true, yes, Added, 1},
		{"not asked for", 100, true, func(house.Person) Given { return Given{Answer: house.AnswerYes} }, NotAsked, 0},
		{"too small", 79, true, yes, Poor, 0},
		{"just large enough", 80, true, yes, Added, 1},
		{"consent withdrawn", 100, false, func(ada house.Person) Given {
			return Given{Answer: house.AnswerElse, Person: ada.ID, Reference: true}
		}, NoConsent, 0},
		{"of nobody", 100, true, func(house.Person) Given {
			return Given{Answer: house.AnswerElse, Reference: true}
		}, OfNobody, 0},
	} {
		t.Run(test.name, func(t *testing.T) {
			h, ada, _, _, _ := newDoubtfulHouse(t)
			f := faceAt(descriptorAt(1, h.weakly()))
			f.Box.Max.X = f.Box.Min.X + test.width
			if !test.consent { // Ben is asked about then
				_, err := h.archive.WithdrawConsent(t.Context(), ada.ID)
				h.must(err)
			}
			face := h.seen(f)
			before := h.enrolments(ada)
			if got := h.answers(face, test.given(ada)); got != test.want || h.enrolments(ada)-before != test.more {
				t.Errorf("reference %q, %d more", got, h.enrolments(ada)-before)
			}
		})
	}
}

func (h *household) enrolments(p house.Person) int {
	h.t.Helper()
	all, err := h.archive.Enrolments(h.ctx(), p.ID)
	h.must(err)
	return len(all)
}

// TestOneFaceIsOneReference has a stranger's face enrolled as somebody's by an
// introduction, and then again by an answer: it counts once.
func TestOneFaceIsOneReference(t *testing.T) {
	h, ada, _, _, _ := newDoubtfulHouse(t)
	near := faceAt(descriptorAt(1, stillNamed+.01))
	visit, ids := h.sees(near)
	h.sees(near)
	before := h.enrolments(ada)
	done, err := h.Introduce(t.Context(), ids[0], Introduction{Person: ada.ID, Visits: []string{visit}})
	if err != nil || done.References != 1 {
		t.Fatalf("%d references of the introduction, %v", done.References, err)
	}
	got := h.answers(ids[0], Given{Answer: house.AnswerYes, Reference: true})
	if got != AlreadyThere || h.enrolments(ada) != before+1 {
		t.Errorf("the face became a reference %d times (%q)", h.enrolments(ada)-before, got)
	}
}

// TestRefusedAnswers changes nothing.
func TestRefusedAnswers(t *testing.T) {
	h, ada, ben, visit, face := newDoubtfulHouse(t)
	refused := func(want error, face string, g Given) {
		t.Helper()
		if done, err := h.Answer(t.Context(), face, g); !errors.Is(err, want) || done != NotAsked {
			t.Errorf("%+v: %q, %v, want %v", g, done, err, want)
		}
	}
	refused(house.ErrNotFound, "NONE", Given{Answer: house.AnswerYes})
	refused(house.ErrBadAnswer, face, Given{})
	refused(house.ErrBadAnswer, face, Given{Answer: "perhaps"})
	refused(house.ErrBadAnswer, face, Given{Answer: house.AnswerNo, Person: ben.ID})
	refused(house.ErrBadAnswer, face, Given{Answer: house.AnswerElse, Person: ada.ID})
	refused(house.ErrFindingChanged, face, Given{Answer: house.AnswerYes, Asked: ben.ID})
	refused(house.ErrFindingChanged, face, Given{Answer: house.AnswerYes, Asked: "NONE"})
	refused(house.ErrPersonGone, face, Given{Answer: house.AnswerElse, Person: "NONE"})
	if m := h.found(face); m == nil || m.Person != ada.ID {
		t.Errorf("the name is gone: %+v", m)
	}
	_, err := h.archive.ErasePerson(t.Context(), ada.ID, false)
	h.must(err)
	refused(house.ErrStillGone, face, Given{Answer: house.AnswerYes, Asked: ada.ID}) // nothing describes it any more
	h.must(h.archive.EraseVisit(t.Context(), visit))
	refused(house.ErrNotFound, face, Given{Answer: house.AnswerYes})
}
