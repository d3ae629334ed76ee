package view

import (
	"slices"
	"strings"

	"lintel/internal/house"
	"lintel/pipeline/bell"
)

// A Look is how a text looks on a bell's display, line by line.
type Look struct {
	Bell  string
	Lines []string
	Cut   bool // whether it has more lines than the display
}

// Says is the text in one line.
func (l Look) Says() string { return strings.Join(strings.Fields(strings.Join(l.Lines, " ")), " ") }

// LookOf draws a text for a display.
func LookOf(name string, d house.Display, text string) Look {
	s := bell.Draw(d, text)
	return Look{name, s.Lines, s.Cut}
}

// Looks draws a text for the displays of bells, those that are alike once.
func Looks(text string, bells []string, displays map[string]house.Display) (looks []Look) {
	var drawn []house.Display
	for _, name := range bells {
		if d := displays[name]; !slices.Contains(drawn, d) {
			drawn = append(drawn, d)
			looks = append(looks, LookOf(name, d, text))
		}
	}
	return looks
}

// A Board is what may be said to who rang: the household's texts to choose from,
// and for residents words of their own.
type Board struct {
	Action   string // address that forms are sent to
	Left     int64  // milliseconds until the ring is too old
	Resident bool
	OnNow    bool // and leads back there
	Shows    bool // whether the display shows something that can be cleared
	Choices  []Choice
}

// A Choice is one of the household's texts.
type Choice struct {
	Text    string // as the list has it
	Look    Look
	Minutes int // to begin with, of a text with that place; else 0
}

// A Sent is a message as the story of a visit has it.
type Sent struct {
	Look   Look
	Says   string // who sent it and when, and what became of it
	Missed bool
}

// board is nil where nobody can be answered: the bell has no display, the ring is too
// long ago, or the reader may not.
func (t Presenter) board(v house.Visit) *Board {
	d, has := t.Displays[v.Bell]
	left := v.ReceivedAt.Add(t.AnswerWithin).Sub(t.Now)
	if !has || left <= 0 || !t.Answers {
		return nil
	}
	b := &Board{Action: VisitAddress(v.ID) + "/message", Left: left.Milliseconds(), Resident: t.Resident, OnNow: true}
	for _, m := range v.Messages {
		b.Shows = b.Shows || m.Open(t.Now)
	}
	for _, text := range t.Texts {
		c := Choice{Text: text.Text, Look: LookOf(t.Words.Bell(v.Bell), d, bell.Fill(text.Text, t.Places))}
		if slices.Contains(house.Places(text.Text), house.PlaceMinutes) {
			c.Minutes = t.Places.Minutes
		}
		b.Choices = append(b.Choices, c)
	}
	return b
}

// said are the messages of a visit, the newest first.
func (t Presenter) said(v house.Visit) (all []Sent) {
	for _, m := range slices.Backward(v.Messages) {
		d, has := t.Displays[m.Bell]
		if !has {
			d = house.UsualDisplay
		}
		all = append(all, Sent{LookOf(t.Words.Bell(m.Bell), d, m.Text), t.messageWords(m),
			m.ShownAt.IsZero() && !m.MissedAt.IsZero()})
	}
	return all
}

// messageWords say who sent a message and when, and what became of it.
func (t Presenter) messageWords(m house.Message) string {
	who := t.Words.Text("message-by-household")
	if t.Resident {
		who = t.Actor(m.By)
	}
	if m.Rule != "" {
		who = t.Words.Text("message-by-rule", "Rule", t.Words.Text("message-rule-"+string(m.Rule)))
	}
	says := t.Words.Text("message-sent", "Who", who, "Time", t.second(m.SentAt), "Until", t.second(m.Until))
	switch {
	case !m.ShownAt.IsZero():
		says += " " + t.Words.Text("message-shown", "Time", t.second(m.ShownAt))
	case !m.MissedAt.IsZero():
		says += " " + t.Words.Text("message-missed", "Length", t.Words.Length(house.NotReceivedAfter))
	default:
		says += " " + t.Words.Text("message-waits")
	}
	if !m.EndedAt.IsZero() {
		says += " " + t.Words.Text("message-ended", "Time", t.second(m.EndedAt))
	}
	return says
}

// DisplayWords say what a bell's display is like.
func (t Presenter) DisplayWords(d house.Display, known bool) string {
	if !known {
		return t.Words.Text("display-none")
	}
	return t.Words.Text("display-is", "Rows", d.Rows, "Columns", d.Columns, "ROM", string(d.ROM))
}
