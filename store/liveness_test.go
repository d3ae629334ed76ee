package store

import (
	"bytes"
	"context"
	"errors"
	"image"
	"testing"
	"time"

	"lintel/internal/house"
)

// judgedAs is a face with findings: one that has a place, and one that could not
// be looked for.
func judgedAs(seed float32, m *house.Match, level house.LivenessLevel) house.Face {
	f := faceOf(seed, m)
	f.Liveness = &house.Liveness{Level: level, Probability: .875, Frames: 1, CantTell: []string{"one-frame"},
		Findings: []house.Finding{
			{Sign: "halftone", Score: .75, Values: []float64{4.5, .125},
				Region: []house.Point{{X: 100, Y: 50}, {X: 181, Y: 50}, {X: 140, Y: 131}}},
			{Sign: "glare", Missing: "dark"},
		}}
	return f
}

// onlyFace returns the face on the first still of a visit.
func onlyFace(t *testing.T, a *Archive, visit string) house.Face {
	t.Helper()
	v, err := a.Visit(t.Context(), visit)
	if err != nil || len(v.Stills[0].Faces) != 1 {
		t.Fatalf("%+v, %v", v.Stills, err)
	}
	return v.Stills[0].Faces[0]
}

func wantLiveness(t *testing.T, when string, got, want *house.Liveness) {
	t.Helper()
	if (got == nil) != (want == nil) || got != nil && !got.Equal(*want) {
		t.Errorf("%s: %+v, want %+v", when, got, want)
	}
}

// What was found is sealed with the face. On a smaller still its places are
// smaller; when the still goes the level stays, and the findings go.
func TestLivenessFollowsTheStill(t *testing.T) {
	a, c := newArchive(t)
	visit := keep(t, a, stillOf("r1", 0)) // 640x480
	f := judgedAs(.1, nil, house.Picture)
	record(t, a, visit, f)
	rules := house.DefaultRules()
	rules.Keep[house.Stranger] = house.Rule{Smaller: house.Period{Hours: 1}, Stills: house.Period{Hours: 2},
		Findings: house.Period{Hours: 24}}
	must(t, a.SetRules(t.Context(), rules))
	wantLiveness(t, "as examined", onlyFace(t, a, visit).Liveness, f.Liveness)
	raw := rawBytes(t, a)
	if !bytes.Contains(raw, []byte(visit)) {
		t.Fatal("the raw bytes lack what must be in them")
	}
	for _, secret := range []string{"Liveness", "liveness", "halftone", "glare", "one-frame", `"picture"`, "cant_tell",
		"0.875"} {
		if bytes.Contains(raw, []byte(secret)) {
			t.Errorf("the folder tells %s", secret)
		}
	}
	c.Advance(time.Hour)
	if got := sweep(t, a, halves); got.Smaller != 1 {
		t.Fatalf("swept %+v", got)
	}
	half := *f.Liveness
	half.Findings = []house.Finding{f.Liveness.Findings[0], f.Liveness.Findings[1]}
	half.Findings[0].Region = []house.Point{{X: 50, Y: 25}, {X: 91, Y: 25}, {X: 70, Y: 66}} // halves are rounded up
	wantLiveness(t, "on a smaller still", onlyFace(t, a, visit).Liveness, &half)
	c.Advance(time.Hour)
	if got := sweep(t, a, noShrinker); got.Findings != 1 {
		t.Fatalf("swept %+v", got)
	}
	left := onlyFace(t, a, visit)
	wantLiveness(t, "without the still", left.Liveness,
		&house.Liveness{Level: house.Picture, Probability: .875, Frames: 1, CantTell: []string{"one-frame"}})
	if left.Descriptor != (house.Descriptor{}) || left.Landmarks != nil {
		t.Errorf("more than that stayed: %+v", left)
	}
}

// A face that was not judged is not judged on a smaller still either.
func TestUnjudgedStaysUnjudged(t *testing.T) {
	a, c := newArchive(t)
	visit := keep(t, a, stillOf("r1", 0))
	record(t, a, visit, faceOf(.1, nil))
	rules := house.DefaultRules()
	rules.Keep[house.Stranger] = house.Rule{Smaller: house.Period{Hours: 1}, Stills: house.Period{Hours: 2},
		Findings: house.Period{Hours: 24}}
	must(t, a.SetRules(t.Context(), rules))
	for range 2 {
		c.Advance(time.Hour)
		sweep(t, a, halves)
		wantLiveness(t, "swept", onlyFace(t, a, visit).Liveness, nil)
	}
}

// anew is how a face is judged later.
var anew = &house.Liveness{Level: house.Doubtful, Probability: .5, Frames: 2,
	Findings: []house.Finding{{Sign: "plane", Score: .5, Values: []float64{1.5}}}}

// A rejudged face is one whose archive changes before it is judged anew.
type rejudged struct {
	name      string
	meanwhile func(context.Context, *Archive, house.Person, string) error
	updated   bool
	left      *house.Liveness // else as it was judged first
}

