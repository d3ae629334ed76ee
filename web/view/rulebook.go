package view

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"

	"lintel/internal/house"
	"lintel/internal/words"
	"lintel/pipeline/advice/policy"
)

// NewRule stands for the id of a rule that was not saved yet.
const NewRule = "new"

// A RuleBook is all rules for doors, by the names of their persons and doors,
// and says them.
type RuleBook struct {
	Rules   []house.DoorRule
	Doors   []house.Door
	Persons []house.Person
	words   words.Words
	names   map[string]string
}

// NewRuleBook sorts the rules of a house.
func NewRuleBook(rules []house.DoorRule, doors []house.Door, persons []house.Person, w words.Words) RuleBook {
	b := RuleBook{Rules: rules, Doors: doors, Persons: persons, names: make(map[string]string)}
	b.words = w.Naming(b.Name)
	for _, p := range persons {
		b.names[p.ID] = p.Name
	}
	for _, d := range doors {
		b.names[d.ID] = d.Name
	}
	slices.SortFunc(b.Persons, func(x, y house.Person) int {
		return cmp.Or(strings.Compare(x.Name, y.Name), strings.Compare(x.ID, y.ID))
	})
	slices.SortStableFunc(b.Rules, func(x, y house.DoorRule) int {
		return cmp.Or(strings.Compare(b.Name(x.Person), b.Name(y.Person)),
			strings.Compare(b.Name(x.Door), b.Name(y.Door)), allowedFirst(x, y))
	})
	return b
}

func allowedFirst(x, y house.DoorRule) int {
	switch {
	case x.Allowed == y.Allowed:
		return 0
	case x.Allowed:
		return -1
	}
	return 1
}

// Name is what a person or a door is called, "" where neither is known.
func (b RuleBook) Name(id string) string { return b.names[id] }

// Bell is what the bell of an address is called.
func (b RuleBook) Bell(address string) string { return b.words.Bell(address) }

// Find returns the rule of an id. The error is [house.ErrNotFound].
func (b RuleBook) Find(id string) (house.DoorRule, error) {
	i := slices.IndexFunc(b.Rules, func(rule house.DoorRule) bool { return rule.ID == id })
	if i < 0 {
		return house.DoorRule{}, fmt.Errorf("rule %s: %w", id, house.ErrNotFound)
	}
	return b.Rules[i], nil
}

// With returns all rules as they would be with one changed or added.
func (b RuleBook) With(rule house.DoorRule) []house.DoorRule {
	rule, rules := identified(rule), slices.Clone(b.Rules)
	if i := slices.IndexFunc(rules, func(r house.DoorRule) bool { return r.ID == rule.ID }); i >= 0 {
		rules[i] = rule
		return rules
	}
	return append(rules, rule)
}

func identified(rule house.DoorRule) house.DoorRule {
	rule.ID = cmp.Or(rule.ID, NewRule)
	return rule
}

// Number is which of the rules one is, from 1: two may say the same.
func (b RuleBook) Number(rule house.DoorRule) int {
	return 1 + slices.IndexFunc(b.Rules, func(r house.DoorRule) bool { return r.ID == rule.ID })
}

// Says is what a rule comes to, in a sentence.
func (b RuleBook) Says(rule house.DoorRule) string {
	return b.words.Reason(policy.Restate(identified(rule)))
}

// A Conflict is two rules that hold at one time, and what comes of it.
type Conflict struct {
	policy.Conflict
	Says string
}

// Conflicts are those of all rules.
func (b RuleBook) Conflicts() []Conflict { return b.conflicts(b.Rules) }

func (b RuleBook) conflicts(rules []house.DoorRule) (all []Conflict) {
	for _, c := range policy.Conflicts(rules) {
		all = append(all, Conflict{c, b.words.Reason(c.Why)})
	}
	return all
}

// ConflictsOf are those that a rule would have with others.
func (b RuleBook) ConflictsOf(rule house.DoorRule) []Conflict {
	id := identified(rule).ID
	return slices.DeleteFunc(b.conflicts(b.With(rule)), func(c Conflict) bool { return !slices.Contains(c.Rules[:], id) })
}

// fieldOf are the fields of a form that errors of package policy are about.
var fieldOf = []struct {
	err   error
	field string
}{
	{policy.ErrNoDays, "days"}, {policy.ErrTimes, "times"}, {policy.ErrFactor, "factors"}, {policy.ErrNeed, "factors"},
	{policy.ErrWeak, "band"}, {policy.ErrBand, "band"}, {policy.ErrSign, "sign"},
}

// A Fault is what is wrong with a field of a rule's form.
type Fault struct {
	Field string
	Err   error
}

// Faults are all that is wrong with a rule.
func (b RuleBook) Faults(rule house.DoorRule) (faults []Fault) {
	if !slices.ContainsFunc(b.Persons, func(p house.Person) bool { return p.ID == rule.Person }) {
		faults = append(faults, Fault{"person", policy.ErrNoPerson})
	}
	if _, ok := DoorOf(b.Doors, rule.Door); !ok {
		faults = append(faults, Fault{"door", policy.ErrNoDoor})
	}
	for _, err := range policy.Faults(identified(rule)) {
		for _, about := range fieldOf {
			if errors.Is(err, about.err) {
				faults = append(faults, Fault{about.field, about.err})
			}
		}
	}
	return faults
}

// Check reports the first thing that is wrong with a rule, and with which field.
func (b RuleBook) Check(rule house.DoorRule) (field string, err error) {
	if faults := b.Faults(rule); len(faults) > 0 {
		return faults[0].Field, faults[0].Err
	}
	return "", nil
}

// Suggesting says in a sentence what becomes of suggestions in this house.
func (t Presenter) Suggesting(h house.AdviceRules, rules int) string {
	switch {
	case h.Paused:
		return t.Words.Text("suggestions-paused")
	case h.AwayUntil.After(t.Now):
		return t.Words.Text("suggestions-away")
	case rules == 0:
		return t.Words.Text("suggestions-no-rule")
	}
	return t.Words.Text("suggestions-by-rules", "Count", rules)
}
