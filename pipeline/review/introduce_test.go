package review

import (
	"database/sql"
	"errors"
	"path/filepath"
	"testing"

	"lintel/internal/house"
	"lintel/pipeline/quality"
)

// TestIntroduce makes a person of a stranger, who is named on past visits only
// where that is asked for.
func TestIntroduce(t *testing.T) {
	for name, named := range map[string]bool{"without naming": false, "naming visits": true} {
		t.Run(name, func(t *testing.T) {
			h := newHouse(t)
			var visits, faces []string
			for i, width := range []int{90, 60, 120, 90} { // the second is too small for a reference
				visit, ids := h.sees(like(float32(i)/10, width))
				visits, faces = append(visits, visit), append(faces, ids...)
			}
			other := h.seen(like(9, 90))
			done, err := h.Introduce(t.Context(), faces[3], Introduction{ // any face will do
				Name: "Jory Tarn", Consent: h.consent(), Visits: visits[:3], NameVisits: named,
			})
			h.must(err)
			want := Introduced{Person: done.Person, References: 2}
			if named {
				want.Named, want.Of = 3, 3
			}
			if done != want || done.Person.Name != "Jory Tarn" || done.Person.References != 2 || done.Person.Consent == nil {
				t.Errorf("%+v, want %+v", done, want)
			}
			gallery, err := h.archive.Gallery(t.Context())
			h.must(err)
			for _, r := range gallery {
				if r.FaceWidth < quality.MinWidth {
					t.Errorf("a reference %d pixels wide", r.FaceWidth)
				}
			}
			for i, face := range append(faces, other) {
				m := h.found(face)
				if want := named && i < 3; (m != nil) != want {
					t.Errorf("visit %d is named: %t", i, m != nil)
				} else if want && (m.Person != done.Person.ID || m.Distance > 0.11) {
					t.Errorf("visit %d: %+v", i, m)
				}
			}
		})
	}
}

// TestIntroduceKnown adds references to somebody who is enrolled.
func TestIntroduceKnown(t *testing.T) {
	h := newHouse(t)
	known, err := h.archive.Introduce(t.Context(), "Ilse Amberg", h.consent(), []house.Reference{
		{Descriptor: like(5, 0).Descriptor, FaceWidth: 90},
	})
	h.must(err)
	without, err := h.archive.AddPerson(t.Context(), "Runa")
	h.must(err)
	h.sees(like(50, 90))
	visit, ids := h.sees(like(50.1, 100))
	for person, want := range map[string]error{
		"Ilse Amberg": ErrNoPerson, "NOSUCHPERSON": ErrNoPerson, without.ID: house.ErrNoConsent,
	} {
		if _, err := h.Introduce(t.Context(), ids[0], Introduction{Person: person}); !errors.Is(err, want) {
			t.Errorf("%s: %v, want %v", person, err, want)
		}
	}
	in := Introduction{Person: known.ID, Visits: []string{visit}}
	if done, err := h.Introduce(t.Context(), ids[0], in); err != nil || done.References != 1 || done.Of != 0 {
		t.Errorf("%+v, %v", done, err)
	}
	// The same picture again is no new reference, and both visits are like it.
	done, err := h.Introduce(t.Context(), ids[0], Introduction{Person: known.ID, NameVisits: true})
	if err != nil || done.References != 1 || done.Named != 2 || done.Of != 2 || done.Person.References != 3 {
		t.Errorf("%+v, %v", done, err)
	}
}

// TestRefusedIntroductions enrol nobody.
func TestRefusedIntroductions(t *testing.T) {
	h := newHouse(t)
	small, smalls := h.sees(like(3, 79))
	_, ids := h.sees(like(0, 90))
	h.sees(like(0.1, 90))
	whole := func(change func(*Introduction)) Introduction {
		in := Introduction{Name: "Jory Tarn", Consent: h.consent(), NameVisits: true}
		change(&in)
		return in
	}
	for name, test := range map[string]struct {
		face string
		in   Introduction
		want error
	}{
		"no name":          {ids[0], whole(func(in *Introduction) { in.Name = "" }), house.ErrBadPersonName},
		"nobody agreed":    {ids[0], whole(func(in *Introduction) { in.Consent.GivenBy = " " }), house.ErrNoConsent},
		"another's visit":  {ids[0], whole(func(in *Introduction) { in.Visits = []string{small} }), ErrStrangerChanged},
		"no visit":         {ids[0], whole(func(in *Introduction) { in.Visits = []string{"NONE"} }), ErrStrangerChanged},
		"too small":        {smalls[0], whole(func(*Introduction) {}), house.ErrNoReference},
		"no such stranger": {"NONE", whole(func(*Introduction) {}), house.ErrNotFound},
	} {
		_, err := h.Introduce(t.Context(), test.face, test.in)
		if !errors.Is(err, test.want) {
			t.Errorf("%s: %v, want %v", name, err, test.want)
		}
		if poor := new(NoReferenceError); test.want == house.ErrNoReference {
			says := "there is no reference to enrol: small"
			if !errors.As(err, &poor) || err.Error() != says || poor.Fault.Value != 79 {
				t.Errorf("%s: %v", name, err)
			}
		}
	}
	if persons, err := h.archive.Persons(t.Context()); err != nil || len(persons) != 0 {
		t.Errorf("persons %v, %v", persons, err)
	}
	if got := h.seenAgain(); len(got) != 1 {
		t.Errorf("strangers %v", got)
	}
}

// TestForgedGroup has somebody without the master key write into the archive that two who
// are unlike each other are one: nobody is made of both.
func TestForgedGroup(t *testing.T) {
	h := newHouse(t)
	one, other := h.seen(like(0, 90)), h.seen(like(7, 90))
	if s, err := h.Stranger(h.ctx(), one); err != nil || len(s.Faces) != 1 {
		t.Fatalf("%+v, %v", s, err)
	}
	db, err := sql.Open("sqlite", filepath.Join(h.archive.Dir(), "archive.db"))
	h.must(err)
	defer db.Close()
	_, err = db.Exec(`UPDATE strangers SET stranger = (SELECT stranger FROM strangers WHERE face = ?) WHERE face = ?`, one,
		other)
	h.must(err)
	s, err := h.Stranger(h.ctx(), one)
	if err != nil || len(s.Faces) != 2 {
		t.Fatalf("the row was not written: %+v, %v", s, err)
	}
	_, err = h.Introduce(h.ctx(), one, Introduction{Name: "Jory Tarn", Consent: h.consent()})
	if !errors.Is(err, ErrStrangerChanged) {
		t.Errorf("made of both: %v", err)
	}
	if persons, err := h.archive.Persons(h.ctx()); err != nil || len(persons) != 0 {
		t.Errorf("persons %v, %v", persons, err)
	}
}
