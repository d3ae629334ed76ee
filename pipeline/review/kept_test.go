package review

import (
	"cmp"
	"errors"
	"fmt"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"
	"time"

	"lintel/internal/house"
)

// TestKeptIsAsAnew lives random lives, in which visits come, are answered for, go and are
// swept, and persons are enrolled, withdraw and are erased, and compares what is
// kept with what the archive holds, read whole and judged anew after each step.
func TestKeptIsAsAnew(t *testing.T) {
	for seed := range uint64(3) {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			l := newLife(t, seed)
			if seed > 0 { // else nothing is ever left out
				l.kept.bounds = bounds{month: 12, strangers: 7, spare: 3, changed: 4, surely: 2}
			}
			for step := range 150 {
				does := l.step()
				if l.IntN(4) > 0 { // else a few changes come at once
					l.compare(step, does)
				}
			}
			if l.compared < 50 || l.found < 20 {
				t.Errorf("compared %d times, with %d changes and doubts: too few to tell", l.compared, l.found)
			}
		})
	}
}

// A life is a household's, drawn at random.
type life struct {
	*household
	*rand.Rand
	persons  []house.Person
	faces    []string
	enrolled int
	compared int
	found    int
}

func newLife(t *testing.T, seed uint64) *life {
	l := &life{household: newHouse(t), Rand: rand.New(rand.NewPCG(seed, 7))}
	for range 3 {
		l.enrol()
	}
	return l
}

func (l *life) enrol() {
	l.enrolled++
	l.persons = append(l.persons, l.household.enrolled(fmt.Sprint("Person ", l.enrolled), l.enrolled%90))
}

// step does something, and says what. What can't be done, as something went meanwhile, is
// passed by.
func (l *life) step() (does string) {
	l.t.Helper()
	ctx, n := l.ctx(), l.IntN(100)
	var err error
	switch {
	case n < 45 || len(l.faces) < 5:
		does = "sees"
		var faces []house.Face
		for range 1 + l.IntN(3) {
			faces = append(faces, faceAt(descriptorAt(1+l.IntN(l.enrolled), 0.2+0.3*l.Float64())))
		}
		_, ids := l.sees(faces...)
		l.faces = append(l.faces, ids...)
	case n < 60:
		does = "answers"
		answers := []Given{{Answer: house.AnswerYes}, {Answer: house.AnswerNo}, {Answer: house.AnswerNotFace},
			{Answer: house.AnswerElse}, {Answer: house.AnswerElse, Person: l.someone(), Reference: l.IntN(2) == 0}}
		_, err = l.Review.Answer(ctx, l.face(), answers[l.IntN(len(answers))])
	case n < 66:
		does, err = "takes back", l.archive.TakeBack(ctx, l.face())
	case n < 74:
		does = "erases a visit"
		if x, xErr := l.archive.Sighting(ctx, l.face()); xErr == nil {
			err = l.archive.EraseVisit(ctx, x.Visit)
		}
	case n < 79:
		does = "enrols"
		l.enrol()
	case n < 82:
		does = "withdraws"
		_, err = l.archive.WithdrawConsent(ctx, l.someone())
	case n < 85:
		does = "erases a person"
		_, err = l.archive.ErasePerson(ctx, l.someone(), l.IntN(2) == 0)
	case n < 92:
		does = "renames"
		var changes []Change
		if changes, err = l.Changes(ctx); err == nil && len(changes) > 0 {
			_, err = l.Apply(ctx, []Wanted{changes[l.IntN(len(changes))].Wanted()})
		}
	case n < 96:
		does = "sweeps"
		l.now = l.now.Add(time.Duration(l.IntN(14*24)) * time.Hour)
		_, err = l.archive.Sweep(ctx, func(jpeg []byte) ([]byte, int, int, error) { return jpeg, 160, 120, nil })
	default:
		does = "goes back in time"
		l.now = l.now.Add(-time.Duration(l.IntN(48)) * time.Hour)
	}
	for _, passed := range []error{nil, house.ErrNotFound, house.ErrStillGone, house.ErrAnswered, house.ErrBadAnswer,
		house.ErrFindingChanged, house.ErrPersonGone, house.ErrNoConsent} {
		if errors.Is(err, passed) {
			return does
		}
	}
	l.t.Fatalf("%s: %v", does, err)
	return does
}

