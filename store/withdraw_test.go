package store

import (
	"database/sql"
	"testing"

	"lintel/internal/house"
)

// recognise records a person's consent, and a reference of the i-th kind.
func recognise(t *testing.T, a *Archive, person string, i int) {
	t.Helper()
	ctx := t.Context()
	if err := a.RecordConsent(ctx, person, house.Consent{GivenBy: "they", GivenAt: a.now(),
		Scope: "the door"}); err != nil {
		t.Fatal(err)
	}
	if err := a.AddReference(ctx, house.Reference{Person: person, FaceWidth: 100,
		Descriptor: house.Descriptor{float32(i + 1)}, SourceSHA256: [32]byte{byte(i)}}); err != nil {
		t.Fatal(err)
	}
}

// TestWithdrawConsent has a person who is named on visits, answered for and
// suggested: nobody is taken for them from then on, and the visits are kept as a
// stranger's are.
func TestWithdrawConsent(t *testing.T) {
	a, c, ada, ben := newChecked(t)
	ctx := t.Context()
	for i, person := range []string{ada, ben} {
		recognise(t, a, person, i)
	}
	named, faces := seenAs(t, a, "R1", []house.Face{aFace(0, ada, 1e-5, "strong"), aFace(200, ben, 1e-5, "strong")})
	alone, _ := seenAs(t, a, "R2", []house.Face{aFace(0, ada, 1e-5, "strong")})
	told, toldFaces := seenAs(t, a, "R3", []house.Face{aFace(0, "", 0, "")})
	must(t, a.Answer(ctx, house.Check{Face: toldFaces[0], Answer: house.AnswerYes, Asked: ada, Person: ada}))
	revision, err := a.GalleryRevision(ctx)
	if err != nil {
		t.Fatal(err)
	}
	n, err := a.WithdrawConsent(house.By(ctx, "resident R"), ada)
	if err != nil || n != 3 {
		t.Fatalf("took the name from %d visits, %v; want 3", n, err)
	}
	if now, err := a.GalleryRevision(ctx); err != nil || now == revision {
		t.Errorf("the gallery's revision is %d as before, %v", now, err)
	}
	checkWithdrawn(t, a, ada, ben, faces[1], map[string]house.Kind{named: house.Known, alone: house.Stranger,
		told: house.Stranger})

	// A ring that was being examined, a change that was ticked, and an answer
	// name nobody either.
	late, lateFaces := seenAs(t, a, "R4", []house.Face{aFace(0, ada, 1e-5, "strong")})
	if _, err := a.Rename(ctx, []house.Renaming{{Face: lateFaces[0],
		Becomes: &house.Match{Person: ada, Band: "strong"}}}); err != nil {
		t.Fatal(err)
	}
	wantError(t, a.Answer(ctx, house.Check{Face: lateFaces[0], Answer: house.AnswerYes, Asked: ada, Person: ada}),
		house.ErrNoConsent)
	if v, err := a.Visit(ctx, late); err != nil || v.Kind != house.Stranger {
		t.Errorf("named afterwards: %+v, %v", v, err)
	}

	_, err = a.WithdrawConsent(ctx, ada)
	wantError(t, err, house.ErrNoConsent)
	for _, nobody := range []string{"", newID()} {
		_, err = a.WithdrawConsent(ctx, nobody)
		wantError(t, err, house.ErrNotFound)
	}
	wantError(t, a.AddReference(ctx, house.Reference{Person: ada, Descriptor: house.Descriptor{9}}), house.ErrNoConsent)

	// Who consents anew begins anew.
	must(t, a.RecordConsent(ctx, ada, house.Consent{GivenBy: "they", GivenAt: c.Now(), Scope: "the door"}))
	again, _ := seenAs(t, a, "R5", []house.Face{aFace(0, ada, 1e-5, "strong")})
	if v, err := a.Visit(ctx, again); err != nil || v.Kind != house.Known {
		t.Errorf("with a consent again: %s, %v", v.Kind, err)
	}
}

// checkWithdrawn looks whether a person without a consent is named nowhere, and
// whether the other's reference and face are as they were.
func checkWithdrawn(t *testing.T, a *Archive, ada, ben, others string, kinds map[string]house.Kind) {
	t.Helper()
	ctx := t.Context()
	gallery, err := a.Gallery(ctx)
	if err != nil || len(gallery) != 1 || gallery[0].Person != ben {
		t.Errorf("gallery %+v, %v", gallery, err)
	}
	p, err := a.Person(ctx, ada)
	if err != nil || p.Consent != nil || p.References != 0 {
		t.Errorf("the person is %+v, %v", p, err)
	}
	for visit, want := range kinds {
		v, err := a.Visit(ctx, visit)
		if err != nil || v.Kind != want {
			t.Errorf("a visit of kind %s, %v, want %s", v.Kind, err, want)
		}
		for _, f := range v.Stills[0].Faces {
			hers := f.ID != others
			if hers && (f.Match != nil || f.Descriptor != house.Descriptor{}) || !hers && f.Match == nil {
				t.Errorf("a face of hers (%t) is %+v", hers, f)
			}
		}
		if said := saidOn(t, a, visit); len(said) != 0 {
			t.Errorf("answers %+v", said)
		}
	}
	trail, err := a.Trail(ctx, 0, 1)
	if err != nil || trail[0].Action != "withdrew" || trail[0].Subject != "person "+ada ||
		trail[0].Actor != "resident R" {
		t.Errorf("the trail ends with %+v, %v", trail, err)
	}
	checkSound(t, a)
}

// TestWithdrawalBreaksOff has a crash come after the references went and before
// the visits were gone through: the next start goes on.
func TestWithdrawalBreaksOff(t *testing.T) {
	a, c, ada, _ := newChecked(t)
	ctx := t.Context()
	must(t, a.RecordConsent(ctx, ada, house.Consent{GivenBy: "they", GivenAt: c.Now(), Scope: "the door"}))
	visit, _ := seenAs(t, a, "R1", []house.Face{aFace(0, ada, 1e-5, "strong")})
	if err := a.update(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `UPDATE consents SET withdrawn_at = ? WHERE person = ?`, micros(c.Now()), ada)
		return err
	}); err != nil {
		t.Fatal(err)
	}
	must(t, a.FinishErasures(ctx))
	if v, err := a.Visit(ctx, visit); err != nil || v.Kind != house.Stranger {
		t.Errorf("the visit is %s, %v", v.Kind, err)
	}
}
