package review

import (
	"fmt"
	"image"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/match"
)

// who is whose a face is by the line it was drawn on: people are 4 apart and their faces
// 0.3 at most.
func who(d house.Descriptor) int { return int(d[0]+2) / 4 }

// A groupsLife is what strangers' groups live through.
type groupsLife struct {
	*household
	*rand.Rand
	persons []house.Person
}

// visits lists all that there are.
func (l *groupsLife) visits() []house.Visit {
	all, err := l.archive.LatestVisits(l.ctx(), 1000)
	l.must(err)
	return all
}

// rings has a few people seen, on one frame or two: on the left or the right of the still.
func (l *groupsLife) rings() {
	var faces []house.Face
	for range 1 + l.IntN(2) {
		f := like(float32(4*l.IntN(6))+0.3*l.Float32(), 40)
		if l.IntN(12) == 0 {
			f = like(float32(4*l.IntN(6)), 20) // too narrow
		}
		if l.IntN(2) == 0 {
			f.Box = f.Box.Add(image.Pt(100, 40))
		}
		if l.IntN(6) == 0 {
			p := l.persons[l.IntN(len(l.persons))]
			f.Match = &house.Match{Person: p.ID, Distance: 0.3, FPIR: 1e-4, Band: "strong"}
		}
		faces = append(faces, f)
	}
	l.household.rings++
	l.now = l.now.Add(time.Hour)
	for i, f := range faces {
		visit, _, err := l.archive.Keep(l.ctx(), house.NewStill{
			Bell: "gate", Ring: fmt.Sprint("R", l.household.rings), Frame: i,
			SentSHA256: [32]byte{byte(l.household.rings), byte(i)}, JPEG: l.picture(), Width: 160, Height: 120,
			ReceivedAt: l.now,
		})
		l.must(err)
		l.must(l.archive.Record(l.ctx(), l.visit(visit).Stills[i].ID, house.Done, []house.Face{f}))
	}
}

// happens has something happen, most often to a visit or a face drawn from all.
func (l *groupsLife) happens() {
	visits := l.visits()
	if l.IntN(3) > 0 || len(visits) < 5 {
		l.rings()
		return
	}
	v := visits[l.IntN(len(visits))]
	var face house.Face
	for _, still := range v.Stills {
		if len(still.Faces) > 0 && still.File != "" {
			face = still.Faces[0]
		}
	}
	person := l.persons[l.IntN(len(l.persons))]
	switch what := l.IntN(9); {
	case what == 0:
		l.must(l.archive.EraseVisit(l.ctx(), v.ID))
	case what == 1 && face.ID != "" && face.Said == nil:
		_, err := l.Answer(l.ctx(), face.ID, Given{Answer: house.AnswerNotFace})
		l.must(err)
	case what == 2 && face.ID != "":
		_, err := l.This(l.ctx(), face.ID, person.ID, false)
		l.must(err)
	case what == 3 && face.ID != "":
		_, err := l.This(l.ctx(), face.ID, "", false)
		l.must(err)
	case what == 4 && face.Said != nil:
		l.must(l.archive.TakeBack(l.ctx(), face.ID))
	case what == 5 && face.ID != "" && face.Match == nil:
		_, err := l.archive.Rename(l.ctx(), []house.Renaming{{Face: face.ID,
			Becomes: &house.Match{Person: person.ID, Distance: 0.3, FPIR: 1e-4, Band: "fair"}}})
		l.must(err)
	case what == 6 && l.IntN(3) == 0: // whoever withdraws a consent is a stranger from then on
		_, err := l.archive.WithdrawConsent(l.ctx(), person.ID)
		l.must(err)
		l.must(l.archive.RecordConsent(l.ctx(), person.ID, l.consent()))
	case what == 7 && l.IntN(3) == 0: // the oldest stills go
		l.now = l.now.Add(6 * time.Hour)
		_, err := l.archive.Sweep(l.ctx(), nil)
		l.must(err)
	case what == 8: // the server starts anew
		l.Review = New(l.archive, match.NewCurrent(l.archive), func() time.Time { return l.now })
	}
}

