package web

import (
	"context"
	"errors"
	"net/http"
	"slices"
	"time"

	"lintel/internal/house"
	"lintel/internal/words"
	"lintel/pipeline/bell"
	"lintel/web/view"
)

// answerWithin is how old a ring may be that a message answers: who rang has to be
// there still.
const answerWithin = 10 * time.Minute

// What a message is sent with where nobody says.
const (
	usualSeconds = 60
	usualMinutes = 5
)

// An order is a message that somebody wants sent.
type order struct {
	Bell    string `json:"-"`
	Visit   string `json:"visit"`   // that it answers; "" for the bell's last, if it is fresh
	Text    string `json:"text"`    // of the household's list as it stands there, or typed
	Seconds int    `json:"seconds"` // 0 for as long as the list says, or a minute
	Minutes int    `json:"minutes"` // for a text with that place; 0 for five
}

var (
	errLateMessage   = problem{Status: http.StatusConflict, Type: "too-late", Title: "problem-message-late"}
	errPastMessage   = problem{Status: http.StatusConflict, Type: "rang-since", Title: "problem-message-past"}
	errOftenMessage  = problem{Status: http.StatusTooManyRequests, Type: "too-often", Title: "problem-message-often"}
	errTypedByTablet = problem{Status: http.StatusForbidden, Type: "residents-only", Title: "problem-message-typed"}
	errMinutes       = house.Fault{Of: house.ErrBadMessage, Code: "message-minutes"}
	errTooLong       = house.Fault{Of: house.ErrBadMessage, Code: "message-cut"}
)

// messageRules returns what the household decided about messages, or what Lintel
// proposes: texts to choose from, and rules that are all off.
func (s *Server) messageRules(ctx context.Context, w words.Words) (house.MessageRules, error) {
	rules, decided, err := s.Archive.MessageRules(ctx)
	if err != nil || decided {
		return rules, err
	}
	for _, text := range []string{w.Text("message-coming"), w.Text("message-leave-it"), w.Text("message-back-soon"),
		w.Text("message-no-thanks")} {
		rules.Texts = append(rules.Texts, house.MessageText{Text: text, Seconds: usualSeconds})
	}
	rules.Rules = make(map[house.MessageRuleName]house.MessageRule)
	for _, name := range house.MessageRuleNames {
		rules.Rules[name] = house.MessageRule{MessageText: house.MessageText{
			Text: w.Text("message-says-" + string(name)), Seconds: usualSeconds}}
	}
	rules.Quiet = []house.Quiet{}
	return rules, nil
}

// compose makes the message of an order, and the screen that the bell will show.
// A tablet may have what is on the household's list, and no other words.
func (s *Server) compose(r *http.Request, o order) (m house.Message, screen bell.Screen, err error) {
	ctx, now := r.Context(), s.Now()
	d, has, err := s.Archive.Display(ctx, o.Bell)
	if err != nil {
		return m, screen, err
	}
	if !has {
		return m, screen, house.ErrNoDisplay
	}
	text, err := s.textOf(r, o)
	if err != nil {
		return m, screen, err
	}
	values, err := bell.Now(ctx, s.Archive, now, s.zone(ctx))
	if err != nil {
		return m, screen, err
	}
	values.Minutes = o.Minutes
	if values.Minutes == 0 {
		values.Minutes = usualMinutes
	}
	if values.Minutes < 1 || values.Minutes > 999 {
		return m, screen, errMinutes
	}
	m = house.Message{Bell: o.Bell, Visit: o.Visit, Text: bell.Fill(text.Text, values),
		Until: now.Add(time.Duration(text.Seconds) * time.Second)}
	if screen = bell.Draw(d, m.Text); screen.Cut {
		return m, screen, errTooLong
	}
	return m, screen, nil
}

// textOf returns an order's text, with its time.
func (s *Server) textOf(r *http.Request, o order) (house.MessageText, error) {
	rules, err := s.messageRules(r.Context(), speak(languageOf(r)))
	if err != nil {
		return house.MessageText{}, err
	}
	text := house.MessageText{Text: o.Text, Seconds: usualSeconds}
	i := slices.IndexFunc(rules.Texts, func(t house.MessageText) bool { return t.Text == o.Text })
	switch {
	case i >= 0:
		text = rules.Texts[i]
	case session(r).Tablet != "" && session(r).Resident == "":
		return text, errTypedByTablet
	}
	if o.Seconds != 0 {
		text.Seconds = o.Seconds
	}
	return text, text.Check()
}

// send has a bell show what an order says, and returns the message with the screen.
func (s *Server) send(r *http.Request, o order) (m house.Message, screen bell.Screen, err error) {
	if s.sending.allow("messages-"+actor(session(r))) > 0 {
		return m, screen, errOftenMessage
	}
	fresh, err := s.freshVisits(r.Context(), o.Bell)
	if err != nil {
		return m, screen, err
	}
	switch {
	case o.Visit == "" && len(fresh) > 0:
		o.Visit = fresh[0].ID
	case o.Visit != "" && !slices.ContainsFunc(fresh, func(v house.Visit) bool { return v.ID == o.Visit }):
		return m, screen, errLateMessage
	case o.Visit != "" && fresh[0].ID != o.Visit: // who rang since would read it
		return m, screen, errPastMessage
	}
	if m, screen, err = s.compose(r, o); err != nil {
		return m, screen, err
	}
	id, err := s.Archive.AddMessage(r.Context(), m)
	if err != nil {
		return m, screen, err
	}
	s.Log.Info("sent a message", "bell", o.Bell, "visit", o.Visit)
	m, found, err := s.Archive.CurrentMessage(r.Context(), o.Bell)
	if err == nil && (!found || m.ID != id) {
		err = house.ErrTaken // another took its place at once
	}
	return m, screen, err
}

// freshVisits are the visits of a bell that may be answered, the newest first.
func (s *Server) freshVisits(ctx context.Context, name string) ([]house.Visit, error) {
	now := s.Now()
	visits, err := s.Archive.VisitsBetween(ctx, now.Add(-answerWithin), now, maxVisits)
	return slices.DeleteFunc(visits, func(v house.Visit) bool { return v.Bell != name }), err
}

// addMessages has the presenter know what can be answered on visits, and who
// answered before.
func (s *Server) addMessages(ctx context.Context, t *view.Presenter, visits ...house.Visit) error {
	answered := false
	for _, v := range visits {
		answered = answered || len(v.Messages) > 0
		if t.Now.Sub(v.ReceivedAt) >= answerWithin && len(v.Messages) == 0 {
			continue
		}
		if _, known := t.Displays[v.Bell]; known {
			continue
		}
		d, has, err := s.Archive.Display(ctx, v.Bell)
		if err != nil {
			return err
		}
		if has {
			if t.Displays == nil {
				t.Displays = make(map[string]house.Display)
			}
			t.Displays[v.Bell] = d
		}
	}
	if answered && t.Names == nil {
		if err := s.nameAdvice(ctx, t); err != nil {
			return err
		}
	}
	if len(t.Displays) == 0 {
		return nil
	}
	rules, err := s.messageRules(ctx, t.Words)
	if err != nil {
		return err
	}
	values, err := bell.Now(ctx, s.Archive, t.Now, t.Zone)
	values.Minutes = usualMinutes
	t.Texts, t.Places, t.AnswerWithin = rules.Texts, values, answerWithin
	return err
}

// isBadMessage reports whether an error says what is wrong with a message, for the
// form that it was typed into.
func isBadMessage(err error) bool {
	return errors.Is(err, house.ErrBadMessage) || errors.Is(err, house.ErrBadRule)
}
