package web

import (
	"context"
	"encoding/json"
	"net/http"
	"net/url"

	"lintel/internal/house"
	"lintel/web/view"
)

// A suggestingView is what the page of who may be let in shows.
type suggestingView struct {
	Bar     barView
	Saved   bool
	Paused  bool
	Book    view.RuleBook
	House   []string // what the household decided, a sentence each
	Parcels int      // how many are expected
}

func ruleAddress(id string) string { return "/rules/advice/rules/" + url.PathEscape(id) }

func (s *Server) showAdvice(w http.ResponseWriter, r *http.Request) error {
	t, rules, err := s.houseFor(r)
	if err != nil {
		return err
	}
	book, err := s.ruleBook(r.Context())
	if err != nil {
		return err
	}
	parcels, err := s.Archive.ParcelRules(r.Context())
	if err != nil {
		return err
	}
	page := suggestingView{Bar: barOf(r, t.Words.Text("suggestions-title")), Saved: r.URL.Query().Has("saved"),
		Paused: rules.Paused, Book: book, House: t.HouseSentences(rules)}
	for _, p := range parcels {
		if state := p.State(t.Now); state == house.ParcelLater || state == house.ParcelNow {
			page.Parcels++
		}
	}
	return sendPage(w, r, http.StatusOK, "advice-rules.html", page)
}

// ruleBook reads all rules.
func (s *Server) ruleBook(ctx context.Context) (b view.RuleBook, err error) {
	doors, err := s.Archive.Doors(ctx)
	if err != nil {
		return b, err
	}
	rules, err := s.Archive.DoorRules(ctx)
	if err != nil {
		return b, err
	}
	bells, err := s.Archive.BellNames(ctx)
	if err != nil {
		return b, err
	}
	persons, err := s.Archive.Persons(ctx)
	return view.NewRuleBook(rules, doors, persons, speak(languageIn(ctx)).Bells(bells)), err
}

type adviceRuleView struct {
	Bar   barView
	Form  postedForm // as typed, or as the rule is
	ID    string     // "" where there is none yet
	Wrong wrongs
	Book  view.RuleBook

	Conflict *conflict
	Revision string // that the form began from
}

func (s *Server) showAdviceRule(w http.ResponseWriter, r *http.Request) error {
	book, err := s.ruleBook(r.Context())
	if err != nil {
		return err
	}
	rule := emptyRule()
	if id := r.PathValue("rule"); id != "" {
		if rule, err = book.Find(id); err != nil {
			return absent(err, errNoRule)
		}
	} else if len(book.Doors) == 1 {
		rule.Door = book.Doors[0].ID
	}
	revision, err := revisionOfRule(book, rule.ID)
	if err != nil {
		return err
	}
	return drawRule(w, r, http.StatusOK, adviceRuleView{Form: ruleForm(rule), Book: book, Revision: revision})
}

// drawRule shows the form of the rule that a request is about.
func drawRule(w http.ResponseWriter, r *http.Request, status int, page adviceRuleView) error {
	page.Bar, page.ID = barOf(r, speak(languageOf(r)).Text("door-rule-title")), r.PathValue("rule")
	return sendPage(w, r, status, "advice-rule.html", page)
}

// revisionOfRule is that of the rule as it is; all new ones have one.
func revisionOfRule(book view.RuleBook, id string) (string, error) {
	rule, err := book.Find(id)
	if id != "" && err != nil {
		return "", err
	}
	return revisionOf(rule)
}

// A rulePreview is what the page shows between typing a rule and saving it.
type rulePreview struct {
	Bar       barView
	ID        string // "" where there is none yet
	Says      string
	Before    string // what the rule said before, "" if it is new or says the same
	Never     bool
	Conflicts []view.Conflict
	Rule      string // as JSON, for saving
	Revision  string // that it began from
}

