package web

import (
	"cmp"
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"lintel/internal/house"
	"lintel/store"
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
	Name     string
	Stills   periodFields
	Findings periodFields // empty: as long as the stills
	Smaller  periodFields // empty: never
	Caution  bool         // whether longer than 72 hours needs the more reasons
}

type periodFields struct {
	Of     string // whose it is, in words
	Label  string
	Field  string // the form's name for the number; that of the unit is the same with .unit
	None   string // what no number means
	Number string
	Days   bool // else hours
}

type quietFields struct {
	Number      int // from 1
	Days        []dayField
	From, Until string
}

type dayField struct {
	Value int // 0 is Sunday
	Name  string
	On    bool
}

// week is in the order of ISO 8601.
var week = []time.Weekday{time.Monday, time.Tuesday, time.Wednesday, time.Thursday, time.Friday, time.Saturday,
	time.Sunday}

func newQuiet(number int) quietFields {
	q := quietFields{Number: number}
	for _, day := range week {
		q.Days = append(q.Days, dayField{Value: int(day), Name: day.String()[:3]})
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
	words := kindPlurals[kind]
	period := func(label, part, none string) periodFields {
		return periodFields{Of: words, Label: label, Field: string(kind) + "." + part, None: none}
	}
	return ruleFields{
		Kind: kind, Name: words, Caution: kind == house.Stranger,
		Stills: period("Stills, for", "stills", ""), Findings: period("Findings, for", "findings", "as the stills"),
		Smaller: period("Smaller after", "smaller", "never"),
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
	p.Number, p.Days = strings.TrimSpace(form.Get(p.Field)), form.Get(p.Field+".unit") == "d"
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
			return rules, fmt.Errorf("%s: %w", line.Name, err)
		}
		rules.Keep[line.Kind] = rule
	}
	for _, q := range d.Quiet {
		quiet, err := q.quiet()
		if err != nil {
			return rules, fmt.Errorf("quiet time %d: %w", q.Number, err)
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
		return house.Period{}, fmt.Errorf("%w: it says nothing of how long stills are kept", house.ErrBadRule)
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
		return quiet, fmt.Errorf("%w: tick the days on which it begins", house.ErrBadRule)
	}
	err = errors.Join(quiet.From.UnmarshalText([]byte(q.From)), quiet.Until.UnmarshalText([]byte(q.Until)))
	return quiet, err
}

// kindPlurals name kinds of visit on screens, for the many.
var kindPlurals = map[house.Kind]string{
	house.Looking: "Not examined yet", house.Stranger: "Strangers", house.Known: "Persons",
	house.Parcel: "Parcels", house.NoFace: "No face", house.Damaged: "Damaged",
}

// ruleSentences says the rules in words, one sentence each.
func ruleSentences(rules house.Rules) (sentences []string) {
	for _, kind := range house.Kinds {
		sentences = append(sentences, kindPlurals[kind]+": "+ruleWords(rules.Keep[kind])+".")
	}
	for _, q := range rules.Quiet {
		sentences = append(sentences, "Nothing is kept "+quietWords(q)+".")
	}
	return sentences
}

func ruleWords(rule house.Rule) string {
	words := fmt.Sprintf("stills and findings go after %s", rule.Stills.Words())
	if rule.Findings != rule.Stills {
		words = fmt.Sprintf("stills go after %s, findings after %s", rule.Stills.Words(), rule.Findings.Words())
	}
	if rule.Smaller != (house.Period{}) {
		words = fmt.Sprintf("stills get smaller after %s; %s", rule.Smaller.Words(), words)
	}
	return words
}

func quietWords(q house.Quiet) string {
	var days []string
	for _, day := range week {
		for _, d := range q.Days {
			if d == day {
				days = append(days, day.String()+"s")
			}
		}
	}
	when := strings.Join(days, ", ")
	if len(days) == 7 {
		when = "every day"
	} else {
		when = "on " + when
	}
	switch {
	case q.Until == q.From:
		return fmt.Sprintf("%s from %s for 24 hours", when, q.From)
	case q.Until < q.From:
		return fmt.Sprintf("%s from %s until %s the next day", when, q.From, q.Until)
	}
	return fmt.Sprintf("%s from %s until %s", when, q.From, q.Until)
}

// previewSentences say what a sweep by some rules would do, kind by kind.
func previewSentences(p store.Preview) (sentences []string) {
	for _, kind := range append([]house.Kind{house.Looking}, house.Kinds...) {
		goes := p[kind]
		var parts []string
		if goes.Visits > 0 {
			parts = append(parts, counted(goes.Visits, "visit")+" would be deleted whole")
		}
		if goes.Findings > 0 {
			parts = append(parts, "of "+counted(goes.Findings, "visit")+" the stills would be deleted and the findings stay")
		}
		if goes.Smaller > 0 {
			parts = append(parts, "of "+counted(goes.Smaller, "visit")+" the stills would be made smaller")
		}
		if len(parts) > 0 {
			sentences = append(sentences, kindPlurals[kind]+": "+strings.Join(parts, "; ")+".")
		}
	}
	return sentences
}

// changeSentences say what new rules change for what is kept.
func changeSentences(old, new house.Rules) (sentences []string) {
	for _, kind := range house.Kinds {
		before, after := old.Keep[kind], new.Keep[kind]
		for _, part := range []struct {
			what          string
			before, after house.Period
		}{
			{"stills are kept", before.Stills, after.Stills},
			{"findings are kept", before.Findings, after.Findings},
			{"stills keep their size", before.Smaller, after.Smaller},
		} {
			if part.before != part.after {
				sentences = append(sentences,
					fmt.Sprintf("%s: %s %s.", kindPlurals[kind], part.what, changeWords(part.before, part.after)))
			}
		}
	}
	if old.Zone != new.Zone {
		sentences = append(sentences,
			fmt.Sprintf("The time zone is %s instead of %s.", zoneWords(new.Zone), zoneWords(old.Zone)))
	}
	before, after := quietSet(old), quietSet(new)
	for _, q := range new.Quiet {
		if !before[quietWords(q)] {
			sentences = append(sentences, "From now on nothing is kept "+quietWords(q)+".")
		}
	}
	for _, q := range old.Quiet {
		if !after[quietWords(q)] {
			sentences = append(sentences, "Visits are kept again "+quietWords(q)+".")
		}
	}
	return sentences
}

func quietSet(rules house.Rules) map[string]bool {
	set := make(map[string]bool)
	for _, q := range rules.Quiet {
		set[quietWords(q)] = true
	}
	return set
}

// changeWords compare two periods; none at all is without end.
func changeWords(before, after house.Period) string {
	none := house.Period{}
	switch {
	case after == none:
		return fmt.Sprintf("for good instead of %s: longer", before.Words())
	case before == none:
		return fmt.Sprintf("%s only: shorter", after.Words())
	}
	words := fmt.Sprintf("%s instead of %s", after.Words(), before.Words())
	switch cmp.Compare(after.AtLeastHours(), before.AtLeastHours()) {
	case -1:
		return words + ": shorter"
	case 1:
		return words + ": longer"
	}
	return words // a day is 24 hours, but for daylight saving
}

func zoneWords(name string) string { return cmp.Or(name, "the server's") }
