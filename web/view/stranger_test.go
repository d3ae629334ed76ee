package view

import (
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/internal/words"
	"lintel/pipeline/review"
)

// A week begins on Monday.
func TestStrangerRang(t *testing.T) {
	const twice = "This face rang 2 times "
	for _, test := range []struct{ now, at, want string }{
		{"2031-05-04T18:30:00Z", "2031-05-04T00:00:00Z", "today"},
		{"2031-05-04T18:30:00Z", "2031-05-03T23:59:00Z", "this week"}, // a Sunday
		{"2031-05-04T18:30:00Z", "2031-04-28T00:00:00Z", "this week"}, // Monday
		{"2031-05-04T18:30:00Z", "2031-04-27T23:59:00Z", "since Sunday 27 April"},
		{"2031-05-05T18:30:00Z", "2031-05-04T23:59:00Z", "since Sunday 4 May"}, // a Monday
		{"2031-01-01T18:30:00Z", "2030-12-29T23:59:00Z", "since Sunday 29 December 2030"},
	} {
		now, err := time.Parse(time.RFC3339, test.now)
		if err != nil {
			t.Fatal(err)
		}
		at, err := time.Parse(time.RFC3339, test.at)
		if err != nil {
			t.Fatal(err)
		}
		face := []house.Sighting{{ID: "f1"}}
		g := review.Stranger{Faces: face, Visits: []review.StrangerVisit{
			{ID: "v2", ReceivedAt: now, Faces: face}, {ID: "v1", ReceivedAt: at, Faces: face},
		}, SeenStranger: house.SeenStranger{Visits: 2, First: at, Last: now}}
		p := Presenter{Now: now, Zone: time.UTC, Words: words.For("en").At(now, time.UTC)}
		if got := p.Stranger(g).Words; got != twice+test.want {
			t.Errorf("%s at %s: %q, want %q", test.at, test.now, got, twice+test.want)
		}
	}
}
