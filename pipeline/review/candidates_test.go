package review

import (
	"errors"
	"slices"
	"testing"

	"lintel/internal/house"
)

// TestCandidates offers faces for references: what is named as theirs or said to be,
// then strangers, the likest first; nobody else's, none twice, and none that was said
// not to be theirs.
func TestCandidates(t *testing.T) {
	h := newHouse(t)
	ada, ben := h.enrolled("Ada Quill", 1), h.enrolled("Ben Sorrel", 2)
	named := h.seen(faceAt(descriptorAt(1, .2)))
	h.seen(faceAt(descriptorAt(2, .2))) // Ben
	far := h.seen(faceAt(descriptorAt(9, 0)))
	near := h.seen(faceAt(descriptorAt(1, .62)))
	denied := h.seen(faceAt(descriptorAt(1, .63)))
	_, err := h.Answer(h.ctx(), denied, Given{Answer: house.AnswerNo, Asked: ada.ID})
	h.must(err)
	told := h.seen(faceAt(descriptorAt(8, .5)))
	_, err = h.Answer(h.ctx(), told, Given{Answer: house.AnswerElse, Asked: ben.ID, Person: ada.ID})
	h.must(err)
	offered := func(limit int) (ids []string) {
		t.Helper()
		all, err := h.Candidates(h.ctx(), ada.ID, limit)
		h.must(err)
		for _, c := range all {
			ids = append(ids, c.ID)
			if want := c.ID == named || c.ID == told; c.Theirs != want || c.Fault != nil {
				t.Errorf("%+v", c)
			}
		}
		return ids
	}
	if got, want := offered(10), []string{told, named, near, far}; !slices.Equal(got, want) {
		t.Errorf("offered %v, want %v", got, want)
	}
	if got := offered(1); !slices.Equal(got, []string{told}) {
		t.Errorf("offered %v", got)
	}

	added, err := h.Enrol(h.ctx(), ada.ID, []string{named, near, near, denied, "GONE"})
	if err != nil || added != 2 {
		t.Fatalf("%d references, %v", added, err)
	}
	if got, want := offered(10), []string{told, far}; !slices.Equal(got, want) {
		t.Errorf("offered %v, want %v", got, want)
	}
	references, err := h.archive.Enrolments(h.ctx(), ada.ID)
	if err != nil || len(references) != 3 {
		t.Fatalf("%d references, %v", len(references), err)
	}
	for _, r := range references[1:] { // the first was made without a picture
		if r.Portrait == nil || r.Portrait.Origin != house.FromVisit {
			t.Errorf("%+v has no picture", r)
			continue
		}
		if _, err := h.archive.Portrait(h.ctx(), ada.ID, r.ID); err != nil {
			t.Error(err)
		}
	}
	if _, err := h.Enrol(h.ctx(), "NOBODY", []string{far}); !errors.Is(err, ErrNoPerson) {
		t.Error(err)
	}
	_, err = h.archive.WithdrawConsent(h.ctx(), ada.ID)
	h.must(err)
	if _, err := h.Enrol(h.ctx(), ada.ID, []string{far}); !errors.Is(err, house.ErrNoConsent) {
		t.Error(err)
	}
}
