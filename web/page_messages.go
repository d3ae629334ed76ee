package web

import (
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"lintel/internal/house"
	"lintel/pipeline/bell"
	"lintel/web/view"
)

// A messageView is the page between typing a message and sending it.
type messageView struct {
	Bar      barView
	Wrong    string
	Visit    string // address of the visit
	Text     string // as typed
	Seconds  string
	Screen   []string // nil where the text can't be shown
	Changes  []bell.Change
	Sendable bool
}

// submitVisitMessage sends what was chosen from the list. What was typed is shown
// first as the display will have it, and sent when that was looked at.
func (s *Server) submitVisitMessage(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	v, err := s.Archive.Visit(r.Context(), r.PathValue("visit"))
	if err != nil {
		return absent(err, errVisitGone)
	}
	o := order{Bell: v.Bell, Visit: v.ID, Text: strings.ReplaceAll(posted.Get("text"), "\r\n", "\n")}
	for field, n := range map[string]*int{"seconds": &o.Seconds, "minutes": &o.Minutes} {
		if text := posted.text(field); text != "" {
			if *n, err = strconv.Atoi(text); err != nil {
				*n = -1 // and refused as a number that is too small
			}
		}
	}
	if posted.Has("typed") {
		return s.drawMessage(w, r, o, nil)
	}
	_, _, err = s.send(r, o)
	switch {
	case isBadMessage(err):
		return s.drawMessage(w, r, o, err)
	case err != nil:
		return absent(err, errVisitGone)
	case posted.Has("now"):
		return redirect(w, r, "/")
	}
	return redirect(w, r, view.VisitAddress(v.ID))
}

// drawMessage shows how a message will look, and why it was not sent, if that is so.
func (s *Server) drawMessage(w http.ResponseWriter, r *http.Request, o order, why error) error {
	_, screen, err := s.compose(r, o)
	if err != nil && !isBadMessage(err) {
		return err
	}
	if why == nil {
		why = err
	}
	page := messageView{Visit: view.VisitAddress(o.Visit), Text: o.Text,
		Bar: barOf(r, speak(languageOf(r)).Text("message-title", "Bell", s.bellName(r.Context(), o.Bell)))}
	if page.Seconds = strconv.Itoa(usualSeconds); o.Seconds != 0 {
		page.Seconds = strconv.Itoa(o.Seconds)
	}
	page.Screen, page.Changes, page.Sendable = screen.Lines, screen.Changes, err == nil
	status := http.StatusOK
	if why != nil {
		page.Wrong, status = refused(r, why), http.StatusUnprocessableEntity
	}
	return sendPage(w, r, status, "message.html", page)
}

func (s *Server) submitClearMessage(w http.ResponseWriter, r *http.Request) error {
	v, err := s.Archive.Visit(r.Context(), r.PathValue("visit"))
	if err == nil {
		err = s.Archive.ClearMessage(r.Context(), v.Bell)
	}
	return s.toVisit(w, r, err)
}

// A messageRulesView is what the page of messages shows.
type messageRulesView struct {
	Bar     barView
	Saved   bool
	Wrong   wrongs
	Texts   []messageFields
	Rules   []messageFields
	Quiet   []quietFields
	Display bool // whether a bell has one

	Conflict *conflict
	Revision string // that the form began from
}

// messageFields are a text as a form holds it, and how it looks as it was saved.
type messageFields struct {
	Field   string // text.0, or rule.away
	Number  int    // of the list
	Rule    house.MessageRuleName
	On      bool
	Text    string
	Seconds string
	Looks   []view.Look
	Wrong   wrongs
}

func (s *Server) showMessageRules(w http.ResponseWriter, r *http.Request) error {
	rules, err := s.messageRules(r.Context(), speak(languageOf(r)))
	if err != nil {
		return err
	}
	form := messageFormOf(rules)
	form.Saved = r.URL.Query().Has("saved")
	if form.Revision, err = revisionOf(rules); err != nil {
		return err
	}
	return s.drawMessageRules(w, r, http.StatusOK, form)
}

// messageFormOf writes rules into the form.
func messageFormOf(rules house.MessageRules) (form messageRulesView) {
	for i, t := range rules.Texts {
		form.Texts = append(form.Texts, messageFields{Field: fmt.Sprintf("text.%d", i), Number: i + 1, Text: t.Text,
			Seconds: strconv.Itoa(t.Seconds)})
	}
	for _, name := range house.MessageRuleNames {
		rule := rules.Rules[name]
		form.Rules = append(form.Rules, messageFields{Field: "rule." + string(name), Rule: name, On: rule.On,
			Text: rule.Text, Seconds: strconv.Itoa(rule.Seconds)})
	}
	form.Quiet = rulesFormOf(house.Rules{Quiet: rules.Quiet}).Quiet
	return form
}

