package policy

import (
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/internal/python"
)

// TestHoldsOnChangeDays goes over days on which a zone's clock changes. When it
// does so is from the tz database: "Rule EU" (europe: last Sunday of March and
// of October at 1:00 UTC), "Rule US" (northamerica: second Sunday of March and
// first of November at 2:00), "Rule LH" (australasia: half an hour, first
// Sunday of April and of October at 2:00) and "Rule Cuba" (northamerica: in
// March and November at 0:00s).
func TestHoldsOnChangeDays(t *testing.T) {
	sunday, saturday := [7]bool{true}, [7]bool{time.Saturday: true}
	rule := func(days [7]bool, from, to string) house.DoorRule {
		r := house.DoorRule{ID: "r", Person: ada, Door: front, Allowed: true, Days: days}
		var f, u house.DayTime
		if err := f.UnmarshalText([]byte(from)); err != nil {
			t.Fatal(err)
		}
		if to == "24:00" {
			u = 24 * 60
		} else if err := u.UnmarshalText([]byte(to)); err != nil {
			t.Fatal(err)
		}
		r.From, r.To = int(f), int(u)
		return r
	}
	for _, test := range []struct {
		what, zone string
		rule       house.DoorRule
		utc        string // 2006-01-02 15:04
		want       bool
	}{
		{"the hour that comes twice, first", "Europe/Berlin", rule(sunday, "02:15", "02:45"), "2026-10-25 00:30", true},
		{"the hour that comes twice, second", "Europe/Berlin", rule(sunday, "02:15", "02:45"), "2026-10-25 01:30", true},
		{"between the two", "Europe/Berlin", rule(sunday, "02:15", "02:45"), "2026-10-25 00:50", false},
		{"after both", "Europe/Berlin", rule(sunday, "02:15", "02:45"), "2026-10-25 01:45", false},
		{"a range that is skipped, just before", "Europe/Berlin", rule(sunday, "02:15", "02:45"), "2027-03-28 00:59",
			false},
		{"a range that is skipped, just after", "Europe/Berlin", rule(sunday, "02:15", "02:45"), "2027-03-28 01:00", false},
		{"a range with a skipped hour in it", "Europe/Berlin", rule(sunday, "01:00", "04:00"), "2027-03-28 01:00", true},
		{"its end", "Europe/Berlin", rule(sunday, "01:00", "04:00"), "2027-03-28 02:00", false},
		{"over midnight into the short day", "Europe/Berlin", rule(saturday, "22:00", "03:30"), "2027-03-28 01:29", true},
		{"its end on the short day", "Europe/Berlin", rule(saturday, "22:00", "03:30"), "2027-03-28 01:30", false},
		{"over midnight into the long day", "Europe/Berlin", rule(saturday, "22:00", "03:30"), "2026-10-25 02:29", true},
		{"its end on the long day", "Europe/Berlin", rule(saturday, "22:00", "03:30"), "2026-10-25 02:30", false},
		{"over midnight, not begun on Sunday", "Europe/Berlin", rule(saturday, "22:00", "03:30"), "2026-10-25 21:30",
			false},
		{"New York in summer time", "America/New_York", rule(sunday, "07:00", "08:00"), "2026-03-08 11:30", true},
		{"New York, an hour later by the old time", "America/New_York", rule(sunday, "07:00", "08:00"), "2026-03-08 12:30",
			false},
		{"Lord Howe's half hour, before", "Australia/Lord_Howe", rule(sunday, "01:45", "02:15"), "2026-10-03 15:20", true},
		{"Lord Howe's half hour, skipped", "Australia/Lord_Howe", rule(sunday, "02:00", "02:30"), "2026-10-03 15:30",
			false},
		{"Havana, where midnight is skipped", "America/Havana", rule(sunday, "00:00", "01:30"), "2026-03-08 05:15", true},
		{"Havana, the day before lasts until then", "America/Havana", rule(saturday, "23:00", "24:00"), "2026-03-08 04:59",
			true},
		{"Kathmandu, a quarter off", "Asia/Kathmandu", rule(sunday, "12:00", "12:30"), "2026-11-29 06:20", true},
	} {
		t.Run(test.what, func(t *testing.T) {
			at, err := time.Parse("2006-01-02 15:04", test.utc)
			if err != nil {
				t.Fatal(err)
			}
			w := wallAt(at, zoneOf(t, test.zone), &house.AdviceRules{})
			if got := holds(test.rule, w); got != test.want {
				t.Errorf("at %+v it holds: %t", w, got)
			}
		})
	}
}