// submitRule takes the form of a rule and shows what it would say; takes what was
// shown and saves it; or shows the form again.
func (s *Server) submitRule(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	id := r.PathValue("rule")
	book, err := s.ruleBook(r.Context())
	if err == nil && id != "" {
		_, err = book.Find(id)
	}
	if err != nil {
		return absent(err, errNoRule)
	}
	page := adviceRuleView{Form: posted, Book: book, Revision: posted.Get("revision")}
	shown := posted.Has("rule")
	var rule house.DoorRule
	if shown {
		if err := posted.json("rule", &rule); err != nil {
			return err
		}
		rule.ID, page.Form = id, ruleForm(rule)
		if !posted.Has("save") {
			return drawRule(w, r, http.StatusOK, page)
		}
	} else {
		rule, page.Wrong = readRule(posted, id)
	}
	for _, f := range book.Faults(rule) {
		page.Wrong.add(f.Field, f.Err)
	}
	switch {
	case len(page.Wrong) > 0:
		return drawRule(w, r, http.StatusUnprocessableEntity, page)
	case shown:
		return s.saveRule(w, r, rule, page)
	default:
		return s.drawRulePreview(w, r, page, rule)
	}
}

func (s *Server) saveRule(w http.ResponseWriter, r *http.Request, rule house.DoorRule, page adviceRuleView) error {
	s.deciding.Lock()
	defer s.deciding.Unlock()
	now, err := s.ruleBook(r.Context())
	if err != nil {
		return err
	}
	old, err := now.Find(rule.ID)
	if rule.ID != "" && err != nil {
		return absent(err, errNoRule)
	}
	page.Conflict, err = s.moved(r, &page.Revision, old, func(view.Presenter) (string, []string) {
		return "rule " + rule.ID, []string{now.Says(old)}
	})
	if err != nil {
		return err
	}
	if page.Conflict != nil {
		page.Book = now
		return drawRule(w, r, http.StatusConflict, page)
	}
	if _, err := s.Archive.SetDoorRule(r.Context(), rule); err != nil {
		return absent(err, errNoRule)
	}
	return redirect(w, r, "/rules/advice?saved")
}

func (s *Server) drawRulePreview(w http.ResponseWriter, r *http.Request, form adviceRuleView,
	rule house.DoorRule) error {
	book := form.Book
	raw, err := json.Marshal(rule)
	if err != nil {
		return err
	}
	page := rulePreview{Bar: barOf(r, speak(languageOf(r)).Text("door-rule-preview-title")), ID: rule.ID,
		Says: book.Says(rule), Never: !rule.Allowed, Conflicts: book.ConflictsOf(rule), Rule: string(raw),
		Revision: form.Revision}
	if old, err := book.Find(rule.ID); err == nil && book.Says(old) != page.Says {
		page.Before = book.Says(old)
	}
	return sendPage(w, r, http.StatusOK, "advice-rule-preview.html", page)
}

func (s *Server) showRemoveRule(w http.ResponseWriter, r *http.Request) error {
	book, err := s.ruleBook(r.Context())
	if err != nil {
		return err
	}
	rule, err := book.Find(r.PathValue("rule"))
	if err != nil {
		return absent(err, errNoRule)
	}
	words := speak(languageOf(r))
	page := confirmView{Bar: barOf(r, words.Text("door-rule-remove-title")), Back: "/rules/advice",
		Action: ruleAddress(rule.ID) + "/remove", Button: words.Text("door-rule-remove"),
		Says: []string{words.Text("door-rule-remove-ends"), book.Says(rule)}}
	if !rule.Allowed {
		page.Says = append(page.Says, words.Text("door-rule-remove-never"))
	}
	return sendPage(w, r, http.StatusOK, "confirm.html", page)
}

func (s *Server) submitRemoveRule(w http.ResponseWriter, r *http.Request) error {
	return afterRemoval(w, r, s.Archive.RemoveDoorRule(r.Context(), r.PathValue("rule")), "/rules/advice?saved")
}

// A suggestingLine is what the screen Rules says of suggestions.
type suggestingLine struct {
	Paused bool
	Words  string
}

func (s *Server) suggestingLine(ctx context.Context, t view.Presenter) (line suggestingLine, err error) {
	h, err := s.Archive.AdviceRules(ctx)
	if err != nil {
		return line, err
	}
	rules, err := s.Archive.DoorRules(ctx)
	return suggestingLine{h.Paused, t.Suggesting(h, len(rules))}, err
}
