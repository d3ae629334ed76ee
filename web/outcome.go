package web

import (
	"lintel/internal/house"
	"lintel/pipeline/match"
)

// An outcome is what a visit's findings come to.
type outcome string

const (
	looking     outcome = "looking"      // a still waits to be examined, and nobody was found yet
	someone     outcome = "person"       // at least one enrolled person
	stranger    outcome = "stranger"     // faces, all of strangers
	noFace      outcome = "no-face"      // every still was examined, no face found
	notExamined outcome = "not-examined" // no still could be examined
)

// outcomeOf sums a visit up.
func outcomeOf(v house.Visit) outcome {
	persons, strangers := whoRang(v)
	switch {
	case len(persons) > 0:
		return someone
	case v.Pending():
		return looking
	case strangers > 0:
		return stranger
	}
	for _, s := range v.Stills {
		if s.State == house.Done {
			return noFace
		}
	}
	return notExamined
}

// whoRang returns each person found on a visit's stills once, by their surest
// match and in the order they were found, and how many strangers stood there:
// the most on any one still, since frames show the same people again.
func whoRang(v house.Visit) (persons []house.Match, strangers int) {
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
