package policy

import (
	"slices"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/match"
)

// A ruling is what the rules say about a person at the door now.
type ruling struct {
	allowing []*house.DoorRule // at any time
	holding  []*house.DoorRule // of those, that hold now
	never    []*house.DoorRule // that say never, and hold now
	fault    error             // of one that can't be followed
}

func (q *question) ruling(person string) (r ruling) {
	for i := range q.Rules {
		rule := &q.Rules[i]
		if rule.Person != person || rule.Door != q.Door.ID {
			continue
		}
		if err := checkRule(*rule); err != nil {
			r.fault = err
			continue
		}
		now := q.at.known && holds(*rule, q.at)
		if rule.Allowed {
			r.allowing = append(r.allowing, rule)
			if now {
				r.holding = append(r.holding, rule)
			}
		} else if now {
			r.never = append(r.never, rule)
		}
	}
	return r
}

// band is the one that all rules that hold ask for together, "" if none holds.
func (r ruling) band() string {
	band := ""
	for _, rule := range r.holding {
		if band == "" || rule.Band == string(match.Strong) {
			band = rule.Band
		}
	}
	return band
}

// sign is the worst level that all rules that hold allow, and whether all allow
// a ring of one still. If none holds, nothing is allowed.
func (r ruling) sign() (worst house.LivenessLevel, cantTell bool) {
	if len(r.holding) == 0 {
		return house.NoSign, false
	}
	worst, cantTell = house.Doubtful, true
	for _, rule := range r.holding {
		if rule.Liveness == house.NoSign {
			worst = house.NoSign
		}
		cantTell = cantTell && rule.CantTell
	}
	return worst, cantTell
}

// A wall is a time as the clock and the calendar on the household's wall show it.
type wall struct {
	known     bool
	minute    int // of the day, 0 to 1439
	today     date
	yesterday date
}

// A date is a day of the household's calendar.
type date struct {
	weekday time.Weekday
	holiday bool
}

// wallAt is not known without a time, a zone or holidays that can be read.
func wallAt(now time.Time, zone *time.Location, house *house.AdviceRules) wall {
	if now.IsZero() || zone == nil || house == nil || checkHolidays(house.Holidays) != nil {
		return wall{}
	}
	local := now.In(zone)
	year, month, day := local.Date()
	// In UTC every day has 24 hours, so that calendars can be counted in.
	on := func(day int) date {
		d := time.Date(year, month, day, 0, 0, 0, 0, time.UTC)
		return date{d.Weekday(), slices.Contains(house.Holidays, d.Format(time.DateOnly))}
	}
	return wall{known: true, minute: local.Hour()*60 + local.Minute(), today: on(day), yesterday: on(day - 1)}
}

// holds reports whether a rule holds at a time. Where it goes over midnight,
// the hours after belong to the day before.
func holds(r house.DoorRule, at wall) bool {
	if r.From < r.To {
		return r.From <= at.minute && at.minute < r.To && holdsOn(r, at.today)
	}
	return at.minute >= r.From && holdsOn(r, at.today) || at.minute < r.To && holdsOn(r, at.yesterday)
}

// holdsOn reports whether a rule holds on a day. Holidays make one that allows
// hold on fewer days, and one that says never on more.
func holdsOn(r house.DoorRule, d date) bool {
	if r.Allowed {
		return r.Days[d.weekday] && (r.Holidays || !d.holiday)
	}
	return r.Days[d.weekday] || r.Holidays && d.holiday
}
