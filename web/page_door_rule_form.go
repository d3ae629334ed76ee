package web

import (
	"cmp"
	"net/url"
	"slices"
	"strconv"

	"lintel/internal/house"
)

// What can be wrong with a rule's form besides what package policy says of the
// rule.
var (
	errRuleKind  error = house.Refusal("rule-kind")
	errDayTimes  error = house.Refusal("day-times")
	errSevenDays error = house.Refusal("seven-days")
)

// factorKinds are all kinds of factors, in the order they are told in.
var factorKinds = []house.FactorKind{house.FactorArrival, house.FactorCode, house.FactorToken, house.FactorResident}

// kindsOf reads kinds of factors, each once, and passes over what is none.
func kindsOf(words []string) (kinds []house.FactorKind) {
	for _, kind := range factorKinds {
		if slices.Contains(words, string(kind)) {
			kinds = append(kinds, kind)
		}
	}
	return kinds
}

// A tickBox is a kind of factor or a day of the week to tick.
type tickBox struct {
	Value string
	On    bool
}

func tickBoxes[T ~string](all, on []T) (boxes []tickBox) {
	for _, v := range all {
		boxes = append(boxes, tickBox{string(v), slices.Contains(on, v)})
	}
	return boxes
}

// Factors and Days are the boxes of the form, days as ISO 8601 has them.
func (v adviceRuleView) Factors() []tickBox {
	return tickBoxes(factorKinds, kindsOf(v.Form.Values["factor"]))
}

func (v adviceRuleView) Days() []tickBox {
	return tickBoxes([]string{"1", "2", "3", "4", "5", "6", "0"}, v.Form.Values["day"])
}

// emptyRule is what the form for a new rule begins with: the strictest.
func emptyRule() house.DoorRule {
	return house.DoorRule{Allowed: true, From: 7 * 60, To: 20 * 60, Need: 1, Band: "strong", Liveness: house.NoSign}
}

// ruleForm fills in a rule. What one that says never leaves open begins as the
// strictest.
func ruleForm(rule house.DoorRule) postedForm {
	f := postedForm{url.Values{"person": {rule.Person}, "door": {rule.Door}, "kind": {"never"},
		"from": {house.DayTime(rule.From).String()}, "to": {house.DayTime(rule.To % (24 * 60)).String()},
		"need": {strconv.Itoa(max(1, rule.Need))}, "band": {cmp.Or(rule.Band, "strong")}}}
	if rule.Allowed {
		f.Set("kind", "allowed")
	}
	f.tick("holidays", rule.Holidays)
	f.tick("doubtful", rule.Liveness == house.Doubtful)
	f.tick("cant_tell", rule.CantTell)
	for day, on := range rule.Days {
		if on {
			f.Add("day", strconv.Itoa(day))
		}
	}
	for _, kind := range rule.Factors {
		f.Add("factor", string(kind))
	}
	return f
}

// readRule reads what was typed, and says what makes no rule. One that says never
// has no factors and no limits. Until 00:00 is until the end of the day.
func readRule(posted postedForm, id string) (rule house.DoorRule, wrong wrongs) {
	kind := posted.Get("kind")
	if kind != "allowed" && kind != "never" {
		wrong.add("kind", errRuleKind)
	}
	var from, to house.DayTime
	if from.UnmarshalText([]byte(posted.text("from"))) != nil || to.UnmarshalText([]byte(posted.text("to"))) != nil {
		wrong.add("times", errDayTimes)
	}
	if to == 0 {
		to = 24 * 60
	}
	rule = house.DoorRule{ID: id, Person: posted.Get("person"), Door: posted.Get("door"), Allowed: kind == "allowed",
		From: int(from), To: int(to), Holidays: posted.Has("holidays")}
	for day := range rule.Days {
		rule.Days[day] = slices.Contains(posted.Values["day"], strconv.Itoa(day))
	}
	if !rule.Allowed {
		return rule, wrong
	}
	rule.Need, _ = strconv.Atoi(posted.text("need")) // 0 is refused
	rule.Factors, rule.Band, rule.Liveness = kindsOf(posted.Values["factor"]), posted.Get("band"), house.NoSign
	if posted.Has("doubtful") {
		rule.Liveness = house.Doubtful
	}
	rule.CantTell = posted.Has("cant_tell")
	return rule, wrong
}
