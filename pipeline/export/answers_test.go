package export

import (
	"slices"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
)

// TestAnswers has a face that is Ada's by an answer alone, since it is too
// unlike her references to be named, and one that an answer says is not hers.
func TestAnswers(t *testing.T) {
	h := newHouse(t)
	ctx := house.By(t.Context(), "resident R")
	answer := func(visit string, c house.Check) {
		t.Helper()
		v, err := h.Visit(ctx, visit)
		h.must(err)
		c.Face, c.AskedDistance = v.Stills[0].Faces[0].ID, .75
		h.must(h.Answer(ctx, c))
	}
	hers := h.rings("ring-hers", 0, still(t, red, farFace), house.Done, face(adasFace, ""), face(farFace, h.bo.ID))
	answer(hers, house.Check{Answer: house.AnswerElse, Asked: h.bo.ID, Person: h.ada.ID, PersonDistance: .8})
	h.now = h.now.Add(time.Minute)
	other := h.rings("ring-other", 0, still(t, red), house.Done, face(adasFace, h.ada.ID))
	answer(other, house.Check{Answer: house.AnswerElse, Asked: h.ada.ID, Person: h.bo.ID, PersonDistance: .5})

	files, sum := h.export()
	if want := (Summary{Visits: 1, Stills: 1, Blurred: 1}); sum != want {
		t.Errorf("%+v, want %+v", sum, want)
	}
	w := readJSON(t, files)
	if len(w.Visits) != 1 || w.Visits[0].ID != hers {
		t.Fatalf("visits %+v", w.Visits)
	}
	s := w.Visits[0].Stills[0]
	if len(s.Faces) != 1 || s.OtherFaces != 1 || s.Faces[0].X != adasFace.Min.X || s.Faces[0].Band != "" ||
		s.Faces[0].Descriptor == nil {
		t.Errorf("her still is %+v", s)
	}
	if d := difference(t, files[s.File], still(t, red, farFace), adasFace.Inset(8)); d > 3 {
		t.Errorf("her own face is %.1f grey levels from what is kept", d)
	}
	want := []answerRecord{
		{h.now.Add(-time.Minute), true, hers, h.now.Add(-time.Minute), 0},
		{h.now, false, other, h.now, 0},
	}
	if !slices.Equal(w.Answers, want) {
		t.Errorf("answers %+v, want %+v", w.Answers, want)
	}
	var trail []string
	for _, e := range w.Trail {
		if e.Visit != "" {
			trail = append(trail, e.Action+" "+e.Visit)
		}
	}
	if !slices.Equal(trail, []string{"checked " + hers}) {
		t.Errorf("the trail of visits is %q", trail)
	}
	for _, says := range []string{"A face that a resident said is yours, 60 pixels wide.",
		"It is you, of a face on still 0", "It is not you, of a face on still 0"} {
		if !strings.Contains(string(files["index.html"]), says) {
			t.Errorf("the page does not say %q", says)
		}
	}
	for name, data := range files {
		if strings.Contains(string(data), h.bo.Name) || strings.Contains(string(data), h.bo.ID) {
			t.Errorf("%s names somebody else", name)
		}
	}
}
