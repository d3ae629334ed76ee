package store

import (
	"testing"
	"time"

	"lintel/internal/house"
)

// shortStills are rules by which stills go after two hours, and findings after
// three, whoever is on them.
func shortStills() house.Rules {
	rules := house.DefaultRules()
	for _, k := range house.Kinds {
		rules.Keep[k] = house.Rule{Stills: house.Period{Hours: 2}, Findings: house.Period{Hours: 3}}
	}
	return rules
}

// stillThere returns the visit, which must not be gone.
func stillThere(t *testing.T, a *Archive, visit string) house.Visit {
	t.Helper()
	v, err := a.Visit(t.Context(), visit)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// Somebody rings and the power fails before the still is examined. When it is
// back, the still is past its time, but that somebody rang is not.
func TestUnexaminedVisitStays(t *testing.T) {
	a, c := newArchive(t)
	must(t, a.SetRules(t.Context(), shortStills()))
	visit := examinedVisit(t, a, "r1", house.Pending)
	c.Advance(3*time.Hour - time.Microsecond)
	if got := sweep(t, a, noShrinker); got != (house.Swept{Findings: 1}) {
		t.Errorf("when its still is past its time: %+v", got)
	}
	v := stillThere(t, a, visit)
	if s := v.Stills[0]; v.Stage != house.OnlyFindings || v.Kind != house.Damaged || s.State != house.Failed ||
		s.File != "" || s.Lost {
		t.Errorf("kind %s at stage %d, still %+v", v.Kind, v.Stage, s)
	}
	if waiting, err := a.PendingStills(t.Context(), 1); err != nil || len(waiting) > 0 {
		t.Errorf("%+v wait to be examined, %v", waiting, err)
	}
	checkSound(t, a)
	c.Advance(time.Microsecond)
	if got := sweep(t, a, noShrinker); got != (house.Swept{Visits: 1}) {
		t.Errorf("when it is past its time: %+v", got)
	}
}

// Somebody known rings, and a frame of it comes four days later: the bell was
// out of reach. That takes away nothing of what the household keeps for longer.
func TestLateFrameOfSomebodyKnown(t *testing.T) {
	a, c := newArchive(t)
	visit := visitsOfAllKinds(t, a)[house.Known]
	c.Advance(4 * 24 * time.Hour)
	late := stillOf("person", 1)
	late.ReceivedAt = c.Now()
	keep(t, a, late)
	if got := sweep(t, a, noShrinker); got != (house.Swept{Visits: 5}) {
		t.Errorf("after four days: %+v, want all but the known person's", got)
	}
	if v := stillThere(t, a, visit); v.Kind != house.Known || !v.Pending() || v.Stills[0].File == "" ||
		v.Stills[1].File == "" {
		t.Errorf("kind %s, stills %+v", v.Kind, v.Stills)
	}
	checkSound(t, a)
}

// A frame that comes when its ring's others are smaller is made smaller as they
// were, and they are left alone.
func TestSmallerOnce(t *testing.T) {
	a, c := newArchive(t)
	rules := shortStills()
	rules.Keep[house.Stranger] = house.Rule{Smaller: house.Period{Hours: 1}, Stills: house.Period{Hours: 2},
		Findings: house.Period{Hours: 3}}
	must(t, a.SetRules(t.Context(), rules))
	visit := examinedVisit(t, a, "r1", house.Done, faceOf(0.1, nil))
	c.Advance(time.Hour)
	sweep(t, a, halves)
	before := stillThere(t, a, visit).Stills[0]
	late := stillOf("r1", 1)
	late.ReceivedAt = c.Now()
	keep(t, a, late)
	waiting, err := a.PendingStills(t.Context(), 1)
	if err == nil {
		err = a.Record(t.Context(), waiting[0].ID, house.Done, nil)
	}
	if err != nil {
		t.Fatal(err)
	}
	if got := sweep(t, a, halves); got != (house.Swept{Smaller: 1}) {
		t.Errorf("swept %+v", got)
	}
	v := stillThere(t, a, visit)
	if v.Stage != house.Smaller || v.Stills[0].File != before.File || v.Stills[1].Width != 320 {
		t.Errorf("stage %d, stills %+v, the first was %+v", v.Stage, v.Stills, before)
	}
	checkSound(t, a)
}

// A still that is let go while somebody examines it leaves who rang, and nothing
// that they could be known by again.
func TestRecordWhenTheStillHasGone(t *testing.T) {
	a, c := newArchive(t)
	must(t, a.SetRules(t.Context(), shortStills()))
	p, err := a.AddPerson(t.Context(), "Tamsin Quill")
	if err != nil {
		t.Fatal(err)
	}
	visit := examinedVisit(t, a, "r1", house.Pending)
	waiting, err := a.PendingStills(t.Context(), 1)
	if err != nil {
		t.Fatal(err)
	}
	c.Advance(2 * time.Hour)
	if got := sweep(t, a, noShrinker); got != (house.Swept{Findings: 1}) {
		t.Fatalf("swept %+v", got)
	}
	match := house.Match{Person: p.ID, Name: "Tamsin Quill", Distance: 0.3, FPIR: 1e-5, Band: "strong"}
	seen := faceOf(0.2, &match)
	seen.Landmarks, seen.ImageHash = []house.Point{{X: 200, Y: 100}}, 0x0123456789abcdef
	must(t, a.Record(t.Context(), waiting[0].ID, house.Done, []house.Face{seen}))
	v := stillThere(t, a, visit)
	face := v.Stills[0].Faces[0]
	if v.Kind != house.Known || v.Stage != house.OnlyFindings || face.Match == nil || *face.Match != match ||
		face.Box != seen.Box {
		t.Errorf("kind %s at stage %d, face %+v, match %+v", v.Kind, v.Stage, face, face.Match)
	}
	if face.Descriptor != (house.Descriptor{}) || len(face.Landmarks) > 0 || face.ImageHash != 0 {
		t.Errorf("the still has gone, and of its face there is %+v", face)
	}
	var looks int
	if err := a.read.QueryRowContext(t.Context(), `SELECT count(*) FROM looks`).Scan(&looks); err != nil || looks > 0 {
		t.Errorf("%d hashes of the face, %v", looks, err)
	}
	checkSound(t, a)
}

// A frame that waits to be examined is made smaller after that, since its faces
// are measured on it as it came.
func TestSmallerWaitsForExamination(t *testing.T) {
	a, c := newArchive(t)
	rules := shortStills()
	rules.Keep[house.Parcel] = house.Rule{Smaller: house.Period{Hours: 1}, Stills: house.Period{Hours: 2},
		Findings: house.Period{Hours: 3}}
	must(t, a.SetRules(t.Context(), rules))
	visit := examinedVisit(t, a, "r1", house.Pending)
	must(t, a.SetParcel(t.Context(), visit, true))
	c.Advance(time.Hour)
	if got := sweep(t, a, halves); got != (house.Swept{}) {
		t.Errorf("while it waits: %+v", got)
	}
	v := stillThere(t, a, visit)
	must(t, a.Record(t.Context(), v.Stills[0].ID, house.Done, []house.Face{faceOf(0.1, nil)}))
	if got := sweep(t, a, halves); got != (house.Swept{Smaller: 1}) {
		t.Errorf("once it is examined: %+v", got)
	}
	checkSound(t, a)
}
