package review

import (
	"errors"
	"math"
	"slices"
	"testing"

	"lintel/internal/house"
	"lintel/pipeline/match"
)

func (h *household) queue(after Cursor, limit int) (page []Doubt, next Cursor) {
	h.t.Helper()
	page, next, err := h.Queue(h.ctx(), after, limit)
	h.must(err)
	return page, next
}

// TestQueue has visits of every sureness, and goes through those in doubt one
// by one: nearest to the line between named and not first.
func TestQueue(t *testing.T) {
	h, ada, ben, _, weak := newDoubtfulHouse(t)
	fair := h.seen(faceAt(descriptorAt(2, h.fairly())))
	h.seen(faceAt(descriptorAt(1, h.strongly())))
	near := h.seen(faceAt(descriptorAt(1, h.justBeyond())))
	h.seen(faceAt(descriptorAt(3, .3)))

	type item struct{ face, person, name, band string }
	want := []item{
		{weak, ada.ID, "Ada Quill", "weak"}, {near, ada.ID, "Ada Quill", ""}, {fair, ben.ID, "Ben Orrin", "fair"},
	}
	// The line is at 1 %: the weak match is at most 0.8 %, the stranger at least 1.2 %.
	if namedUpTo != match.Weak.Limit() {
		t.Fatalf("names are given up to %g", match.Weak.Limit())
	}
	all, next := h.queue(Cursor{}, 10)
	if next != (Cursor{}) || len(all) != len(want) {
		t.Fatalf("%d doubts, then %q", len(all), next)
	}
	toLine := func(d Doubt) float64 { return math.Abs(math.Log(d.FPIR / match.Weak.Limit())) }
	if !slices.IsSortedFunc(all, func(a, b Doubt) int { return int(1e9 * (toLine(a) - toLine(b))) }) {
		t.Errorf("not by doubt: %+v", all)
	}
	if all[2].ID != fair {
		t.Error("a fair match is more doubtful than a weak one or one just beyond naming")
	}
	var got []item
	after := Cursor{}
	for range want {
		page, next := h.queue(after, 1)
		if len(page) != 1 {
			t.Fatalf("a page after %q: %+v", after, page)
		}
		got = append(got, item{page[0].ID, page[0].Person, page[0].Name, page[0].Band})
		after = next
	}
	if after != (Cursor{}) {
		t.Errorf("the last page leads to %q", after)
	}
	for _, w := range want {
		if !slices.Contains(got, w) {
			t.Errorf("%+v is not asked about; in the queue are %+v", w, got)
		}
	}
}

// TestSettled asks no more about a person of whom somebody answered, on the
// visit of the answer, and about nobody where nobody is enrolled.
func TestSettled(t *testing.T) {
	h, _, _, _, weak := newDoubtfulHouse(t)
	near := h.seen(faceAt(descriptorAt(1, h.justBeyond())))
	h.answers(near, Given{Answer: house.AnswerNo})
	if page, _ := h.queue(Cursor{}, 10); len(page) != 1 || page[0].ID != weak {
		t.Errorf("after an answer: %+v", page)
	}
	h.answers(weak, Given{Answer: house.AnswerYes})
	if page, _ := h.queue(Cursor{}, 10); len(page) != 0 {
		t.Errorf("after all answers: %+v", page)
	}

	h = newHouse(t)
	alone := h.seen(faceAt(descriptorAt(1, .5)))
	if page, _ := h.queue(Cursor{}, 10); len(page) != 0 {
		t.Errorf("about nobody: %+v", page)
	}
	if _, err := h.Doubt(t.Context(), alone); !errors.Is(err, ErrNobody) {
		t.Errorf("about nobody: %v", err)
	}
}

// FuzzParseCursor reads places from addresses that anybody may have written.
func FuzzParseCursor(f *testing.F) {
	f.Add("")
	f.Add(Cursor{.008, "FACE"}.String())
	f.Add("zzzzzzzzzzzzz-x")
	f.Add("-x")
	f.Fuzz(func(t *testing.T, text string) {
		p, err := ParseCursor(text)
		if err != nil {
			if !errors.Is(err, ErrBadCursor) || p != (Cursor{}) {
				t.Errorf("%q: %+v, %v", text, p, err)
			}
			return
		}
		if again, err := ParseCursor(p.String()); err != nil || again != p {
			t.Errorf("%q is %+v, and again %+v, %v", text, p, again, err)
		}
	})
}

// TestEarlier compares a face with the nearest earlier ones of the person:
// strong ones and confirmed ones, one a visit, three at most.
func TestEarlier(t *testing.T) {
	h, _, _, _, face := newDoubtfulHouse(t)
	shown := func() (ids []string) {
		t.Helper()
		d, err := h.Doubt(t.Context(), face)
		h.must(err)
		earlier, err := h.Earlier(t.Context(), d)
		h.must(err)
		for _, x := range earlier {
			ids = append(ids, x.ID)
		}
		return ids
	}
	if got := shown(); len(got) != 0 {
		t.Errorf("at first beside %q", got)
	}
	var faces []string
	for i := range 5 {
		faces = append(faces, h.seen(faceAt(descriptorAt(1, h.strongly()-float64(i)*.02))))
	}
	if got := shown(); !slices.Equal(got, faces[:3]) {
		t.Errorf("beside %q, want %q", got, faces[:3])
	}
	told := h.seen(faceAt(descriptorAt(1, h.weakly()-.001)))
	h.answers(told, Given{Answer: house.AnswerYes})
	h.answers(faces[0], Given{Answer: house.AnswerNo})
	if got, want := shown(), []string{told, faces[1], faces[2]}; !slices.Equal(got, want) {
		t.Errorf("after answers beside %q, want %q", got, want)
	}
}
