package house

import "time"

// A DiskDay is how much the archive took of its disk on a day.
type DiskDay struct {
	Day   time.Time // its midnight, in UTC
	Bytes int64
}

// DiskDaysKept is for how many days it is kept how much the archive took, and
// DiskDaysMeant of how many the mean is taken that says how it goes on.
const (
	DiskDaysKept  = 90
	DiskDaysMeant = 14
)

// DiskFull says by how many bytes a day an archive grew, as the mean of the last
// [DiskDaysMeant] days, and when it will have so many bytes, if that goes on. Days are
// in their order. It reports false where fewer than two days are known, and the zero
// time where the archive does not grow, or is not full within ten years. Days before a
// great erasure tell nothing of how it goes on, and count for none.
func DiskFull(days []DiskDay, full int64) (perDay float64, at time.Time, known bool) {
	days = sinceErasure(days)
	if len(days) < 2 {
		return 0, at, false
	}
	last := days[len(days)-1]
	first := days[0]
	for _, d := range days {
		if last.Day.Sub(d.Day) <= DiskDaysMeant*24*time.Hour {
			first = d
			break
		}
	}
	perDay = float64(last.Bytes-first.Bytes) / (last.Day.Sub(first.Day).Hours() / 24)
	const tenYears = 3653
	if left := float64(full-last.Bytes) / perDay; perDay > 0 && left <= tenYears {
		at = last.Day.Add(time.Duration(max(0, left) * 24 * float64(time.Hour)))
	}
	return perDay, at, true
}

// sinceErasure leaves out the days before the archive last became shorter by more than a
// quarter within a day.
func sinceErasure(days []DiskDay) []DiskDay {
	for i := len(days) - 1; i > 0; i-- {
		if days[i].Bytes < days[i-1].Bytes/4*3 {
			return days[i:]
		}
	}
	return days
}
