package policy

import (
	"cmp"
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
		if why := q.spoiled(f); why.Code != "" {
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
// many kinds as it needs, a weak one counting for half, and whether every rule
// has enough. Factors are given the best first. Without a rule nothing is enough.
func needed(rules []*house.DoorRule, factors []house.Factor) (rests []house.Factor, enough bool) {
	for _, rule := range rules {
		own, halves := []house.Factor(nil), 0
		for _, f := range bestOfKinds(*rule, factors) {
			if halves < 2*rule.Need {
				own, halves = append(own, f), halves+halvesOf(f)
			}
		}
		if halves < 2*rule.Need {
			return nil, false
		}
		for _, f := range own {
			rests = with(rests, f)
		}
	}
	return rests, len(rules) > 0
}

// bestOfKinds returns the best factor of each kind that counts for a rule, the
// best first, as they are given.
func bestOfKinds(rule house.DoorRule, factors []house.Factor) (best []house.Factor) {
	for _, f := range factors {
		sameKind := func(o house.Factor) bool { return o.Kind == f.Kind }
		if slices.Contains(rule.Factors, f.Kind) && !slices.ContainsFunc(best, sameKind) {
			best = append(best, f)
		}
	}
	return best
}

// halvesOf is for how many halves of a kind a factor counts.
func halvesOf(f house.Factor) int {
	if f.Weak() {
		return 1
	}
	return 2
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

// spoiled says why a factor does not count, with no code if it does.
func (q *question) spoiled(f house.Factor) (why house.Reason) {
	why.Kind = f.Kind
	why.Code = q.spoiledBy(f)
	switch why.Code {
	case factorOver:
		why.Until = f.Until
	case factorOld, factorWaits:
		why.At = f.At
	}
	return why
}

// spoiledBy is the code of why a factor does not count, "" if it does.
func (q *question) spoiledBy(f house.Factor) (code string) {
	switch {
	case f.ID == "" || !slices.Contains(kinds, f.Kind):
		return factorNoKind
	case f.UsedBy != "":
		return factorUsed
	case f.Source == "":
		return factorNoSource
	case len(q.Bells) == 0:
		return factorNoBells
	case slices.ContainsFunc(q.Bells, func(bell string) bool { return strings.EqualFold(bell, f.Source) }):
		return factorOfBell
	case !(f.Strength > 0 && f.Strength <= 1):
		return factorStrength
	case f.At.IsZero() || f.Until.IsZero() || q.Now.IsZero():
		return factorNoTime
	case f.At.After(q.Now):
		return factorLater
	case !q.Now.Before(f.Until):
		return factorOver
	case q.sourceWaits(f.Source):
		return factorWaits
	}
	switch {
	case f.Kind == house.FactorResident && (f.Visit == "" || f.Visit != q.Visit.ID || f.At.Before(q.Visit.ReceivedAt)):
		return factorVisit
	case f.Kind == house.FactorResident || f.Kind == house.FactorCode && f.Visit == "":
		return ""
	case f.Visit != "":
		return factorNoVisit
	case q.House == nil || q.Now.Sub(f.At) >= q.House.Window:
		return factorOld
	}
	return ""
}

func (q *question) factors() finding {
	v := q.subject()
	if v == nil {
		return moot(factorsNobody, none)
	}
	if len(v.ruling.holding) == 0 {
		return moot(factorsNoRule, of(v))
	}
	if v.enough {
		return yes(factorsGiven, house.Values{Person: v.id, Given: given(v.restsOn...)})
	}
	lacks := finding{}
	for _, rule := range v.ruling.holding {
		lacks.why = append(lacks.why, house.Reason{Code: factorsLack, Values: house.Values{
			Person: v.id, Rules: []house.DoorRule{*rule}, Count: kindsGiven(*rule, v.factors), Of: rule.Need}})
	}
	for _, f := range v.factors {
		if f.Weak() {
			lacks.why = append(lacks.why, house.Reason{Code: factorWeak, Values: house.Values{Kind: f.Kind}})
		}
	}
	lacks.why = append(lacks.why, v.spoiled[:min(len(v.spoiled), 3)]...)
	return lacks
}

// kindsGiven counts the kinds of a rule's that are there, two weak ones as one.
func kindsGiven(rule house.DoorRule, factors []house.Factor) int {
	halves := 0
	for _, f := range bestOfKinds(rule, factors) {
		halves += halvesOf(f)
	}
	return halves / 2
}

// given tells of factors that count what happened, and when.
func given(factors ...house.Factor) (all []house.Given) {
	for _, f := range factors {
		all = append(all, house.Given{Kind: f.Kind, At: f.At})
	}
	return all
}
