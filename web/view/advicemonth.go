package view

import (
	"cmp"
	"maps"
	"slices"
	"strings"
	"time"

	"lintel/internal/house"
	"lintel/internal/words"
)

// An AdviceMonth counts what became of advice.
type AdviceMonth struct {
	Given     int // suggestions: the sum of the next five
	Open      int
	Used      int
	Dismissed int
	Expired   int
	Withdrawn int
	Withheld  int
	Unmet     []Unmet // of what was withheld, the most frequent first
	words     words.Words
}

// Unmet is how often a condition did not hold, and how often no other one did
// not hold either, and all the others were asked.
type Unmet struct {
	Code        string
	Times, Lone int
}

// CountAdvice counts what became of advice by now.
func (t Presenter) CountAdvice(all []house.Advice) AdviceMonth {
	m, unmet := AdviceMonth{words: t.Words}, make(map[string]Unmet)
	for _, d := range all {
		switch t.AdviceState(d) {
		case house.Suggested:
			m.Open++
		case house.Used:
			m.Used++
		case house.Dismissed:
			m.Dismissed++
		case house.Expired:
			m.Expired++
		case house.Withdrawn:
			m.Withdrawn++
		case house.Withheld:
			m.Withheld++
			codes := d.Unmet()
			for _, code := range codes {
				u := Unmet{code, unmet[code].Times + 1, unmet[code].Lone}
				if len(codes) == 1 && len(d.NotAsked()) == 0 {
					u.Lone++
				}
				unmet[code] = u
			}
		}
	}
	m.Given = m.Open + m.Used + m.Dismissed + m.Expired + m.Withdrawn
	m.Unmet = slices.SortedFunc(maps.Values(unmet), func(a, b Unmet) int {
		return cmp.Or(cmp.Compare(b.Times, a.Times), cmp.Compare(b.Lone, a.Lone), strings.Compare(a.Code, b.Code))
	})
	return m
}

// lacks says in a few words that a condition is not met.
func lacks(w words.Words, code string) string { return w.Short(house.Condition{Code: code}) }

// Reason is why a condition did not hold.
func (m AdviceMonth) Reason(u Unmet) string { return words.Capital(lacks(m.words, u.Code)) }

// Alone says for every condition that stood alone against suggestions how many.
func (m AdviceMonth) Alone() (lines []string) {
	alone := slices.Clone(m.Unmet)
	slices.SortStableFunc(alone, func(a, b Unmet) int { return cmp.Compare(b.Lone, a.Lone) })
	for _, u := range alone {
		if u.Lone > 0 {
			lines = append(lines, m.words.Text("advised-alone", "Withheld", m.Withheld, "Lone", u.Lone,
				"Reason", lacks(m.words, u.Code)))
		}
	}
	return lines
}

// Says sums up in one line.
func (m AdviceMonth) Says() string {
	var became []string
	for _, part := range []struct {
		n    int
		says string
	}{
		{m.Used, m.words.Text("advised-used", "Number", m.Used)},
		{m.Dismissed, m.words.Text("advised-dismissed", "Number", m.Dismissed)},
		{m.Expired, m.words.Text("advised-expired", "Number", m.Expired)},
		{m.Withdrawn, m.words.Text("advised-withdrawn", "Number", m.Withdrawn)},
		{m.Open, m.words.Text("advised-open", "Number", m.Open)},
	} {
		if part.n > 0 {
			became = append(became, part.says)
		}
	}
	if len(became) == 0 {
		return m.words.Text("advised", "Given", m.Given, "Withheld", m.Withheld)
	}
	return m.words.Text("advised-became", "Given", m.Given, "Became", strings.Join(became, ", "), "Withheld", m.Withheld)
}

// A DoorMonth is the advice at one door.
type DoorMonth struct {
	Name  string
	Month AdviceMonth
}

// AdviceByDoor counts the advice at each door, by the doors' names. Doors that
// are gone have none, and count as one.
func (t Presenter) AdviceByDoor(all []house.Advice) (doors []DoorMonth) {
	at := make(map[string][]house.Advice)
	for _, d := range all {
		name := t.DoorName(d)
		at[name] = append(at[name], d)
	}
	for _, name := range slices.Sorted(maps.Keys(at)) {
		doors = append(doors, DoorMonth{words.Capital(name), t.CountAdvice(at[name])})
	}
	return doors
}

// An AdviceLine is one advice in a list.
type AdviceLine struct {
	When, DateTime string
	Visit          string // id, "" if it is gone
	Headline       string
	Says           string // what became of it, or why it was withheld
}

// AdviceLine tells of one advice in a line.
func (t Presenter) AdviceLine(d house.Advice) AdviceLine {
	line := AdviceLine{t.Moment(d.At), d.At.In(t.Zone).Format(time.RFC3339), d.Visit, t.AdviceHeadline(d), t.became(d)}
	if d.State == house.Withheld {
		var why []string
		for _, code := range d.Unmet() {
			why = append(why, lacks(t.Words, code))
		}
		line.Says = words.Capital(strings.Join(why, "; ")) + "."
	}
	return line
}