// drawMessageRules shows a form, with all that stands around it: how each text looks
// on each display.
func (s *Server) drawMessageRules(w http.ResponseWriter, r *http.Request, status int, page messageRulesView) error {
	t, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	page.Bar = barOf(r, t.Words.Text("messages-title"))
	bells, err := s.Archive.Bells(r.Context())
	if err != nil {
		return err
	}
	displays := make(map[string]house.Display)
	var names []string
	for _, b := range bells {
		d, has, err := s.Archive.Display(r.Context(), b.Address)
		if err != nil {
			return err
		}
		if has {
			displays[b.Name], names = d, append(names, b.Name)
		}
	}
	values, err := bell.Now(r.Context(), s.Archive, t.Now, t.Zone)
	if err != nil {
		return err
	}
	values.Minutes, values.Name = usualMinutes, t.Words.Text("message-name-example")
	page.Display = len(names) > 0
	if len(page.Texts) < 12 {
		n := len(page.Texts)
		page.Texts = append(page.Texts, messageFields{Field: fmt.Sprintf("text.%d", n), Number: n + 1,
			Seconds: strconv.Itoa(usualSeconds)})
	}
	for _, list := range [][]messageFields{page.Texts, page.Rules} {
		for i := range list {
			if list[i].Text != "" {
				list[i].Looks = view.Looks(bell.Fill(list[i].Text, values), names, displays)
			}
		}
	}
	return sendPage(w, r, status, "messages.html", page)
}

// submitMessageRules keeps what the form says; a text that was emptied goes.
func (s *Server) submitMessageRules(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	form := readMessageForm(posted)
	form.Revision = posted.Get("revision")
	quiet := rulesForm{Quiet: form.Quiet}
	if posted.Has("again") || quiet.edit(posted.Values) {
		form.Quiet = quiet.Quiet
		return s.drawMessageRules(w, r, http.StatusOK, form)
	}
	var rules house.MessageRules
	if rules, form.Wrong = form.rules(); len(form.Wrong) > 0 {
		return s.drawMessageRules(w, r, http.StatusUnprocessableEntity, form)
	}
	s.deciding.Lock()
	defer s.deciding.Unlock()
	if moved, err := s.messagesMoved(w, r, form); moved || err != nil {
		return err
	}
	if err := s.Archive.SetMessageRules(r.Context(), rules); err != nil {
		return err
	}
	return redirect(w, r, "/rules/messages?saved")
}

// messagesMoved shows a form beside the texts that somebody saved since it was
// begun, and reports whether it did.
func (s *Server) messagesMoved(w http.ResponseWriter, r *http.Request, form messageRulesView) (bool, error) {
	now, err := s.messageRules(r.Context(), speak(languageOf(r)))
	if err != nil {
		return false, err
	}
	form.Conflict, err = s.moved(r, &form.Revision, now, func(t view.Presenter) (_ string, says []string) {
		for i, text := range now.Texts {
			says = append(says, t.Words.Text("elsewhere-text", "Number", i+1, "Text", text.Text))
		}
		for _, name := range house.MessageRuleNames {
			if rule := now.Rules[name]; rule.On {
				says = append(says, t.Words.Text("elsewhere-rule", "Rule", t.Words.Text("message-rule-"+string(name)),
					"Text", rule.Text))
			}
		}
		return "message-rules", says
	})
	if form.Conflict == nil {
		return false, err
	}
	return true, s.drawMessageRules(w, r, http.StatusConflict, form)
}

// readMessageForm reads the form, whatever was typed.
func readMessageForm(posted postedForm) (form messageRulesView) {
	read := func(f messageFields) messageFields {
		f.Text = strings.TrimSpace(strings.ReplaceAll(posted.Get(f.Field), "\r\n", "\n"))
		f.Seconds, f.On = posted.text(f.Field+".seconds"), posted.Has(f.Field+".on")
		return f
	}
	for i := 0; i < maxQuiets && posted.Has(fmt.Sprintf("text.%d", i)); i++ {
		f := read(messageFields{Field: fmt.Sprintf("text.%d", i)})
		if f.Text != "" {
			f.Field, f.Number = fmt.Sprintf("text.%d", len(form.Texts)), len(form.Texts)+1
			form.Texts = append(form.Texts, f)
		}
	}
	for _, name := range house.MessageRuleNames {
		form.Rules = append(form.Rules, read(messageFields{Field: "rule." + string(name), Rule: name}))
	}
	form.Quiet = readRulesForm(posted.Values).Quiet
	return form
}

