package web

import (
	"errors"
	"math"
	"net/http"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync"

	"lintel/internal/house"
	"lintel/web/view"
)

const rulesHouseAddress = "/rules/house"

// A rulesHouseView is what the page of what holds in the whole house shows: its
// clock, and who rings there.
type rulesHouseView struct {
	Bar      barView
	Told     string
	Conflict *conflict
	Wrong    wrongs
	Zone     string // as typed or as it is
	Zones    []string
	Here     string // the server's
	Clock    string // what time it is by the household's
	Prior    string // per cent, as typed or as it is
	Revision string // that the form began from
	Chime    chimeView
}

// A rulesHouse is what the form of House changes.
type rulesHouse struct {
	Zone  string
	Prior float64
}

func (s *Server) rulesHouse(r *http.Request) (h rulesHouse, rules house.Rules, err error) {
	if rules, err = s.Archive.Rules(r.Context()); toShow(err) != nil {
		return h, rules, err
	}
	h.Zone = rules.Zone
	h.Prior, err = s.prior(r.Context())
	return h, rules, err
}

func percentOf(prior float64) string {
	return strconv.FormatFloat(math.Round(1000*prior)/10, 'f', -1, 64)
}

func (s *Server) showRulesHouse(w http.ResponseWriter, r *http.Request) error {
	h, _, err := s.rulesHouse(r)
	if err != nil {
		return err
	}
	page := rulesHouseView{Zone: h.Zone, Prior: percentOf(h.Prior)}
	if page.Revision, err = revisionOf(h); err != nil {
		return err
	}
	if r.URL.Query().Get("saved") == "" && r.URL.Query().Has("saved") {
		page.Told = speak(languageOf(r)).Text("house-saved")
	}
	return s.drawRulesHouse(w, r, http.StatusOK, page)
}

func (s *Server) drawRulesHouse(w http.ResponseWriter, r *http.Request, status int, page rulesHouseView) error {
	t, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	page.Bar = barOf(r, t.Words.Text("rules-tab-house"))
	if page.Chime.Fault == "" {
		if page.Chime, err = s.chimeForm(r); err != nil {
			return err
		}
	}
	page.Zones, page.Here, page.Clock = zoneNames(), t.Now.In(s.Zone).Format("MST"), t.Moment(t.Now)
	return sendPage(w, r, status, "rules-house.html", page)
}

// submitRulesHouse keeps the time zone and the prior.
func (s *Server) submitRulesHouse(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	page := rulesHouseView{Zone: posted.text("zone"), Prior: posted.Get("percent"), Revision: posted.Get("revision")}
	s.deciding.Lock()
	defer s.deciding.Unlock()
	old, rules, err := s.rulesHouse(r)
	if err != nil {
		return err
	}
	rules.Zone = page.Zone
	page.Wrong.add("zone", rules.CheckZone())
	prior, err := typedPercent(posted.text("percent"))
	page.Wrong.add("percent", err)
	if len(page.Wrong) > 0 {
		return s.drawRulesHouse(w, r, http.StatusUnprocessableEntity, page)
	}
	if moved, err := s.houseMoved(w, r, old, page); moved || err != nil {
		return err
	}
	if old.Zone != rules.Zone {
		err = s.Archive.SetRules(r.Context(), rules)
	}
	if percentOf(old.Prior) != percentOf(prior) {
		err = errors.Join(err, s.Archive.SetPrior(r.Context(), prior))
	}
	if err != nil {
		return err
	}
	return redirect(w, r, rulesHouseAddress+"?saved")
}

// houseMoved shows what was typed beside what somebody saved since, and reports
// whether it did.
func (s *Server) houseMoved(w http.ResponseWriter, r *http.Request, now rulesHouse, page rulesHouseView) (bool, error) {
	subject := "rules"
	if now.Zone == page.Zone {
		subject = "prior"
	}
	var err error
	page.Conflict, err = s.moved(r, &page.Revision, now, func(t view.Presenter) (string, []string) {
		clock := t.Words.Text("house-clock-server")
		if now.Zone != "" {
			clock = t.Words.Text("house-clock", "Zone", now.Zone)
		}
		return subject, []string{clock, t.Words.Text("house-prior", "Percent", percentOf(now.Prior))}
	})
	if page.Conflict == nil {
		return false, err
	}
	return true, s.drawRulesHouse(w, r, http.StatusConflict, page)
}

// errPercent says what a prior is.
var errPercent error = house.Refusal("percent")

// typedPercent reads a prior, which is from 1 to 99 per cent.
func typedPercent(text string) (prior float64, err error) {
	percent, err := typedNumber(text)
	if err != nil || percent < 1 || percent > 99 {
		return 0, errPercent
	}
	return percent / 100, nil
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