// masks blackens the left half, of earlier stills too.
func (l *groupsLife) masks() {
	left := house.Polygon{{X: 0, Y: 0}, {X: .5, Y: 0}, {X: .5, Y: 1}, {X: 0, Y: 1}}
	l.must(l.archive.SetMasks(l.ctx(), "gate", []house.Polygon{left}))
	black := func(jpeg []byte, _ []house.Polygon) ([]byte, error) { return jpeg, nil }
	if changed, err := l.archive.MaskEarlier(l.ctx(), "gate", black); err != nil || changed == 0 {
		l.t.Errorf("%d stills masked, %v", changed, err)
	}
}

// anew groups all faces that are nobody's by whose they were drawn as.
func (l *groupsLife) anew() map[string][]string {
	of := make(map[int][]string)
	for _, v := range l.visits() {
		for _, still := range v.Stills {
			for _, f := range still.Faces {
				said := f.Said != nil && f.Said.Answer == house.AnswerNotFace
				if f.Whose() == "" && !said && still.File != "" && f.Descriptor != (house.Descriptor{}) && f.Width() >= 32 {
					of[who(f.Descriptor)] = append(of[who(f.Descriptor)], f.ID)
				}
			}
		}
	}
	by := make(map[string][]string)
	for _, faces := range of {
		slices.Sort(faces)
		for _, f := range faces {
			by[f] = faces
		}
	}
	return by
}

// compares the groups that are kept with those of faces as they are now.
func (l *groupsLife) compares() {
	l.t.Helper()
	due := l.anew()
	several := 0
	for face, want := range due {
		s, err := l.Stranger(l.ctx(), face)
		l.must(err)
		var got []string
		visits := make(map[string]bool)
		for _, f := range s.Faces {
			got = append(got, f.ID)
			visits[f.Visit] = true
		}
		if slices.Sort(got); !slices.Equal(got, want) {
			l.t.Fatalf("the face %s is with %v, want %v", face, got, want)
		}
		if s.SeenStranger.Visits != len(visits) || len(s.Visits) != len(visits) ||
			!s.Last.Equal(s.Visits[0].ReceivedAt) || !s.First.Equal(s.Visits[len(s.Visits)-1].ReceivedAt) {
			l.t.Errorf("rang %d times, from %v to %v: %+v", s.SeenStranger.Visits, s.First, s.Last, s.Visits)
		}
		if len(visits) > 1 {
			several++
		}
	}
	all, waiting, err := l.archive.CountStrangers(l.ctx(), 0)
	l.must(err)
	if all < len(due) || waiting < len(due) { // those too narrow are there as well
		l.t.Errorf("%d faces in the table, want %d at least", all, len(due))
	}
	page, err := l.SeenAgain(l.ctx(), "", 100)
	l.must(err)
	for _, s := range page.Strangers {
		if due[s.Faces[0].ID] == nil {
			l.t.Errorf("%s is shown and is nobody's no more", s.Faces[0].ID)
		}
		several -= len(s.Faces)
	}
	if several != 0 || page.Waiting.Any {
		l.t.Errorf("%d faces of strangers who rang more than once are not shown or not there, waiting %+v", several,
			page.Waiting)
	}
}

// TestGroupsLive has much happen to strangers' faces, and compares the groups that were
// kept with those made anew. Nobody is like another here, so that there is one right
// answer; package cluster has what is promised where people are alike.
func TestGroupsLive(t *testing.T) {
	for seed := range uint64(3) {
		h := newHouse(t)
		l := &groupsLife{h, rand.New(rand.NewPCG(seed, 34)), nil}
		for i, name := range []string{"Ilse Amberg", "Odo Fenwright"} {
			l.persons = append(l.persons, h.enrolled(name, 60+i))
		}
		rules := house.DefaultRules()
		for _, kind := range house.Kinds {
			rules.Keep[kind] = house.Rule{Stills: house.Period{Hours: 30}, Findings: house.Period{Hours: 60}}
		}
		h.must(h.archive.SetRules(h.ctx(), rules))
		for range 8 {
			for range 12 {
				l.happens()
			}
			l.compares()
		}
		l.masks()
		l.compares()
	}
}
