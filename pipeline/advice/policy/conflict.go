package policy

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/match"
)

// A Conflict is two rules for one person at one door that hold at one time.
type Conflict struct {
	Rules [2]string    `json:"rules"` // ids, in the order of the rules
	Kind  ConflictKind `json:"kind"`
	Says  string       `json:"says"` // what comes of it, for people
}

// A ConflictKind is how two rules get into each other's way.
type ConflictKind string

const (
	Forbids ConflictKind = "forbids" // one says never, and wins
	Adds    ConflictKind = "adds"    // both allow, and each must be met
	Repeats ConflictKind = "repeats" // both ask for the same
)

// Conflicts lists the pairs of rules that hold at one time for one person at
// one door, in the order of the rules. Rules that can't be followed are left
// to [Check]. Names are those of persons and doors, by their ids.
func Conflicts(rules []house.DoorRule, names map[string]string) (all []Conflict) {
	type place struct{ person, door string }
	of := make(map[place][]int)
	for i, r := range rules {
		if checkRule(r) != nil {
			continue
		}
		p := place{r.Person, r.Door}
		for _, k := range of[p] {
			if when, overlap := overlap(rules[k], r); overlap {
				all = append(all, conflict(rules[k], r, when, names))
			}
		}
		of[p] = append(of[p], i)
	}
	order := make(map[string]int, len(rules))
	for i, r := range rules {
		order[r.ID] = i
	}
	slices.SortStableFunc(all, func(a, b Conflict) int { return order[a.Rules[0]] - order[b.Rules[0]] })
	return all
}

func conflict(a, b house.DoorRule, when string, names map[string]string) Conflict {
	c := Conflict{Rules: [2]string{a.ID, b.ID}}
	head := fmt.Sprintf("Two rules for %s at %s hold together, as %s:", nameOf(names, a.Person), nameOf(names, a.Door), when)
	switch {
	case a.Allowed != b.Allowed:
		c.Kind, c.Says = Forbids, head+" one allows and one says never. Never wins."
	case !a.Allowed:
		c.Kind, c.Says = Repeats, head+" both say never."
	case asksSame(a, b):
		c.Kind, c.Says = Repeats, head+" both ask for the same."
	default:
		c.Kind = Adds
		c.Says = fmt.Sprintf("%s both allow, and each must be met. One asks that %s. The other asks that %s.", head, asks(a), asks(b))
	}
	return c
}

// asks says what must hold by an allowing rule besides its time.
func asks(r house.DoorRule) string {
	more := []string{needs(r), "the match is " + r.Band}
	if r.Band == string(match.Fair) {
		more[1] += " at least"
	}
	if !r.CantTell {
		more = append(more, "there are two stills or more")
	}
	if r.Liveness == house.NoSign {
		more = append(more, "any sign of a picture withholds")
	}
	return strings.Join(more, ", ")
}

func asksSame(a, b house.DoorRule) bool {
	if a.Need != b.Need || a.Band != b.Band || a.Liveness != b.Liveness || a.CantTell != b.CantTell || len(a.Factors) != len(b.Factors) {
		return false
	}
	return !slices.ContainsFunc(a.Factors, func(k house.FactorKind) bool { return !slices.Contains(b.Factors, k) })
}

// overlap tells the first time of a week, from Monday on, that two rules both
// hold at, on an ordinary day or on a holiday.
func overlap(a, b house.DoorRule) (when string, found bool) {
	for _, holiday := range []bool{false, true} {
		for i := range 7 {
			weekday := time.Weekday((i + 1) % 7)
			// What both hold at begins where one of them does.
			for _, minute := range []int{a.From, b.From} {
				for _, before := range []bool{holiday, !holiday} {
					at := wall{known: true, minute: minute, today: date{weekday, holiday}, yesterday: date{(weekday + 6) % 7, before}}
					if holds(a, at) && holds(b, at) {
						on := weekday.String()
						if holiday {
							on = "a holiday on " + on
						}
						return fmt.Sprintf("on %s at %s", on, dayTime(minute)), true
					}
				}
			}
		}
	}
	return "", false
}
