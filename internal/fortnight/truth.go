package fortnight

import (
	"lintel/internal/doorstep"
	"lintel/internal/house"
)

// blind is how much of the lens is covered where nobody can be found any more.
const blind = 0.9

// expected is what is true of a ring, as if everybody were enrolled.
func (s *Story) expected(h happening) (e Expected) {
	e.Hidden = h.Covered > blind
	for _, v := range h.who {
		if v.shows != doorstep.Nothing {
			e.Shown, e.Of = v.shows, s.persons[v.of].Name
			continue
		}
		if p, known := s.persons[v.who]; known {
			e.Persons = append(e.Persons, p.Name)
		} else {
			e.Strangers++
		}
	}
	b, _ := s.bell(h.Ring)
	a := Advice{Door: b.Door.in(s.language), Suggest: h.Suggest != "", For: s.persons[h.Suggest].Name, Unmet: h.Lacks}
	if a.Suggest || len(a.Unmet) > 0 {
		e.Advice = []Advice{a}
	}
	return e
}

// tellTruth makes strangers of those who are not enrolled yet, leaves out what their
// phones say, and says of which rings nothing is kept.
func (s *Story) tellTruth(events []Event, quiet []house.Quiet) (told []Event) {
	enrolled := make(map[string]bool)
	for _, e := range events {
		switch act := e.Act.(type) {
		case Enrolment:
			enrolled[act.Person.Name] = true
		case Report:
			if !enrolled[act.Person] {
				continue
			}
		case Ring:
			act.Expected = act.Expected.among(enrolled)
			act.Expected.Unkept = quietAt(quiet, e.At)
			e.Act = act
		}
		told = append(told, e)
	}
	return told
}

// among is what is expected where only some are enrolled.
func (e Expected) among(enrolled map[string]bool) Expected {
	var known []string
	for _, name := range e.Persons {
		if enrolled[name] {
			known = append(known, name)
		} else {
			e.Strangers++
		}
	}
	e.Persons = known
	if !enrolled[e.Of] {
		e.Of = ""
	}
	return e
}
