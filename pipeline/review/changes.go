package review

import (
	"context"
	"slices"

	"lintel/internal/house"
	"lintel/pipeline/match"
)

// LookBackDays is how long back past visits are judged anew, for lookBackFaces
// faces at most, the newest.
const (
	LookBackDays  = 30
	lookBackFaces = 5000
)

// A Change is a past finding that would be another one now.
type Change struct {
	house.Sighting              // with what was found then
	Becomes        *house.Match // nil for a stranger
}

// A Wanted is a change that somebody wants: the face, and what it is to become,
// so that nothing else is done than what they saw.
type Wanted struct {
	Face   string `json:"face"`
	Person string `json:"person"` // "" for a stranger
	Band   string `json:"band"`
}

// Wanted returns what to ask of [Review.Apply] for this change.
func (c Change) Wanted() Wanted {
	w := Wanted{Face: c.ID}
	if c.Becomes != nil {
		w.Person, w.Band = c.Becomes.Person, c.Becomes.Band
	}
	return w
}

// Changes returns the faces of the last days that the present gallery would
// name otherwise, or with another band, newest first. Those that somebody
// answered for are settled. Nothing is changed by it.
func (r *Review) Changes(ctx context.Context) (all []Change, err error) {
	names, err := r.Names(ctx)
	if err != nil {
		return nil, err
	}
	_, _, err = r.judged(ctx, func(v *pastVisit) {
		for _, c := range v.changes {
			if c.Becomes != nil {
				becomes := *c.Becomes
				becomes.Name = names[becomes.Person]
				c.Becomes = &becomes
			}
			all = append(all, c)
		}
	})
	return all, err
}

// judgedAnew judges faces as the pipeline would now, those of one ring
// together.
func judgedAnew(sightings []house.Sighting, gallery *match.Gallery) (all []Change) {
	for len(sightings) > 0 {
		n := 1
		for n < len(sightings) && sightings[n].Visit == sightings[0].Visit {
			n++
		}
		visit := slices.Clone(sightings[:n])
		sightings = sightings[n:]
		slices.SortStableFunc(visit, func(a, b house.Sighting) int { return a.Frame - b.Frame })
		var frames [][]house.Face
		for i, x := range visit {
			if i == 0 || x.Frame != visit[i-1].Frame {
				frames = append(frames, nil)
			}
			frames[len(frames)-1] = append(frames[len(frames)-1], x.Face)
		}
		gallery.IdentifyRing(frames)
		for i, f := range slices.Concat(frames...) {
			all = append(all, Change{visit[i], f.Match})
		}
	}
	return all
}

// Apply makes the changes that are still what they were when somebody saw them,
// and returns how many faces it named anew. Others are left as they are.
func (r *Review) Apply(ctx context.Context, wanted []Wanted) (renamed int, err error) {
	all, err := r.Changes(ctx)
	if err != nil {
		return 0, err
	}
	seen := make(map[Wanted]bool, len(wanted))
	for _, w := range wanted {
		seen[w] = true
	}
	var chosen []house.Renaming
	for _, c := range all {
		if seen[c.Wanted()] {
			chosen = append(chosen, house.Renaming{Face: c.ID, Was: c.Face.Match, Becomes: c.Becomes})
		}
	}
	return r.archive.Rename(ctx, chosen)
}
