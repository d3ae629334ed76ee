package house

import "time"

// A Chime is how loud tablets tell of a ring, and when they are silent and dim.
type Chime struct {
	Volume int `json:"volume"` // 0 for none, to 100
	// From and Until are the hours of the night: tablets are silent then, and dim
	// while nothing happens. Where Until is not later than From, it is on the day
	// after; where they are the same, there is no night.
	From  DayTime `json:"from"`
	Until DayTime `json:"until"`
}

// DefaultChime is that of a household which did not decide.
func DefaultChime() Chime { return Chime{Volume: 60, From: 22 * 60, Until: 7 * 60} }

// Check reports what is wrong with it: ErrBadRule.
func (c Chime) Check() error {
	if c.Volume < 0 || c.Volume > 100 {
		return fault(ErrBadRule, "chime-volume")
	}
	if c.From < 0 || c.From >= 24*60 || c.Until < 0 || c.Until >= 24*60 {
		return fault(ErrBadRule, "day-time-bounds")
	}
	return nil
}

// Night reports whether it is night at a time of the household's clock.
func (c Chime) Night(at time.Time) bool {
	minute := DayTime(at.Hour()*60 + at.Minute())
	if c.From <= c.Until {
		return c.From <= minute && minute < c.Until
	}
	return minute >= c.From || minute < c.Until
}

// Loud is the volume at a time of the household's clock.
func (c Chime) Loud(at time.Time) int {
	if c.Night(at) {
		return 0
	}
	return c.Volume
}
