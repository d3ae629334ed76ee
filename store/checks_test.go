package store

import (
	"context"
	"errors"
	"fmt"
	"image"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
)

// seenAs keeps a ring with a still for each list of faces, and returns the
// visit and the faces' ids in that order.
func seenAs(t *testing.T, a *Archive, ring string, frames ...[]house.Face) (visit string, faces []string) {
	t.Helper()
	for frame, found := range frames {
		id, _, err := a.Keep(t.Context(), house.NewStill{Bell: "gate", Ring: ring, Frame: frame,
			JPEG: []byte(ring + fmt.Sprint(frame)), Width: 640, Height: 480, ReceivedAt: a.now()})
		if err != nil {
			t.Fatal(err)
		}
		v, err := a.Visit(t.Context(), id)
		if err != nil {
			t.Fatal(err)
		}
		must(t, a.Record(t.Context(), v.Stills[frame].ID, house.Done, found))
		visit = id
	}
	v, err := a.Visit(t.Context(), visit)
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range v.Stills {
		for _, f := range s.Faces {
			faces = append(faces, f.ID)
		}
	}
	return visit, faces
}

// aFace is a face at a place from the left, named with that band if there is a person.
func aFace(x int, person string, fpir float64, band string) house.Face {
	f := house.Face{Box: image.Rect(x, 40, x+100, 140), Descriptor: house.Descriptor{float32(x) + 1, 1}}
	if person != "" {
		f.Match = &house.Match{Person: person, Distance: .5, FPIR: fpir, Band: band, Probability: .9, Frames: 1}
	}
	return f
}

func ids(all []house.Sighting) (list []string) {
	for _, s := range all {
		list = append(list, s.ID)
	}
	return list
}

func newChecked(t *testing.T) (a *Archive, c *clock, ada, ben string) {
	t.Helper()
	a, c = newArchive(t)
	for name, id := range map[string]*string{"Ada Quill": &ada, "Ben Orrin": &ben} {
		p, err := a.AddPerson(t.Context(), name)
		if err != nil {
			t.Fatal(err)
		}
		*id = p.ID
	}
	return a, c, ada, ben
}

