package review

import (
	"cmp"
	"context"
	"slices"

	"lintel/internal/house"
	"lintel/pipeline/match"
)

// Likely returns everybody whose a face can be said to be, with the nearest first
// and those of whom no face is known by name after them. Who withdrew a consent is
// not among them. The error is house.ErrNotFound.
func (r *Review) Likely(ctx context.Context, face string) ([]house.Person, error) {
	x, err := r.archive.Sighting(ctx, face)
	if err != nil {
		return nil, err
	}
	gallery, err := r.gallery.Gallery(ctx)
	if err != nil {
		return nil, err
	}
	persons, err := r.archive.Persons(ctx)
	if err != nil {
		return nil, err
	}
	var all []house.Person
	for _, p := range persons {
		consents, err := r.archive.Consents(ctx, p.ID)
		if err != nil {
			return nil, err
		}
		if p.Consent != nil || len(consents) == 0 {
			all = append(all, p)
		}
	}
	if !x.Kept() {
		return all, nil
	}
	scores := gallery.Scores(match.ProbeOf(x.Face))
	slices.SortStableFunc(all, func(a, b house.Person) int {
		return cmp.Compare(distanceTo(a.ID, scores), distanceTo(b.ID, scores))
	})
	return all, nil
}

// FaceOf returns a face that shows a person best by an answer or a strong match,
// false where no still of them is left.
func (r *Review) FaceOf(ctx context.Context, person string) (x house.Sighting, ok bool, err error) {
	all, err := r.archive.SurelyOf(ctx, person, 1)
	if err != nil || len(all) == 0 {
		return x, false, err
	}
	return slices.MinFunc(all, better), true, nil
}