// holdsInPython walks a rule's hours from the day it began on.
const holdsInPython = `
import json, sys
from datetime import datetime, timedelta, timezone
from zoneinfo import ZoneInfo
answers = []
for q in json.load(sys.stdin):
    local = datetime.fromtimestamp(q["Seconds"], timezone.utc).astimezone(ZoneInfo(q["Zone"])).replace(tzinfo=None)
    held = False
    for back in (0, 1):
        day = (local - timedelta(days=back)).date()
        start = datetime(day.year, day.month, day.day)
        begin, end = start + timedelta(minutes=q["From"]), start + timedelta(minutes=q["To"])
        if end < begin:
            end += timedelta(days=1)
        holiday = day.isoformat() in q["Holidays"]
        listed = q["Days"][day.isoweekday() % 7]
        if q["Allowed"]:
            counts = listed and (q["On"] or not holiday)
        else:
            counts = listed or (q["On"] and holiday)
        held = held or (counts and begin <= local < end)
    answers.append(held)
json.dump(answers, sys.stdout)`

// A ruleAndTime asks whether the rule holds then. On is whether it does on holidays.
type ruleAndTime struct {
	Zone        string
	Seconds     int64
	From, To    int
	Days        [7]bool
	Allowed, On bool
	Holidays    []string
}

// rulesAndTimes are random; many of the times are near a change of the clock.
func rulesAndTimes(t *testing.T) (questions []ruleAndTime) {
	t.Helper()
	rnd := rand.New(rand.NewPCG(2026, 1125))
	zones := []string{"Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "America/St_Johns", "America/Havana",
		"Africa/Casablanca", "Asia/Kathmandu"}
	for range 4000 {
		q := ruleAndTime{Zone: zones[rnd.IntN(len(zones))], Seconds: 1767225600 + rnd.Int64N(3*365*86400),
			From: rnd.IntN(24 * 60), To: rnd.IntN(24*60 + 1), Allowed: rnd.IntN(3) > 0, On: rnd.IntN(2) == 0}
		if q.From == q.To {
			continue
		}
		for d := range q.Days {
			q.Days[d] = rnd.IntN(2) == 0
		}
		at := time.Unix(q.Seconds, 0).In(zoneOf(t, q.Zone))
		if _, change := at.ZoneBounds(); rnd.IntN(2) == 0 && !change.IsZero() {
			at = change.Add(time.Duration(rnd.IntN(48*60)-24*60) * time.Minute)
			q.Seconds = at.Unix()
		}
		for _, back := range []int{0, 1, 2} {
			if rnd.IntN(3) == 0 {
				q.Holidays = append(q.Holidays, at.AddDate(0, 0, -back).Format(time.DateOnly))
			}
		}
		if q.Holidays == nil {
			q.Holidays = []string{}
		}
		questions = append(questions, q)
	}
	return questions
}

// TestHoldsElsewhere compares many random rules and times with Python's
// datetime and zoneinfo, another implementation over the tz database.
func TestHoldsElsewhere(t *testing.T) {
	questions := rulesAndTimes(t)
	var answers []bool
	python.Ask(t, "zoneinfo", holdsInPython, questions, &answers)
	if len(answers) != len(questions) {
		t.Fatalf("%d answers", len(answers))
	}
	held := 0
	for i, q := range questions {
		r := house.DoorRule{Allowed: q.Allowed, Days: q.Days, From: q.From, To: q.To, Holidays: q.On}
		got := holds(r, wallAt(time.Unix(q.Seconds, 0), zoneOf(t, q.Zone), &house.AdviceRules{Holidays: q.Holidays}))
		if got != answers[i] {
			t.Errorf("%+v: holds %t, Python says %t", q, got, answers[i])
		}
		if got {
			held++
		}
	}
	t.Logf("%d rules and times, %d hold", len(questions), held)
}

// TestDecideOnAChangeDay has the whole decision over the hour that comes twice.
func TestDecideOnAChangeDay(t *testing.T) {
	for _, test := range []struct {
		utc  time.Time
		want bool
		says string
	}{
		{time.Date(2026, 10, 25, 0, 30, 0, 0, time.UTC), true, "It is Sunday 25 October, 02:30"},
		{time.Date(2026, 10, 25, 1, 30, 0, 0, time.UTC), true, "It is Sunday 25 October, 02:30"},
		{time.Date(2026, 10, 25, 2, 30, 0, 0, time.UTC), false, "It is Sunday 25 October, 03:30"},
	} {
		in := good()
		moved(&in, test.utc.Sub(evening))
		in.Rules[0].Days, in.Rules[0].From, in.Rules[0].To = everyDay, 2*60, 3*60
		a := Decide(in)
		if c := conditionOf(t, a, Time); suggested(a) != test.want || !strings.HasPrefix(says(in, c), test.says) {
			t.Errorf("%s: %s (%v), %s", test.utc, a.State, unmet(a), says(in, c))
		}
	}
}

// moved shifts all of an input in time.
func moved(in *Input, by time.Duration) {
	in.Now = in.Now.Add(by)
	in.Visit.ReceivedAt = in.Visit.ReceivedAt.Add(by)
	for i := range in.Visit.Stills {
		s := &in.Visit.Stills[i]
		s.ReceivedAt, s.TakenAt = s.ReceivedAt.Add(by), s.TakenAt.Add(by)
	}
	for i := range in.Factors {
		in.Factors[i].At, in.Factors[i].Until = in.Factors[i].At.Add(by), in.Factors[i].Until.Add(by)
	}
}
