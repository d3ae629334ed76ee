package house

import (
	"errors"
	"maps"
	"math/rand/v2"
	"testing"
	"time"

	"lintel/internal/python"
)

func zoneOf(t *testing.T, name string) *time.Location {
	t.Helper()
	zone, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return zone
}

func instant(t *testing.T, text string) time.Time {
	t.Helper()
	at, err := time.Parse(time.RFC3339, text)
	if err != nil {
		t.Fatal(err)
	}
	return at
}

func TestParsePeriod(t *testing.T) {
	for _, test := range []struct {
		text string
		want Period // none for what is refused
	}{
		{"72h", Period{Hours: 72}},
		{"1h", Period{Hours: 1}},
		{"30d", Period{Days: 30}},
		{"3660d", Period{Days: 3660}},
		{"87840h", Period{Hours: 87840}},
		{text: "0h"}, {text: "0d"}, {text: "-1d"}, {text: "-72h"}, {text: "3661d"}, {text: "87841h"}, {text: "999999h"},
		{text: "9999999h"},
		{text: ""}, {text: "72"}, {text: "h"}, {text: "3w"}, {text: "1.5d"}, {text: "1d 2h"}, {text: " 1d"}, {text: "٣d"},
	} {
		got, err := ParsePeriod(test.text)
		if got != test.want && err == nil || (err == nil) != (test.want != Period{}) {
			t.Errorf("%q: %v, %v", test.text, got, err)
		}
		if err != nil {
			wantError(t, err, ErrBadRule)
		} else if got.String() != test.text {
			t.Errorf("%q is written %q", test.text, got)
		}
	}
}

// The cases come from the tz database: the European Union changes its clocks at
// 01:00 UTC on the last Sundays of March and October ("Rule EU", file europe),
// New York at 02:00 local time on the second Sunday of March and the first of
// November ("Rule US", northamerica), Lord Howe Island by half an hour ("Rule
// LH", australasia), and Samoa left out 30 December 2011 ("Zone Pacific/Apia").
func TestPeriodAfter(t *testing.T) {
	for _, test := range []struct {
		name, zone, from, period, want string
	}{
		{"hours run through the change", "Europe/Berlin", "2027-03-27T18:00:00+01:00", "24h", "2027-03-28T19:00:00+02:00"},
		{"a day of 23 hours", "Europe/Berlin", "2027-03-27T18:00:00+01:00", "1d", "2027-03-28T18:00:00+02:00"},
		{"a day of 25 hours", "Europe/Berlin", "2026-10-24T18:00:00+02:00", "1d", "2026-10-25T18:00:00+01:00"},
		{"30 days over the change", "Europe/Berlin", "2026-10-01T09:30:00+02:00", "30d", "2026-10-31T09:30:00+01:00"},
		{"ends in the hour that is skipped", "Europe/Berlin", "2027-03-27T02:30:00+01:00", "1d",
			"2027-03-28T03:30:00+02:00"},
		{"ends in the hour that comes twice", "Europe/Berlin", "2026-10-24T02:30:00+02:00", "1d",
			"2026-10-25T02:30:00+02:00"},
		{"begins in the second of them", "Europe/Berlin", "2026-10-25T02:30:00+01:00", "1d", "2026-10-26T02:30:00+01:00"},
		{"begins in the first of them", "Europe/Berlin", "2026-10-25T02:30:00+02:00", "1d", "2026-10-26T02:30:00+01:00"},
		{"72 hours begin in the first of them", "Europe/Berlin", "2026-10-25T02:30:00+02:00", "72h",
			"2026-10-28T01:30:00+01:00"},
		{"New York's skipped hour", "America/New_York", "2027-03-13T02:15:00-05:00", "1d", "2027-03-14T03:15:00-04:00"},
		{"New York's hour that comes twice", "America/New_York", "2026-10-31T01:15:00-04:00", "1d",
			"2026-11-01T01:15:00-04:00"},
		{"half an hour on Lord Howe Island", "Australia/Lord_Howe", "2026-10-03T02:10:00+10:30", "1d",
			"2026-10-04T02:40:00+11:00"},
		{"the day Samoa left out", "Pacific/Apia", "2011-12-29T12:00:00-10:00", "1d", "2011-12-31T12:00:00+14:00"},
		{"no change at all", "Etc/UTC", "2026-11-25T12:00:00Z", "3d", "2026-11-28T12:00:00Z"},
		{"a leap day", "Etc/UTC", "2028-02-28T12:00:00Z", "2d", "2028-03-01T12:00:00Z"},
		{"ten years", "Europe/Berlin", "2026-11-25T12:00:00+01:00", "3652d", "2036-11-24T12:00:00+01:00"},
	} {
		t.Run(test.name, func(t *testing.T) {
			p, err := ParsePeriod(test.period)
			if err != nil {
				t.Fatal(err)
			}
			zone := zoneOf(t, test.zone)
			got := p.After(instant(t, test.from), zone)
			if want := instant(t, test.want); !got.Equal(want) {
				t.Errorf("%s, want %s", got.In(zone).Format(time.RFC3339), want.In(zone).Format(time.RFC3339))
			}
		})
	}
}

