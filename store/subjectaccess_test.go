package store

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"lintel/internal/house"
)

// All that was ever agreed to and enrolled is there, in force or not.
func TestConsentsAndEnrolments(t *testing.T) {
	a, c := newArchive(t)
	p, err := a.AddPerson(t.Context(), "Ada Quill")
	if err != nil {
		t.Fatal(err)
	}
	start := c.Now()
	for i, scope := range []string{"once", "again"} {
		if err := a.RecordConsent(t.Context(), p.ID,
			house.Consent{GivenBy: "Ada Quill", GivenAt: c.Ago(time.Hour), Scope: scope}); err != nil {
			t.Fatal(err)
		}
		r := house.Reference{Person: p.ID, FaceWidth: 100 + i, SourceSHA256: [32]byte{byte(i)},
			Descriptor: faceOf(float32(i), nil).Descriptor}
		must(t, a.AddReference(t.Context(), r))
		c.Advance(time.Minute)
	}
	references, err := a.Enrolments(t.Context(), p.ID)
	if err != nil || len(references) != 2 {
		t.Fatalf("%+v, %v", references, err)
	}
	if _, err := a.WithdrawConsent(t.Context(), p.ID); err != nil {
		t.Fatal(err)
	}
	if left, err := a.Enrolments(t.Context(), p.ID); err != nil || len(left) != 0 {
		t.Errorf("after the withdrawal: %+v, %v", left, err)
	}
	consents, err := a.Consents(t.Context(), p.ID)
	if err != nil || len(consents) != 2 {
		t.Fatalf("%+v, %v", consents, err)
	}
	for i, want := range []house.RecordedConsent{
		{Consent: house.Consent{GivenBy: "Ada Quill", GivenAt: start.Add(-time.Hour), Scope: "once"}, RecordedAt: start,
			WithdrawnAt: c.Now()},
		{Consent: house.Consent{GivenBy: "Ada Quill", GivenAt: start.Add(-59 * time.Minute), Scope: "again"},
			RecordedAt: start.Add(time.Minute), WithdrawnAt: c.Now()},
	} {
		if consents[i] != want {
			t.Errorf("%+v, want %+v", consents[i], want)
		}
	}
	for i, r := range references {
		if r.Person != p.ID || r.FaceWidth != 100+i || !r.AddedAt.Equal(start.Add(time.Duration(i)*time.Minute)) ||
			r.Descriptor != faceOf(float32(i), nil).Descriptor {
			t.Errorf("reference %d is %+v", i, r)
		}
	}
}

// The trail of a person is theirs and that of the visits that name them.
func TestTrailOf(t *testing.T) {
	a, _ := newArchive(t)
	var ids []string
	for _, name := range []string{"Ada Quill", "Bo Lark"} {
		p, err := a.AddPerson(t.Context(), name)
		if err != nil {
			t.Fatal(err)
		}
		ids = append(ids, p.ID)
	}
	for i, person := range []string{ids[0], ids[1], ""} {
		visit := keep(t, a, stillOf(fmt.Sprint("ring-", i), 0))
		v, err := a.Visit(t.Context(), visit)
		if err != nil {
			t.Fatal(err)
		}
		if err := a.Record(t.Context(), v.Stills[0].ID, house.Done,
			[]house.Face{faceOf(1, &house.Match{Person: person, Band: "weak"})}); err != nil {
			t.Fatal(err)
		}
		for _, action := range []string{"looked", "held"} {
			must(t, a.Note(t.Context(), action, "visit "+visit))
		}
	}
	var got []string
	for after := int64(0); ; {
		entries, err := a.TrailOf(t.Context(), ids[0], after, 2)
		if err != nil {
			t.Fatal(err)
		}
		if len(entries) == 0 {
			break
		}
		for _, e := range entries {
			got, after = append(got, e.Action), e.Seq
		}
	}
	if want := []string{"added", "looked", "held"}; !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
}