// TestDoubtful goes through the queue a face at a time: by FPIR, without those
// that are sure, gone, answered for, or surer on another frame of the visit.
func TestDoubtful(t *testing.T) {
	a, _, ada, ben := newChecked(t)
	_, weak := seenAs(t, a, "weak", []house.Face{aFace(0, ada, 8e-3, "weak")})
	_, fair := seenAs(t, a, "fair", []house.Face{aFace(0, ada, 5e-4, "fair"), aFace(200, "", 0, "")})
	_, same := seenAs(t, a, "same", []house.Face{aFace(0, ben, 8e-3, "weak")})
	seenAs(t, a, "strong", []house.Face{aFace(0, ada, 1e-5, "strong")})
	seenAs(t, a, "surer", []house.Face{aFace(0, ada, 8e-3, "weak")}, []house.Face{aFace(0, ada, 1e-5, "strong")})
	_, two := seenAs(t, a, "two", []house.Face{aFace(0, ada, 7e-3, "weak")}, []house.Face{aFace(0, ada, 6e-3, "weak")})
	_, answered := seenAs(t, a, "answered", []house.Face{aFace(0, ada, 9e-3, "weak")})
	if err := a.Answer(t.Context(), house.Check{Face: answered[0], Answer: house.AnswerYes, Asked: ada, Person: ada},
		&house.Match{Person: ada, Distance: .5, FPIR: 9e-3, Band: "weak"}); err != nil {
		t.Fatal(err)
	}
	gone := aFace(0, ada, 9.5e-3, "weak")
	gone.Descriptor = house.Descriptor{}
	seenAs(t, a, "gone", []house.Face{gone})

	want := []string{max(weak[0], same[0]), min(weak[0], same[0]), two[1], fair[0]}
	var got []string
	fpir, face := 1., "~"
	for range 10 {
		page, err := a.Doubtful(t.Context(), fpir, face, 1)
		if err != nil {
			t.Fatal(err)
		}
		if len(page) == 0 {
			break
		}
		got = append(got, page[0].ID)
		fpir, face = page[0].Face.Match.FPIR, page[0].ID
	}
	if !slices.Equal(got, want) {
		t.Errorf("the queue is %q, want %q", got, want)
	}
	all, err := a.Doubtful(t.Context(), 1, "~", 100)
	if err != nil || !slices.Equal(ids(all), want) {
		t.Errorf("at once it is %q, %v", ids(all), err)
	}
	if m := all[2].Face.Match; m.Name != "Ada Quill" || m.Probability != .9 || all[2].Bell != "gate" ||
		all[2].Frame != 1 {
		t.Errorf("%+v of %+v", m, all[2])
	}
	for name, query := range map[string]string{
		"faces_in_doubt": `SELECT f.id FROM faces f WHERE f.band IN ('fair', 'weak') AND ` + described + `
			AND (f.fpir, f.id) < (1, '~') ORDER BY f.fpir DESC, f.id DESC LIMIT 1`,
		"faces_of_strangers": `SELECT f.id FROM faces f WHERE f.person IS NULL AND ` + described,
		"faces_surely": `SELECT f.id FROM faces f WHERE f.person = 'x' AND f.band = 'strong' AND ` + described + `
			ORDER BY f.fpir LIMIT 1`,
	} {
		var plan string
		var skip int
		if err := a.read.QueryRow(`EXPLAIN QUERY PLAN `+query).Scan(&skip, &skip, &skip, &plan); err != nil ||
			!strings.Contains(plan, name) {
			t.Errorf("%s is not used: %s, %v", name, plan, err)
		}
	}
}

// An answering is an answer, and what it makes of the face.
type answering struct {
	name    string
	check   func(ada, ben string) house.Check
	becomes func(ada, ben string) *house.Match
	named   string // who the face is of afterwards: ada, ben or nobody
	kind    house.Kind
}

var answerings = []answering{
	{"yes", func(ada, ben string) house.Check {
		return house.Check{Answer: house.AnswerYes, Asked: ada, Person: ada}
	},
		func(ada, ben string) *house.Match {
			return &house.Match{Person: ada, Distance: .5, FPIR: 8e-3, Band: "weak"}
		}, "ada", house.Known},
	{"no", func(ada, ben string) house.Check { return house.Check{Answer: house.AnswerNo, Asked: ada} },
		func(ada, ben string) *house.Match { return nil }, "", house.Stranger},
	{"else a person", func(ada, ben string) house.Check {
		return house.Check{Answer: house.AnswerElse, Asked: ada, Person: ben, PersonDistance: .3}
	}, func(ada, ben string) *house.Match {
		return &house.Match{Person: ben, Distance: .3, FPIR: 1e-5, Band: "strong"}
	}, "ben", house.Known},
	{"else a stranger", func(ada, ben string) house.Check {
		return house.Check{Answer: house.AnswerElse, Asked: ada, Distances: []float64{.5, .8}}
	}, func(ada, ben string) *house.Match { return nil }, "", house.Stranger},
	{"not a face", func(ada, ben string) house.Check { return house.Check{Answer: house.AnswerNotFace, Asked: ada} },
		func(ada, ben string) *house.Match { return nil }, "", house.Stranger},
}

