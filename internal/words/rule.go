package words

import (
	"strings"
	"time"

	"lintel/internal/house"
)

// Of several rules that are told of together, i is which.

// Needs says which factors a rule asks for: "a one-time code of theirs was given
// or a phone of theirs came home".
func (t telling) Needs(i int) string {
	r := t.Rules[i]
	events := t.choices(r)
	switch {
	case r.Need == len(events):
		return t.words.list(events, "and")
	case r.Need == 1:
		return t.anyOf(events)
	}
	return t.words.say("needs-some", map[string]any{"Count": r.Need, "Events": strings.Join(events, "; ")})
}

func (t telling) anyOf(events []string) string {
	says := events[0]
	for _, e := range events[1:] {
		says = t.words.say("or", map[string]string{"First": says, "Last": e})
	}
	return says
}

// Matching, Stills and Signs say what else a rule asks for.
func (t telling) Matching(i int) string { return t.words.say("matching-"+t.Rules[i].Band, t) }

func (t telling) Stills(i int) string {
	if t.Rules[i].CantTell {
		return t.words.say("stills-one", t)
	}
	return t.words.say("stills-two", t)
}

func (t telling) Signs(i int) string {
	if t.Rules[i].Liveness == house.Doubtful {
		return t.words.say("signs-plain", t)
	}
	return t.words.say("signs-any", t)
}

// Asks says all that must hold by a rule besides its time.
func (t telling) Asks(i int) string {
	r := t.Rules[i]
	more := []string{t.Needs(i), t.words.say("asks-"+r.Band, t)}
	if !r.CantTell {
		more = append(more, t.Stills(i))
	}
	if r.Liveness == house.NoSign {
		more = append(more, t.words.say("asks-any-sign", t))
	}
	return strings.Join(more, ", ")
}

// When says when the first rule holds: "Monday to Friday from 07:00 to 20:00,
// not on holidays".
func (t telling) When() string {
	r := t.Rules[0]
	key := "span-holidays-or-not"
	switch {
	case r.Allowed && !r.Holidays:
		key = "span-not-holidays"
	case r.Allowed:
		key = "span-holidays-too"
	case r.Days == [7]bool{true, true, true, true, true, true, true}:
		key = "span-any-day"
	case r.Holidays:
		key = "span-every-holiday"
	}
	return t.words.say(key, map[string]string{"Days": t.days(r.Days), "Hours": t.hours(r)})
}

func (t telling) hours(r house.DoorRule) string {
	told := map[string]any{"From": house.DayTime(r.From), "To": house.DayTime(r.To)}
	switch {
	case r.From == 0 && r.To == 24*60:
		return t.words.say("hours-any", nil)
	case r.To < r.From:
		return t.words.say("hours-over", told)
	}
	return t.words.say("hours", told)
}

// days says days of the week, from Monday on, runs of three or more as such.
func (t telling) days(days [7]bool) string {
	var parts []string
	on := func(i int) bool { return days[(i+1)%7] } // 0 is Monday
	name := func(i int) string { return t.Weekday(time.Weekday((i + 1) % 7)) }
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
			return t.words.say("days-every", nil)
		case end >= i+2:
			parts = append(parts, t.words.say("days-run", map[string]string{"First": name(i), "Last": name(end)}))
			i = end
		default:
			parts = append(parts, name(i))
		}
	}
	if len(parts) == 0 {
		return t.words.say("days-none", nil)
	}
	return t.words.say("days-on", map[string]string{"Days": t.words.list(parts, "and")})
}
