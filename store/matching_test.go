package store

import (
	"context"
	"database/sql"
	"image"
	"math"
	"slices"
	"testing"

	"lintel/internal/house"
)

func TestPrior(t *testing.T) {
	a, _ := newArchive(t)
	if p, err := a.Prior(t.Context()); err != nil || p != 0 {
		t.Errorf("a new archive has the prior %v, %v", p, err)
	}
	for _, p := range []float64{0, 0.009, 0.991, 1, -1, math.NaN(), math.Inf(1)} {
		wantError(t, a.SetPrior(t.Context(), p), house.ErrBadPrior)
	}
	for _, p := range []float64{0.01, 0.7, 0.99} {
		if err := a.SetPrior(t.Context(), p); err != nil {
			t.Error(err)
		}
		if got, err := a.Prior(t.Context()); err != nil || got != p {
			t.Errorf("the prior is %v, %v, want %v", got, err, p)
		}
	}
}

// calledStranger counts a stranger as an answer does.
func (a *Archive) calledStranger(ctx context.Context, distances []float64) error {
	return a.update(ctx, func(tx *sql.Tx) error { return a.countStranger(ctx, tx, distances) })
}

func TestCountStranger(t *testing.T) {
	a, _ := newArchive(t)
	for _, distances := range [][]float64{{0.40, 0.401, 0.41}, nil, {0, -1, 1.5, 7, math.Inf(1), 0.005}} {
		must(t, a.calledStranger(t.Context(), distances))
	}
	s, err := a.StrangerDistances(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	want := map[int]int{40: 1, 41: 2, 0: 2, 1: 1, 150: 3}
	for at, n := range s.Counts {
		if n != want[at] {
			t.Errorf("%d distances at %d, want %d", n, at, want[at])
		}
	}
	if s.Strangers != 3 || s.Comparisons() != 9 {
		t.Errorf("%d strangers and %d distances, want 3 and 9", s.Strangers, s.Comparisons())
	}
}

// The gallery's revision grows with all that faces are judged by, and with
// nothing else, also where another process does it.
func TestGalleryRevision(t *testing.T) {
	a, c := newArchive(t)
	other := openArchive(t, a.dir, c)
	before, err := a.GalleryRevision(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	changes := func(what string, want bool, f func() error) {
		t.Helper()
		if err := f(); err != nil {
			t.Fatalf("%s: %v", what, err)
		}
		now, err := a.GalleryRevision(t.Context())
		if err != nil || (now > before) != want || now < before {
			t.Errorf("%s: from revision %d to %d, %v", what, before, now, err)
		}
		before = now
	}
	ctx := t.Context()
	var p house.Person
	changes("a visit", false, func() error { examinedVisit(t, a, "r1", house.Done, faceOf(0.5, nil)); return nil })
	changes("a person without a reference", false,
		func() (err error) { p, err = other.AddPerson(ctx, "Tamsin Quill"); return err })
	changes("a consent", true, func() error {
		return other.RecordConsent(ctx, p.ID, house.Consent{GivenBy: "Tamsin Quill", GivenAt: c.Now(),
			Scope: "being recognised"})
	})
	changes("a reference", true, func() error {
		return other.AddReference(ctx, house.Reference{Person: p.ID, Descriptor: faceOf(0.5, nil).Descriptor})
	})
	changes("the prior", true, func() error { return other.SetPrior(ctx, 0.8) })
	changes("the prior again", true, func() error { return other.SetPrior(ctx, 0.7) })
	changes("a stranger", true, func() error { return other.calledStranger(ctx, []float64{0.8}) })
	changes("rules", false, func() error { return other.SetRules(ctx, house.DefaultRules()) })
	changes("an erasure", true, func() error { _, err := other.ErasePerson(ctx, p.ID, false); return err })
}

func addPersons(t *testing.T, a *Archive, names ...string) (persons []house.Person) {
	t.Helper()
	for _, name := range names {
		p, err := a.AddPerson(t.Context(), name)
		must(t, err)
		persons = append(persons, p)
	}
	return persons
}

// facesOn returns the faces on a visit's first still.
func facesOn(t *testing.T, a *Archive, visit string) []house.Face {
	t.Helper()
	v, err := a.Visit(t.Context(), visit)
	must(t, err)
	return v.Stills[0].Faces
}

func wantMatch(t *testing.T, f house.Face, want *house.Match) {
	t.Helper()
	if (f.Match == nil) != (want == nil) || want != nil && *f.Match != *want {
		t.Errorf("match %+v, want %+v", f.Match, want)
	}
}

func TestRematch(t *testing.T) {
	a, _ := newArchive(t)
	ctx := t.Context()
	persons := addPersons(t, a, "Tamsin Quill", "Perpetua Vale")
	found := house.Match{Person: persons[0].ID, Name: persons[0].Name, Distance: 0.5, FPIR: 5e-3, Band: "weak",
		Probability: 0.6, Frames: 1}
	right := faceOf(0.9, nil)
	right.Box = right.Box.Add(image.Pt(200, 0)) // faces come from left to right
	visit := examinedVisit(t, a, "r1", house.Done, faceOf(0.1, &found), right)
	elsewhere := examinedVisit(t, a, "r2", house.Done, faceOf(0.1, &found))
	faces := facesOn(t, a, visit)
	wantMatch(t, faces[0], &found)
	surer := found
	surer.Distance, surer.FPIR, surer.Band, surer.Probability, surer.Frames = 0.3, 1e-5, "strong", 0.99, 3
	faces[0].Match, faces[1].Match = &surer,
		&house.Match{Person: persons[1].ID, Name: persons[1].Name, Distance: 0.4, FPIR: 5e-4, Band: "fair",
			Probability: 0.9,
			Frames:      2}
	must(t, a.Rematch(ctx, visit, append(slices.Clone(faces), facesOn(t, a, elsewhere)...)))
	now := facesOn(t, a, visit)
	wantMatch(t, now[0], &surer)
	wantMatch(t, now[1], faces[1].Match)
	wantMatch(t, facesOn(t, a, elsewhere)[0], &found) // not of this visit

	before, err := a.Revision(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if err := a.Rematch(ctx, visit, nil); err != nil {
		t.Error(err)
	}
	if after, err := a.Revision(ctx); err != nil || after != before {
		t.Errorf("nothing to keep made revision %d of %d, %v", after, before, err)
	}
	if _, err := a.ErasePerson(ctx, persons[1].ID, false); err != nil {
		t.Fatal(err)
	}
	// A judgement from before the erasure arrives late.
	must(t, a.Rematch(ctx, visit, now))
	now = facesOn(t, a, visit)
	wantMatch(t, now[0], &surer)
	wantMatch(t, now[1], nil)
	faces[0].Match = nil
	must(t, a.Rematch(ctx, visit, faces[:1]))
	wantMatch(t, facesOn(t, a, visit)[0], nil)
	if v, err := a.Visit(ctx, visit); err != nil || v.Kind != house.Stranger {
		t.Errorf("the visit is of the kind %s, %v", v.Kind, err)
	}
	must(t, a.EraseVisit(ctx, visit))
	if err := a.Rematch(ctx, visit, faces); err != nil {
		t.Errorf("judging an erased visit: %v", err)
	}
}

// What a resident answered for stays as it was found then.
func TestRematchLeavesAnswers(t *testing.T) {
	a, _ := newArchive(t)
	ctx := t.Context()
	p, err := a.AddPerson(ctx, "Tamsin Quill")
	if err != nil {
		t.Fatal(err)
	}
	found := house.Match{Person: p.ID, Name: p.Name, Distance: 0.5, FPIR: 5e-3, Band: "weak", Probability: 0.6, Frames: 1}
	visit := examinedVisit(t, a, "r1", house.Done, faceOf(0.1, &found))
	v, err := a.Visit(ctx, visit)
	if err != nil {
		t.Fatal(err)
	}
	face := v.Stills[0].Faces[0]
	if err := a.Answer(ctx, house.Check{Face: face.ID, Answer: house.AnswerNo, Asked: p.ID, AskedDistance: 0.5}); err != nil {
		t.Fatal(err)
	}
	face.Match = nil
	must(t, a.Rematch(ctx, visit, []house.Face{face}))
	if v, err = a.Visit(ctx, visit); err != nil || v.Stills[0].Faces[0].Match == nil ||
		*v.Stills[0].Faces[0].Match != found || v.Stills[0].Faces[0].Whose() != "" {
		t.Errorf("what was found of who is not there is %+v, %v", v.Stills[0].Faces[0].Match, err)
	}
}