// TestPeriodAfterElsewhere compares many random periods with Python's datetime
// and zoneinfo, another implementation over the tz database. Its fold=0 is the
// first of two times, and of a skipped one what the clock before the change
// would have shown, which is the same as much later.
func TestPeriodAfterElsewhere(t *testing.T) {
	const script = `
import json, sys
from datetime import datetime, timedelta, timezone
from zoneinfo import ZoneInfo
answers = []
for q in json.load(sys.stdin):
    zone = ZoneInfo(q["Zone"])
    at = datetime.fromtimestamp(q["Seconds"], timezone.utc).astimezone(zone)
    answers.append(int((at.replace(tzinfo=None) + timedelta(days=q["Days"])).replace(tzinfo=zone, fold=0).timestamp()))
json.dump(answers, sys.stdout)`
	rnd := rand.New(rand.NewPCG(2026, 11))
	zones := []string{"Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "America/St_Johns", "Africa/Casablanca",
		"Asia/Kathmandu"}
	type question struct {
		Zone    string
		Seconds int64
		Days    int
	}
	var questions []question
	for range 3000 {
		q := question{zones[rnd.IntN(len(zones))], 1767225600 + rnd.Int64N(6*365*86400), 1 + rnd.IntN(400)}
		if rnd.IntN(2) == 0 { // near a change, to the quarter of an hour
			change := zoneChange(t, q.Zone, q.Seconds)
			q.Seconds = change.AddDate(0, 0, -q.Days).Unix() + 900*rnd.Int64N(16) - 7200
		}
		questions = append(questions, q)
	}
	var answers []int64
	python.Ask(t, "zoneinfo", script, questions, &answers)
	if len(answers) != len(questions) {
		t.Fatalf("%d answers", len(answers))
	}
	for i, q := range questions {
		got := Period{Days: q.Days}.After(time.Unix(q.Seconds, 0), zoneOf(t, q.Zone)).Unix()
		if got != answers[i] {
			t.Errorf("%s, %d days after %d: %d, Python says %d", q.Zone, q.Days, q.Seconds, got, answers[i])
		}
	}
}

// zoneChange returns the next change of a zone's clock after a time, or the
// time itself if there is none within a year.
func zoneChange(t *testing.T, name string, after int64) time.Time {
	at := time.Unix(after, 0).In(zoneOf(t, name))
	if _, end := at.ZoneBounds(); !end.IsZero() && end.Sub(at) < 365*24*time.Hour {
		return end
	}
	return at
}

func TestQuiet(t *testing.T) {
	rules := DefaultRules()
	rules.Zone = "Europe/Berlin"
	rules.Quiet = []Quiet{
		{[]time.Weekday{time.Monday, time.Tuesday}, 9 * 60, 17 * 60},
		{[]time.Weekday{time.Saturday}, 22 * 60, 6 * 60},        // into Sunday
		{[]time.Weekday{time.Thursday}, 12 * 60, 12 * 60},       // a whole day
		{[]time.Weekday{time.Sunday}, 2*60 + 15, 2*60 + 45},     // both times round in October
		{[]time.Weekday{time.Wednesday}, 23*60 + 59, 24*60 - 1}, // again a whole day, to the minute
	}
	if err := rules.Check(); err != nil {
		t.Fatal(err)
	}
	for _, test := range []struct {
		at   string
		want bool
	}{
		{"2026-11-23T08:59:59+01:00", false}, // a Monday
		{"2026-11-23T09:00:00+01:00", true},
		{"2026-11-23T16:59:59+01:00", true},
		{"2026-11-23T17:00:00+01:00", false},
		{"2026-11-23T08:00:00Z", true}, // the household's clock counts
		{"2026-11-28T21:59:00+01:00", false},
		{"2026-11-28T22:00:00+01:00", true},
		{"2026-11-29T05:59:00+01:00", true},
		{"2026-11-29T06:00:00+01:00", false},
		{"2026-11-28T05:00:00+01:00", false}, // Saturday morning is Friday's night
		{"2026-11-26T11:59:00+01:00", true},  // Wednesday's goes on
		{"2026-11-26T12:00:00+01:00", true},
		{"2026-11-27T11:59:00+01:00", true},
		{"2026-11-27T12:00:00+01:00", false},
		{"2026-10-25T02:30:00+02:00", true}, // and an hour later the same by the clock
		{"2026-10-25T02:30:00+01:00", true},
		{"2027-03-28T03:30:00+02:00", true}, // Saturday's night is shorter by an hour
		{"2027-03-28T06:00:00+02:00", false},
	} {
		if got := rules.QuietAt(instant(t, test.at)); got != test.want {
			t.Errorf("%s: %v", test.at, got)
		}
	}
}

