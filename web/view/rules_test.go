package view

import (
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/internal/words"
)

func TestQuiet(t *testing.T) {
	at := Presenter{Words: words.For("en")}
	all := []time.Weekday{0, 1, 2, 3, 4, 5, 6}
	for want, q := range map[string]house.Quiet{
		"every day from 22:00 until 06:00 the next day":   {Days: all, From: 22 * 60, Until: 6 * 60},
		"on Monday and Sunday from 08:00 until 09:30":     {Days: []time.Weekday{0, 1}, From: 8 * 60, Until: 9*60 + 30},
		"on Friday from 00:00 for 24 hours":               {Days: []time.Weekday{5}},
		"on Saturday from 12:00 until 00:00 the next day": {Days: []time.Weekday{6}, From: 12 * 60},
	} {
		if got := at.quiet(q); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}
