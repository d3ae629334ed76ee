package web

import (
	"context"
	"encoding/json"
	"errors"
	"math"
	"net/http"
	"net/url"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"lintel/internal/house"
	"lintel/web/view"
)

// zone returns the household's time zone: the one its rules name, or the
// server's.
func (s *Server) zone(ctx context.Context) *time.Location {
	rules, err := s.Archive.Rules(ctx)
	if err != nil {
		return s.Zone // an archive that can't be read fails whatever the times are for
	}
	return s.zoneBy(rules)
}

// zoneBy returns the time zone of rules that were read already.
func (s *Server) zoneBy(rules house.Rules) *time.Location {
	if rules.Zone == "" {
		return s.Zone
	}
	return rules.Location()
}

// A rulesView is what the page Rules shows.
type rulesView struct {
	Bar       barView
	Saved     bool
	Message   string   // what is wrong with the draft
	Sentences []string // the rules as they are
	Draft     rulesForm
	Zones     []string // names to choose from
	Here      string   // the server's zone
	Holds     []holdLine
	Bells     []maskedBell

	Suggesting suggestingLine

	Prior        string // per cent, as typed or as it is
	PriorMessage string // what is wrong with it
}

type holdLine struct {
	Visit          string // address
	End            string // where it is ended
	Reason         string
	Placed, EndsAt string
}

type maskedBell struct {
	Name    string
	Address string // of its masks
	Masks   int
	Lens    string // address of how it looks
	Looks   string
}

func (s *Server) showRules(w http.ResponseWriter, r *http.Request) error {
	rules, err := s.Archive.Rules(r.Context())
	if err != nil {
		return err
	}
	return s.drawRules(w, r, http.StatusOK, rulesView{Draft: rulesFormOf(rules), Saved: r.URL.Query().Has("saved")})
}

// drawRules shows a draft of the rules, with all that stands around it.
func (s *Server) drawRules(w http.ResponseWriter, r *http.Request, status int, page rulesView) error {
	t, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	page.Bar, page.Zones, page.Here = barOf(r, t.Words.Text("rules-title")), zoneNames(), s.Now().In(s.Zone).Format("MST")
	page.Sentences = t.RuleSentences(t.Rules)
	if page.PriorMessage == "" {
		prior, err := s.prior(r.Context())
		if err != nil {
			return err
		}
		page.Prior = strconv.FormatFloat(math.Round(1000*prior)/10, 'f', -1, 64)
	}
	if page.Suggesting, err = s.suggestingLine(r.Context(), t); err != nil {
		return err
	}
	holds, err := s.Archive.Holds(r.Context())
	if err != nil {
		return err
	}
	for _, h := range holds {
		page.Holds = append(page.Holds, holdLine{view.VisitAddress(h.Visit),
			"/rules/holds/" + url.PathEscape(h.Visit) + "/end",
			h.Reason, t.Moment(h.PlacedAt), t.Moment(h.EndsAt)})
	}
	if page.Bells, err = s.maskedBells(r.Context(), t); err != nil {
		return err
	}
	return sendPage(w, r, status, "rules.html", page)
}

// maskedBells lists the bells with how many masks each has, and how it looks.
func (s *Server) maskedBells(ctx context.Context, t view.Presenter) (lines []maskedBell, err error) {
	bells, err := s.Archive.Bells(ctx)
	if err != nil {
		return nil, err
	}
	for _, b := range bells {
		masks, _, err := s.Archive.Masks(ctx, b.Name)
		if err != nil {
			return nil, err
		}
		lens, known, err := s.Archive.Lens(ctx, b.Name)
		if err != nil {
			return nil, err
		}
		lines = append(lines, maskedBell{b.Name, masksAddress(b.Name), len(masks), lensAddress(b.Name),
			t.Lens(lens, known)})
	}
	return lines, nil
}

// zoneNames are the names of time zones to choose from, where the machine has
// the tz database's table of them (zone.tab, whose third column they are).
// There are more than these, and all that the database knows will do.
var zoneNames = sync.OnceValue(func() (names []string) {
	table, err := os.ReadFile("/usr/share/zoneinfo/zone.tab")
	if err != nil {
		return nil
	}
	for line := range strings.Lines(string(table)) {
		if columns := strings.Split(strings.TrimSpace(line), "\t"); !strings.HasPrefix(line, "#") && len(columns) >= 3 {
			names = append(names, columns[2])
		}
	}
	slices.Sort(names)
	return names
})

// A previewView is what the page shows between changing rules and saving them.
type previewView struct {
	Bar       barView
	Goes      []string // what the rules would delete now
	Changes   []string // what they change for what is kept
	Sentences []string
	Rules     string // as JSON, for saving
}

// submitRules takes the form of Rules. It shows what the rules in it would
// do, or the form again: with a quiet time more or fewer, as it was before the
// preview, or as typed, with what is wrong.
func (s *Server) submitRules(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	if posted.Has("back") {
		var rules house.Rules
		if err := posted.json("rules", &rules); err != nil {
			return err
		}
		return s.drawRules(w, r, http.StatusOK, rulesView{Draft: rulesFormOf(rules)})
	}
	d := readRulesForm(posted.Values)
	if d.edit(posted.Values) {
		return s.drawRules(w, r, http.StatusOK, rulesView{Draft: d})
	}
	rules, err := d.rules()
	if err == nil {
		err = rules.Check()
	}
	if errors.Is(err, house.ErrBadRule) {
		return s.drawRules(w, r, http.StatusUnprocessableEntity, rulesView{Draft: d, Message: refused(err)})
	}
	return s.drawPreview(w, r, rules)
}

func (s *Server) drawPreview(w http.ResponseWriter, r *http.Request, rules house.Rules) error {
	old, err := s.Archive.Rules(r.Context())
	if err != nil {
		return err
	}
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
		Bar: barOf(r, t.Words.Text("preview-title")), Goes: t.PreviewSentences(goes),
		Changes: t.ChangeSentences(old, rules), Sentences: t.RuleSentences(rules), Rules: string(raw),
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
	err = s.Archive.SetRules(r.Context(), rules)
	if errors.Is(err, house.ErrBadRule) {
		return s.drawRules(w, r, http.StatusUnprocessableEntity,
			rulesView{Draft: rulesFormOf(rules), Message: refused(err)})
	}
	if err != nil {
		return err
	}
	return redirect(w, r, "/rules?saved")
}

func (s *Server) submitEndHold(w http.ResponseWriter, r *http.Request) error {
	return afterRemoval(w, r, s.Archive.EndHold(r.Context(), r.PathValue("visit")), "/rules")
}
