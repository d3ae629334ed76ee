package view

import (
	"math"
	"slices"
	"time"

	"lintel/internal/house"
)

// HouseSentences say what the household decided about all suggestions.
func (t Presenter) HouseSentences(h house.AdviceRules) []string {
	away, parcels := t.Words.Text("advice-house-at-home"), t.Words.Text("advice-house-no-parcels")
	if h.AwayUntil.After(t.Now) {
		away = t.Words.Text("advice-house-away", "Moment", t.Moment(h.AwayUntil))
	}
	if h.ParcelsWhileAway {
		parcels = t.Words.Text("advice-house-parcels")
	}
	home := t.Words.Text("advice-house-no-home")
	if h.Home != nil {
		home = t.Words.Text("advice-house-home", "Metres", math.Round(h.Home.Radius))
	}
	return []string{
		away, parcels,
		t.Words.Text("advice-house-counts", "Lasting", t.lasting(h.Window)),
		t.Words.Text("advice-house-holds", "Lasting", t.lasting(h.Expiry)),
		t.Words.Text("advice-house-misses", "Count", h.Misses, "Lasting", t.lasting(h.Wait)),
		t.holidays(h.Holidays), home,
	}
}

func (t Presenter) holidays(days []string) string {
	today := t.Now.In(t.Zone).Format(time.DateOnly)
	days = slices.Sorted(slices.Values(days))
	i, _ := slices.BinarySearch(days, today)
	if i == len(days) {
		return t.Words.Text("advice-house-no-holiday")
	}
	next, err := t.DayFrom(days[i])
	if err != nil {
		return t.Words.Text("advice-house-odd-holidays")
	}
	return t.Words.Text("advice-house-holidays", "Count", len(days)-i, "Day", t.Day(next))
}

// lasting says a length of time to the second: "2 minutes and 30 seconds".
func (t Presenter) lasting(d time.Duration) string {
	var parts []string
	for _, of := range []struct {
		thing string
		n     time.Duration
	}{{"hour", d / time.Hour}, {"minute", d % time.Hour / time.Minute}, {"second", d % time.Minute / time.Second}} {
		if of.n > 0 {
			parts = append(parts, t.Words.N(int(of.n), of.thing))
		}
	}
	return t.Words.List(parts)
}

// Minute is how a form writes a time: 2027-01-31T18:00.
const Minute = "2006-01-02T15:04"

// ErrNoMinute says that a time of a form is none.
var ErrNoMinute error = house.Refusal("moment-none")

// ReadMinute reads a time of a form by the household's clock. The error is
// ErrNoMinute also for one that daylight saving skips. Of a time that comes twice
// it is either.
func (t Presenter) ReadMinute(text string) (time.Time, error) {
	at, err := time.ParseInLocation(Minute, text, t.Zone)
	if err != nil || !Writable(at) || at.Format(Minute) != text {
		return time.Time{}, ErrNoMinute
	}
	return at, nil
}

// ByClock says by which clock the times of a form are.
func (t Presenter) ByClock() string {
	if t.Rules.Zone == "" {
		return t.Words.Text("letting-times-by-server")
	}
	return t.Words.Text("letting-times-by-zone", "Zone", t.Rules.Zone)
}
