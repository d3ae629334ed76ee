package house

import (
	"fmt"
	"regexp"
	"strconv"
	"time"
)

// A Period is a length of time: hours as a clock runs, or days of the
// household's calendar, which daylight saving makes 23 or 25 hours long. One
// of the two is 0. It is written as "72h" or "30d".
type Period struct {
	Hours int
	Days  int
}

// MaxDays bounds a period: ten years.
const MaxDays = 3660

var periodText = regexp.MustCompile(`^([0-9]{1,6})([hd])$`)

// ParsePeriod reads "72h" or "30d". The error is ErrBadRule.
func ParsePeriod(text string) (Period, error) {
	m := periodText.FindStringSubmatch(text)
	if m == nil {
		return Period{}, fault(ErrBadRule, "period-form", "Text", text)
	}
	n, _ := strconv.Atoi(m[1])
	p := Period{Hours: n}
	if m[2] == "d" {
		p = Period{Days: n}
	}
	return p, p.check()
}

func (p Period) check() error {
	switch {
	case p.Hours < 0 || p.Days < 0 || p.Hours == 0 && p.Days == 0:
		return fault(ErrBadRule, "period-none")
	case p.Hours > 0 && p.Days > 0:
		return fault(ErrBadRule, "period-both")
	case p.Days > MaxDays || p.Hours > 24*MaxDays:
		return fault(ErrBadRule, "period-long", "Days", MaxDays)
	}
	return nil
}

func (p Period) String() string {
	if p.Days > 0 {
		return strconv.Itoa(p.Days) + "d"
	}
	return strconv.Itoa(p.Hours) + "h"
}

// MarshalText and UnmarshalText are for JSON. No period is "".
func (p Period) MarshalText() ([]byte, error) {
	if p == (Period{}) {
		return nil, nil
	}
	return []byte(p.String()), nil
}

func (p *Period) UnmarshalText(text []byte) (err error) {
	*p = Period{}
	if len(text) > 0 {
		*p, err = ParsePeriod(string(text))
	}
	return err
}

// After returns when the period that begins at t is over: for days, at the same
// time of day in the zone. Where daylight saving skips that time of day, it is
// over as much later; where it comes twice, the first time.
func (p Period) After(t time.Time, zone *time.Location) time.Time {
	if p.Days == 0 {
		return t.Add(time.Duration(p.Hours) * time.Hour)
	}
	local := t.In(zone)
	year, month, day := local.Date()
	hour, minute, second := local.Clock()
	return wallTime(year, month, day+p.Days, hour, minute, second, local.Nanosecond(), zone)
}

// wallTime is time.Date with what that leaves open settled: a time that comes
// twice is the first, one that is skipped is as much later as is skipped.
func wallTime(year int, month time.Month, day, hour, minute, second, nanosecond int, zone *time.Location) time.Time {
	utc := time.Date(year, month, day, hour, minute, second, nanosecond, time.UTC)
	// Offsets a day before and after are those on both sides of any change.
	_, before := utc.Add(-24 * time.Hour).In(zone).Zone()
	_, after := utc.Add(24 * time.Hour).In(zone).Zone()
	first := utc.Add(-time.Duration(max(before, after)) * time.Second)
	last := utc.Add(-time.Duration(min(before, after)) * time.Second)
	sameClock := func(t time.Time) bool {
		_, offset := t.In(zone).Zone()
		return t.Add(time.Duration(offset) * time.Second).Equal(utc)
	}
	if sameClock(first) {
		return first
	}
	return last
}

// A DayTime is a time of day, in minutes after midnight, written "22:30".
type DayTime int

func (d DayTime) String() string { return fmt.Sprintf("%02d:%02d", int(d)/60, int(d)%60) }

// MarshalText and UnmarshalText are for JSON.
func (d DayTime) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

func (d *DayTime) UnmarshalText(text []byte) error {
	t, err := time.Parse("15:04", string(text))
	if err != nil {
		return fault(ErrBadRule, "day-time", "Text", string(text))
	}
	*d = DayTime(t.Hour()*60 + t.Minute())
	return nil
}

// AtLeastHours is for comparing periods.
func (p Period) AtLeastHours() int { return p.Hours + 24*p.Days }
