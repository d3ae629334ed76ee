package store

import (
	"testing"
	"time"

	"lintel/internal/house"
)

// TestDiskDays notes twice a day for more days than are kept.
func TestDiskDays(t *testing.T) {
	a, clock := newArchive(t)
	start := clock.Now()
	for range 2 * (house.DiskDaysKept + 5) {
		must(t, a.NoteUsage(t.Context()))
		clock.Advance(12 * time.Hour)
	}
	clock.Advance(-12 * time.Hour)
	days, err := a.DiskDays(t.Context())
	must(t, err)
	f, err := a.Usage(t.Context())
	must(t, err)
	today := clock.Now().UTC().Truncate(24 * time.Hour)
	if len(days) != house.DiskDaysKept || !days[len(days)-1].Day.Equal(today) ||
		!days[0].Day.Equal(today.AddDate(0, 0, 1-house.DiskDaysKept)) {
		t.Errorf("%d days, %v to %v", len(days), days[0].Day, days[len(days)-1].Day)
	}
	if last := days[len(days)-1].Bytes; last < f.Bytes/2 || last > 2*f.Bytes {
		t.Errorf("%d bytes, and it takes %d", last, f.Bytes)
	}
	clock.Advance(start.Sub(clock.Now())) // a clock that was ahead: its days are not shown
	if days, err = a.DiskDays(t.Context()); err != nil || len(days) > 1 {
		t.Errorf("%d days, %v", len(days), err)
	}
}
