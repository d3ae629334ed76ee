package review

import (
	"cmp"
	"context"
	"errors"
	"math"
	"slices"

	"lintel/internal/house"
	"lintel/pipeline/match"
	"lintel/pipeline/quality"
)

// A Candidate is a face on a visit that may make a reference of a person.
type Candidate struct {
	house.Sighting
	Theirs   bool               // it is named as theirs, or a resident said so
	Distance float64            // to their references, +Inf where they have none
	Fault    *quality.Complaint // why it makes no reference, nil where it would
}

// Candidates returns faces of the last days that may be a person's and are no
// reference of theirs yet: those that are named as theirs, and strangers'; limit at
// most, one of each visit, the likeliest first. A face that somebody else is named
// by, or that a resident said is not theirs, is none.
func (r *Review) Candidates(ctx context.Context, person string, limit int) ([]Candidate, error) {
	known, err := r.descriptorsOf(ctx, person)
	if err != nil {
		return nil, err
	}
	gallery, err := r.gallery.Gallery(ctx)
	if err != nil {
		return nil, err
	}
	best := make(map[string]*Candidate) // by visit
	_, _, err = r.judged(ctx, func(v *pastVisit) {
		for _, x := range v.faces {
			theirs, may := mayBe(x, person)
			if !may || known[x.Face.Descriptor] {
				continue
			}
			c := &Candidate{x, theirs, gallery.DistanceTo(person, match.ProbeOf(x.Face)), Fault(x.Face)}
			if before, ok := best[x.Visit]; !ok || likelier(c, before) < 0 {
				best[x.Visit] = c
			}
		}
	})
	if err != nil {
		return nil, err
	}
	all := make([]*Candidate, 0, len(best))
	for _, c := range best {
		all = append(all, c)
	}
	slices.SortFunc(all, likelier)
	var first []Candidate
	for _, c := range all[:min(limit, len(all))] {
		first = append(first, *c)
	}
	return first, nil
}

// descriptorsOf are the descriptors of a person's references.
func (r *Review) descriptorsOf(ctx context.Context, person string) (map[house.Descriptor]bool, error) {
	references, err := r.archive.Gallery(ctx)
	known := make(map[house.Descriptor]bool)
	for _, reference := range references {
		if reference.Person == person {
			known[reference.Descriptor] = true
		}
	}
	return known, err
}

// mayBe reports whether a face may be a person's, and whether it is for sure: what a
// resident said comes before what was found.
func mayBe(x house.Sighting, person string) (theirs, may bool) {
	if x.Check != nil {
		return x.Check.Person == person, x.Check.Person == person || x.Check.Person == "" && x.Check.Asked != person
	}
	theirs = x.Face.Match != nil && x.Face.Match.Person == person
	return theirs, theirs || x.Face.Match == nil
}

// likelier puts the candidate first that is rather the person's: what is theirs by
// its quality, strangers by how near they are, and the newest where nothing is near.
func likelier(a, b *Candidate) int {
	if a.Theirs != b.Theirs {
		if a.Theirs {
			return -1
		}
		return 1
	}
	fit := func(c *Candidate) int {
		if c.Fault != nil {
			return 1
		}
		return 0
	}
	near := 0
	if !a.Theirs && !(math.IsInf(a.Distance, 1) && math.IsInf(b.Distance, 1)) {
		near = cmp.Compare(a.Distance, b.Distance)
	}
	return cmp.Or(fit(a)-fit(b), near, b.ReceivedAt.Compare(a.ReceivedAt), better(a.Sighting, b.Sighting),
		cmp.Compare(a.ID, b.ID))
}

// Enrol makes references of a person's of faces that a resident chose, and returns
// how many: what makes none, is one already or went meanwhile is left out. The errors
// are ErrNoPerson and house.ErrNoConsent.
func (r *Review) Enrol(ctx context.Context, person string, faces []string) (added int, err error) {
	var references []house.Reference
	var of []house.Sighting
	for _, id := range faces {
		x, err := r.archive.Sighting(ctx, id)
		if errors.Is(err, house.ErrNotFound) {
			continue
		}
		if err != nil {
			return 0, err
		}
		if _, may := mayBe(x, person); may && x.Kept() && Fault(x.Face) == nil {
			references, of = append(references, referenceFrom(x, person)), append(of, x)
		}
	}
	if err := r.portrayed(ctx, references, of); err != nil {
		return 0, err
	}
	_, added, err = r.enrol(ctx, person, references)
	return added, err
}
