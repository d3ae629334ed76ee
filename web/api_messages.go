package web

import (
	"math"
	"net/http"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/bell"
)

// The API's view of a message.
type messageJSON struct {
	ID       string                `json:"id"`
	Visit    string                `json:"visit,omitempty"`
	Text     string                `json:"text"`
	Rule     house.MessageRuleName `json:"rule,omitempty"` // left out where somebody sent it
	By       string                `json:"by,omitempty"`   // for residents
	SentAt   time.Time             `json:"sent_at"`
	Until    time.Time             `json:"until"`
	ShownAt  time.Time             `json:"shown_at,omitzero"`
	MissedAt time.Time             `json:"missed_at,omitzero"`
	EndedAt  time.Time             `json:"ended_at,omitzero"`
}

func newMessageJSON(m house.Message, toResident bool) messageJSON {
	if !toResident {
		m.By = ""
	}
	return messageJSON{m.ID, m.Visit, m.Text, m.Rule, m.By, m.SentAt, m.Until, m.ShownAt, m.MissedAt, m.EndedAt}
}

// A screenJSON is what a bell will show, exactly.
type screenJSON struct {
	Lines   []string     `json:"lines"`
	Changes []changeJSON `json:"changes"`
}

// A changeJSON is a character that the display has not, and what stands there.
type changeJSON struct {
	From string `json:"from"`
	To   string `json:"to"`
}

func newScreenJSON(s bell.Screen) screenJSON {
	j := screenJSON{s.Lines, []changeJSON{}}
	for _, c := range s.Changes {
		j.Changes = append(j.Changes, changeJSON(c))
	}
	return j
}

// postMessage has a bell show a message.
func (s *Server) postMessage(w http.ResponseWriter, r *http.Request) error {
	o, err := readOrder(w, r)
	if err != nil {
		return err
	}
	if err := s.findBell(r); err != nil {
		return absent(err, errNoBell)
	}
	m, screen, err := s.send(r, o)
	if err != nil {
		return absent(err, errNoBell)
	}
	return sendJSON(w, http.StatusCreated, struct {
		messageJSON
		screenJSON
	}{newMessageJSON(m, true), newScreenJSON(screen)})
}

// postMessagePreview says how a message would look, and sends nothing.
func (s *Server) postMessagePreview(w http.ResponseWriter, r *http.Request) error {
	o, err := readOrder(w, r)
	if err != nil {
		return err
	}
	if err := s.findBell(r); err != nil {
		return absent(err, errNoBell)
	}
	_, screen, err := s.compose(r, o)
	if err != nil {
		return err
	}
	return sendJSON(w, http.StatusOK, newScreenJSON(screen))
}

func readOrder(w http.ResponseWriter, r *http.Request) (o order, err error) {
	err = bodyJSON(w, r, &o)
	o.Bell = r.PathValue("bell")
	return o, err
}

// deleteMessage clears a bell's display.
func (s *Server) deleteMessage(w http.ResponseWriter, r *http.Request) error {
	if err := s.Archive.ClearMessage(r.Context(), r.PathValue("bell")); err != nil {
		return absent(err, errNoBell)
	}
	w.WriteHeader(http.StatusNoContent)
	return nil
}

func (s *Server) getMessageRules(w http.ResponseWriter, r *http.Request) error {
	rules, err := s.messageRulesAsSent(r)
	if err != nil {
		return err
	}
	return sendTagged(w, rules)
}

// messageRulesAsSent are the rules of messages as programs get them.
func (s *Server) messageRulesAsSent(r *http.Request) (house.MessageRules, error) {
	rules, err := s.messageRules(r.Context(), speak(languageOf(r)))
	if rules.Texts == nil {
		rules.Texts = []house.MessageText{}
	}
	if rules.Quiet == nil {
		rules.Quiet = []house.Quiet{}
	}
	return rules, err
}

func (s *Server) putMessageRules(w http.ResponseWriter, r *http.Request) error {
	var rules house.MessageRules
	if err := bodyJSON(w, r, &rules); err != nil {
		return err
	}
	s.deciding.Lock()
	defer s.deciding.Unlock()
	now, err := s.messageRulesAsSent(r)
	if err == nil {
		err = ifMatch(r, now)
	}
	if err != nil {
		return err
	}
	if err := s.Archive.SetMessageRules(r.Context(), rules); err != nil {
		return err
	}
	return s.getMessageRules(w, r)
}

// getDisplaySize, putDisplaySize and deleteDisplaySize are of what a bell's display
// is like.
func (s *Server) getDisplaySize(w http.ResponseWriter, r *http.Request) error {
	if err := s.findBell(r); err != nil {
		return absent(err, errNoBell)
	}
	d, has, err := s.Archive.Display(r.Context(), r.PathValue("bell"))
	if err != nil {
		return err
	}
	var answer struct {
		Display *house.Display `json:"display"` // null where it has none
	}
	if has {
		answer.Display = &d
	}
	return sendJSON(w, http.StatusOK, answer)
}

func (s *Server) putDisplaySize(w http.ResponseWriter, r *http.Request) error {
	var d house.Display
	if err := bodyJSON(w, r, &d); err != nil {
		return err
	}
	if err := s.Archive.SetDisplay(r.Context(), r.PathValue("bell"), d); err != nil {
		return absent(err, errNoBell)
	}
	return s.getDisplaySize(w, r)
}

func (s *Server) deleteDisplaySize(w http.ResponseWriter, r *http.Request) error {
	if err := s.Archive.ClearDisplay(r.Context(), r.PathValue("bell")); err != nil {
		return absent(err, errNoBell)
	}
	return s.getDisplaySize(w, r)
}

var errCelsius = problem{Status: http.StatusUnprocessableEntity, Type: "bad-temperature",
	Title: "problem-bad-temperature"}

// putOutside takes how warm it is outside.
func (s *Server) putOutside(w http.ResponseWriter, r *http.Request) error {
	var told struct {
		Celsius *float64 `json:"celsius"`
	}
	if err := bodyJSON(w, r, &told); err != nil {
		return err
	}
	if told.Celsius == nil || math.Abs(*told.Celsius) > 90 {
		return errCelsius
	}
	if s.sending.allow("outside-"+actor(session(r))) > 0 {
		return errOftenMessage
	}
	if err := s.Archive.TellOutside(r.Context(), *told.Celsius); err != nil {
		return err
	}
	w.WriteHeader(http.StatusNoContent)
	return nil
}