// TestAnswer keeps one answer of each kind and looks at all that it changes.
func TestAnswer(t *testing.T) {
	for _, test := range answerings {
		t.Run(test.name, func(t *testing.T) {
			a, _, ada, ben := newChecked(t)
			names := map[string]string{ada: "ada", ben: "ben"}
			visit, faces := seenAs(t, a, "R1", []house.Face{aFace(0, ada, 8e-3, "weak")})
			c := test.check(ada, ben)
			c.Face, c.AskedDistance = faces[0], .5
			ctx := house.By(t.Context(), "resident R")
			must(t, a.Answer(ctx, c, test.becomes(ada, ben)))
			if err := a.Answer(ctx, c, nil); !errors.Is(err, house.ErrAnswered) {
				t.Errorf("a second time: %v", err)
			}
			x, err := a.Sighting(ctx, faces[0])
			if err != nil {
				t.Fatal(err)
			}
			if got := x.Check; got == nil || got.Answer != c.Answer || got.Person != c.Person ||
				got.AskedDistance != c.AskedDistance || got.PersonDistance != c.PersonDistance || got.By != "resident R" ||
				!got.At.Equal(a.now()) {
				t.Errorf("kept %+v", got)
			}
			named := ""
			if m := x.Face.Match; m != nil {
				named = names[m.Person]
			}
			v, err := a.Visit(ctx, visit)
			if err != nil || named != test.named || v.Kind != test.kind {
				t.Errorf("named %q on a visit of kind %s, %v", named, v.Kind, err)
			}
			counted, err := a.StrangerDistances(ctx)
			if want := len(c.Distances); err != nil || counted.Comparisons() != want {
				t.Errorf("%d comparisons of strangers, want %d, %v", counted.Comparisons(), want, err)
			}
			trail, err := a.Trail(ctx, 0, 1)
			if err != nil || trail[0].Action != "checked" || trail[0].Subject != "visit "+visit ||
				trail[0].Actor != "resident R" {
				t.Errorf("the trail ends with %+v, %v", trail, err)
			}
			if answers, err := a.AnsweredOn(ctx, visit); err != nil || answers[faces[0]].Answer != c.Answer {
				t.Errorf("on the visit: %+v, %v", answers, err)
			}
			if latest, err := a.Answered(ctx, 10); err != nil || !slices.Equal(ids(latest), faces) {
				t.Errorf("answered: %v, %v", ids(latest), err)
			}
			must(t, a.TakeBack(ctx, faces[0]))
			if err := a.TakeBack(ctx, faces[0]); !errors.Is(err, house.ErrNotFound) {
				t.Errorf("taken back twice: %v", err)
			}
			if x, err := a.Sighting(ctx, faces[0]); err != nil || x.Check != nil {
				t.Errorf("taken back, but %+v, %v", x.Check, err)
			}
		})
	}
}

// TestAnswerForARing answers for a person on three frames, two of which were
// judged together.
func TestAnswerForARing(t *testing.T) {
	a, _, ada, _ := newChecked(t)
	fused := aFace(0, ada, 8e-3, "weak")
	fused.Match.Frames = 2
	visit, faces := seenAs(t, a, "R1", []house.Face{fused}, []house.Face{fused},
		[]house.Face{aFace(0, ada, 9e-3, "weak")})
	if err := a.Answer(t.Context(), house.Check{Face: faces[0], Answer: house.AnswerNo, Asked: ada, AskedDistance: .5},
		nil); err != nil {
		t.Fatal(err)
	}
	answers, err := a.AnsweredOn(t.Context(), visit)
	if err != nil || len(answers) != 2 || answers[faces[1]].Answer != house.AnswerNo {
		t.Errorf("answered for %v, %v", answers, err)
	}
	v, err := a.Visit(t.Context(), visit)
	if err != nil || v.Stills[0].Faces[0].Match != nil || v.Stills[1].Faces[0].Match != nil ||
		v.Stills[2].Faces[0].Match == nil {
		t.Errorf("%+v, %v", v.Stills, err)
	}
	must(t, a.TakeBack(t.Context(), faces[1]))
	if answers, err := a.AnsweredOn(t.Context(), visit); err != nil || len(answers) != 0 {
		t.Errorf("taken back, but %v, %v", answers, err)
	}
}

