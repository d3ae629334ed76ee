package words

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"lintel/internal/house"
)

// A telling is what a message of a catalog is given: the values, and ways to
// tell them.
type telling struct {
	house.Values
	Code  string
	words Words
}

// Name is what a person is called.
func (t telling) Name(id string) string { return t.words.nameOf(id, "nameless") }

// Names lists persons.
func (t telling) Names(ids []string) string {
	names := make([]string, len(ids))
	for i, id := range ids {
		names[i] = t.Name(id)
	}
	return t.words.list(names, "and")
}

// The is what a door is called.
func (t telling) The(door string) string { return t.words.nameOf(door, "this-door") }

// Bell and OtherBell are what bells are called.
func (t telling) Bell() string { return t.words.Bell(t.Values.Bell) }

func (t telling) OtherBell() string { return t.words.Bell(t.Values.OtherBell) }

// N is a count of things: "3 faces".
func (t telling) N(count int, thing string) string {
	says, _ := t.words.find("n-"+thing, nil, count)
	return says
}

// Length is a length of time in the unit that tells it: "12 seconds",
// "3 minutes". Less than it took is never said: it rounds down.
func (t telling) Length(d time.Duration) string {
	switch {
	case d < 2*time.Minute:
		return t.N(int(d/time.Second), "second")
	case d < 2*time.Hour:
		return t.N(int(d/time.Minute), "minute")
	case d < 48*time.Hour:
		return t.N(int(d/time.Hour), "hour")
	}
	return t.N(int(d/(24*time.Hour)), "day")
}

// Clock is a time of day: "15:04".
func (t telling) Clock(at time.Time) string {
	if t.words.zone == nil {
		return at.UTC().Format("15:04 UTC")
	}
	return at.In(t.words.zone).Format("15:04")
}

// local is a time by the household's calendar.
func (t telling) local(at time.Time) time.Time {
	if t.words.zone == nil {
		return at.UTC()
	}
	return at.In(t.words.zone)
}

// Moment is a time, with the day where that is not today.
func (t telling) Moment(at time.Time) string {
	if t.words.zone != nil && t.local(at).Format(time.DateOnly) == t.local(t.words.now).Format(time.DateOnly) {
		return t.Clock(at)
	}
	return t.dated("moment", at)
}

// Full is a time with its day, and whether that is a holiday.
func (t telling) Full(at time.Time) string {
	says := t.dated("moment", at)
	if t.Holiday {
		return t.words.say("holiday", map[string]string{"Moment": says})
	}
	return says
}

// Day is a date.
func (t telling) Day(at time.Time) string { return t.dated("date", at) }

func (t telling) dated(key string, at time.Time) string {
	local := t.local(at)
	return t.words.say(key, map[string]any{
		"Weekday": t.Weekday(local.Weekday()), "Day": local.Day(),
		"Month": t.words.say(fmt.Sprintf("month-%d", local.Month()), nil),
		"Year":  local.Year(), "Clock": t.Clock(at),
	})
}

// Weekday is a day's name.
func (t telling) Weekday(d time.Weekday) string {
	return t.words.say(fmt.Sprintf("weekday-%d", d), nil)
}

// Whole is a number without what comes after the point, nor a sign.
func (telling) Whole(x float64) string { return fmt.Sprintf("%.0f", math.Abs(x)) }

// Percent is a share.
func (t telling) Percent(share float64) string {
	return t.words.say("percent", map[string]string{"Number": t.Whole(100 * share)})
}

// Matched says how sure a match is.
func (t telling) Matched() string { return t.words.say("matched", t) }

// BandName is what a band is called.
func (t telling) BandName(band string) string { return t.words.say("band-"+band, t) }

// Odds is a rate as people say it.
func (t telling) Odds() string {
	if amount, ok := strangers(t.Rate); ok {
		return t.words.say("odds-about", map[string]string{"Amount": amount})
	}
	return t.words.say("odds-few", nil)
}

// Thing is what a factor is called.
func (t telling) Thing(k house.FactorKind) string { return t.ofKind("thing-", k) }

// Events say what factors are evidence of, and when they were given.
func (t telling) Events() string {
	events := make([]string, len(t.Given))
	for i, g := range t.Given {
		events[i] = t.words.say("event-at", map[string]string{"Event": t.ofKind("event-", g.Kind), "Time": t.Clock(g.At)})
	}
	return t.words.list(events, "and")
}

func (t telling) ofKind(prefix string, k house.FactorKind) string {
	if says, ok := t.words.find(prefix+string(k), t, nil); ok {
		return says
	}
	return t.words.say(prefix+"unknown", nil)
}

// Refused says what is wrong with rules.
func (t telling) Refused() string {
	says := make([]string, len(t.Why))
	for i, code := range t.Why {
		says[i] = capital(t.words.say("refused-"+code, t)) + "."
	}
	return strings.Join(says, " ")
}

// Complained says what is wrong with the picture of a face.
func (t telling) Complained() string { return t.first("complaint-") }

// Untold says why something can't be told.
func (t telling) Untold() string { return t.first("cant-tell-") }

// AllUntold says all that can't be told, and why.
func (t telling) AllUntold() string {
	says := make([]string, len(t.Why))
	for i, code := range t.Why {
		says[i] = t.words.say("cant-tell-"+code, t)
	}
	return strings.Join(says, " ")
}

func (t telling) first(prefix string) string {
	if len(t.Why) > 0 {
		if says, ok := t.words.find(prefix+t.Why[0], t, nil); ok {
			return says
		}
	}
	return t.words.say("cant-tell-unknown", nil)
}

// Together says when two rules hold.
func (t telling) Together() string { return t.words.say("together", t) }

// kinds are those of factors, in the order they are told in.
var kinds = []house.FactorKind{house.FactorArrival, house.FactorCode, house.FactorToken, house.FactorResident}

// choices say the factors that a rule counts.
func (t telling) choices(r house.DoorRule) (says []string) {
	for _, k := range kinds {
		if slices.Contains(r.Factors, k) {
			says = append(says, t.ofKind("event-", k))
		}
	}
	return says
}

// Choice lists the factors that the first rule counts.
func (t telling) Choice() string { return strings.Join(t.choices(t.Rules[0]), "; ") }
