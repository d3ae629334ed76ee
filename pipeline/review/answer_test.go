package review

import (
	"errors"
	"testing"

	"lintel/internal/house"
)

// TestAnswer gives each answer about a weak match of Ada's, and looks at what
// becomes of the face and of its visit.
func TestAnswer(t *testing.T) {
	for _, test := range []struct {
		name      string
		given     func(ada, ben house.Person) Given
		whose     string // "ada", "ben" or nobody
		kind      house.Kind
		enrolment Enrolment
		strangers int // counted for the curve
	}{
		{"yes", func(ada, ben house.Person) Given { return Given{Answer: house.AnswerYes} }, "ada", house.Known, NotAsked,
			0},
		{"yes, and a reference", func(ada, ben house.Person) Given {
			return Given{Answer: house.AnswerYes, Asked: ada.ID, Reference: true}
		}, "ada", house.Known, Added, 0},
		{"no", func(ada, ben house.Person) Given {
			return Given{Answer: house.AnswerNo}
		}, "", house.Stranger, NotAsked, 0},
		{"someone else, who is far", func(ada, ben house.Person) Given {
			return Given{Answer: house.AnswerElse, Person: ben.ID}
		}, "ben", house.Known, NotAsked, 0},
		{"a stranger", func(ada, ben house.Person) Given {
			return Given{Answer: house.AnswerElse, Reference: true}
		}, "", house.Stranger, OfNobody, 1},
		{"not a face", func(ada, ben house.Person) Given {
			return Given{Answer: house.AnswerNotFace}
		}, "", house.NoFace, NotAsked, 0},
	} {
		t.Run(test.name, func(t *testing.T) {
			h, ada, ben, visit, face := newDoubtfulHouse(t)
			if done := h.answers(face, test.given(ada, ben)); done != test.enrolment {
				t.Errorf("the reference is %q, want %q", done, test.enrolment)
			}
			if m := h.found(face); m == nil || m.Person != ada.ID || m.Band != "weak" {
				t.Errorf("found is %+v", m)
			}
			whose := map[string]string{"ada": ada.ID, "ben": ben.ID}[test.whose]
			if got := h.visit(visit).Stills[0].Faces[0].Whose(); got != whose {
				t.Errorf("it is %q, want %q", got, whose)
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

// TestSaidIsNoFinding has a stranger's face said to be Ada's, and Ben's instead: it
// is as said, and what was found stays what it was.
func TestSaidIsNoFinding(t *testing.T) {
	h, ada, ben, _, weak := newDoubtfulHouse(t)
	visit, ids := h.sees(faceAt(descriptorAt(1, h.justBeyond())), faceAt(descriptorAt(1, h.justBeyond()+.01)))
	h.answers(ids[0], Given{Answer: house.AnswerYes})
	want := func(face string, found *house.Match, whose string) {
		t.Helper()
		x, err := h.archive.Sighting(h.ctx(), face)
		h.must(err)
		if (x.Face.Match == nil) != (found == nil) || x.Face.Whose() != whose {
			t.Errorf("found %+v, whose is %q, want %q", x.Face.Match, x.Face.Whose(), whose)
		}
	}
	want(ids[0], nil, ada.ID)
	want(ids[1], nil, ada.ID) // the same person on the ring's other frame
	if persons, strangers := WhoRang(h.visit(visit)); len(persons) != 1 || strangers != 0 || persons[0].Band != "" ||
		persons[0].Name != ada.Name || persons[0].Said == nil || persons[0].Found != nil {
		t.Errorf("%+v and %d strangers rang", persons, strangers)
	}
	for _, said := range []struct{ person, whose string }{{ben.ID, ben.ID}, {"", ""}, {ada.ID, ada.ID}} {
		_, err := h.This(h.ctx(), weak, said.person, false)
		h.must(err)
		want(weak, &house.Match{}, said.whose)
	}
	if x, err := h.archive.Sighting(h.ctx(), weak); err != nil || x.Check.Answer != house.AnswerYes {
		t.Errorf("who was found and said is kept as %+v, %v", x.Check, err)
	}
	h.must(h.archive.TakeBack(h.ctx(), weak))
	want(weak, &house.Match{}, ada.ID)
}

// TestSaidOfNobodyNear says of faces in a house with nobody enrolled who they are.
func TestSaidOfNobodyNear(t *testing.T) {
	h := newHouse(t)
	jory, err := h.archive.AddPerson(h.ctx(), "Jory Tarn")
	h.must(err)
	face := h.seen(faceAt(descriptorAt(1, 0)))
	for _, person := range []string{"", jory.ID} {
		_, err := h.This(h.ctx(), face, person, false)
		h.must(err)
		if x, err := h.archive.Sighting(h.ctx(), face); err != nil || x.Face.Whose() != person || x.Check.Asked != "" {
			t.Errorf("kept %+v, %v", x.Check, err)
		}
	}
	if d, err := h.Doubt(h.ctx(), face); err != nil || d.Person != "" || d.Check == nil {
		t.Errorf("answered, and asked about %+v, %v", d, err)
	}
	h.must(h.archive.TakeBack(h.ctx(), face))
	if _, err := h.Doubt(h.ctx(), face); !errors.Is(err, ErrNobody) {
		t.Errorf("asked about nobody: %v", err)
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
		{"no consent", 100, false, func(ada house.Person) Given {
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
			if !test.consent {
				var err error
				ada, err = h.archive.AddPerson(t.Context(), "Jory Tarn")
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