func TestRulesCheck(t *testing.T) {
	with := func(change func(*Rules)) Rules {
		r := DefaultRules()
		r.Keep = maps.Clone(r.Keep)
		change(&r)
		return r
	}
	stranger := func(rule Rule) Rules { return with(func(r *Rules) { r.Keep[Stranger] = rule }) }
	h, d := func(n int) Period { return Period{Hours: n} }, func(n int) Period { return Period{Days: n} }
	for _, test := range []struct {
		name  string
		rules Rules
		ok    bool
	}{
		{"the default", DefaultRules(), true},
		{"findings longer", stranger(Rule{Stills: h(1), Findings: d(3660)}), true},
		{"smaller first", stranger(Rule{Smaller: h(1), Stills: h(2), Findings: h(2)}), true},
		{"a zone", with(func(r *Rules) { r.Zone = "Asia/Kathmandu" }), true},
		{"0", stranger(Rule{Stills: h(0), Findings: h(72)}), false},
		{"minus 3 days", stranger(Rule{Stills: d(-3), Findings: d(3)}), false},
		{"minus 3 hours", stranger(Rule{Stills: h(3), Findings: h(-3)}), false},
		{"hours and days", stranger(Rule{Stills: Period{1, 1}, Findings: d(3)}), false},
		{"too long", stranger(Rule{Stills: h(1), Findings: d(3661)}), false},
		{"findings shorter", stranger(Rule{Stills: d(3), Findings: h(71)}), false},
		{"smaller at the end", stranger(Rule{Smaller: d(3), Stills: h(72), Findings: h(72)}), false},
		{"smaller after minus an hour", stranger(Rule{Smaller: h(-1), Stills: h(72), Findings: h(72)}), false},
		{"none for parcels", with(func(r *Rules) { delete(r.Keep, Parcel) }), false},
		{"one for looking", with(func(r *Rules) { r.Keep[Looking] = r.Keep[Stranger] }), false},
		{"one for looking in place of another", with(func(r *Rules) {
			delete(r.Keep, Parcel)
			r.Keep[Looking] = r.Keep[Stranger]
		}), false},
		{"no such zone", with(func(r *Rules) { r.Zone = "Europe/Nowhere" }), false},
		{"a path for a zone", with(func(r *Rules) { r.Zone = "../../etc/passwd" }), false},
		{"Local is no zone", with(func(r *Rules) { r.Zone = "Local" }), false},
		{"quiet on no day", with(func(r *Rules) { r.Quiet = []Quiet{{nil, 60, 120}} }), false},
		{"quiet on the eighth day", with(func(r *Rules) { r.Quiet = []Quiet{{[]time.Weekday{7}, 60, 120}} }), false},
		{"quiet from 24:00", with(func(r *Rules) { r.Quiet = []Quiet{{[]time.Weekday{1}, 24 * 60, 120}} }), false},
		{"quiet until minus one", with(func(r *Rules) { r.Quiet = []Quiet{{[]time.Weekday{1}, 60, -1}} }), false},
	} {
		t.Run(test.name, func(t *testing.T) {
			err := test.rules.Check()
			if (err == nil) != test.ok || err != nil && !errors.Is(err, ErrBadRule) {
				t.Errorf("%v", err)
			}
		})
	}
}

// The defaults are what the European Data Protection Board's Guidelines 3/2019
// on video devices, paragraph 121, take for a measure: 72 hours.
func TestDefaultRules(t *testing.T) {
	rules := DefaultRules()
	for _, kind := range Kinds {
		want := Period{Hours: 72}
		if kind == Known {
			want = Period{Days: 30}
		}
		if got := rules.Keep[kind]; got != (Rule{Stills: want, Findings: want}) {
			t.Errorf("%s: %+v", kind, got)
		}
	}
}