// rules reads what was typed, and says all that is wrong with it.
func (form *messageRulesView) rules() (rules house.MessageRules, wrong wrongs) {
	rules = house.MessageRules{Texts: []house.MessageText{}, Rules: make(map[house.MessageRuleName]house.MessageRule)}
	for i, f := range form.Texts {
		rules.Texts = append(rules.Texts, f.text())
		f.blame(&wrong, house.FaultIn{What: "text", Which: i + 1}, house.MessageText.Check)
	}
	for _, f := range form.Rules {
		rules.Rules[f.Rule] = house.MessageRule{On: f.On, MessageText: f.text()}
		f.blame(&wrong, house.FaultIn{What: "message", Which: f.Rule}, func(m house.MessageText) error {
			return house.MessageRule{MessageText: m}.CheckFor(f.Rule)
		})
	}
	rules.Quiet = quietsOf(form.Quiet, &wrong)
	if len(wrong) == 0 {
		wrong.add("text.0", rules.Check()) // of how many there are
	}
	for _, list := range [][]messageFields{form.Texts, form.Rules} {
		for i := range list {
			list[i].Wrong = wrong
		}
	}
	return rules, wrong
}

// blame says what is wrong with a text, and with how long it is shown.
func (f messageFields) blame(wrong *wrongs, in house.FaultIn, check func(house.MessageText) error) {
	typed := f.text()
	if in.Err = check(house.MessageText{Text: typed.Text, Seconds: usualSeconds}); in.Err != nil {
		wrong.add(f.Field, in)
	}
	if in.Err = check(house.MessageText{Text: ".", Seconds: typed.Seconds}); in.Err != nil {
		wrong.add(f.Field+".seconds", in)
	}
}

// text is what was typed; seconds that are no number are too few.
func (f messageFields) text() house.MessageText {
	seconds, err := strconv.Atoi(f.Seconds)
	if err != nil {
		seconds = -1
	}
	return house.MessageText{Text: f.Text, Seconds: seconds}
}

// A displayView is what the page of a bell's display shows.
type displayView struct {
	Bar     barView
	Action  string
	Known   bool
	Saved   bool
	Wrong   wrongs
	Columns string // as typed
	Rows    string
	ROM     house.ROM
	ROMs    []house.ROM
	Look    view.Look
}

func displayAddress(bell string) string { return "/upkeep/displays/" + url.PathEscape(bell) }

func (s *Server) showDisplay(w http.ResponseWriter, r *http.Request) error {
	d, known, err := s.Archive.Display(r.Context(), r.PathValue("bell"))
	if err != nil {
		return err
	}
	if !known {
		d = house.UsualDisplay
	}
	return s.drawDisplay(w, r, http.StatusOK, displayView{Columns: strconv.Itoa(d.Columns), Rows: strconv.Itoa(d.Rows),
		ROM: d.ROM, Saved: r.URL.Query().Has("saved")})
}

func (s *Server) drawDisplay(w http.ResponseWriter, r *http.Request, status int, page displayView) error {
	if err := s.findBell(r); err != nil {
		return absent(err, errNoBell)
	}
	address := r.PathValue("bell")
	d, known, err := s.Archive.Display(r.Context(), address)
	if err != nil {
		return err
	}
	text := speak(languageOf(r)).Text
	name := s.bellName(r.Context(), address)
	page.Bar, page.Action, page.Known, page.ROMs = barOf(r, text("display-of", "Bell", name)), displayAddress(address),
		known, house.ROMs
	if known {
		page.Look = view.LookOf(name, d, text("display-sample"))
	}
	return sendPage(w, r, status, "display.html", page)
}

// submitDisplay keeps what a bell's display is like.
func (s *Server) submitDisplay(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	page := displayView{Columns: posted.text("columns"), Rows: posted.text("rows"), ROM: house.ROM(posted.text("rom"))}
	var d house.Display
	d, page.Wrong = displayOf(page)
	if len(page.Wrong) > 0 {
		return s.drawDisplay(w, r, http.StatusUnprocessableEntity, page)
	}
	if err := s.Archive.SetDisplay(r.Context(), r.PathValue("bell"), d); err != nil {
		return absent(err, errNoBell)
	}
	return redirect(w, r, displayAddress(r.PathValue("bell"))+"?saved")
}

// displayOf reads what was typed of a display, and says all that is wrong with it.
// What is no number is too few.
func displayOf(page displayView) (d house.Display, wrong wrongs) {
	d.ROM = page.ROM
	d.Columns, _ = strconv.Atoi(page.Columns)
	d.Rows, _ = strconv.Atoi(page.Rows)
	usual := house.UsualDisplay
	wrong.add("rows", house.Display{Columns: usual.Columns, Rows: d.Rows, ROM: usual.ROM}.Check())
	wrong.add("columns", house.Display{Columns: d.Columns, Rows: usual.Rows, ROM: usual.ROM}.Check())
	wrong.add("rom", house.Display{Columns: usual.Columns, Rows: usual.Rows, ROM: d.ROM}.Check())
	return d, wrong
}

func (s *Server) submitNoDisplay(w http.ResponseWriter, r *http.Request) error {
	if err := s.Archive.ClearDisplay(r.Context(), r.PathValue("bell")); err != nil {
		return absent(err, errNoBell)
	}
	return redirect(w, r, displayAddress(r.PathValue("bell")))
}
