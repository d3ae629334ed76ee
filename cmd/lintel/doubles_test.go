package main

import (
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/store"
	"lintel/store/seal"
)

func TestPrintDoubles(t *testing.T) {
	a, err := store.Open(t.Context(), t.TempDir(), seal.NewKey(), time.Now)
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	add := func(name string, place float32) house.Person {
		r := house.Reference{FaceWidth: 120}
		r.Descriptor[0], r.Descriptor[1] = place, 1
		p, err := a.Introduce(t.Context(), name, house.Consent{GivenBy: name, GivenAt: time.Now().Add(-time.Hour),
			Scope: "the door"}, []house.Reference{r})
		if err != nil {
			t.Fatal(err)
		}
		return p
	}
	ada, bo, cy := add("Ada Quill", 0), add("Bo Tarn", 0.3), add("Cy Amberg", 4)
	for _, test := range []struct {
		person house.Person
		want   string
	}{
		{ada, "Ada Quill is easily confused with Bo Tarn (" + bo.ID +
			"). The likest of their references are at distance 0.30, a strong match.\n"},
		{bo, "Bo Tarn is easily confused with Ada Quill (" + ada.ID +
			"). The likest of their references are at distance 0.30, a strong match.\n"},
		{cy, ""},
	} {
		var out strings.Builder
		if err := printDoubles(&globals{ctx: t.Context()}, &out, a, test.person); err != nil || out.String() != test.want {
			t.Errorf("%q, %v; want %q", &out, err, test.want)
		}
	}
}
