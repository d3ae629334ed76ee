package store

import (
	"bytes"
	"math"
	"testing"
	"time"

	"lintel/internal/house"
)

// What was measured of a face is kept sealed with it, stays what it was of the
// still that was examined, and goes with the descriptor.
func TestQualityGoesWithTheStill(t *testing.T) {
	a, c := newArchive(t)
	q := house.Quality{FaceWidth: 80, EyeDistance: 33.25, PixelsPerMetre: 528, Sharpness: .125, Luma: 97.5, Clipped: .01,
		Contrast: .11, Yaw: -12, Roll: 3, Occlusion: .2, Cut: .3}
	visit := keep(t, a, stillOf("r1", 0))
	f := faceOf(0.1, nil)
	f.Quality = &q
	record(t, a, visit, f)
	rules := house.DefaultRules()
	rules.Keep[house.Stranger] = house.Rule{Smaller: house.Period{Hours: 1}, Stills: house.Period{Hours: 2},
		Findings: house.Period{Hours: 24}}
	must(t, a.SetRules(t.Context(), rules))
	measured := func() *house.Quality {
		t.Helper()
		v, err := a.Visit(t.Context(), visit)
		if err != nil {
			t.Fatal(err)
		}
		return v.Stills[0].Faces[0].Quality
	}
	if got := measured(); got == nil || *got != q {
		t.Errorf("%+v, want %+v", got, q)
	}
	if raw := rawBytes(t, a); bytes.Contains(raw, []byte("Quality")) || bytes.Contains(raw, []byte("face_width_px")) {
		t.Error("the folder tells what was measured")
	}
	c.Advance(time.Hour)
	if got := sweep(t, a, halves); got.Smaller != 1 {
		t.Errorf("swept %+v", got)
	}
	if got := measured(); got == nil || *got != q {
		t.Errorf("on a smaller still: %+v, want %+v", got, q)
	}
	c.Advance(time.Hour)
	if got := sweep(t, a, noShrinker); got.Findings != 1 {
		t.Errorf("swept %+v", got)
	}
	if got := measured(); got != nil {
		t.Errorf("without the still: %+v", got)
	}
}

// Of somebody erased nothing stays that was measured of their face.
func TestQualityGoesWithThePerson(t *testing.T) {
	a, _ := newArchive(t)
	p, err := a.AddPerson(t.Context(), "Tamsin Quill")
	if err != nil {
		t.Fatal(err)
	}
	visit := keep(t, a, stillOf("r1", 0))
	f := faceOf(0.1, &house.Match{Person: p.ID, Distance: 0.3, Band: "strong"})
	f.Quality = &house.Quality{FaceWidth: 80, Yaw: 12}
	record(t, a, visit, f)
	if _, err := a.ErasePerson(t.Context(), p.ID, false); err != nil {
		t.Fatal(err)
	}
	v, err := a.Visit(t.Context(), visit)
	if err != nil || len(v.Stills[0].Faces) != 1 || v.Stills[0].Faces[0].Quality != nil {
		t.Errorf("%+v, %v", v.Stills, err)
	}
}

// A reference's quality comes back as it was given; 0 is for not measured.
func TestReferenceQuality(t *testing.T) {
	a, _ := newArchive(t)
	p, err := a.AddPerson(t.Context(), "Tamsin Quill")
	if err != nil {
		t.Fatal(err)
	}
	if err := a.RecordConsent(t.Context(), p.ID, house.Consent{GivenBy: "Tamsin Quill", GivenAt: a.now(),
		Scope: "being " +
			"recognised"}); err != nil {
		t.Fatal(err)
	}
	add := func(i byte, quality float64) error {
		return a.AddReference(t.Context(), house.Reference{Person: p.ID, FaceWidth: int(i), Quality: quality,
			SourceSHA256: [32]byte{i}, Descriptor: house.Descriptor{float32(i)}})
	}
	want := map[int]float64{100: 0, 101: .0625, 102: 1}
	for width, quality := range want {
		must(t, add(byte(width), quality))
	}
	for _, bad := range []float64{-.5, 1.01, math.Inf(1)} {
		if add(7, bad) == nil {
			t.Errorf("a quality of %v was taken", bad)
		}
	}
	gallery, err := a.Gallery(t.Context())
	if err != nil || len(gallery) != len(want) {
		t.Fatalf("%d references, %v", len(gallery), err)
	}
	for _, r := range gallery {
		if r.Quality != want[r.FaceWidth] {
			t.Errorf("in the gallery: %v, want %v", r.Quality, want[r.FaceWidth])
		}
	}
	enrolments, err := a.Enrolments(t.Context(), p.ID)
	if err != nil || len(enrolments) != len(want) {
		t.Fatalf("%d enrolments, %v", len(enrolments), err)
	}
	for _, r := range enrolments {
		if r.Quality != want[r.FaceWidth] {
			t.Errorf("enrolled: %v, want %v", r.Quality, want[r.FaceWidth])
		}
	}
	var unknown int
	if err := a.read.QueryRowContext(t.Context(), `SELECT count(*) FROM gallery
		WHERE quality IS NULL`).Scan(&unknown); err != nil || unknown != 1 {
		t.Errorf("%d without a quality, %v", unknown, err)
	}
}