func TestRefusedAnswers(t *testing.T) {
	a, _, ada, ben := newChecked(t)
	_, faces := seenAs(t, a, "R1", []house.Face{aFace(0, ada, 8e-3, "weak")})
	blank := aFace(0, ada, 8e-3, "weak")
	blank.Descriptor = house.Descriptor{}
	_, gone := seenAs(t, a, "R2", []house.Face{blank})
	for _, test := range []struct {
		name  string
		check house.Check
		want  error
	}{
		{"no face", house.Check{Answer: house.AnswerNo, Asked: ada}, house.ErrBadAnswer},
		{"about nobody", house.Check{Face: faces[0], Answer: house.AnswerNo}, house.ErrBadAnswer},
		{"no answer", house.Check{Face: faces[0], Asked: ada}, house.ErrBadAnswer},
		{"another word", house.Check{Face: faces[0], Answer: "perhaps", Asked: ada}, house.ErrBadAnswer},
		{"yes, somebody else", house.Check{Face: faces[0], Answer: house.AnswerYes, Asked: ada, Person: ben},
			house.ErrBadAnswer},
		{"no, and who", house.Check{Face: faces[0], Answer: house.AnswerNo, Asked: ada, Person: ben}, house.ErrBadAnswer},
		{"someone else, the same", house.Check{Face: faces[0], Answer: house.AnswerElse, Asked: ada, Person: ada},
			house.ErrBadAnswer},
		{"an unknown face", house.Check{Face: "NONE", Answer: house.AnswerNo, Asked: ada}, house.ErrNotFound},
		{"a face that went", house.Check{Face: gone[0], Answer: house.AnswerNo, Asked: ada}, house.ErrStillGone},
		{"about somebody else", house.Check{Face: faces[0], Answer: house.AnswerNo, Asked: ben}, house.ErrFindingChanged},
		{"a person who went", house.Check{Face: faces[0], Answer: house.AnswerElse, Asked: ada, Person: "NONE"},
			house.ErrPersonGone},
	} {
		if err := a.Answer(t.Context(), test.check, nil); !errors.Is(err, test.want) {
			t.Errorf("%s: %v, want %v", test.name, err, test.want)
		}
	}
	if all, err := a.Answered(t.Context(), 10); err != nil || len(all) != 0 {
		t.Errorf("kept %v, %v", all, err)
	}
	if x, err := a.Sighting(t.Context(), faces[0]); err != nil || x.Face.Match == nil {
		t.Errorf("the name went all the same: %v", err)
	}
}

// answeredFace returns a face that somebody answered for: it is not Ada's but Ben's.
func answeredFace(t *testing.T) (a *Archive, ada, ben, visit, face string) {
	a, _, ada, ben = newChecked(t)
	visit, faces := seenAs(t, a, "R1", []house.Face{aFace(0, ada, 8e-3, "weak")})
	err := a.Answer(t.Context(), house.Check{Face: faces[0], Answer: house.AnswerElse, Asked: ada, AskedDistance: .5,
		Person: ben}, nil)
	if err != nil {
		t.Fatal(err)
	}
	return a, ada, ben, visit, faces[0]
}

// wantNoAnswers wants no answer to be left.
func wantNoAnswers(t *testing.T, a *Archive) {
	t.Helper()
	var n int
	if err := a.read.QueryRow(`SELECT count(*) FROM checks`).Scan(&n); err != nil || n != 0 {
		t.Errorf("%d answers are left, %v", n, err)
	}
}

