package web

import (
	"encoding/json"
	"net/http"
	"net/url"

	"lintel/internal/house"
	"lintel/web/view"
)

const keepingAddress = "/rules/keeping"

// A keepingView is what the page of how long visits are kept shows.
type keepingView struct {
	Bar       barView
	Told      string    // what was done just now
	Conflict  *conflict // nil where nobody saved meanwhile
	Wrong     wrongs
	Sentences []string // the rules as they are
	Draft     rulesForm
	Revision  string // that the draft began from
	Holds     []holdLine
}

type holdLine struct {
	Visit          string // address
	End            string // where it is ended
	Reason         string
	Placed, EndsAt string
}

// keptBy is what the form of Keeping changes of the rules; the zone is not of it.
func keptBy(rules house.Rules) house.Rules {
	if len(rules.Quiet) == 0 {
		rules.Quiet = nil // none and an empty list are the same
	}
	return house.Rules{Keep: rules.Keep, Quiet: rules.Quiet}
}

func (s *Server) showKeeping(w http.ResponseWriter, r *http.Request) error {
	rules, err := s.Archive.Rules(r.Context())
	if toShow(err) != nil {
		return err
	}
	page := keepingView{Draft: rulesFormOf(rules)}
	if page.Revision, err = revisionOf(keptBy(rules)); err != nil {
		return err
	}
	words := speak(languageOf(r))
	switch query := r.URL.Query(); {
	case query.Has("saved"):
		page.Told = words.Text("rules-saved")
	case query.Has("ended"):
		page.Told = words.Text("rules-hold-ended")
	}
	return s.drawKeeping(w, r, http.StatusOK, page)
}

// drawKeeping shows a draft of the rules, with all that stands around it.
func (s *Server) drawKeeping(w http.ResponseWriter, r *http.Request, status int, page keepingView) error {
	t, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	page.Bar = barOf(r, t.Words.Text("rules-tab-keeping"))
	page.Sentences = t.RuleSentences(t.Rules)
	holds, err := s.Archive.Holds(r.Context())
	if err != nil {
		return err
	}
	for _, h := range holds {
		page.Holds = append(page.Holds, holdLine{view.VisitAddress(h.Visit),
			"/rules/holds/" + url.PathEscape(h.Visit) + "/end",
			h.Reason, t.Moment(h.PlacedAt), t.Moment(h.EndsAt)})
	}
	return sendPage(w, r, status, "rules-keeping.html", page)
}

// A previewView is what the page shows between changing rules and saving them.
type previewView struct {
	Bar       barView
	Goes      []string // what the rules would delete now
	Changes   []string // what they change for what is kept
	Sentences []string
	Rules     string // as JSON, for saving
	Revision  string // that they began from
}

// submitKeeping takes the form of Keeping. It shows what the rules in it would do,
// or the form again: with a quiet time more or fewer, as it was before the preview,
// or as typed, with what is wrong.
func (s *Server) submitKeeping(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	page := keepingView{Revision: posted.Get("revision")}
	if posted.Has("back") {
		var rules house.Rules
		if err := posted.json("rules", &rules); err != nil {
			return err
		}
		page.Draft = rulesFormOf(rules)
		return s.drawKeeping(w, r, http.StatusOK, page)
	}
	page.Draft = readRulesForm(posted.Values)
	if posted.Has("again") || page.Draft.edit(posted.Values) {
		return s.drawKeeping(w, r, http.StatusOK, page)
	}
	rules, wrong := page.Draft.rules()
	if len(wrong) > 0 {
		page.Wrong = wrong
		return s.drawKeeping(w, r, http.StatusUnprocessableEntity, page)
	}
	old, err := s.Archive.Rules(r.Context())
	if toShow(err) != nil {
		return err
	}
	rules.Zone = old.Zone
	if moved, err := s.keepingMoved(w, r, old, page); moved || err != nil {
		return err
	}
	return s.drawPreview(w, r, old, rules, page.Revision)
}

// keepingMoved shows a draft beside the rules that somebody saved since it was
// begun, and reports whether it did.
func (s *Server) keepingMoved(w http.ResponseWriter, r *http.Request, now house.Rules, page keepingView) (bool, error) {
	var err error
	page.Conflict, err = s.moved(r, &page.Revision, keptBy(now), func(t view.Presenter) (string, []string) {
		return "rules", t.RuleSentences(now)
	})
	if page.Conflict == nil {
		return false, err
	}
	return true, s.drawKeeping(w, r, http.StatusConflict, page)
}

func (s *Server) drawPreview(w http.ResponseWriter, r *http.Request, old, rules house.Rules, revision string) error {
	goes, err := s.Archive.Preview(r.Context(), rules)
	if err != nil {
		return err
	}
	raw, err := json.Marshal(rules)
	if err != nil {
		return err
	}
	t := view.Presenter{Words: speak(languageOf(r))}
	return sendPage(w, r, http.StatusOK, "rules-preview.html", previewView{
		Bar: barOf(r, t.Words.Text("preview-title")), Goes: t.PreviewSentences(goes), Changes: t.ChangeSentences(old, rules),
		Sentences: t.RuleSentences(rules), Rules: string(raw), Revision: revision,
	})
}

// submitSavedRules keeps the rules that a preview showed.
func (s *Server) submitSavedRules(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	var rules house.Rules
	if err := posted.json("rules", &rules); err != nil {
		return err
	}
	s.deciding.Lock()
	defer s.deciding.Unlock()
	old, err := s.Archive.Rules(r.Context())
	if toShow(err) != nil {
		return err
	}
	rules.Zone = old.Zone
	if err := rules.Check(); err != nil { // the preview would not have shown them
		return err
	}
	page := keepingView{Draft: rulesFormOf(rules), Revision: posted.Get("revision")}
	if moved, err := s.keepingMoved(w, r, old, page); moved || err != nil {
		return err
	}
	if err := s.Archive.SetRules(r.Context(), rules); err != nil {
		return err
	}
	return redirect(w, r, keepingAddress+"?saved")
}

func (s *Server) submitEndHold(w http.ResponseWriter, r *http.Request) error {
	return afterRemoval(w, r, s.Archive.EndHold(r.Context(), r.PathValue("visit")), keepingAddress+"?ended")
}
