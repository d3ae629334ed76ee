package web

import (
	"cmp"
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

// A ruleForm is a rule as far as what was typed makes one, and what may not.
type ruleForm struct {
	house.DoorRule
	Kind           string // allowed or never
	From, To, Need string
}

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

// A tickBox is a box to tick: a kind of factor, or a day of the week.
type tickBox[T any] struct {
	Value T
	On    bool
}

func ticks[T any](all []T, on func(T) bool) (boxes []tickBox[T]) {
	for _, v := range all {
		boxes = append(boxes, tickBox[T]{v, on(v)})
	}
	return boxes
}

func factorTicks(on []house.FactorKind) []tickBox[house.FactorKind] {
	return ticks(factorKinds, func(k house.FactorKind) bool { return slices.Contains(on, k) })
}

// FactorTicks and DayTicks are the boxes of the form.
func (f ruleForm) FactorTicks() []tickBox[house.FactorKind] { return factorTicks(f.Factors) }

func (f ruleForm) DayTicks() []tickBox[int] {
	return ticks([]int{1, 2, 3, 4, 5, 6, 0}, func(day int) bool { return f.Days[day] }) // as ISO 8601 has them
}

// emptyRule is what the form for a new rule begins with: the strictest.
func emptyRule() house.DoorRule {
	return house.DoorRule{Allowed: true, From: 7 * 60, To: 20 * 60, Need: 1, Band: "strong", Liveness: house.NoSign}
}

// ruleFormOf writes a rule into the form. What one that says never leaves open
// begins as the strictest.
func ruleFormOf(rule house.DoorRule) ruleForm {
	f := ruleForm{rule, "never", house.DayTime(rule.From).String(), house.DayTime(rule.To % (24 * 60)).String(),
		strconv.Itoa(max(1, rule.Need))}
	if rule.Allowed {
		f.Kind = "allowed"
	}
	f.Band = cmp.Or(f.Band, "strong")
	return f
}

// readRuleForm reads what was typed, and says what makes no rule. Until 00:00 is
// until the end of the day.
func readRuleForm(posted postedForm, id string) (f ruleForm, wrong wrongs) {
	wrong = make(wrongs)
	f = ruleForm{Kind: posted.Get("kind"), From: posted.text("from"), To: posted.text("to"), Need: posted.text("need")}
	if f.Kind != "allowed" && f.Kind != "never" {
		wrong.add("kind", errRuleKind)
	}
	var from, to house.DayTime
	if from.UnmarshalText([]byte(f.From)) != nil || to.UnmarshalText([]byte(f.To)) != nil {
		wrong.add("times", errDayTimes)
	}
	if to == 0 {
		to = 24 * 60
	}
	need, _ := strconv.Atoi(f.Need) // 0 is refused
	f.DoorRule = house.DoorRule{ID: id, Person: posted.Get("person"), Door: posted.Get("door"),
		Allowed: f.Kind == "allowed", From: int(from), To: int(to), Holidays: posted.Has("holidays"),
		Factors: kindsOf(posted.Values["factor"]), Need: need, Band: posted.Get("band"), Liveness: house.NoSign,
		CantTell: posted.Has("cant_tell")}
	if posted.Has("doubtful") {
		f.Liveness = house.Doubtful
	}
	for day := range f.Days {
		f.Days[day] = slices.Contains(posted.Values["day"], strconv.Itoa(day))
	}
	return f, wrong
}

// rule is what the form comes to. A rule that says never has no factors and no
// limits.
func (f ruleForm) rule() house.DoorRule {
	if f.Allowed {
		return f.DoorRule
	}
	return house.DoorRule{ID: f.ID, Person: f.Person, Door: f.Door, Days: f.Days, From: f.DoorRule.From,
		To: f.DoorRule.To, Holidays: f.Holidays}
}
