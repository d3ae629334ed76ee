package web

import (
	"cmp"
	"fmt"
	"maps"
	"net/http"
	"slices"
	"strings"
	"time"

	"lintel/internal/house"
)

// adviceLookedBack is how many days of advice the page tells of: as many as the
// archive keeps.
const adviceLookedBack = 31

// newestAdvice is how many are listed one by one.
const newestAdvice = 30

// An adviceMonth counts what became of advice.
type adviceMonth struct {
	Given     int // suggestions: the sum of the next four
	Open      int
	Used      int
	Dismissed int
	Expired   int
	Withheld  int
	Unmet     []unmetCount // of what was withheld, the most frequent first
	Lone      int          // how many lacked one condition and no other
}

// An unmetCount is how often a condition did not hold, and how often no other
// one did not hold either.
type unmetCount struct {
	Code        string
	Times, Lone int
}

// Words is why it did not hold.
func (u unmetCount) Words() string { return capital(lacks(u.Code)) }

// countAdvice counts advice; state says what became of each.
func countAdvice(all []house.Advice, state func(house.Advice) house.AdviceState) (m adviceMonth) {
	unmet := make(map[string]unmetCount)
	for _, d := range all {
		switch state(d) {
		case house.Suggested:
			m.Open++
		case house.Used:
			m.Used++
		case house.Dismissed:
			m.Dismissed++
		case house.Expired:
			m.Expired++
		case house.Withheld:
			m.Withheld++
			codes := unmetOf(d)
			for _, code := range codes {
				u := unmet[code]
				u.Code = code
				u.Times++
				if len(codes) == 1 {
					u.Lone++
					m.Lone++
				}
				unmet[code] = u
			}
		}
	}
	m.Given = m.Open + m.Used + m.Dismissed + m.Expired
	m.Unmet = slices.SortedFunc(maps.Values(unmet), func(a, b unmetCount) int {
		return cmp.Or(cmp.Compare(b.Times, a.Times), cmp.Compare(b.Lone, a.Lone), strings.Compare(a.Code, b.Code))
	})
	return m
}

// unmetOf lists the conditions that were not met, each once.
func unmetOf(d house.Advice) (codes []string) {
	for _, c := range d.Conditions {
		if !c.Met && !slices.Contains(codes, c.Code) {
			codes = append(codes, c.Code)
		}
	}
	return codes
}

// WhatIf says for every condition that stood alone against suggestions how many.
func (m adviceMonth) WhatIf() (lines []string) {
	alone := slices.Clone(m.Unmet)
	slices.SortStableFunc(alone, func(a, b unmetCount) int { return cmp.Compare(b.Lone, a.Lone) })
	for _, u := range alone {
		if u.Lone > 0 {
			lines = append(lines, fmt.Sprintf("Of %d withheld, %d for this reason alone: %s.", m.Withheld, u.Lone,
				lacks(u.Code)))
		}
	}
	return lines
}

// Words sums up in one line.
func (m adviceMonth) Words() string {
	var became []string
	for _, part := range []struct {
		n    int
		word string
	}{{m.Used, "used"}, {m.Dismissed, "dismissed"}, {m.Expired, "expired"}, {m.Open, "still open"}} {
		if part.n > 0 {
			became = append(became, fmt.Sprintf("%d %s", part.n, part.word))
		}
	}
	words := fmt.Sprintf("%d suggested", m.Given)
	if len(became) > 0 {
		words += " (" + strings.Join(became, ", ") + ")"
	}
	return fmt.Sprintf("%s, %d withheld", words, m.Withheld)
}

// An adviceMonthView is what the page shows.
type adviceMonthView struct {
	Bar    barView
	Days   int
	Month  adviceMonth
	Doors  []doorMonth
	Newest []adviceLine
	More   int // that are not listed
}

type doorMonth struct {
	Name  string
	Month adviceMonth
}

// An adviceLine is one advice in the list.
type adviceLine struct {
	When, DateTime string
	Visit          string // address, "" if it is gone
	Headline       string
	Says           string
}

func (s *Server) showAdviceMonth(w http.ResponseWriter, r *http.Request) error {
	t, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	all, err := s.Archive.AdviceSince(r.Context(), t.Now.AddDate(0, 0, -adviceLookedBack))
	if err != nil {
		return err
	}
	if err := s.nameAdvice(r.Context(), &t); err != nil {
		return err
	}
	view := adviceMonthView{Bar: barOf(r, "Upkeep", "Advice"), Days: adviceLookedBack,
		Month: countAdvice(all, t.adviceState), Doors: t.byDoor(all)}
	for i, d := range all {
		if i == newestAdvice {
			view.More = len(all) - i
			break
		}
		view.Newest = append(view.Newest, t.adviceLine(d))
	}
	return sendPage(w, r, http.StatusOK, "advice-month.html", view)
}

// byDoor counts the advice at each door, by the doors' names. Doors that are
// gone have none, and count as one.
func (t presenter) byDoor(all []house.Advice) (doors []doorMonth) {
	at := make(map[string][]house.Advice)
	for _, d := range all {
		name := t.doorName(d)
		at[name] = append(at[name], d)
	}
	for _, name := range slices.Sorted(maps.Keys(at)) {
		doors = append(doors, doorMonth{capital(name), countAdvice(at[name], t.adviceState)})
	}
	return doors
}

func (t presenter) adviceLine(d house.Advice) adviceLine {
	view := t.adviceView(d)
	line := adviceLine{When: t.Moment(d.At), DateTime: d.At.In(t.Zone).Format(time.RFC3339), Headline: view.Headline,
		Says: view.Fate}
	if d.Visit != "" {
		line.Visit = visitAddress(d.Visit)
	}
	if d.State == house.Withheld {
		var why []string
		for _, code := range unmetOf(d) {
			why = append(why, lacks(code))
		}
		line.Says = capital(strings.Join(why, "; ") + ".")
	}
	return line
}
