package view

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
	ends := func(n int) string { return Presenter{}.Household(nil, gallerySized(n), nil).Ends }
	apart := []Pair{{"Ada Quill", "Ben Orrin", "0.75", match.None}}
	two := []house.Reference{on("a", 0), on("b", 0.75)}
	for _, c := range []struct {
		name       string
		references []house.Reference
		own        house.StrangerDistances
		want       Household
	}{
		{"nobody", nil, house.StrangerDistances{}, Household{Apart: true, Ends: "0.000"}},
		{"one", []house.Reference{on("a", 0), on("a", 1)}, house.StrangerDistances{}, Household{Persons: 1, Apart: true}},
		{"two apart", two, far, Household{Persons: 2, Pairs: 1, Apart: true, Own: 1, Ends: ends(2), Closest: apart}},
		{"three, two alike", []house.Reference{on("a", 0), on("b", 0.25), on("c", 1.75)}, house.StrangerDistances{},
			Household{Persons: 3, Pairs: 3, Ends: ends(3), Closest: []Pair{
				{"Ada Quill", "Ben Orrin", "0.25", match.Strong},
				{"Ben Orrin", "Cleo Varr", "1.50", match.None},
				{"Ada Quill", "Cleo Varr", "1.75", match.None},
			}}},
		{"strangers alike", two, near,
			Household{Persons: 2, Pairs: 1, Apart: true, Own: 3, Shipped: ends(2), Closest: apart}},
	} {
		gallery := match.NewGallery(c.references, match.Shipped().Adapt(c.own), match.DefaultPrior)
		got := Presenter{}.Household(c.references, gallery, names)
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
