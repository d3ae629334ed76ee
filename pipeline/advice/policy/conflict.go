package policy

import (
	"slices"
	"time"

	"lintel/internal/house"
)

// A Conflict is two rules for one person at one door that hold at one time.
type Conflict struct {
	Rules [2]string // ids, in the order of the rules
	Kind  ConflictKind
	Why   house.Reason // what comes of it
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
// to [Check].
func Conflicts(rules []house.DoorRule) (all []Conflict) {
	type place struct{ person, door string }
	of := make(map[place][]int)
	for i, r := range rules {
		if checkRule(r) != nil {
			continue
		}
		p := place{r.Person, r.Door}
		for _, k := range of[p] {
			if when, overlap := overlap(rules[k], r); overlap {
				all = append(all, conflict(rules[k], r, when))
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

func conflict(a, b house.DoorRule, when house.WeekTime) Conflict {
	c := Conflict{Rules: [2]string{a.ID, b.ID}, Kind: Adds}
	c.Why.Values = house.Values{Person: a.Person, Door: a.Door, Week: &when}
	switch {
	case a.Allowed != b.Allowed:
		c.Kind, c.Why.Code = Forbids, conflictForbids
	case !a.Allowed:
		c.Kind, c.Why.Code = Repeats, conflictNever
	case asksSame(a, b):
		c.Kind, c.Why.Code = Repeats, conflictRepeats
	default:
		c.Why.Code, c.Why.Rules = conflictAdds, []house.DoorRule{a, b}
	}
	return c
}

func asksSame(a, b house.DoorRule) bool {
	if a.Need != b.Need || a.Band != b.Band || a.Liveness != b.Liveness || a.CantTell != b.CantTell ||
		len(a.Factors) != len(b.Factors) {
		return false
	}
	return !slices.ContainsFunc(a.Factors, func(k house.FactorKind) bool { return !slices.Contains(b.Factors, k) })
}

// overlap tells the first time of a week, from Monday on, that two rules both
// hold at, on an ordinary day or on a holiday.
func overlap(a, b house.DoorRule) (when house.WeekTime, found bool) {
	for _, holiday := range []bool{false, true} {
		for i := range 7 {
			weekday := time.Weekday((i + 1) % 7)
			// What both hold at begins where one of them does.
			for _, minute := range []int{a.From, b.From} {
				for _, before := range []bool{holiday, !holiday} {
					at := wall{known: true, minute: minute, today: date{weekday, holiday},
						yesterday: date{(weekday + 6) % 7, before}}
					if holds(a, at) && holds(b, at) {
						return house.WeekTime{Day: weekday, Minute: house.DayTime(minute), Holiday: holiday}, true
					}
				}
			}
		}
	}
	return when, false
}
