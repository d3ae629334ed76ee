package web

import (
	"slices"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/web/view"
)

// at reads a time of a test.
func at(t testing.TB, text string) time.Time {
	t.Helper()
	v, err := time.Parse(time.RFC3339, text)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func TestFateWords(t *testing.T) {
	hours := func(n int) house.Period { return house.Period{Hours: n} }
	days := func(n int) house.Period { return house.Period{Days: n} }
	rules := house.DefaultRules()
	rules.Keep[house.Known] = house.Rule{Smaller: days(1), Stills: days(2), Findings: days(30)}
	rules.Keep[house.Parcel] = house.Rule{Stills: hours(1), Findings: hours(1)}
	rules.Zone = "Europe/Lisbon"
	hold := func(ends string) *house.Hold {
		return &house.Hold{Reason: "The scratch", EndsAt: at(t, ends)}
	}
	received := at(t, "2031-05-04T17:30:00Z") // a Sunday; 18:30 in Lisbon's summer
	tests := []struct {
		name  string
		visit house.Visit
		now   string
		want  []string
	}{
		{"a stranger", house.Visit{Kind: house.Stranger}, "2031-05-04T18:00:00Z",
			[]string{"Photos and entry deleted 7 May at 18:30", "Strangers are kept 72 hours"}},
		{"not examined yet", house.Visit{Kind: house.Looking}, "2031-05-04T18:00:00Z",
			[]string{"Photos and entry deleted 7 May at 18:30", "Strangers are kept 72 hours"}},
		{"next year", house.Visit{Kind: house.Stranger}, "2030-12-31T18:00:00Z",
			[]string{"Photos and entry deleted 7 May 2031", "Strangers are kept 72 hours"}},
		{"one hour", house.Visit{Kind: house.Parcel}, "2031-05-04T18:00:00Z",
			[]string{"Photos and entry deleted 4 May at 19:30", "Parcels are kept 1 hour"}},
		{"due", house.Visit{Kind: house.Parcel}, "2031-05-04T18:30:00Z",
			[]string{"Photos and entry deleted within the hour", "Parcels are kept 1 hour"}},
		{"a person", house.Visit{Kind: house.Known}, "2031-05-04T18:00:00Z", []string{
			"Photos made smaller 5 May at 18:30", "Photos deleted 6 May at 18:30, entry 3 June",
			"Known persons are kept 30 days, their photos 2 days"}},
		{"findings only", house.Visit{Kind: house.Known, Stage: house.OnlyFindings}, "2031-05-04T18:00:00Z", []string{
			"Entry deleted 3 June", "Known persons are kept 30 days"}},
		{"held past its time", house.Visit{Kind: house.Stranger, Hold: hold("2031-05-31T23:00:00Z")},
			"2031-05-04T18:00:00Z", []string{
				"Held until the end of Saturday 31 May: The scratch",
				"Photos and entry deleted when the hold ends", "Strangers are kept 72 hours"}},
		{"held for less", house.Visit{Kind: house.Stranger, Hold: hold("2031-05-05T10:00:00Z")}, "2031-05-04T18:00:00Z",
			[]string{
				"Held until Monday 5 May, 11:00: The scratch",
				"Photos and entry deleted 7 May at 18:30", "Strangers are kept 72 hours"}},
		{"a hold that has ended", house.Visit{Kind: house.Stranger, Hold: hold("2031-05-05T10:00:00Z")},
			"2031-05-05T10:00:00Z", []string{
				"Photos and entry deleted 7 May at 18:30", "Strangers are kept 72 hours"}},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			test.visit.CountedFrom = received
			presenter := presenter{view.Presenter{Rules: rules, Zone: rules.Location(), Now: at(t, test.now), Resident: true,
				Words: speak(language).At(at(t, test.now), rules.Location())}}
			got := presenter.ScheduleWords(test.visit)
			if !slices.Equal(got, test.want) {
				t.Errorf("%q\nwant %q", got, test.want)
			}
			presenter.Resident = false
			if words := strings.Join(presenter.ScheduleWords(test.visit), " "); strings.Contains(words, "scratch") {
				t.Errorf("a tablet is told the reason: %s", words)
			}
		})
	}
	for _, kind := range house.Kinds {
		if kind.Plural() == "" {
			t.Errorf("no words for %s", kind)
		}
	}
}

// TestDays reads dates where midnight is an hour like any other, where it does
// not come, and where it comes twice. The instants are from date(1) over the tz
// database: `TZ=Africa/Cairo date -d '2023-04-28 01:00' -u` and so on.
func TestDays(t *testing.T) {
	tests := []struct{ zone, day, from, until string }{
		{"UTC", "2031-05-04", "2031-05-04T00:00:00Z", "2031-05-05T00:00:00Z"},
		{"Europe/Lisbon", "2031-05-04", "2031-05-03T23:00:00Z", "2031-05-04T23:00:00Z"},
		{"Europe/Lisbon", "2026-03-29", "2026-03-29T00:00:00Z", "2026-03-29T23:00:00Z"}, // 23 hours
		{"Europe/Lisbon", "2026-10-25", "2026-10-24T23:00:00Z", "2026-10-26T00:00:00Z"}, // 25 hours
		{"Africa/Cairo", "2023-04-28", "2023-04-27T22:00:00Z", "2023-04-28T21:00:00Z"},  // begins at 01:00
		{"Africa/Cairo", "2023-04-27", "2023-04-26T22:00:00Z", "2023-04-27T22:00:00Z"},
		{"Atlantic/Azores", "2025-10-26", "2025-10-26T00:00:00Z", "2025-10-27T01:00:00Z"}, // 00:00 comes twice
		{"Atlantic/Azores", "2025-10-25", "2025-10-25T00:00:00Z", "2025-10-26T00:00:00Z"},
		{"Asia/Kathmandu", "2031-12-31", "2031-12-30T18:15:00Z", "2031-12-31T18:15:00Z"},
	}
	for _, test := range tests {
		zone, err := time.LoadLocation(test.zone)
		if err != nil {
			t.Fatal(err)
		}
		presenter := presenter{view.Presenter{Zone: zone}}
		from, err := presenter.DayFrom(test.day)
		until, err2 := presenter.DayUntil(test.day)
		if err != nil || err2 != nil || !from.Equal(at(t, test.from)) || !until.Equal(at(t, test.until)) {
			t.Errorf("%s in %s: %v to %v, want %s to %s", test.day, test.zone, from.UTC(), until.UTC(), test.from, test.until)
		}
	}
	for _, bad := range []string{"2031-02-30", "2031-5-4", "tomorrow", "2031-05-04T00:00:00Z", "0000-01-01",
		"04.05.2031"} {
		if got, err := (presenter{view.Presenter{Zone: time.UTC}}).DayFrom(bad); err == nil {
			t.Errorf("%q is read as %v", bad, got)
		}
	}
}