func (l *life) someone() string { return l.persons[l.IntN(len(l.persons))].ID }
func (l *life) face() string    { return l.faces[l.IntN(len(l.faces))] }

// compare compares all that is kept.
func (l *life) compare(step int, does string) {
	l.t.Helper()
	ctx := l.ctx()
	l.compared++
	gallery, err := l.gallery.Gallery(ctx)
	l.must(err)
	faces, cut, err := l.archive.Sightings(ctx, l.monthAgo(), l.kept.bounds.month)
	l.must(err)

	changes, err := l.Changes(ctx)
	l.must(err)
	var want []string
	for _, c := range judgedAnew(faces, gallery) {
		was := Change{c.Sighting, c.Face.Match}
		if c.Check == nil && c.Wanted() != was.Wanted() {
			want = append(want, fmt.Sprint(c.ID, was.Wanted(), c.Wanted()))
		}
	}
	var got []string
	for _, c := range changes {
		got = append(got, fmt.Sprint(c.ID, Change{c.Sighting, c.Face.Match}.Wanted(), c.Wanted()))
	}
	l.same(step, does, "changes", got, want)

	back, err := l.LookBack(ctx)
	l.must(err)
	l.same(step, does, "searches", told(back.Searches), told(searches(faces, gallery)))
	if back.Cut != cut {
		l.t.Fatalf("step %d, %s: cut %t, want %t", step, does, back.Cut, cut)
	}
	l.compareDoubts(step, does)
}

// compareDoubts compares the queue's strangers, and who is shown beside.
func (l *life) compareDoubts(step int, does string) {
	l.t.Helper()
	ctx := l.ctx()
	gallery, err := l.gallery.Gallery(ctx)
	l.must(err)
	strangers, err := l.archive.Strangers(ctx, 1000)
	l.must(err)
	visits, faces := byVisit(strangers), 0
	end := slices.IndexFunc(visits, func(v *pastVisit) bool {
		faces += len(v.faces)
		return faces > l.kept.bounds.strangers
	})
	if end > 0 {
		visits = visits[:end]
	}
	var want, got []string
	if gallery.Size().Persons > 0 {
		for _, v := range visits {
			best, _ := nearestOnVisits(v.faces, gallery)
			for about, d := range best {
				want = append(want, fmt.Sprint(about, d.ID, d.Distance))
			}
		}
	}
	near, _, err := l.nearestStrangers(ctx)
	l.must(err)
	for _, d := range near {
		got = append(got, fmt.Sprint(house.Naming{Visit: d.Visit, Person: d.Person}, d.ID, d.Distance))
	}
	l.same(step, does, "near strangers", sorted(got), sorted(want))
	for _, p := range l.persons {
		kept, err := l.surelyOf(ctx, p.ID)
		l.must(err)
		anew, err := l.archive.SurelyOf(ctx, p.ID, amongSurest)
		l.must(err)
		if !slices.EqualFunc(kept, anew, func(a, b house.Sighting) bool { return reflect.DeepEqual(a, b) }) {
			l.t.Fatalf("step %d, %s: %d faces surely of %s, and %d anew", step, does, len(kept), p.Name, len(anew))
		}
	}
}

func sorted(all []string) []string { return slices.SortedFunc(slices.Values(all), cmp.Compare) }

func told(all []Search) (texts []string) {
	for _, s := range all {
		texts = append(texts, fmt.Sprint(s.ID, s.Nearest, s.Truth, s.Own, s.Answered))
	}
	return texts
}

func (l *life) same(step int, does, what string, got, want []string) {
	l.t.Helper()
	l.found += len(want)
	if !slices.Equal(got, want) {
		l.t.Fatalf("step %d, %s: %s\n%v\nanew:\n%v", step, does, what, got, want)
	}
}
