package web

import (
	"testing"

	"lintel/internal/house"
	"lintel/web/view"
)

// What group differences mean here is on both screens, and what each picture adds
// on the person's.
func TestHouseholdPages(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	h.get("/people", in).is(200).says("Nobody is enrolled")
	known := func(name string, x float32) house.Person {
		p := h.enrolled(name)
		h.consents(p.ID)
		reference := house.Reference{Person: p.ID, Descriptor: house.Descriptor{x}, FaceWidth: 240}
		if err := h.archive.AddReference(t.Context(), reference); err != nil {
			t.Fatal(err)
		}
		return p
	}
	ada := known("Ada Quill", 0)
	h.get("/people", in).is(200).says("Only one person is enrolled").
		says("shares sex, descent and age with who lives here")
	h.get(view.PersonAddress(ada.ID), in).is(200).says("It is the only picture, so there is none to compare it with.").
		says("Add pictures of Ada Quill until there are five. Take them in different light and pose")
	known("Ben Orrin", 1)
	for _, page := range []string{"/people", "/checks"} {
		a := h.get(page, in).is(200).says("Measured on the references of 2 persons, 1 pair.").
			says("Ada Quill and Ben Orrin").
			says("No stranger of yours counts yet").says("After 10, those who look like nobody count too")
		checkMarkup(t, string(a.body))
	}
	again := house.Reference{
		Person: ada.ID, Descriptor: house.Descriptor{-0.39}, FaceWidth: 120, SourceSHA256: [32]byte{1},
	}
	if err := h.archive.AddReference(t.Context(), again); err != nil {
		t.Fatal(err)
	}
	a := h.get(view.PersonAddress(ada.ID), in).is(200).
		says("<li>A face 120 px wide. Without this picture, a face like this is a").
		says("With it Lintel is surer.</li>")
	checkMarkup(t, string(a.body))
}
