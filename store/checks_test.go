package store

import (
	"context"
	"database/sql"
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
	must(t, a.Answer(t.Context(), house.Check{Face: answered[0], Answer: house.AnswerYes, Asked: ada, Person: ada}))
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

// An answering is an answer, and what follows from it.
type answering struct {
	name  string
	found string // ada, or a stranger
	check func(ada, ben string) house.Check
	whose string // afterwards: ada, ben or nobody
	kind  house.Kind
}

func isAda(ada, ben string) house.Check {
	return house.Check{Answer: house.AnswerYes, Asked: ada, Person: ada}
}
func isNotAda(ada, ben string) house.Check { return house.Check{Answer: house.AnswerNo, Asked: ada} }
func isBen(ada, ben string) house.Check {
	return house.Check{Answer: house.AnswerElse, Asked: ada, Person: ben, PersonDistance: .3}
}
func isStranger(ada, ben string) house.Check {
	return house.Check{Answer: house.AnswerElse, Asked: ada, Distances: []float64{.5, .8}}
}
func isNoFace(ada, ben string) house.Check {
	return house.Check{Answer: house.AnswerNotFace, Asked: ada}
}

var answerings = []answering{
	{"Ada, and it is", "ada", isAda, "ada", house.Known},
	{"Ada, and it is not", "ada", isNotAda, "", house.Stranger},
	{"Ada, and it is Ben", "ada", isBen, "ben", house.Known},
	{"Ada, and it is a stranger", "ada", isStranger, "", house.Stranger},
	{"Ada, and it is no face", "ada", isNoFace, "", house.NoFace},
	{"a stranger, and it is Ada", "", isAda, "ada", house.Known},
	{"a stranger, and it is not Ada", "", isNotAda, "", house.Stranger},
	{"a stranger, and it is Ben", "", isBen, "ben", house.Known},
	{"a stranger, and it is one", "", isStranger, "", house.Stranger},
	{"a stranger, and it is no face", "", isNoFace, "", house.NoFace},
	{"a stranger, and it is Ben of whom nobody asked", "", func(ada, ben string) house.Check {
		return house.Check{Answer: house.AnswerElse, Person: ben}
	}, "ben", house.Known},
	{"a stranger, and nobody is near", "", func(ada, ben string) house.Check {
		return house.Check{Answer: house.AnswerElse}
	}, "", house.Stranger},
	{"a stranger, and no face, and nobody is near", "", func(ada, ben string) house.Check {
		return house.Check{Answer: house.AnswerNotFace}
	}, "", house.NoFace},
}

// TestAnswer keeps one answer of each kind and looks at all that follows: whose the
// face is, the kind that the visit is kept as, under whom the book finds it, and that
// all is as it was found once the answer is taken back.
func TestAnswer(t *testing.T) {
	for _, test := range answerings {
		t.Run(test.name, func(t *testing.T) {
			a, _, ada, ben := newChecked(t)
			persons := map[string]string{"ada": ada, "ben": ben}
			visit, faces := seenAs(t, a, "R1", []house.Face{aFace(0, persons[test.found], 8e-3, "weak")})
			before, err := a.Visit(t.Context(), visit)
			must(t, err)
			c := test.check(ada, ben)
			if c.Face = faces[0]; c.Asked != "" {
				c.AskedDistance = .5
			}
			ctx := house.By(t.Context(), "resident R")
			must(t, a.Answer(ctx, c))
			if err := a.Answer(ctx, c); !errors.Is(err, house.ErrAnswered) {
				t.Errorf("a second time: %v", err)
			}
			checkAnswer(t, a, c)
			wantVisit(t, a, visit, test.kind, persons[test.whose], ada, ben)
			trail, err := a.Trail(ctx, 0, 1)
			if err != nil || trail[0].Action != "checked" || trail[0].Subject != "visit "+visit ||
				trail[0].Actor != "resident R" {
				t.Errorf("the trail ends with %+v, %v", trail, err)
			}
			must(t, a.TakeBack(ctx, faces[0]))
			if err := a.TakeBack(ctx, faces[0]); !errors.Is(err, house.ErrNotFound) {
				t.Errorf("taken back twice: %v", err)
			}
			if x, err := a.Sighting(ctx, faces[0]); err != nil || x.Check != nil {
				t.Errorf("taken back, but %+v, %v", x.Check, err)
			}
			wantVisit(t, a, visit, before.Kind, persons[test.found], ada, ben)
			checkSound(t, a)
		})
	}
}

// checkAnswer looks whether an answer was kept as it was given, and what it counts.
func checkAnswer(t *testing.T, a *Archive, c house.Check) {
	t.Helper()
	x, err := a.Sighting(t.Context(), c.Face)
	if got := x.Check; err != nil || got == nil || got.Answer != c.Answer || got.Asked != c.Asked ||
		got.Person != c.Person || got.AskedDistance != c.AskedDistance || got.PersonDistance != c.PersonDistance ||
		got.By != "resident R" || !got.At.Equal(a.now()) {
		t.Errorf("kept %+v, %v", got, err)
	}
	counted, err := a.StrangerDistances(t.Context())
	if want := len(c.Distances); err != nil || counted.Comparisons() != want {
		t.Errorf("%d comparisons of strangers, want %d, %v", counted.Comparisons(), want, err)
	}
	if latest, err := a.Answered(t.Context(), 10); err != nil || !slices.Equal(ids(latest), []string{c.Face}) {
		t.Errorf("answered: %v, %v", ids(latest), err)
	}
}

// wantVisit wants a visit to be of that kind, its first face to be the person's, and
// the book to find it under nobody else of those.
func wantVisit(t *testing.T, a *Archive, visit string, kind house.Kind, whose string, persons ...string) {
	t.Helper()
	v, err := a.Visit(t.Context(), visit)
	if err != nil || v.Kind != kind || v.Stills[0].Faces[0].Whose() != whose {
		t.Errorf("a visit of kind %s, a face of %q, want %s, %q; %v", v.Kind, v.Stills[0].Faces[0].Whose(), kind, whose, err)
	}
	for _, person := range persons {
		found, err := a.Book(t.Context(), Filter{Persons: []string{person}}, Cursor{}, 10)
		listed := len(found.Visits) == 1
		if err != nil || listed != (person == whose) {
			t.Errorf("found under %s: %t, %v", person, listed, err)
		}
	}
	if found, err := a.Book(t.Context(), Filter{Kind: kind}, Cursor{}, 10); err != nil || len(found.Visits) != 1 {
		t.Errorf("%d visits of kind %s, %v", len(found.Visits), kind, err)
	}
}

// saidOn returns what was said of a visit's faces, by face.
func saidOn(t *testing.T, a *Archive, visit string) map[string]house.Said {
	t.Helper()
	v, err := a.Visit(t.Context(), visit)
	must(t, err)
	all := make(map[string]house.Said)
	for _, s := range v.Stills {
		for _, f := range s.Faces {
			if f.Said != nil {
				all[f.ID] = *f.Said
			}
		}
	}
	return all
}

// TestAnswerForARing answers for a person on four frames, two of which were judged
// together, and one of which the answer names.
func TestAnswerForARing(t *testing.T) {
	a, _, ada, ben := newChecked(t)
	fused := aFace(0, ada, 8e-3, "weak")
	fused.Match.Frames = 2
	visit, faces := seenAs(t, a, "R1", []house.Face{fused}, []house.Face{fused},
		[]house.Face{aFace(0, ada, 9e-3, "weak")}, []house.Face{aFace(0, "", 0, "")})
	_, others := seenAs(t, a, "R2", []house.Face{aFace(0, ada, 8e-3, "weak")})
	must(t, a.Answer(t.Context(), house.Check{Face: faces[0], With: []string{faces[3], others[0], "NONE"},
		Answer: house.AnswerNo, Asked: ada, AskedDistance: .5}))
	said := saidOn(t, a, visit)
	if len(said) != 3 || said[faces[1]].Answer != house.AnswerNo || said[faces[3]].Answer != house.AnswerNo {
		t.Errorf("answered for %v", said)
	}
	if x, err := a.Sighting(t.Context(), others[0]); err != nil || x.Check != nil {
		t.Errorf("answered on another visit: %+v, %v", x.Check, err)
	}
	must(t, a.Spread(t.Context(), faces[0], []string{faces[2], others[0]}))
	if said := saidOn(t, a, visit); len(said) != 4 {
		t.Errorf("spread to %v", said)
	}
	must(t, a.Answer(t.Context(), house.Check{Face: faces[3], Answer: house.AnswerElse, Person: ben, Instead: true}))
	if said := saidOn(t, a, visit); len(said) != 1 || said[faces[3]].Person != ben {
		t.Errorf("said otherwise: %v", said)
	}
	must(t, a.TakeBack(t.Context(), faces[3]))
	if said := saidOn(t, a, visit); len(said) != 0 {
		t.Errorf("taken back, but %v", said)
	}
	must(t, a.Spread(t.Context(), faces[0], faces[1:]))
	must(t, a.Spread(t.Context(), "NONE", faces[1:]))
	if said := saidOn(t, a, visit); len(said) != 0 {
		t.Errorf("nothing was spread to %v", said)
	}
}

func TestRefusedAnswers(t *testing.T) {
	a, _, ada, ben := newChecked(t)
	_, faces := seenAs(t, a, "R1", []house.Face{aFace(0, ada, 8e-3, "weak")})
	away, gone := seenAs(t, a, "R2", []house.Face{aFace(0, ada, 8e-3, "weak")})
	must(t, a.update(t.Context(), func(tx *sql.Tx) error { return a.letStillsGo(t.Context(), tx, []string{away}) }))
	must(t, a.finishRemovals(t.Context()))
	without := withdrew(t, a)
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
		{"a person who withdrew", house.Check{Face: faces[0], Answer: house.AnswerElse, Asked: ada, Person: without},
			house.ErrNoConsent},
		{"a person who went", house.Check{Face: faces[0], Answer: house.AnswerElse, Asked: ada, Person: "NONE"},
			house.ErrPersonGone},
	} {
		if err := a.Answer(t.Context(), test.check); !errors.Is(err, test.want) {
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

// withdrew returns a person who consented and withdrew that.
func withdrew(t *testing.T, a *Archive) string {
	t.Helper()
	p, err := a.AddPerson(t.Context(), "Jory Tarn")
	must(t, err)
	recognise(t, a, p.ID, 7)
	_, err = a.WithdrawConsent(t.Context(), p.ID)
	must(t, err)
	return p.ID
}

// answeredFace returns a face that somebody answered for: it is not Ada's but Ben's.
func answeredFace(t *testing.T) (a *Archive, ada, ben, visit, face string) {
	a, _, ada, ben = newChecked(t)
	visit, faces := seenAs(t, a, "R1", []house.Face{aFace(0, ada, 8e-3, "weak")})
	err := a.Answer(t.Context(), house.Check{Face: faces[0], Answer: house.AnswerElse, Asked: ada, AskedDistance: .5,
		Person: ben})
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
		a, ada, ben, _, face := answeredFace(t)
		if _, err := a.ErasePerson(t.Context(), ada, false); err != nil {
			t.Fatal(err)
		}
		if x, err := a.Sighting(t.Context(), face); err != nil || !x.Kept() || x.Face.Match != nil ||
			x.Check == nil || x.Check.Asked != "" || x.Check.AskedDistance != 0 || x.Face.Whose() != ben {
			t.Errorf("a face of somebody else's is %+v, %+v, %v", x.Face.Match, x.Check, err)
		}
		checkSound(t, a)
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
	for face, check := range map[string]house.Check{
		denied[0]: {Answer: house.AnswerElse, Asked: ada, Person: ben},
		told[0]:   {Answer: house.AnswerYes, Asked: ada, Person: ada},
	} {
		check.Face = face
		must(t, a.Answer(t.Context(), check))
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
	must(t, a.Answer(t.Context(), house.Check{Face: faces[3], Answer: house.AnswerYes, Asked: ada, Person: ada}))
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
