package review

import (
	"maps"
	"testing"

	"lintel/internal/house"
)

func (h *household) changes() (all []Change, words map[string]string) {
	h.t.Helper()
	all, err := h.Changes(h.ctx())
	h.must(err)
	say := func(m *house.Match) string {
		if m == nil {
			return "a stranger"
		}
		return m.Name + " " + m.Band
	}
	words = make(map[string]string)
	for _, c := range all {
		words[c.ID] = say(c.Face.Match) + " → " + say(c.Becomes)
	}
	return all, words
}

// TestChanges enrols somebody better, looks at what would be found now, and has
// some of it applied: only what was seen, and only as it was seen.
func TestChanges(t *testing.T) {
	h, ada, _, _, face := newDoubtfulHouse(t)
	near := h.seen(faceAt(descriptorAt(1, h.justBeyond())))
	h.seen(faceAt(descriptorAt(3, .3)))
	if _, got := h.changes(); len(got) != 0 {
		t.Fatalf("nothing changed, but %v", got)
	}
	better := house.Reference{
		Person: ada.ID, Descriptor: descriptorAt(1, h.weakly()+.01), FaceWidth: 200, SourceSHA256: [32]byte{99},
	}
	h.must(h.archive.AddReference(t.Context(), better))
	all, got := h.changes()
	want := map[string]string{face: "Ada Quill weak → Ada Quill strong", near: "a stranger → Ada Quill strong"}
	if !maps.Equal(got, want) {
		t.Fatalf("%v, want %v", got, want)
	}
	if all[0].ID != near || all[0].Wanted() != (Wanted{near, ada.ID, "strong"}) {
		t.Errorf("not the newest first: %+v", all[0])
	}
	if h.found(near) != nil {
		t.Error("a visit was judged anew by looking")
	}
	for _, test := range []struct {
		name   string
		wanted []Wanted
		want   int
	}{
		{"nothing", nil, 0},
		{"what there is not", []Wanted{{"NONE", ada.ID, "strong"}, {}}, 0},
		{"as it was not seen", []Wanted{{face, ada.ID, "fair"}, {Face: near}}, 0},
		{"one of two", []Wanted{{near, ada.ID, "strong"}, {face, ada.ID, "fair"}}, 1},
		{"the same again", []Wanted{{near, ada.ID, "strong"}}, 0},
	} {
		if n, err := h.Apply(t.Context(), test.wanted); err != nil || n != test.want {
			t.Errorf("%s: %d renamed, %v", test.name, n, err)
		}
	}
	if m := h.found(near); m == nil || m.Person != ada.ID || m.Band != "strong" {
		t.Errorf("not judged anew: %+v", m)
	}
	if m := h.found(face); m == nil || m.Band != "weak" {
		t.Errorf("judged anew unasked: %+v", m)
	}
	h.answers(face, Given{Answer: house.AnswerYes})
	if _, got := h.changes(); len(got) != 0 {
		t.Errorf("a face that was answered for is not settled: %v", got)
	}
}