var rejudgedFaces = []rejudged{
	{"nothing", nil, true, anew},
	{"another still", func(ctx context.Context, a *Archive, _ house.Person, _ string) error {
		n := stillOf("r1", 1)
		_, _, err := a.Keep(ctx, n)
		return err
	}, true, anew},
	{"the person is erased", func(ctx context.Context, a *Archive, p house.Person, _ string) error {
		_, err := a.ErasePerson(ctx, p.ID, false)
		return err
	}, false, nil},
	{"the still is made smaller", func(ctx context.Context, a *Archive, _ house.Person, _ string) error {
		rules := house.DefaultRules()
		rules.Keep[house.Known] = house.Rule{Smaller: house.Period{Hours: 1}, Stills: house.Period{Hours: 48},
			Findings: house.Period{Hours: 48}}
		if err := a.SetRules(ctx, rules); err != nil {
			return err
		}
		got, err := a.Sweep(ctx, halves)
		if err == nil && got.Smaller != 1 {
			err = errors.New("not made smaller")
		}
		return err
	}, false, judgedAs(.1, nil, house.NoSign).Liveness.Scaled(.5, .5)},
	{"the still goes", func(ctx context.Context, a *Archive, _ house.Person, _ string) error {
		rules := house.DefaultRules()
		rules.Keep[house.Known] = house.Rule{Stills: house.Period{Hours: 1}, Findings: house.Period{Hours: 48}}
		if err := a.SetRules(ctx, rules); err != nil {
			return err
		}
		got, err := a.Sweep(ctx, noShrinker)
		if err == nil && got.Findings != 1 {
			err = errors.New("not gone")
		}
		return err
	}, false, judgedAs(.1, nil, house.NoSign).Liveness.Summary()},
}

// A ring judged anew updates a face of an earlier frame, but not one that was
// forgotten or whose still was made smaller meanwhile, nor one of another visit.
func TestRematchKeepsLiveness(t *testing.T) {
	for _, c := range rejudgedFaces {
		t.Run(c.name, func(t *testing.T) {
			a, clock := newArchive(t)
			p, err := a.AddPerson(t.Context(), "Tamsin Quill")
			if err != nil {
				t.Fatal(err)
			}
			visit, other := keep(t, a, stillOf("r1", 0)), keep(t, a, stillOf("r2", 0))
			m := &house.Match{Person: p.ID, Distance: .3, FPIR: 1e-5, Band: "strong"}
			record(t, a, visit, judgedAs(.1, m, house.NoSign))
			record(t, a, other, judgedAs(.1, nil, house.NoSign))
			clock.Advance(2 * time.Hour)
			read, elsewhere := onlyFace(t, a, visit), onlyFace(t, a, other)
			if c.meanwhile != nil {
				must(t, c.meanwhile(t.Context(), a, p, visit))
			}
			before := onlyFace(t, a, visit)
			read.Liveness, elsewhere.Liveness = anew, anew
			must(t, a.Rematch(t.Context(), visit, []house.Face{read, elsewhere}))
			after := onlyFace(t, a, visit)
			wantLiveness(t, "judged anew", after.Liveness, c.left)
			wantLiveness(t, "of another visit", onlyFace(t, a, other).Liveness, judgedAs(.1, nil, house.NoSign).Liveness)
			if after.Box != before.Box || after.Descriptor != before.Descriptor ||
				len(after.Landmarks) != len(before.Landmarks) {
				t.Errorf("what else is known of the face changed: %+v, was %+v", after, before)
			}
		})
	}
}

// A judgement that is the same, or none, leaves the sealed row as it is.
func TestRematchOfTheSameLiveness(t *testing.T) {
	a, _ := newArchive(t)
	visit := keep(t, a, stillOf("r1", 0))
	record(t, a, visit, judgedAs(.1, nil, house.Doubtful))
	sealed := func() (b []byte) {
		t.Helper()
		must(t, a.read.QueryRowContext(t.Context(), `SELECT sealed FROM faces`).Scan(&b))
		return b
	}
	before, f := sealed(), onlyFace(t, a, visit)
	unjudged := f
	unjudged.Liveness = nil
	for _, f := range []house.Face{f, unjudged} {
		must(t, a.Rematch(t.Context(), visit, []house.Face{f}))
		if !bytes.Equal(sealed(), before) {
			t.Error("the row was sealed anew")
		}
	}
}

// Of somebody erased nothing stays of how their face was judged.
func TestLivenessGoesWithThePerson(t *testing.T) {
	a, _ := newArchive(t)
	p, err := a.AddPerson(t.Context(), "Tamsin Quill")
	if err != nil {
		t.Fatal(err)
	}
	visit := keep(t, a, stillOf("r1", 0))
	record(t, a, visit, judgedAs(.1, &house.Match{Person: p.ID, Distance: .3, Band: "strong"}, house.Picture))
	if _, err := a.ErasePerson(t.Context(), p.ID, false); err != nil {
		t.Fatal(err)
	}
	if got := onlyFace(t, a, visit); got.Liveness != nil || got.Box == (image.Rectangle{}) {
		t.Errorf("%+v", got)
	}
}
