// Package view makes what pages and programs are shown out of the house's plain
// types. What comes in are visits, persons, rules and advice; what goes out are
// values that templates draw and encoding/json writes, with their sentences
// made by package words. It reads no archive and knows no HTTP.
//
//	p := view.Presenter{Rules: rules, Zone: zone, Now: now, Words: words.For("en")}
//	p.ScheduleWords(visit) // what becomes of it, when and why
package view

import (
	"errors"
	"time"

	"lintel/internal/house"
	"lintel/internal/words"
	"lintel/pipeline/bell"
)

// A Presenter puts what is in the archive into words for somebody, by the
// household's rules and in its time zone.
type Presenter struct {
	Rules    house.Rules
	Zone     *time.Location
	Now      time.Time
	Resident bool        // whom a hold's reason may be told
	Answers  bool        // who may answer: at a tablet, a resident does by their PIN
	Guest    bool        // whether a tablet shows it while there are guests
	Words    words.Words // of the reader's language, by the household's clock

	// PictureKey is a part of the addresses of small pictures, of the reader's session;
	// "" for addresses that no browser keeps.
	PictureKey string

	Advice map[string][]house.Advice // by visit
	Names  map[string]string         // by kind and id, such as "person ID"
	Hears  map[string]bool           // doors that have a receiver, by id
	Hands  []house.Resident          // who may confirm a suggestion by a PIN
	Codes  map[string]bool           // persons who have one-time codes, by id

	// What can be said to who rang: on these displays by bell, of these texts, with
	// these values, for so long after the ring.
	Displays     map[string]house.Display
	Texts        []house.MessageText
	Places       bell.Values
	AnswerWithin time.Duration
}

// Hold returns the visit's hold, unless it has ended: the row of one that has
// stays until the visit is swept.
func (t Presenter) Hold(v house.Visit) *house.Hold {
	if v.Hold != nil && v.Hold.EndsAt.After(t.Now) {
		return v.Hold
	}
	return nil
}

func (t Presenter) Schedule(v house.Visit) house.Schedule {
	v.Hold = t.Hold(v)
	return t.Rules.Schedule(v)
}

// ScheduleWords say what becomes of a visit, when and why.
func (t Presenter) ScheduleWords(v house.Visit) (says []string) {
	schedule, hold := t.Schedule(v), t.Hold(v)
	if hold != nil {
		says = append(says, t.Words.Text("held-until", "Moment", t.Moment(hold.EndsAt)))
		if t.Resident {
			says[0] = t.Words.Text("held-until-why", "Moment", t.Moment(hold.EndsAt), "Reason", hold.Reason)
		}
	}
	when := func(at time.Time) string {
		switch {
		case hold != nil && at.Equal(hold.EndsAt):
			return t.Words.Text("when-hold-ends")
		case !at.After(t.Now):
			return t.Words.Text("when-within-hour")
		case at.Sub(t.Now) < 72*time.Hour:
			return t.Words.Text("when-at", "Date", t.Words.Date(at), "Clock", t.Words.Clock(at))
		}
		return t.Words.Date(at)
	}
	if !schedule.SmallerAt.IsZero() && schedule.SmallerAt.Before(schedule.GoesAt) {
		says = append(says, t.Words.Text("schedule-smaller", "When", when(schedule.SmallerAt)))
	}
	kinds, goes := t.Words.Text("kinds-"+string(schedule.Rule)), when(schedule.GoesAt)
	if !schedule.StillsAt.IsZero() && schedule.StillsAt.Before(schedule.GoesAt) {
		return append(says, t.Words.Text("schedule-parts", "Stills", when(schedule.StillsAt), "Entry", goes),
			t.Words.Text("schedule-parts-why", "Kinds", kinds, "Entry", t.Period(schedule.Period),
				"Stills", t.Period(t.Rules.Keep[schedule.Rule].Stills)))
	}
	what := t.Words.Text("schedule-goes", "When", goes)
	if v.Stage == house.OnlyFindings {
		what = t.Words.Text("schedule-entry", "When", goes)
	}
	return append(says, what,
		t.Words.Text("schedule-why", "Kinds", kinds, "Period", t.Period(schedule.Period)))
}

// Period spells a period out: "72 hours", "1 day".
func (t Presenter) Period(p house.Period) string { return t.Words.Period(p) }

// Moment says a time as a clock and a calendar on the wall do.
func (t Presenter) Moment(at time.Time) string {
	if local := at.In(t.Zone); local.Hour() == 0 && local.Minute() == 0 {
		// Holds and periods end with a day; "Friday, 00:00" would be
		// taken for a day too late.
		return t.Words.Text("moment-end-of-day", "Day", t.Words.Day(local.AddDate(0, 0, -1)))
	}
	return t.Words.Text("moment-on-day", "Day", t.Words.Day(at), "Clock", t.Words.Clock(at))
}

// Browser says what a session runs in, as far as it is known.
func (t Presenter) Browser(b house.Browser) string {
	switch {
	case b.Name == "" && b.System == "":
		return t.Words.Text("browser-unknown")
	case b.Name == "" || b.System == "":
		return b.Name + b.System
	}
	return t.Words.Text("browser-on", "Name", b.Name, "System", b.System)
}

// Day says the day of a time, with its year where that is not this one.
func (t Presenter) Day(at time.Time) string { return t.Words.Day(at) }

// ErrDay says that a text is no date such as 2026-11-25.
var ErrDay = errors.New("no date")

// DayFrom and DayUntil read a date of a form as its first moment, and as the
// first one after it. The error is ErrDay.
func (t Presenter) DayFrom(v string) (time.Time, error) { return t.dayStart(v, 0) }

func (t Presenter) DayUntil(v string) (time.Time, error) { return t.dayStart(v, 1) }

func (t Presenter) dayStart(v string, later int) (time.Time, error) {
	d, err := time.Parse(time.DateOnly, v)
	if err != nil || !Writable(d) {
		return time.Time{}, ErrDay
	}
	day := d.AddDate(0, 0, later)
	start := time.Date(day.Year(), day.Month(), day.Day(), 0, 0, 0, 0, t.Zone)
	// Where daylight saving changes at midnight, that comes twice, or never.
	if earlier := start.Add(-time.Hour); earlier.Day() == day.Day() {
		return earlier, nil
	}
	if start.Day() != day.Day() {
		start = start.Add(time.Hour)
	}
	return start, nil
}

// Writable reports whether a time has a year of four digits, as dates in RFC 3339
// have.
func Writable(t time.Time) bool {
	year := t.UTC().Year()
	return !t.IsZero() && 0 < year && year < 10_000
}
