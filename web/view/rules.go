package view

import (
	"cmp"
	"slices"
	"time"

	"lintel/internal/house"
)

// Week has the days in the order of ISO 8601.
var Week = []time.Weekday{time.Monday, time.Tuesday, time.Wednesday, time.Thursday, time.Friday, time.Saturday,
	time.Sunday}

// Kinds are what visits of a kind are called: "Strangers".
func (t Presenter) Kinds(k house.Kind) string { return t.Words.Text("kinds-" + string(k)) }

// RuleSentences say rules of keeping, one sentence each.
func (t Presenter) RuleSentences(rules house.Rules) (says []string) {
	for _, kind := range house.Kinds {
		rule := rules.Keep[kind]
		key := "rule-whole"
		if rule.Findings != rule.Stills {
			key = "rule-parts"
		}
		says = append(says, t.Words.Text(key, "Kinds", t.Kinds(kind), "Stills", t.Period(rule.Stills),
			"Entry", t.Period(rule.Findings)))
		if rule.Smaller != (house.Period{}) {
			says = append(says, t.Words.Text("rule-smaller", "Kinds", t.Kinds(kind), "Period", t.Period(rule.Smaller)))
		}
	}
	for _, q := range rules.Quiet {
		says = append(says, t.Words.Text("rule-quiet", "When", t.quiet(q)))
	}
	return says
}

// quiet says when a quiet time is.
func (t Presenter) quiet(q house.Quiet) string {
	var days []string
	for _, day := range Week {
		if slices.Contains(q.Days, day) {
			days = append(days, t.Words.Weekday(day))
		}
	}
	on := t.Words.Text("rule-on-days", "Days", t.Words.List(days))
	if len(days) == len(Week) {
		on = t.Words.Text("rule-every-day")
	}
	key := "quiet-same-day"
	switch {
	case q.Until == q.From:
		key = "quiet-whole-day"
	case q.Until < q.From:
		key = "quiet-next-day"
	}
	return t.Words.Text(key, "Days", on, "From", q.From, "Until", q.Until)
}

// PreviewSentences say what a sweep by some rules would do, kind by kind.
func (t Presenter) PreviewSentences(p map[house.Kind]house.Swept) (says []string) {
	for _, kind := range append([]house.Kind{house.Looking}, house.Kinds...) {
		for i, n := range []int{p[kind].Visits, p[kind].Findings, p[kind].Smaller} {
			if n > 0 {
				says = append(says, t.Words.Text("preview-"+[]string{"visits", "stills", "smaller"}[i], "Kinds", t.Kinds(kind),
					"Count", n))
			}
		}
	}
	return says
}

// ChangeSentences say what new rules change for what is kept.
func (t Presenter) ChangeSentences(old, new house.Rules) (says []string) {
	for _, kind := range house.Kinds {
		before, after := old.Keep[kind], new.Keep[kind]
		for _, part := range []struct {
			name          string
			before, after house.Period
		}{
			{"stills", before.Stills, after.Stills},
			{"entry", before.Findings, after.Findings},
			{"size", before.Smaller, after.Smaller},
		} {
			if part.before != part.after {
				says = append(says, t.Words.Text("change-"+part.name, "Kinds", t.Kinds(kind),
					"Change", t.change(part.before, part.after)))
			}
		}
	}
	before, after := t.quietSet(old), t.quietSet(new)
	for _, when := range after {
		if !slices.Contains(before, when) {
			says = append(says, t.Words.Text("change-quiet", "When", when))
		}
	}
	for _, when := range before {
		if !slices.Contains(after, when) {
			says = append(says, t.Words.Text("change-kept-again", "When", when))
		}
	}
	return says
}

func (t Presenter) quietSet(rules house.Rules) (whens []string) {
	for _, q := range rules.Quiet {
		whens = append(whens, t.quiet(q))
	}
	return whens
}

// change compares two periods; none at all is without end.
func (t Presenter) change(before, after house.Period) string {
	key := "change-same" // a day is 24 hours, but for daylight saving
	none, order := house.Period{}, cmp.Compare(after.AtLeastHours(), before.AtLeastHours())
	switch {
	case after == none:
		key = "change-for-good"
	case before == none:
		key = "change-from-good"
	case order < 0:
		key = "change-shorter"
	case order > 0:
		key = "change-longer"
	}
	return t.Words.Text(key, "New", t.Period(after), "Old", t.Period(before))
}
