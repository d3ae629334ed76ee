package house

import (
	"errors"
	"testing"
	"time"
)

// TestChimeNight goes through the day by hand: hours as on a clock on the wall.
func TestChimeNight(t *testing.T) {
	for _, test := range []struct {
		from, until DayTime
		at          string
		want        bool
	}{
		{22 * 60, 7 * 60, "21:59", false}, {22 * 60, 7 * 60, "22:00", true}, {22 * 60, 7 * 60, "00:00", true},
		{22 * 60, 7 * 60, "06:59", true}, {22 * 60, 7 * 60, "07:00", false},
		{13 * 60, 15 * 60, "12:59", false}, {13 * 60, 15 * 60, "13:00", true}, {13 * 60, 15 * 60, "15:00", false},
		{0, 6 * 60, "00:00", true}, {0, 6 * 60, "23:59", false}, {23 * 60, 0, "23:30", true}, {23 * 60, 0, "00:00", false},
		{8 * 60, 8 * 60, "08:00", false}, {8 * 60, 8 * 60, "20:00", false},
	} {
		at, err := time.Parse("15:04", test.at)
		if err != nil {
			t.Fatal(err)
		}
		c := Chime{Volume: 40, From: test.from, Until: test.until}
		if err := c.Check(); err != nil {
			t.Error(err)
		}
		loud := 40
		if test.want {
			loud = 0
		}
		if c.Night(at) != test.want || c.Loud(at) != loud {
			t.Errorf("%s to %s, at %s: night %t, loud %d", c.From, c.Until, test.at, c.Night(at), c.Loud(at))
		}
	}
}

func TestChimeCheck(t *testing.T) {
	for _, c := range []Chime{{Volume: -1}, {Volume: 101}, {From: -1}, {From: 1440}, {Until: 1440}} {
		if err := c.Check(); !errors.Is(err, ErrBadRule) {
			t.Errorf("%+v: %v", c, err)
		}
	}
	if err := DefaultChime().Check(); err != nil {
		t.Error(err)
	}
}
