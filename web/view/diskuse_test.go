package view

import (
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/internal/words"
)

// TestDiskUse draws an archive of 10 GB that has taken 2 GB, one more each day: it is
// full in 8 days. By hand, with 640 units for 10 days and 136 for 10 GB.
func TestDiskUse(t *testing.T) {
	now := time.Date(2031, 5, 4, 18, 30, 0, 0, time.UTC)
	at := Presenter{Now: now, Zone: time.UTC, Words: words.For("en").At(now, time.UTC)}
	const gb = 1_000_000_000
	today := now.Truncate(24 * time.Hour)
	days := []house.DiskDay{{Day: today.AddDate(0, 0, -2), Bytes: 0}, {Day: today.AddDate(0, 0, -1), Bytes: gb},
		{Day: today, Bytes: gb}} // as it was noted this morning
	d := at.DiskUse(days, 2*gb, 8*gb)
	if d.Past != "0,160.0 64,146.4 128,132.8" || d.Ahead != "128,132.8 640,24.0" || d.Today != 128 {
		t.Errorf("drawn %q, then %q, today at %d", d.Past, d.Ahead, d.Today)
	}
	if !strings.Contains(d.Says, "12 May") {
		t.Errorf("says %q", d.Says)
	}
	for name, test := range map[string]struct {
		days []house.DiskDay
		says string
	}{
		"first day": {nil, "Tomorrow you see"},
		"smaller":   {[]house.DiskDay{{Day: today.AddDate(0, 0, -1), Bytes: 5 * gb / 2}}, "room for years"},
		"erased":    {[]house.DiskDay{{Day: today.AddDate(0, 0, -1), Bytes: 3 * gb}}, "Tomorrow you see"},
	} {
		if d := at.DiskUse(test.days, 2*gb, 8*gb); !strings.Contains(d.Says, test.says) {
			t.Errorf("%s: %q", name, d.Says)
		}
	}
}
