package web

import (
	"context"
	"errors"

	"lintel/internal/house"
	"lintel/pipeline/advice/evidence"
	"lintel/pipeline/advice/geofence"
)

// A phoneWeek is what a phone told of late, and whether that is enough to be
// recognised coming home.
type phoneWeek struct {
	Dots  []phoneDot // of today, the newest last
	Today string     // what the dots come to, for those who can't see them
	Says  []string   // how it sends, and what that comes to
}

// A phoneDot is one thing that it told.
type phoneDot struct{ Class, Title string }

// mostDots is how many are shown: a phone that reports each minute sends 1440 in
// a day.
const mostDots = 240

// weekOf works out the last week of a phone. It is nil where the phone told
// nothing in it.
func (s *Server) weekOf(ctx context.Context, t presenter, source string, rules house.AdviceRules) (*phoneWeek, error) {
	week, err := s.Factors.Week(ctx, source)
	if errors.Is(err, house.ErrNotFound) || err == nil && len(week) == 0 {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	view := &phoneWeek{Says: t.habitSays(evidence.HabitOf(week))}
	count := make(map[string]int)
	today := evidence.Today(week, t.Now, t.Zone)
	for _, told := range today {
		dot := t.dot(told)
		view.Dots = append(view.Dots, dot)
		count[dot.Class]++
	}
	view.Dots = view.Dots[max(0, len(view.Dots)-mostDots):]
	view.Today = t.Words.Text("phone-today", "Inside", count["inside"], "Outside", count["outside"], "Undecided",
		count["undecided"], "Refused", count["refused"])
	if rules.Home == nil {
		return view, nil
	}
	home := *rules.Home
	now := len(evidence.DryRun(week, home, rules.Window))
	view.Says = append(view.Says, t.Words.Text("phone-arrivals", "Number", now, "Radius", home.Radius))
	if metres, ok := evidence.SuggestRadius(week, home); ok && metres != home.Radius {
		home.Radius = metres
		view.Says = append(view.Says, t.Words.Text("phone-radius", "Radius", metres, "Number",
			len(evidence.DryRun(week, home, rules.Window))))
	}
	return view, nil
}

// dot is one thing that a phone told.
func (t presenter) dot(told evidence.Told) phoneDot {
	at := t.Words.Clock(told.Heard)
	if told.Why != "" {
		return phoneDot{"refused", t.Words.Text("phone-dot-refused", "Time", at, "Why", refused(house.Refusal(told.Why)))}
	}
	class := string(told.Place)
	if told.Crossing != "" {
		return phoneDot{class, t.Words.Text("phone-dot-"+string(told.Crossing), "Time", at)}
	}
	return phoneDot{class, t.Words.Text("phone-dot-"+class, "Time", at)}
}

// habitSays says how a phone sends, and whether that is enough.
func (t presenter) habitSays(h evidence.Habit) (says []string) {
	if h.Typical > 0 {
		says = append(says, t.Words.Text("phone-typical", "Length", t.Words.Length(h.Typical)))
	}
	if h.Left+h.Entered > 0 {
		says = append(says, t.Words.Text("phone-crossings", "Left", h.Left, "Entered", h.Entered))
	}
	if h.Late > 0 {
		says = append(says, t.Words.Text("phone-late", "Number", h.Late, "Length", t.Words.Length(geofence.Late)))
	}
	return append(says, t.Words.Text("phone-enough-"+string(h.Sufficient)))
}
