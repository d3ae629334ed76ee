package review

import (
	"cmp"
	"context"
	"errors"
	"math"

	"lintel/internal/house"
	"lintel/pipeline/match"
)

// A Given is an answer as somebody gives it.
type Given struct {
	Answer    house.Answer `json:"answer"`
	Asked     string       `json:"asked"`     // the person asked about; "" for whom the face is named, or is nearest
	Person    string       `json:"person"`    // for someone else: who, "" for a stranger
	Reference bool         `json:"reference"` // whether to keep the face as a reference of who it is
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

// Answer keeps an answer for a face, and a reference if it asks for one. The
// errors are those of [Review.Doubt], house.ErrAnswered, house.ErrBadAnswer,
// house.ErrFindingChanged and house.ErrPersonGone; with any of them nothing was
// kept. An answer can be taken back (store.Archive.TakeBack), a reference stays.
func (r *Review) Answer(ctx context.Context, face string, g Given) (Enrolment, error) {
	d, err := r.Doubt(ctx, face)
	if err != nil {
		return NotAsked, err
	}
	if d.Check != nil {
		return NotAsked, house.ErrAnswered
	}
	gallery, err := r.gallery.Gallery(ctx)
	if err != nil {
		return NotAsked, err
	}
	c, becomes, err := d.answered(g, gallery)
	if err != nil {
		return NotAsked, err
	}
	if err := r.archive.Answer(ctx, c, becomes); err != nil || !g.Reference {
		return NotAsked, err
	}
	return r.enrolFace(ctx, d.Sighting, c.Person)
}

// answered returns an answer with the distances it is about, and what the face
// becomes by it. The error is house.ErrFindingChanged.
func (d Doubt) answered(g Given, gallery *match.Gallery) (c house.Check, becomes *house.Match, err error) {
	c = house.Check{Face: d.ID, Answer: g.Answer, Asked: cmp.Or(g.Asked, d.Person), Person: g.Person}
	if c.Answer == house.AnswerYes && c.Person == "" {
		c.Person = c.Asked
	}
	scores := gallery.Scores(match.ProbeOf(d.Face))
	to := func(person string) float64 {
		if person == d.Person {
			return d.Distance
		}
		return distanceTo(person, scores)
	}
	if c.AskedDistance = to(c.Asked); c.Person != "" {
		c.PersonDistance = to(c.Person)
	}
	if math.IsInf(c.AskedDistance, 1) { // their references went since
		return c, nil, house.ErrFindingChanged
	}
	if math.IsInf(c.PersonDistance, 1) {
		c.PersonDistance = 0 // not enrolled, so at no distance
	}
	switch {
	case c.Answer == house.AnswerYes && d.Face.Match != nil:
		becomes = d.Face.Match
	case c.Person != "" && c.PersonDistance > 0:
		becomes = namedAs(c.Person, c.PersonDistance, d.Face, gallery)
	case c.Answer == house.AnswerElse:
		for _, score := range scores {
			c.Distances = append(c.Distances, score.Distance)
		}
	}
	return c, becomes, nil
}

// namedAs returns the match that a face gets once the household said whose it
// is: at its distance from that person, nil where that is too far to be named,
// since a band says what the faces alone do.
func namedAs(person string, distance float64, f house.Face, g *match.Gallery) *house.Match {
	band := g.BandOf(distance)
	if band == match.None {
		return nil
	}
	if band == match.Strong && match.ProbeOf(f).Poor {
		band = match.Fair
	}
	return &house.Match{Person: person, Distance: distance, FPIR: g.FPIR(distance), Band: string(band)}
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
	err := r.archive.AddReference(ctx, referenceFrom(x, person))
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
