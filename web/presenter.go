package web

import (
	"context"
	"fmt"
	"time"

	"lintel/internal/house"
)

// A presenter puts visits into words and JSON for somebody, by the household's
// rules and in its time zone.
type presenter struct {
	rules    house.Rules
	zone     *time.Location
	now      time.Time
	resident bool // whom a hold's reason may be told

	advice map[string][]house.Advice // by visit, see addAdvice
	names  map[string]string         // by kind and id, such as "person ID"
	hears  map[string]bool           // doors that have a receiver, by id
	hands  []whoView                 // residents who have a PIN
}

// presenterFor reads the rules, once a request.
func (s *Server) presenterFor(ctx context.Context, who house.Session) (presenter, error) {
	rules, err := s.Archive.Rules(ctx)
	if err != nil {
		return presenter{}, err
	}
	return presenter{rules: rules, zone: s.zoneBy(rules), now: s.Now(), resident: who.Resident != ""}, nil
}

// hold returns the visit's hold, unless it has ended: the row of one that has
// stays until the visit is swept.
func (t presenter) hold(v house.Visit) *house.Hold {
	if v.Hold != nil && v.Hold.EndsAt.After(t.now) {
		return v.Hold
	}
	return nil
}

func (t presenter) schedule(v house.Visit) house.Schedule {
	v.Hold = t.hold(v)
	return t.rules.Schedule(v)
}

// scheduleWords say what becomes of a visit, when and why, a sentence each.
func (t presenter) scheduleWords(v house.Visit) (words []string) {
	fate, hold := t.schedule(v), t.hold(v)
	if hold != nil {
		held := "Held until " + t.moment(hold.EndsAt)
		if t.resident {
			held += ": " + hold.Reason
		}
		words = append(words, held)
	}
	when := func(at time.Time) string {
		switch {
		case hold != nil && at.Equal(hold.EndsAt):
			return "when the hold ends"
		case !at.After(t.now):
			return "within the hour"
		}
		return "on " + t.moment(at)
	}
	rule := t.rules.Keep[fate.Rule]
	if !fate.SmallerAt.IsZero() && fate.SmallerAt.Before(fate.GoesAt) {
		words = append(words, fmt.Sprintf("Its stills get smaller %s", when(fate.SmallerAt)))
	}
	if !fate.StillsAt.IsZero() && fate.StillsAt.Before(fate.GoesAt) {
		words = append(words, fmt.Sprintf("Its stills go %s: stills of %s are kept %s", when(fate.StillsAt),
			fate.Rule.Plural(), rule.Stills.Words()))
	}
	return append(words, fmt.Sprintf("Goes %s: %s are kept %s", when(fate.GoesAt), fate.Rule.Plural(),
		fate.Period.Words()))
}

// counted writes a number of things: "1 day", "2 days".
func counted(n int, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return fmt.Sprintf("%d %ss", n, thing)
}

// moment says a time as a clock and a calendar on the wall do.
func (t presenter) moment(at time.Time) string {
	at = at.In(t.zone)
	if at.Hour() == 0 && at.Minute() == 0 {
		// Holds and periods end with a day; "Friday, 00:00" would be
		// taken for a day too late.
		return "the end of " + t.day(at.AddDate(0, 0, -1))
	}
	return t.day(at) + ", " + at.Format("15:04")
}

// day says the day of a time, with its year where that is not this one.
func (t presenter) day(at time.Time) string {
	at = at.In(t.zone)
	if at.Year() == t.now.In(t.zone).Year() {
		return at.Format("Monday 2 January")
	}
	return at.Format("Monday 2 January 2006")
}

// dayFrom and dayUntil read a date of a form as its first moment, and as the
// first one after it.
func (t presenter) dayFrom(v string) (time.Time, error) { return t.dayStart(v, 0) }

func (t presenter) dayUntil(v string) (time.Time, error) { return t.dayStart(v, 1) }

func (t presenter) dayStart(v string, later int) (time.Time, error) {
	d, err := time.Parse(time.DateOnly, v)
	if err != nil || !sayable(d) {
		return time.Time{}, fmt.Errorf("a date like 2026-11-25")
	}
	day := d.AddDate(0, 0, later)
	start := time.Date(day.Year(), day.Month(), day.Day(), 0, 0, 0, 0, t.zone)
	// Where daylight saving changes at midnight, that comes twice, or never.
	if earlier := start.Add(-time.Hour); earlier.Day() == day.Day() {
		return earlier, nil
	}
	if start.Day() != day.Day() {
		start = start.Add(time.Hour)
	}
	return start, nil
}
