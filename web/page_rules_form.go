package web

import (
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"lintel/internal/house"
	"lintel/web/view"
)

// A rulesForm is rules as the form of Keeping holds them, which may be anything that
// can be typed: so that what is wrong comes back as it was.
type rulesForm struct {
	Kinds []ruleFields
	Quiet []quietFields
}

type ruleFields struct {
	Kind     house.Kind
	Stills   periodFields
	Findings periodFields // empty: as long as the stills
	Smaller  periodFields // empty: never
	Caution  bool         // whether longer than 72 hours needs the more reasons
}

type periodFields struct {
	Kind   house.Kind
	Part   string // stills, findings or smaller
	Number string
	Days   bool // else hours
	Wrong  wrongs
}

type quietFields struct {
	Number      int // from 1
	Days        []dayField
	From, Until string
	Wrong       wrongs
}

// Field is the form's name for a part of a quiet time: day, from or until.
func (q quietFields) Field(part string) string { return fmt.Sprintf("quiet.%d.%s", q.Number-1, part) }

// Field is the form's name for the number; that of the unit is the same with .unit.
func (p periodFields) Field() string { return string(p.Kind) + "." + p.Part }

type dayField struct {
	Value int // 0 is Sunday
	On    bool
}

func newQuiet(number int) quietFields {
	q := quietFields{Number: number}
	for _, day := range view.Week {
		q.Days = append(q.Days, dayField{Value: int(day)})
	}
	return q
}

// rulesFormOf writes rules into the form.
func rulesFormOf(rules house.Rules) rulesForm {
	var d rulesForm
	for _, kind := range house.Kinds {
		rule := rules.Keep[kind]
		line := newRuleFields(kind)
		line.Stills.set(rule.Stills)
		line.Smaller.set(rule.Smaller)
		if rule.Findings != rule.Stills {
			line.Findings.set(rule.Findings)
		}
		d.Kinds = append(d.Kinds, line)
	}
	for i, quiet := range rules.Quiet {
		q := newQuiet(i + 1)
		q.From, q.Until = quiet.From.String(), quiet.Until.String()
		for j := range q.Days {
			q.Days[j].On = slices.Contains(quiet.Days, time.Weekday(q.Days[j].Value))
		}
		d.Quiet = append(d.Quiet, q)
	}
	return d
}

func newRuleFields(kind house.Kind) ruleFields {
	return ruleFields{
		Kind: kind, Caution: kind == house.Stranger, Stills: periodFields{Kind: kind, Part: "stills"},
		Findings: periodFields{Kind: kind, Part: "findings"}, Smaller: periodFields{Kind: kind, Part: "smaller"},
	}
}

func (p *periodFields) set(to house.Period) {
	switch {
	case to.Days > 0:
		p.Number, p.Days = strconv.Itoa(to.Days), true
	case to.Hours > 0:
		p.Number, p.Days = strconv.Itoa(to.Hours), false
	}
}

func (p *periodFields) read(form url.Values) {
	p.Number, p.Days = strings.TrimSpace(form.Get(p.Field())), form.Get(p.Field()+".unit") == "d"
}

// maxQuiets bounds the quiet times that a form is read for: one more than
// rules may have.
const maxQuiets = 101

// readRulesForm reads the form.
func readRulesForm(form url.Values) rulesForm {
	var d rulesForm
	for _, kind := range house.Kinds {
		line := newRuleFields(kind)
		for _, p := range []*periodFields{&line.Stills, &line.Findings, &line.Smaller} {
			p.read(form)
		}
		d.Kinds = append(d.Kinds, line)
	}
	for i := 0; i < maxQuiets && form.Has(fmt.Sprintf("quiet.%d.from", i)); i++ {
		q := newQuiet(i + 1)
		q.From, q.Until = form.Get(fmt.Sprintf("quiet.%d.from", i)), form.Get(fmt.Sprintf("quiet.%d.until", i))
		for j := range q.Days {
			q.Days[j].On = slices.Contains(form[fmt.Sprintf("quiet.%d.day", i)], strconv.Itoa(q.Days[j].Value))
		}
		d.Quiet = append(d.Quiet, q)
	}
	return d
}