// TestAnswersGo looks at what takes answers along: the visit, a new
// examination, and the erasure of either person. An erased person's face is
// forgotten even where only the answer told whose it is.
func TestAnswersGo(t *testing.T) {
	t.Run("visit erased", func(t *testing.T) {
		a, _, _, visit, _ := answeredFace(t)
		must(t, a.EraseVisit(t.Context(), visit))
		wantNoAnswers(t, a)
	})
	t.Run("examined anew", func(t *testing.T) {
		a, _, _, visit, _ := answeredFace(t)
		v, err := a.Visit(t.Context(), visit)
		if err != nil {
			t.Fatal(err)
		}
		must(t, a.Record(t.Context(), v.Stills[0].ID, house.Done, nil))
		wantNoAnswers(t, a)
	})
	t.Run("the person asked about erased", func(t *testing.T) {
		a, ada, _, _, face := answeredFace(t)
		if _, err := a.ErasePerson(t.Context(), ada, false); err != nil {
			t.Fatal(err)
		}
		wantNoAnswers(t, a)
		if x, err := a.Sighting(t.Context(), face); err != nil || !x.Kept() {
			t.Errorf("a face of somebody else's is forgotten: %v", err)
		}
	})
	t.Run("the person it is erased", func(t *testing.T) {
		a, _, ben, visit, face := answeredFace(t)
		if e, err := a.ErasePerson(t.Context(), ben, false); err != nil || e.Unnamed != 1 {
			t.Fatal(e, err)
		}
		wantNoAnswers(t, a)
		if x, err := a.Sighting(t.Context(), face); err != nil || x.Face.Descriptor != (house.Descriptor{}) {
			t.Errorf("the face is still described, %v", err)
		}
		if _, err := a.Visit(t.Context(), visit); err != nil {
			t.Error(err)
		}
	})
	t.Run("the person it is erased with visits", func(t *testing.T) {
		a, _, ben, visit, _ := answeredFace(t)
		if e, err := a.ErasePerson(t.Context(), ben, true); err != nil || e.Visits != 1 {
			t.Fatal(e, err)
		}
		wantNoAnswers(t, a)
		if _, err := a.Visit(t.Context(), visit); !errors.Is(err, house.ErrNotFound) {
			t.Error(err)
		}
	})
}

// TestSightings reads strangers, faces of a period, and those that surely are
// somebody's.
func TestSightings(t *testing.T) {
	a, c, ada, ben := newChecked(t)
	_, old := seenAs(t, a, "old", []house.Face{aFace(0, "", 0, "")})
	c.Advance(40 * 24 * time.Hour)
	_, strong := seenAs(t, a, "strong", []house.Face{aFace(0, ada, 1e-5, "strong"), aFace(200, "", 0, "")})
	c.Advance(time.Hour)
	_, denied := seenAs(t, a, "denied", []house.Face{aFace(0, ada, 1e-6, "strong")})
	_, told := seenAs(t, a, "told", []house.Face{aFace(0, "", 0, "")})
	weak := &house.Match{Person: ada, Distance: .5, FPIR: 1e-6, Band: "strong"}
	for face, check := range map[string]house.Check{
		denied[0]: {Answer: house.AnswerElse, Asked: ada, Person: ben},
		told[0]:   {Answer: house.AnswerYes, Asked: ada, Person: ada},
	} {
		check.Face = face
		becomes := weak // even where the name stays, as of an answer that was given long ago
		if check.Answer == house.AnswerYes {
			becomes = nil
		}
		must(t, a.Answer(t.Context(), check, becomes))
	}
	set := func(all []house.Sighting, err error) string {
		t.Helper()
		must(t, err)
		return sorted(ids(all)...)
	}
	ctx := context.Background()
	if got, want := set(a.Strangers(ctx, 10)), sorted(old[0], strong[1], told[0]); got != want {
		t.Errorf("strangers %s, want %s", got, want)
	}
	if got, want := set(a.Strangers(ctx, 1)), sorted(told[0]); got != want {
		t.Errorf("the newest stranger is %s, want %s", got, want)
	}
	checkPeriods(t, a, strong, denied, told)
	if got, want := set(a.SurelyOf(ctx, ada, 10)), sorted(strong[0], told[0]); got != want {
		t.Errorf("surely Ada's %s, want %s", got, want)
	}
	if got, want := set(a.SurelyOf(ctx, ben, 10)), sorted(denied[0]); got != want {
		t.Errorf("surely Ben's %s, want %s", got, want)
	}
	x, err := a.Sighting(ctx, strong[0])
	if err != nil {
		t.Fatal(err)
	}
	if named, err := a.NamedOn(ctx, []string{x.Visit, "NONE"}); err != nil || len(named) != 1 ||
		!named[house.Naming{Visit: x.Visit, Person: ada}] {
		t.Errorf("named on the visit: %v, %v", named, err)
	}
}

