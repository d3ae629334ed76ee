package policy

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"lintel/internal/house"
)

// kinds are those of factors, in the order they are told in.
var kinds = []house.FactorKind{house.FactorArrival, house.FactorCode, house.FactorToken, house.FactorResident}

// weigh finds the visitor's factors that count, and whether they are enough.
func (q *question) weigh(v *visitor) {
	for _, f := range q.Factors {
		if f.Person != v.id {
			continue
		}
		if why := q.spoiled(f); why != "" {
			v.spoiled = append(v.spoiled, why)
		} else {
			v.factors = append(v.factors, f)
		}
	}
	slices.SortFunc(v.factors, func(a, b house.Factor) int {
		return cmp.Or(cmp.Compare(b.Strength, a.Strength), b.Until.Compare(a.Until), cmp.Compare(a.ID, b.ID))
	})
	v.restsOn, v.enough = needed(v.ruling.holding, v.factors)
	if i := slices.IndexFunc(v.factors, decisive); i >= 0 && len(q.doubles(v.id)) > 0 {
		v.restsOn = with(v.restsOn, v.factors[i])
	}
}

// needed returns the factors that all rules together rest on, each rule on as
// many kinds as it needs, and whether every rule has enough. Factors are given
// the best first. Without a rule nothing is enough.
func needed(rules []*house.DoorRule, factors []house.Factor) (rests []house.Factor, enough bool) {
	for _, rule := range rules {
		var own []house.Factor
		for _, f := range factors {
			sameKind := func(o house.Factor) bool { return o.Kind == f.Kind }
			if len(own) < rule.Need && slices.Contains(rule.Factors, f.Kind) && !slices.ContainsFunc(own, sameKind) {
				own = append(own, f)
			}
		}
		if len(own) < rule.Need {
			return nil, false
		}
		for _, f := range own {
			rests = with(rests, f)
		}
	}
	return rests, len(rules) > 0
}

// with adds a factor, unless it is there.
func with(all []house.Factor, f house.Factor) []house.Factor {
	if slices.ContainsFunc(all, func(o house.Factor) bool { return o.ID == f.ID }) {
		return all
	}
	return append(all, f)
}

// decisive reports whether a factor can tell a person from one who looks alike.
func decisive(f house.Factor) bool {
	return f.Strength == 1 && (f.Kind == house.FactorCode || f.Kind == house.FactorResident)
}

// spoiled says why a factor does not count, "" if it does.
func (q *question) spoiled(f house.Factor) string {
	what := kindName(f.Kind)
	switch {
	case f.ID == "" || !slices.Contains(kinds, f.Kind):
		return "one factor is of no known kind"
	case f.UsedBy != "":
		return what + " was used before"
	case f.Source == "":
		return what + " does not say what gave it"
	case len(q.Bells) == 0:
		return "whether " + what + " is from a bell is not known"
	case slices.ContainsFunc(q.Bells, func(bell string) bool { return strings.EqualFold(bell, f.Source) }):
		return what + " is from a bell, which gives none"
	case !(f.Strength > 0 && f.Strength <= 1):
		return what + " has no strength that can be"
	case f.At.IsZero() || f.Until.IsZero() || q.Now.IsZero():
		return what + " has no time"
	case f.At.After(q.Now):
		return what + " is dated later than now"
	case !q.Now.Before(f.Until):
		return what + " was good until " + q.moment(f.Until)
	}
	if f.Kind == house.FactorResident {
		if f.Visit == "" || f.Visit != q.Visit.ID || f.At.Before(q.Visit.ReceivedAt) {
			return "a resident agreed to another visit"
		}
		return ""
	}
	if f.Visit != "" {
		return what + " names a visit, as only a resident does"
	}
	if f.Kind == house.FactorArrival || f.Kind == house.FactorToken {
		if q.House == nil || q.Now.Sub(f.At) >= q.House.Window {
			return what + " is from " + q.moment(f.At) + ", too long ago"
		}
	}
	return ""
}

func (q *question) factors() (bool, string) {
	v := q.subject()
	if v == nil {
		return false, "Nobody known can be seen, so no factor is anybody's."
	}
	if len(v.ruling.holding) == 0 {
		return false, "No rule for " + v.name + " holds that says which factors are needed."
	}
	if v.enough {
		given := make([]string, len(v.restsOn))
		for i, f := range v.restsOn {
			given[i] = q.given(f)
		}
		return true, fmt.Sprintf("For %s, %s.", v.name, listed(given))
	}
	var says strings.Builder
	for i, rule := range v.ruling.holding {
		if i > 0 {
			says.WriteString(" ")
		}
		fmt.Fprintf(&says, "For %s, %d of these %s needed: %s. Given: %d.", v.name, rule.Need, verb(rule.Need, "is", "are"), strings.Join(allHappened(rule.Factors), "; "), kindsGiven(*rule, v.factors))
	}
	for _, why := range v.spoiled[:min(len(v.spoiled), 3)] {
		says.WriteString(" " + sentence(why))
	}
	return false, says.String()
}

// kindsGiven counts the kinds of a rule's that are there.
func kindsGiven(rule house.DoorRule, factors []house.Factor) (n int) {
	for _, kind := range kinds {
		if slices.Contains(rule.Factors, kind) && slices.ContainsFunc(factors, func(f house.Factor) bool { return f.Kind == kind }) {
			n++
		}
	}
	return n
}

// given says of a factor that counts what happened, and when.
func (q *question) given(f house.Factor) string {
	return happened(f.Kind) + " at " + q.clockTime(f.At)
}
