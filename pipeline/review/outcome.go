package review

import (
	"slices"

	"lintel/internal/house"
	"lintel/pipeline/match"
)

// An Outcome is what a visit's findings come to.
type Outcome string

const (
	Looking     Outcome = "looking"      // a still waits to be examined, and nobody was found yet
	Someone     Outcome = "person"       // at least one enrolled person
	Unknown     Outcome = "stranger"     // faces, all of strangers
	NoFace      Outcome = "no-face"      // every still was examined, no face found
	NotExamined Outcome = "not-examined" // no still could be examined
)

// OutcomeOf sums a visit up.
func OutcomeOf(v house.Visit) Outcome {
	persons, strangers := WhoRang(v)
	switch {
	case len(persons) > 0:
		return Someone
	case v.Pending():
		return Looking
	case strangers > 0:
		return Unknown
	}
	for _, s := range v.Stills {
		if s.State == house.Done {
			return NoFace
		}
	}
	return NotExamined
}

// A Visitor is a person who rang: as a resident said, or else as was found.
type Visitor struct {
	// Match is the surest by which they were found. Where nobody found them, it has
	// their id and name alone.
	house.Match
	Said  *house.Said  // by whom it was said, nil where it was found alone
	Found *house.Match // what was found where it was said, nil for a stranger's
}

// WhoRang returns each person of a visit once, by their surest match and in the
// order of the stills, and how many strangers stood there: the most on any one
// still, since frames show the same people again. What a resident said of a face
// counts before what was found.
func WhoRang(v house.Visit) (persons []Visitor, strangers int) {
	for _, still := range v.Stills {
		unknown := 0
		for _, f := range still.Faces {
			p, known := visitor(f)
			switch i := slices.IndexFunc(persons, func(o Visitor) bool { return o.Person == p.Person }); {
			case f.IsNone():
			case !known:
				unknown++
			case i < 0:
				persons = append(persons, p)
			default:
				persons[i].join(p)
			}
		}
		strangers = max(strangers, unknown)
	}
	return persons, strangers
}

// visitor returns whose a face is; false for a stranger's.
func visitor(f house.Face) (p Visitor, known bool) {
	if m := f.Recognised(); m != nil && m.Band != string(match.None) {
		p.Match, known = *m, true
	} else if f.Said != nil && f.Said.Person != "" {
		p.Match, known = house.Match{Person: f.Said.Person, Name: f.Said.Name}, true
	}
	if f.Said != nil {
		p.Said, p.Found = f.Said, f.Match
	}
	return p, known
}

// join adds another face of the same person.
func (p *Visitor) join(o Visitor) {
	if o.Band != "" && (p.Band == "" || o.FPIR < p.FPIR) {
		p.Match = o.Match
	}
	if p.Said == nil {
		p.Said, p.Found = o.Said, o.Found
	}
}