// edit adds or removes a quiet time, if one of the form's buttons for that was
// pressed, and reports whether it was.
func (d *rulesForm) edit(form url.Values) bool {
	if form.Has("add") {
		q := newQuiet(len(d.Quiet) + 1)
		q.From, q.Until = "22:00", "06:00"
		d.Quiet = append(d.Quiet, q)
		return true
	}
	if i, err := strconv.Atoi(form.Get("remove")); err == nil && 0 <= i && i < len(d.Quiet) {
		d.Quiet = slices.Delete(d.Quiet, i, i+1)
		for j := range d.Quiet {
			d.Quiet[j].Number = j + 1
		}
		return true
	}
	return false
}

// rules reads what was typed into rules, and says all that is wrong with it.
func (d *rulesForm) rules() (rules house.Rules, wrong wrongs) {
	rules.Keep = make(map[house.Kind]house.Rule)
	for _, line := range d.Kinds {
		rules.Keep[line.Kind] = line.rule(&wrong)
	}
	rules.Quiet = quietsOf(d.Quiet, &wrong)
	for i := range d.Kinds {
		line := &d.Kinds[i]
		line.Stills.Wrong, line.Findings.Wrong, line.Smaller.Wrong = wrong, wrong, wrong
	}
	return rules, wrong
}

func (line ruleFields) rule(wrong *wrongs) (rule house.Rule) {
	before := len(*wrong)
	rule.Stills = line.Stills.period(wrong)
	rule.Findings = rule.Stills
	if line.Findings.Number != "" {
		rule.Findings = line.Findings.period(wrong)
	}
	if line.Smaller.Number != "" {
		rule.Smaller = line.Smaller.period(wrong)
	}
	if len(*wrong) > before {
		return rule
	}
	if err := rule.Check(); err != nil { // periods that do not fit each other
		field := line.Findings
		if rule.Findings.AtLeastHours() >= rule.Stills.AtLeastHours() {
			field = line.Smaller
		}
		wrong.add(field.Field(), house.FaultIn{What: "kind", Which: line.Kind, Err: err})
	}
	return rule
}

func (p periodFields) period(wrong *wrongs) (period house.Period) {
	var err error = house.Fault{Of: house.ErrBadRule, Code: "rule-empty"}
	if p.Number != "" {
		unit := "h"
		if p.Days {
			unit = "d"
		}
		period, err = house.ParsePeriod(p.Number + unit)
	}
	if err != nil {
		wrong.add(p.Field(), house.FaultIn{What: "kind", Which: p.Kind, Err: err})
	}
	return period
}

// quietsOf reads times of the week, and says all that is wrong with them.
func quietsOf(all []quietFields, wrong *wrongs) []house.Quiet {
	quiets := []house.Quiet{}
	for _, q := range all {
		quiets = append(quiets, q.quiet(wrong))
	}
	for i := range all {
		all[i].Wrong = *wrong
	}
	if len(all) >= maxQuiets {
		wrong.add("quiet", house.Rules{Quiet: quiets}.CheckQuiet())
	}
	return quiets
}

func (q quietFields) quiet(wrong *wrongs) (quiet house.Quiet) {
	blame := func(part string, err error) {
		if err != nil {
			wrong.add(q.Field(part), house.FaultIn{What: "quiet", Which: q.Number, Err: err})
		}
	}
	for _, day := range q.Days {
		if day.On {
			quiet.Days = append(quiet.Days, time.Weekday(day.Value))
		}
	}
	if len(quiet.Days) == 0 {
		blame("day", house.Fault{Of: house.ErrBadRule, Code: "quiet-no-day"})
	}
	blame("from", quiet.From.UnmarshalText([]byte(q.From)))
	blame("until", quiet.Until.UnmarshalText([]byte(q.Until)))
	return quiet
}
