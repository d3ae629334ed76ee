package backup

import (
	"fmt"
	"testing"
	"time"
)

// Of a snapshot each day for two years, one for each of the last seven days, of the last four
// weeks and twelve months that have any stays; a pause or a clock set back removes none that
// these rules keep. Worked out by hand from a calendar of 2031.
func TestGenerations(t *testing.T) {
	day := func(text string) time.Time {
		at, err := time.Parse(time.DateOnly, text)
		must(t, err)
		return at
	}
	var all []snapshot
	add := func(at time.Time) {
		all = append(all, snapshot{name: at.Format(time.DateOnly), number: len(all) + 1, madeAt: at})
	}
	check := func(when string, want ...string) {
		t.Helper()
		stay, gone := generations(all)
		var got []string
		for _, s := range stay {
			got = append(got, s.name)
		}
		if fmt.Sprint(got) != fmt.Sprint(want) || len(stay)+len(gone) != len(all) {
			t.Errorf("%s: %q stay, want %q", when, got, want)
		}
		all = stay
	}
	for at := day("2029-05-15"); !at.After(day("2031-05-14")); at = at.AddDate(0, 0, 1) {
		add(at.Add(time.Hour))
		add(at.Add(20 * time.Hour))
	}
	// 14 May 2031 is a Wednesday. Weeks end on 11 May, 4 May and 27 April.
	last := []string{"2031-05-08", "2031-05-09", "2031-05-10", "2031-05-11", "2031-05-12", "2031-05-13", "2031-05-14"}
	months := []string{"2030-06-30", "2030-07-31", "2030-08-31", "2030-09-30", "2030-10-31", "2030-11-30", "2030-12-31",
		"2031-01-31", "2031-02-28", "2031-03-31"}
	check("two years", append(append(months, "2031-04-27", "2031-04-30", "2031-05-04"), last...)...)
	check("again", append(append(months, "2031-04-27", "2031-04-30", "2031-05-04"), last...)...)

	add(day("2031-08-01")) // after a pause
	check("a pause", append(append(months[1:], "2031-04-30", "2031-05-04"), append(last[1:], "2031-08-01")...)...)
	add(day("2030-01-01")) // by a clock that is wrong: the newest stays, and takes a day, a week and a month
	stay, _ := generations(all)
	if stay[len(stay)-1].name != "2030-01-01" || len(stay) < len(all)-3 {
		t.Errorf("%d of %d stay", len(stay), len(all))
	}
	if stay, gone := generations(nil); len(stay)+len(gone) > 0 {
		t.Errorf("of none: %v, %v", stay, gone)
	}
}
