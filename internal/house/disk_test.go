package house

import (
	"testing"
	"time"
)

// TestDiskFull works out by hand when a disk is full: what is left, by the mean of the
// last 14 days.
func TestDiskFull(t *testing.T) {
	begin := time.Date(2031, 5, 1, 0, 0, 0, 0, time.UTC)
	grows := func(days int, from, perDay int64) (all []DiskDay) {
		for i := range days {
			all = append(all, DiskDay{begin.AddDate(0, 0, i), from + int64(i)*perDay})
		}
		return all
	}
	for name, test := range map[string]struct {
		days   []DiskDay
		full   int64
		perDay float64
		at     string // a day, "" for never
		known  bool
	}{
		"none":      {nil, 100, 0, "", false},
		"one":       {grows(1, 10, 1), 100, 0, "", false},
		"two":       {grows(2, 10, 5), 30, 5, "2031-05-05", true},                          // 15 on the 2nd, 15 left, 3 days
		"smaller":   {grows(5, 100, -10), 200, -10, "", true},                              // a household that erases
		"the same":  {grows(5, 100, 0), 200, 0, "", true},                                  //
		"full":      {grows(3, 100, 50), 200, 50, "2031-05-03", true},                      // on the last day
		"in a life": {grows(3, 0, 1), 100_000, 1, "", true},                                // 273 years
		"last 14":   {append(grows(5, 0, 0), jump(begin)...), 290, 10, "2031-06-03", true}, // 150 on the 20th, 14 days
		"much was erased": {append(grows(10, 1000, 50), DiskDay{begin.AddDate(0, 0, 10), 300},
			DiskDay{begin.AddDate(0, 0, 11), 310}), 400, 10, "2031-05-21", true}, // 310 on the 12th, 9 days
		"just now": {append(grows(10, 1000, 50), DiskDay{begin.AddDate(0, 0, 10), 300}), 400, 0, "", false},
	} {
		perDay, at, known := DiskFull(test.days, test.full)
		day := ""
		if !at.IsZero() {
			day = at.Format(time.DateOnly)
		}
		if perDay != test.perDay || day != test.at || known != test.known {
			t.Errorf("%s: %v a day, full %q, %t; want %v, %q, %t", name, perDay, day, known, test.perDay, test.at, test.known)
		}
	}
}

// jump has 10 more bytes on each of the 15 days from the 6th on, and so 140 in the last
// 14 days.
func jump(begin time.Time) (days []DiskDay) {
	for i := range 15 {
		days = append(days, DiskDay{begin.AddDate(0, 0, 5+i), int64(10 * (i + 1))})
	}
	return days
}
