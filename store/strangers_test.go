package store

import (
	"crypto/sha256"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
)

// referenceOf returns a reference that is another's for each seed.
func referenceOf(seed float32) house.Reference {
	return house.Reference{Descriptor: faceOf(seed, nil).Descriptor, FaceWidth: 90,
		SourceSHA256: sha256.Sum256([]byte{byte(100 * seed)})}
}

func TestIntroduceRefuses(t *testing.T) {
	a, c := newArchive(t)
	ctx := house.By(t.Context(), "resident R")
	consent := house.Consent{GivenBy: "Tamsin Quill", GivenAt: c.Now(), Scope: "being recognised at the door"}
	for name, test := range map[string]struct {
		name       string
		consent    house.Consent
		references []house.Reference
		want       error
	}{
		"no name":     {" ", consent, []house.Reference{referenceOf(0.1)}, house.ErrBadPersonName},
		"a long name": {strings.Repeat("x", 201), consent, []house.Reference{referenceOf(0.1)}, house.ErrBadPersonName},
		"nobody agreed": {"Tamsin", house.Consent{GivenAt: c.Now(), Scope: "all"}, []house.Reference{referenceOf(0.1)},
			house.ErrNoConsent},
		"to come": {"Tamsin", house.Consent{GivenBy: "Tamsin", GivenAt: c.Now().Add(time.Hour), Scope: "all"},
			[]house.Reference{referenceOf(0.1)}, house.ErrNoConsent},
		"no reference":  {"Tamsin", consent, nil, house.ErrNoReference},
		"a bad quality": {"Tamsin", consent, []house.Reference{referenceOf(0.1), {Quality: 7}}, nil},
		// refused by the schema
		"nobody knows when": {"Tamsin", house.Consent{GivenBy: "Tamsin", Scope: "all"}, []house.Reference{referenceOf(0.1)},
			house.ErrNoConsent},
	} {
		_, err := a.Introduce(ctx, test.name, test.consent, test.references)
		if test.want != nil {
			wantError(t, err, test.want)
		} else if err == nil {
			t.Errorf("%s: no error", name)
		}
	}
	if persons, err := a.Persons(ctx); err != nil || len(persons) != 0 {
		t.Fatalf("after refusals there is %v (%v)", persons, err)
	}
	if entries, err := a.Trail(ctx, 0, 10); err != nil || len(entries) != 1 { // the bell
		t.Fatalf("the trail has %v of what was refused (%v)", entries, err)
	}
}

// A person is added whole, or not at all.
func TestIntroduce(t *testing.T) {
	a, c := newArchive(t)
	ctx := house.By(t.Context(), "resident R")
	consent := house.Consent{GivenBy: "Tamsin Quill", GivenAt: c.Now(), Scope: "being recognised at the door"}
	p, err := a.Introduce(ctx, " Tamsin Quill ", consent,
		[]house.Reference{referenceOf(0.1), referenceOf(0.2), referenceOf(0.1)})
	if err != nil {
		t.Fatal(err)
	}
	stored, err := a.Person(ctx, p.ID)
	if err != nil || stored.Name != "Tamsin Quill" || stored.References != 2 || p.References != 2 ||
		stored.Consent == nil || *stored.Consent != consent {
		t.Errorf("stored %+v, %v", stored, err)
	}
	gallery, err := a.Gallery(ctx)
	if err != nil || len(gallery) != 2 || gallery[0].Person != p.ID {
		t.Errorf("gallery %v, %v", gallery, err)
	}
	entries, err := a.Trail(ctx, 0, 10)
	must(t, err)
	var said []string
	for _, e := range entries[:len(entries)-1] {
		said = append(said, e.Actor+" "+e.Action+" "+strings.Replace(e.Subject, p.ID, "P", 1))
	}
	want := "resident R enrolled person P, resident R enrolled person P, resident R consented person P, resident R " +
		"added person P"
	if got := strings.Join(said, ", "); got != want {
		t.Errorf("the trail says %s", got)
	}
}
