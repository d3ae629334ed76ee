package review

import (
	"cmp"
	"context"
	"errors"
	"math"
	"slices"

	"lintel/internal/house"
	"lintel/pipeline/match"
)

// A Given is an answer as somebody gives it.
type Given struct {
	Answer    house.Answer `json:"answer"`
	Asked     string       `json:"asked"`     // the person asked about; "" for whom the face is named, or is nearest
	Person    string       `json:"person"`    // for someone else: who, "" for a stranger
	Reference bool         `json:"reference"` // whether to keep the face as a reference of who it is
	Instead   bool         `json:"instead"`   // whether it takes the place of an earlier answer
}

// An Enrolment says what became of a reference that an answer asked for.
type Enrolment string

const (
	NotAsked     Enrolment = ""
	Added        Enrolment = "added"
	AlreadyThere Enrolment = "already-there"
	NoConsent    Enrolment = "no-consent"
	Poor         Enrolment = "poor"   // [Fault] says why
	OfNobody     Enrolment = "nobody" // it is nobody's who could be enrolled
)

// Answer keeps an answer for a face, with those on the ring's other frames that are
// one person's, and a reference if it asks for one. The errors are
// house.ErrNotFound, house.ErrStillGone, house.ErrAnswered, house.ErrBadAnswer,
// house.ErrFindingChanged, house.ErrPersonGone, and house.ErrNoConsent of a person
// who withdrew it; with any of them nothing was kept. An answer can be taken back
// (store.Archive.TakeBack), a reference stays.
func (r *Review) Answer(ctx context.Context, face string, g Given) (Enrolment, error) {
	x, err := r.archive.Sighting(ctx, face)
	switch {
	case err != nil:
		return NotAsked, err
	case x.File == "":
		return NotAsked, house.ErrStillGone
	case x.Check != nil && !g.Instead:
		return NotAsked, house.ErrAnswered
	}
	gallery, err := r.gallery.Gallery(ctx)
	if err != nil {
		return NotAsked, err
	}
	c, err := answered(x, g, gallery)
	if err != nil {
		return NotAsked, err
	}
	if c.With, err = r.sameFaces(ctx, x, gallery); err != nil {
		return NotAsked, err
	}
	if err := r.archive.Answer(ctx, c); err != nil || !g.Reference {
		return NotAsked, err
	}
	return r.enrolFace(ctx, x, c.Person)
}

// This keeps that a face is a person's, "" for a stranger's, whatever was found or
// answered before. The errors are those of [Review.Answer].
func (r *Review) This(ctx context.Context, face, person string, reference bool) (Enrolment, error) {
	x, err := r.archive.Sighting(ctx, face)
	if err != nil {
		return NotAsked, err
	}
	g := Given{Answer: house.AnswerElse, Person: person, Reference: reference, Instead: true}
	if m := x.Face.Match; m != nil && m.Person == person {
		g.Answer, g.Asked, g.Person = house.AnswerYes, person, ""
	}
	return r.Answer(ctx, face, g)
}

// answered returns an answer with the distances it is about. The error is
// house.ErrFindingChanged.
func answered(x house.Sighting, g Given, gallery *match.Gallery) (c house.Check, err error) {
	c = house.Check{Face: x.ID, Answer: g.Answer, Asked: g.Asked, Person: g.Person, Instead: g.Instead}
	var scores []match.Score
	if x.Kept() {
		scores = gallery.Scores(match.ProbeOf(x.Face))
	}
	if m := x.Face.Match; m != nil {
		c.Asked = cmp.Or(c.Asked, m.Person)
	} else if len(scores) > 0 && scores[0].Person != c.Person {
		c.Asked = cmp.Or(c.Asked, scores[0].Person)
	}
	if c.Answer == house.AnswerYes && c.Person == "" {
		c.Person = c.Asked
	}
	to := func(person string) float64 {
		if m := x.Face.Match; m != nil && person == m.Person {
			return m.Distance
		}
		return distanceTo(person, scores)
	}
	if c.Asked != "" {
		c.AskedDistance = to(c.Asked)
	}
	if math.IsInf(c.AskedDistance, 1) { // their references went since
		if !x.Kept() {
			return c, house.ErrStillGone
		}
		return c, house.ErrFindingChanged
	}
	if c.Person != "" {
		c.PersonDistance = to(c.Person)
	}
	if math.IsInf(c.PersonDistance, 1) {
		c.PersonDistance = 0 // not enrolled, so at no distance
	}
	if c.Answer == house.AnswerElse && c.Person == "" {
		for _, score := range scores {
			c.Distances = append(c.Distances, score.Distance)
		}
	}
	return c, nil
}

// sameFaces returns the ids of the faces on the ring's other frames that are one
// person's with it.
func (r *Review) sameFaces(ctx context.Context, x house.Sighting, gallery *match.Gallery) (ids []string, err error) {
	v, err := r.archive.Visit(ctx, x.Visit)
	if err != nil {
		return nil, err
	}
	var frames [][]house.Face
	for _, s := range v.Stills {
		frames = append(frames, s.Faces)
	}
	for _, faces := range gallery.SameFaces(frames) {
		if slices.ContainsFunc(faces, func(f *house.Face) bool { return f.ID == x.ID }) {
			for _, f := range faces {
				ids = append(ids, f.ID)
			}
		}
	}
	return ids, nil
}

// enrolFace makes a reference of a face that was answered for, and says what
// came of it.
func (r *Review) enrolFace(ctx context.Context, x house.Sighting, person string) (Enrolment, error) {
	switch {
	case person == "":
		return OfNobody, nil
	case Fault(x.Face) != nil:
		return Poor, nil
	}
	references := []house.Reference{referenceFrom(x, person)}
	err := r.portrayed(ctx, references, []house.Sighting{x})
	if err == nil {
		err = r.archive.AddReference(ctx, references[0])
	}
	switch {
	case errors.Is(err, house.ErrNoConsent):
		return NoConsent, nil
	case errors.Is(err, house.ErrExists):
		return AlreadyThere, nil
	case err != nil:
		return NotAsked, err
	}
	return Added, nil
}