// sorted writes ids down in order.
func sorted(list ...string) string {
	slices.Sort(list)
	return fmt.Sprint(list)
}

// checkPeriods asks for the faces of a day, as many as a limit allows.
func checkPeriods(t *testing.T, a *Archive, strong, denied, told []string) {
	t.Helper()
	ctx := t.Context()
	for _, c := range []struct {
		limit int
		want  []string
		more  bool
	}{
		{10, []string{strong[0], strong[1], denied[0], told[0]}, false},
		{4, []string{strong[0], strong[1], denied[0], told[0]}, false},
		{3, []string{denied[0], told[0]}, true}, // the two faces of a ring come together
		{2, []string{denied[0], told[0]}, true},
	} {
		all, more, err := a.Sightings(ctx, a.now().Add(-24*time.Hour), c.limit)
		if got, want := sorted(ids(all)...), sorted(c.want...); err != nil || got != want || more != c.more {
			t.Errorf("%d of a day: %s, more: %t; want %s, %t", c.limit, got, more, want, c.more)
		}
	}
	if all, more, err := a.Sightings(ctx, a.now().Add(-30*time.Minute-time.Hour), 1); len(all) != 1 || !more ||
		err != nil {
		t.Errorf("of a day with a limit of one: %q, more: %t, %v", ids(all), more, err)
	}
}

// TestRename applies changes that are still what was seen, and no others.
func TestRename(t *testing.T) {
	a, _, ada, ben := newChecked(t)
	weak := func(person string) *house.Match {
		return &house.Match{Person: person, Distance: .5, FPIR: 8e-3, Band: "weak"}
	}
	becomes := &house.Match{Person: ben, Distance: .2, FPIR: 1e-6, Band: "strong", Probability: .99, Frames: 1}
	visit, faces := seenAs(t, a, "R1", []house.Face{aFace(0, ada, 8e-3, "weak"), aFace(150, "", 0, ""),
		aFace(300, ada, 8e-3, "weak"), aFace(450, ada, 8e-3, "weak")})
	if err := a.Answer(t.Context(), house.Check{Face: faces[3], Answer: house.AnswerYes, Asked: ada, Person: ada},
		weak(ada)); err != nil {
		t.Fatal(err)
	}
	n, err := a.Rename(t.Context(), []house.Renaming{
		{Face: faces[0], Was: weak(ada), Becomes: becomes},
		{Face: faces[1], Was: nil, Becomes: becomes},
		{Face: faces[2], Was: weak(ben), Becomes: becomes},                        // it was something else
		{Face: faces[3], Was: weak(ada), Becomes: becomes},                        // answered for
		{Face: "NONE", Was: nil, Becomes: becomes},                                // gone
		{Face: faces[2], Was: weak(ada), Becomes: &house.Match{Person: "NOBODY"}}, // erased
	})
	if err != nil || n != 2 {
		t.Errorf("%d renamed, %v", n, err)
	}
	v, err := a.Visit(t.Context(), visit)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, f := range v.Stills[0].Faces {
		got = append(got, map[string]string{ada: "ada", ben: "ben"}[f.Match.Person]+" "+f.Match.Band)
	}
	if fmt.Sprint(got) != "[ben strong ben strong ada weak ada weak]" {
		t.Errorf("%q", got)
	}
	if p := v.Stills[0].Faces[0].Match.Probability; math.Abs(p-.99) > 1e-12 {
		t.Errorf("probability %g", p)
	}
}
