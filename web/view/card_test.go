package view

import (
	"image"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/internal/words"
)

func presenter() Presenter {
	now := time.Date(2031, 5, 4, 18, 30, 0, 0, time.UTC)
	return Presenter{Rules: house.DefaultRules(), Zone: time.UTC, Now: now, Words: words.For("en").At(now, time.UTC)}
}

func examined(state house.StillState, faces ...house.Face) house.Still {
	return house.Still{State: state, Faces: faces, File: "NOBODYSFILE"}
}

// unknown is a stranger's face, and known one that was named, so many pixels wide.
func unknown(width int) house.Face {
	return house.Face{Box: image.Rect(10, 20, 10+width, 20+width)}
}

func known(width int, fpir float64, band string) house.Face {
	f := unknown(width)
	f.Match = &house.Match{Person: "I", Name: "Ilse", Distance: 0.3, FPIR: fpir, Band: band}
	return f
}

func TestBestStill(t *testing.T) {
	for _, test := range []struct {
		name   string
		stills []house.Still
		want   int
	}{
		{"one", []house.Still{examined(house.Pending)}, 0},
		{"all gone", []house.Still{{State: house.Done}, {State: house.Done}}, -1},
		{"one left", []house.Still{{State: house.Done, Faces: []house.Face{unknown(90)}}, examined(house.Done)}, 1},
		{"none better than the first", []house.Still{examined(house.Done), examined(house.Done)}, 0},
		{"a face", []house.Still{examined(house.Done), examined(house.Done, unknown(30))}, 1},
		{"the widest face", []house.Still{examined(house.Done, unknown(30)), examined(house.Done, unknown(31)),
			examined(house.Done, unknown(10), unknown(20))}, 1},
		{"a match beats a wider face",
			[]house.Still{examined(house.Done, unknown(4000)), examined(house.Done, known(30, 1e-2, "weak"))}, 1},
		{"the surest match", []house.Still{examined(house.Done, known(90, 1e-3, "fair")),
			examined(house.Done, known(30, 1e-4, "strong"))}, 1},
	} {
		if got := bestStill(test.stills); got != test.want {
			t.Errorf("%s: %d, want %d", test.name, got, test.want)
		}
	}
}

// waiting is a still that waits to be examined, for so long.
func waiting(d time.Duration) house.Still {
	s := examined(house.Pending)
	s.ReceivedAt = presenter().Now.Add(-d)
	return s
}

// TestHeadline has a headline for whatever a visit comes to.
func TestHeadline(t *testing.T) {
	for want, stills := range map[string][]house.Still{
		"Looking…":              {waiting(time.Minute)},
		"Not examined yet":      {waiting(time.Minute + 1)},
		"A stranger":            {examined(house.Done, unknown(40))},
		"2 strangers":           {examined(house.Done, unknown(40), unknown(50))},
		"No face found":         {examined(house.Done)},
		"Could not be examined": {examined(house.Failed)},
	} {
		if got := presenter().Card(house.Visit{Stills: stills}).Headline; got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
	c := presenter().Card(house.Visit{Stills: []house.Still{examined(house.Done, known(40, 1e-4, "strong"),
		unknown(50))}})
	if len(c.Persons) != 1 || c.Persons[0].Headline != "Ilse" || c.Headline != "" || c.Also != "and a stranger" {
		t.Errorf("%+v", c)
	}
}

// TestClockNote tells of a bell's clock from 30 seconds on.
func TestClockNote(t *testing.T) {
	at := presenter().Now
	for ahead, want := range map[time.Duration]string{
		30 * time.Second: "", -30 * time.Second: "",
		31 * time.Second: "31 seconds ahead", -3 * time.Hour: "3 hours behind", 61 * 24 * time.Hour: "61 days ahead",
	} {
		still := examined(house.Done)
		still.ReceivedAt, still.TakenAt = at, at.Add(ahead)
		notes := strings.Join(presenter().Card(house.Visit{ReceivedAt: at, Stills: []house.Still{still}}).Notes, " ")
		if want == "" && notes != "" || !strings.Contains(notes, want) {
			t.Errorf("%v ahead: %q", ahead, notes)
		}
	}
}
