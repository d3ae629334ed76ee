package evidence

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/advice/geofence"
)

// Kept is how long what a phone told is kept.
const Kept = 7 * 24 * time.Hour

// Week returns what a phone told in the last week, the oldest first, with what was
// made of it: for its person to see whether that is enough.
func (d *Inbox) Week(ctx context.Context, source string) ([]Told, error) {
	kept, err := d.archive.ReportsOf(ctx, source, d.now().Add(-Kept))
	if err != nil {
		return nil, err
	}
	var week []Told
	for _, k := range kept {
		t := Told{Heard: k.HeardAt}
		if err := json.Unmarshal(k.Text, &t); err != nil {
			return nil, fmt.Errorf("reading what a phone told: %w", err)
		}
		week = append(week, t)
	}
	return week, nil
}

// Today returns those that were heard on the day of now, by the household's
// calendar.
func Today(week []Told, now time.Time, zone *time.Location) []Told {
	year, month, day := now.In(zone).Date()
	midnight := time.Date(year, month, day, 0, 0, 0, 0, zone)
	i := slices.IndexFunc(week, func(t Told) bool { return !t.Heard.Before(midnight) })
	if i < 0 {
		return nil
	}
	return week[i:]
}

// A Sufficiency is whether what a phone sends is enough to be recognised coming
// home. How often each is, MEASUREMENTS.md of package geofence says, by drawn
// tracks.
type Sufficiency string

const (
	Nothing Sufficiency = "nothing" // it sent nothing, or nothing that was taken in
	Seldom  Sufficiency = "seldom"  // positions alone, a quarter of an hour apart or more: 1 in 6 or fewer
	Partly  Sufficiency = "partly"  // positions alone, 3 minutes apart or more: about half
	Enough  Sufficiency = "enough"  // crossings, or positions closer together: 8 in 10 or more
)

// together is how near in time reports are that waited for a network and were sent
// as one: nothing was told between them.
const together = 5 * time.Second

// A Habit is how a phone sends.
type Habit struct {
	Positions, Left, Entered int
	// Typical is the time between one position heard and the next, the middle one
	// of those while it was outside; of all if it never was. It is 0 where all that
	// were heard came together.
	Typical time.Duration
	// Late is how many were heard over [geofence.Late] after their date.
	Late int
	// Refused is how many were not taken in, by the code of the refusal.
	Refused    map[string]int
	Sufficient Sufficiency
}

// HabitOf works out how a phone sends from what it told.
func HabitOf(week []Told) Habit {
	h := Habit{Refused: make(map[string]int)}
	var all, outside []time.Duration
	var last Told
	for _, t := range week {
		if t.Why != "" {
			h.Refused[t.Why]++
			continue
		}
		if t.Heard.Sub(t.At) > geofence.Late {
			h.Late++
		}
		switch t.Crossing {
		case geofence.Left:
			h.Left++
		case geofence.Entered:
			h.Entered++
		default:
			h.Positions++
			if gap := t.Heard.Sub(last.Heard); !last.Heard.IsZero() && gap > together {
				all = append(all, gap)
				if last.Place == geofence.Outside && t.Place == geofence.Outside {
					outside = append(outside, gap)
				}
			}
			last = t
		}
	}
	if h.Typical = middle(outside); h.Typical == 0 {
		h.Typical = middle(all)
	}
	h.Sufficient = h.sufficient()
	return h
}

func (h Habit) sufficient() Sufficiency {
	switch {
	case h.Positions+h.Left+h.Entered == 0:
		return Nothing
	case h.Left > 0 && h.Entered > 0, h.Typical > 0 && h.Typical < 3*time.Minute:
		return Enough
	case h.Typical > 0 && h.Typical < 15*time.Minute:
		return Partly
	}
	return Seldom
}

func middle(all []time.Duration) time.Duration {
	if len(all) == 0 {
		return 0
	}
	slices.Sort(all)
	return all[len(all)/2]
}

// What a radius is suggested from, and within. Of 50, 75, 100 and 150 m those in
// the middle did best on drawn tracks (MEASUREMENTS.md of package geofence).
const (
	homely      = 200.0 // metres: a position nearer is one at home
	fewest      = 20    // so many of them say something
	leastRadius = 75
	mostRadius  = 150
	radiusStep  = 25
)

// SuggestRadius returns the radius, in metres, that nine in ten of a phone's
// positions at home would be inside of: 75 to 150, in steps of 25. It is not ok
// where there are too few.
func SuggestRadius(week []Told, home house.Home) (metres float64, ok bool) {
	var reach []float64
	for _, t := range week {
		if away, placed := geofence.Away(t.Report, home); t.Why == "" && placed && away <= homely {
			reach = append(reach, away+t.Accuracy/2)
		}
	}
	if len(reach) < fewest {
		return 0, false
	}
	slices.Sort(reach)
	most := reach[len(reach)*9/10]
	for metres = leastRadius; metres < min(most, mostRadius); {
		metres += radiusStep
	}
	return metres, true
}

// A Homecoming is one arrival of a dry run.
type Homecoming struct {
	Came     time.Time // when the first sign inside was heard
	Opens    time.Time // from when on it counted, and until when
	Until    time.Time
	Strength float64
}

// DryRun returns what would have been arrivals of what a phone told, had home been
// there, with that radius, and arrivals counted for a window.
func DryRun(week []Told, home house.Home, window time.Duration) (arrivals []Homecoming) {
	var s geofence.State
	for _, t := range week {
		before := s
		s, _ = geofence.Step(s, t.Report, home, t.Heard)
		n := len(arrivals)
		open := n > 0 && arrivals[n-1].Came.Equal(before.Came()) && before.Stands != geofence.Arrival{}
		switch stands := s.Stands; {
		case stands == before.Stands && s.Came() == before.Came():
		case stands == geofence.Arrival{} && open:
			arrivals[n-1].Until = earlier(arrivals[n-1].Until, t.Heard)
		case stands == geofence.Arrival{}:
		case open && s.Came() == before.Came():
			arrivals[n-1].Opens, arrivals[n-1].Until = earlier(arrivals[n-1].Opens, stands.Opens), stands.Opens.Add(window)
			arrivals[n-1].Strength = stands.Strength
		default:
			arrivals = append(arrivals, Homecoming{s.Came(), stands.Opens, stands.Opens.Add(window), stands.Strength})
		}
	}
	// What was taken back before it counted was none.
	return slices.DeleteFunc(arrivals, func(h Homecoming) bool { return !h.Until.After(h.Opens) })
}

func earlier(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}
