package view

import (
	"lintel/internal/house"
	"lintel/internal/words"
	"lintel/pipeline/advice/evidence"
	"lintel/pipeline/advice/geofence"
)

// A PhoneWeek is what a phone told of late, and whether that is enough to be
// recognised coming home.
type PhoneWeek struct {
	Dots  []PhoneDot // of today, the newest last
	Today string     // what the dots come to, for those who can't see them
	Says  []string   // how it sends, and what that comes to
}

// A PhoneDot is one thing that it told.
type PhoneDot struct{ Class, Title string }

// mostDots is how many are shown: a phone that reports each minute sends 1440 in
// a day.
const mostDots = 240

// PhoneWeek works out the last week of a phone. It is nil where the phone told
// nothing in it.
func (t Presenter) PhoneWeek(week []evidence.Told, rules house.AdviceRules) *PhoneWeek {
	if len(week) == 0 {
		return nil
	}
	view := &PhoneWeek{Says: t.habit(evidence.HabitOf(week))}
	count := make(map[string]int)
	for _, told := range evidence.Today(week, t.Now, t.Zone) {
		dot := t.dot(told)
		view.Dots = append(view.Dots, dot)
		count[dot.Class]++
	}
	view.Dots = view.Dots[max(0, len(view.Dots)-mostDots):]
	view.Today = t.Words.Text("phone-today", "Inside", count["inside"], "Outside", count["outside"], "Undecided",
		count["undecided"], "Refused", count["refused"])
	if rules.Home == nil {
		return view
	}
	home := *rules.Home
	now := len(evidence.DryRun(week, home, rules.Window))
	view.Says = append(view.Says, t.Words.Text("phone-arrivals", "Number", now, "Radius", home.Radius))
	if metres, ok := evidence.SuggestRadius(week, home); ok && metres != home.Radius {
		home.Radius = metres
		view.Says = append(view.Says, t.Words.Text("phone-radius", "Radius", metres, "Number",
			len(evidence.DryRun(week, home, rules.Window))))
	}
	return view
}

// dot is one thing that a phone told.
func (t Presenter) dot(told evidence.Told) PhoneDot {
	at := t.Words.Clock(told.Heard)
	if told.Why != "" {
		return PhoneDot{"refused", t.Words.Text("phone-dot-refused", "Time", at, "Why", t.refused(told.Why))}
	}
	class := string(told.Place)
	if told.Crossing != "" {
		return PhoneDot{class, t.Words.Text("phone-dot-"+string(told.Crossing), "Time", at)}
	}
	return PhoneDot{class, t.Words.Text("phone-dot-"+class, "Time", at)}
}

// habit says how a phone sends, and whether that is enough.
func (t Presenter) habit(h evidence.Habit) (says []string) {
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

// refused says why something was not taken.
func (t Presenter) refused(code string) string {
	says, _ := t.Words.Refusal(house.Refusal(code))
	return words.Capital(says) + "."
}
