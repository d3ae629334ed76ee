package review

import (
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

// WhoRang returns each person found on a visit's stills once, by their surest
// match and in the order they were found, and how many strangers stood there:
// the most on any one still, since frames show the same people again.
func WhoRang(v house.Visit) (persons []house.Match, strangers int) {
	at := make(map[string]int)
	for _, still := range v.Stills {
		unknown := 0
		for _, f := range still.Faces {
			switch {
			case f.Match == nil || f.Match.Band == string(match.None):
				unknown++
			default:
				i, seen := at[f.Match.Person]
				if !seen {
					at[f.Match.Person] = len(persons)
					persons = append(persons, *f.Match)
				} else if f.Match.FPIR < persons[i].FPIR {
					persons[i] = *f.Match
				}
			}
		}
		strangers = max(strangers, unknown)
	}
	return persons, strangers
}
