package web

import (
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"lintel/internal/house"
	"lintel/web/view"
)

// A rulesForm is rules as the form on Rules holds them, which may be anything that
// can be typed: so that what is wrong comes back as it was.
type rulesForm struct {
	Zone  string
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
}

type quietFields struct {
	Number      int // from 1
	Days        []dayField
	From, Until string
}

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
	d := rulesForm{Zone: rules.Zone}
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
	d := rulesForm{Zone: strings.TrimSpace(form.Get("zone"))}
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

// rules reads what was typed. The error is house.ErrBadRule.
func (d rulesForm) rules() (house.Rules, error) {
	rules := house.Rules{Zone: d.Zone, Keep: make(map[house.Kind]house.Rule), Quiet: []house.Quiet{}}
	for _, line := range d.Kinds {
		rule, err := line.rule()
		if err != nil {
			return rules, house.FaultIn{What: "kind", Which: line.Kind, Err: err}
		}
		rules.Keep[line.Kind] = rule
	}
	for _, q := range d.Quiet {
		quiet, err := q.quiet()
		if err != nil {
			return rules, house.FaultIn{What: "quiet", Which: q.Number, Err: err}
		}
		rules.Quiet = append(rules.Quiet, quiet)
	}
	return rules, nil
}

func (line ruleFields) rule() (rule house.Rule, err error) {
	if rule.Stills, err = line.Stills.period(); err != nil {
		return rule, err
	}
	rule.Findings = rule.Stills
	if line.Findings.Number != "" {
		if rule.Findings, err = line.Findings.period(); err != nil {
			return rule, err
		}
	}
	if line.Smaller.Number != "" {
		rule.Smaller, err = line.Smaller.period()
	}
	return rule, err
}

func (p periodFields) period() (house.Period, error) {
	if p.Number == "" {
		return house.Period{}, house.Fault{Of: house.ErrBadRule, Code: "rule-empty"}
	}
	unit := "h"
	if p.Days {
		unit = "d"
	}
	return house.ParsePeriod(p.Number + unit)
}

func (q quietFields) quiet() (quiet house.Quiet, err error) {
	for _, day := range q.Days {
		if day.On {
			quiet.Days = append(quiet.Days, time.Weekday(day.Value))
		}
	}
	if len(quiet.Days) == 0 {
		return quiet, house.Fault{Of: house.ErrBadRule, Code: "quiet-no-day"}
	}
	err = errors.Join(quiet.From.UnmarshalText([]byte(q.From)), quiet.Until.UnmarshalText([]byte(q.Until)))
	return quiet, err
}
