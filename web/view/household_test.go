package web

import (
	"reflect"
	"testing"

	"lintel/internal/house"
	"lintel/pipeline/match"
)

// Persons on a line, so that distances are differences.
func TestHouseholdOf(t *testing.T) {
	on := func(person string, x float32) house.Reference {
		return house.Reference{Person: person, Descriptor: house.Descriptor{x}}
	}
	names := map[string]string{"a": "Ada Quill", "b": "Ben Orrin", "c": "Cleo Varr"}
	near := house.StrangerDistances{Strangers: 3, Counts: make([]int, 151)}
	near.Counts[40] = 3
	far := house.StrangerDistances{Strangers: 1, Counts: make([]int, 151)}
	far.Counts[150] = 3
	ends := func(n int) string { return householdOf(nil, gallerySized(n), nil).Ends }
	apart := []closestView{{"Ada Quill", "Ben Orrin", "0.75", match.None}}
	two := []house.Reference{on("a", 0), on("b", 0.75)}
	for _, c := range []struct {
		name       string
		references []house.Reference
		own        house.StrangerDistances
		want       householdView
	}{
		{"nobody", nil, house.StrangerDistances{}, householdView{Apart: true, Ends: "0.000"}},
		{"one", []house.Reference{on("a", 0), on("a", 1)}, house.StrangerDistances{}, householdView{Persons: 1, Apart: true}},
		{"two apart", two, far, householdView{Persons: 2, Pairs: 1, Apart: true, Own: 1, Ends: ends(2), Closest: apart}},
		{"three, two alike", []house.Reference{on("a", 0), on("b", 0.25), on("c", 1.75)}, house.StrangerDistances{},
			householdView{Persons: 3, Pairs: 3, Ends: ends(3), Closest: []closestView{
				{"Ada Quill", "Ben Orrin", "0.25", match.Strong},
				{"Ben Orrin", "Cleo Varr", "1.50", match.None},
				{"Ada Quill", "Cleo Varr", "1.75", match.None},
			}}},
		{"strangers alike", two, near,
			householdView{Persons: 2, Pairs: 1, Apart: true, Own: 3, Shipped: ends(2), Closest: apart}},
	} {
		gallery := match.NewGallery(c.references, match.Shipped().Adapt(c.own), match.DefaultPrior)
		got := householdOf(c.references, gallery, names)
		if c.want.Enough = match.EnoughStrangers; c.want.Ends == "" {
			if c.want.Ends = got.Ends; got.Ends == got.Shipped || c.want.Shipped != "" && got.Ends >= got.Shipped {
				t.Errorf("%s: naming ends at %s, without own strangers at %s", c.name, got.Ends, got.Shipped)
			}
		}
		if !reflect.DeepEqual(got, c.want) {
			t.Errorf("%s: %+v, want %+v", c.name, got, c.want)
		}
	}
}

// gallerySized has so many persons, each with a reference.
func gallerySized(n int) *match.Gallery {
	var references []house.Reference
	for i := range n {
		r := house.Reference{Person: string(rune('a' + i)), Descriptor: house.Descriptor{float32(i)}}
		references = append(references, r)
	}
	return match.NewGallery(references, match.Shipped(), match.DefaultPrior)
}

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
	h.get(personAddress(ada.ID), in).is(200).says("The only picture, so there is none to compare it with.").
		says("Add pictures until there are five, in different light and pose")
	known("Ben Orrin", 1)
	for _, page := range []string{"/people", "/checks"} {
		a := h.get(page, in).is(200).says("Measured on the references of 2 persons, 1 pair.").
			says("Ada Quill and Ben Orrin").
			says("No stranger of yours counts yet").says("after 10, those who look like nobody count too")
		checkMarkup(t, string(a.body))
	}
	again := house.Reference{
		Person: ada.ID, Descriptor: house.Descriptor{-0.39}, FaceWidth: 120, SourceSHA256: [32]byte{1},
	}
	if err := h.archive.AddReference(t.Context(), again); err != nil {
		t.Fatal(err)
	}
	a := h.get(personAddress(ada.ID), in).is(200).
		says("<li>A face 120 px wide. Without it, a face like this is a").
		says("looks as much like Ada Quill: surer with it.</li>")
	checkMarkup(t, string(a.body))
}
