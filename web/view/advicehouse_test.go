package view

import (
	"slices"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/internal/words"
)

func TestLasting(t *testing.T) {
	p := Presenter{Words: words.For("en")}
	for d, want := range map[time.Duration]string{
		15 * time.Second: "15 seconds", time.Minute: "1 minute", 90 * time.Second: "1 minute and 30 seconds",
		5 * time.Minute: "5 minutes", 2 * time.Hour: "2 hours", 90 * time.Minute: "1 hour and 30 minutes",
		time.Hour + time.Second: "1 hour and 1 second", 24 * time.Hour: "24 hours",
		3*time.Hour + 2*time.Minute + time.Second: "3 hours, 2 minutes and 1 second",
	} {
		if got := p.lasting(d); got != want {
			t.Errorf("%s lasts %q, not %q", d, got, want)
		}
	}
}

// TestHolidays has a household in the last hour of a year.
func TestHolidays(t *testing.T) {
	now := time.Date(2031, 12, 31, 23, 30, 0, 0, time.UTC)
	p := Presenter{Zone: time.UTC, Now: now, Words: words.For("en").At(now, time.UTC)}
	for days, want := range map[string]string{
		"": "No holiday is to come.", "2031-12-30": "No holiday is to come.",
		"2031-12-31":            "1 holiday is to come, on Wednesday 31 December.",
		"2032-01-01":            "1 holiday is to come, on Thursday 1 January 2032.",
		"2032-01-06 2032-01-01": "2 holidays are to come. The next is Thursday 1 January 2032.",
	} {
		if got := p.holidays(strings.Fields(days)); got != want {
			t.Errorf("%s: %q, want %q", days, got, want)
		}
	}
	says := p.HouseSentences(house.DefaultAdviceRules())
	if len(says) != 7 || slices.Contains(says, "") {
		t.Errorf("a household that decided nothing: %q", says)
	}
}
