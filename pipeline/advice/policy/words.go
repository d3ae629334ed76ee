package policy

import (
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"lintel/internal/house"
)

// kindName is what a factor is called in the middle of a sentence.
func kindName(k house.FactorKind) string {
	switch k {
	case house.FactorArrival:
		return "the phone that came home"
	case house.FactorCode:
		return "the one-time code"
	case house.FactorToken:
		return "the token that was seen"
	case house.FactorResident:
		return "what a resident agreed to"
	}
	return "a factor of no known kind"
}

// happened says what a factor is evidence of.
func happened(k house.FactorKind) string {
	switch k {
	case house.FactorArrival:
		return "a phone of theirs came home"
	case house.FactorCode:
		return "a one-time code of theirs was given"
	case house.FactorToken:
		return "a token of theirs was seen"
	case house.FactorResident:
		return "a resident looked at the still and agreed"
	}
	return "something of no known kind happened"
}

// allHappened says it of several kinds, in the order they are told in.
func allHappened(all []house.FactorKind) (words []string) {
	for _, k := range kinds {
		if slices.Contains(all, k) {
			words = append(words, happened(k))
		}
	}
	return words
}

// span says when a rule holds: "Monday to Friday from 07:00 to 20:00, not on
// holidays".
func span(r house.DoorRule) string {
	days := daysOf(r.Days)
	switch {
	case r.Allowed && !r.Holidays:
		return days + hours(r) + ", not on holidays"
	case r.Allowed:
		return days + hours(r) + ", holidays too"
	case r.Days == [7]bool{true, true, true, true, true, true, true}:
		return "on any day" + hours(r) + ", holidays or not"
	case r.Holidays:
		return days + " and on every holiday" + hours(r)
	}
	return days + hours(r) + ", holidays or not"
}

func hours(r house.DoorRule) string {
	switch {
	case r.From == 0 && r.To == 24*60:
		return " at any time"
	case r.To < r.From:
		return fmt.Sprintf(" from %s to %s the day after", dayTime(r.From), dayTime(r.To))
	}
	return fmt.Sprintf(" from %s to %s", dayTime(r.From), dayTime(r.To))
}

func dayTime(minute int) string { return house.DayTime(minute).String() }

// daysOf says days of the week, from Monday on, runs of three or more as such.
func daysOf(days [7]bool) string {
	var parts []string
	on := func(i int) bool { return days[(i+1)%7] } // 0 is Monday
	name := func(i int) string { return time.Weekday((i + 1) % 7).String() }
	for i := 0; i < 7; i++ {
		if !on(i) {
			continue
		}
		end := i
		for end < 6 && on(end+1) {
			end++
		}
		switch {
		case i == 0 && end == 6:
			return "on every day"
		case end >= i+2:
			parts = append(parts, name(i)+" to "+name(end))
			i = end
		default:
			parts = append(parts, name(i))
		}
	}
	if len(parts) == 0 {
		return "on no day"
	}
	return "on " + listed(parts)
}

// moment says a time by the household's clock, with the day where that is not
// today.
func (q *question) moment(t time.Time) string {
	if q.Zone == nil {
		return t.UTC().Format("Monday 2 January, 15:04 UTC")
	}
	if t.In(q.Zone).Format(time.DateOnly) == q.Now.In(q.Zone).Format(time.DateOnly) {
		return t.In(q.Zone).Format("15:04")
	}
	return t.In(q.Zone).Format("Monday 2 January, 15:04")
}

func (q *question) clockTime(t time.Time) string {
	if q.Zone == nil {
		return t.UTC().Format("15:04 UTC")
	}
	return t.In(q.Zone).Format("15:04")
}

func (q *question) day(t time.Time) string {
	if q.Zone != nil {
		t = t.In(q.Zone)
	}
	return t.Format("2 January 2006")
}

// names lists the visitors.
func (q *question) names() string {
	names := make([]string, len(q.visitors))
	for i, v := range q.visitors {
		names[i] = v.name
	}
	return listed(names)
}

// lasting says a length of time in the unit that tells it: "12 seconds",
// "3 minutes". Less than it took is never said: it rounds down.
func lasting(d time.Duration) string {
	switch {
	case d < 2*time.Minute:
		return counted(int(d/time.Second), "second")
	case d < 2*time.Hour:
		return counted(int(d/time.Minute), "minute")
	case d < 48*time.Hour:
		return counted(int(d/time.Hour), "hour")
	}
	return counted(int(d/(24*time.Hour)), "day")
}

func counted(n int, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return fmt.Sprintf("%d %ss", n, thing)
}

func verb(n int, one, many string) string {
	if n == 1 {
		return one
	}
	return many
}

// listed joins words: "a", "a and b", "a, b and c".
func listed(words []string) string {
	if len(words) < 2 {
		return strings.Join(words, "")
	}
	last := len(words) - 1
	return strings.Join(words[:last], ", ") + " and " + words[last]
}

// sentence begins words with a capital and ends them with a full stop.
func sentence(words string) string {
	first, n := utf8.DecodeRuneInString(words)
	return string(unicode.ToUpper(first)) + words[n:] + "."
}
