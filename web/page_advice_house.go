package web

import (
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/advice/policy"
	"lintel/web/view"
)

type adviceHouseView struct {
	Bar   barView
	Form  postedForm
	Wrong wrongs
	Clock string // that times are by

	Conflict *conflict
	Revision string // that the form began from
}

var (
	errOver     error = house.Refusal("moment-over")
	errUnpaused error = house.Refusal("pause-unsaid")
)

// houseForm fills in what the household decided about all suggestions.
func houseForm(h house.AdviceRules, t view.Presenter) postedForm {
	f := postedForm{url.Values{
		"window": {view.PlainNumber(h.Window.Minutes(), 3)}, "expiry": {view.PlainNumber(h.Expiry.Seconds(), 3)},
		"misses": {strconv.Itoa(h.Misses)}, "wait": {view.PlainNumber(h.Wait.Minutes(), 3)},
		"holidays": {strings.Join(h.Holidays, "\n")},
	}}
	f.tick("parcels_while_away", h.ParcelsWhileAway)
	if h.AwayUntil.After(t.Now) {
		f.Set("away_until", h.AwayUntil.In(t.Zone).Format(view.Minute))
	}
	if h.Home != nil {
		f.Set("latitude", view.PlainNumber(h.Home.Latitude, 6))
		f.Set("longitude", view.PlainNumber(h.Home.Longitude, 6))
		f.Set("radius", view.PlainNumber(h.Home.Radius, 1))
	}
	return f
}

// readHouse reads what was typed over the rules as they are, and says what is
// wrong.
func readHouse(posted postedForm, h house.AdviceRules, t view.Presenter) (house.AdviceRules, wrongs) {
	var wrong wrongs
	h.AwayUntil, h.ParcelsWhileAway, h.Misses, h.Home = time.Time{}, posted.Has("parcels_while_away"), 0, nil
	if text := posted.text("away_until"); text != "" {
		until, err := t.ReadMinute(text)
		if err == nil && !until.After(t.Now) {
			err = errOver
		}
		wrong.add("away_until", err)
		h.AwayUntil = until
	}
	h.Window, h.Expiry = posted.duration("window", time.Minute), posted.duration("expiry", time.Second)
	h.Wait, h.Holidays = posted.duration("wait", time.Minute), readHolidays(posted.Get("holidays"))
	if v, err := typedNumber(posted.text("misses")); err == nil && v == float64(int(v)) {
		h.Misses = int(v)
	}
	if posted.text("latitude")+posted.text("longitude")+posted.text("radius") != "" {
		h.Home = new(house.Home)
		for field, to := range map[string]*float64{"latitude": &h.Home.Latitude, "longitude": &h.Home.Longitude,
			"radius": &h.Home.Radius} {
			var err error
			if *to, err = typedNumber(posted.text(field)); err != nil {
				wrong.add("home", policy.ErrHome)
			}
		}
	}
	for _, err := range policy.CheckAdviceRules(h) {
		wrong.add(houseField(err), err)
	}
	return h, wrong
}

// readHolidays reads dates with anything but figures and hyphens between them,
// in their order and each once.
func readHolidays(text string) []string {
	days := strings.FieldsFunc(text, func(c rune) bool { return strings.ContainsRune(" \t\r\n,;", c) })
	slices.Sort(days)
	return slices.Compact(days)
}

// houseField names the field that an error of policy.CheckAdviceRules is about.
func houseField(err error) string {
	for field, about := range map[string]error{"window": policy.ErrWindow, "expiry": policy.ErrExpiry,
		"misses": policy.ErrMisses, "wait": policy.ErrWait, "home": policy.ErrHome} {
		if errors.Is(err, about) {
			return field
		}
	}
	return "holidays"
}

func (s *Server) showAdviceHouse(w http.ResponseWriter, r *http.Request) error {
	t, house, err := s.houseFor(r)
	if err != nil {
		return err
	}
	revision, err := revisionOf(typedOf(house))
	if err != nil {
		return err
	}
	return drawAdviceHouse(w, r, http.StatusOK, t, adviceHouseView{Form: houseForm(house, t), Revision: revision})
}

func drawAdviceHouse(w http.ResponseWriter, r *http.Request, status int, t view.Presenter, page adviceHouseView) error {
	page.Bar, page.Clock = barOf(r, t.Words.Text("advice-house-title")), t.ByClock()
	return sendPage(w, r, status, "advice-house.html", page)
}

// typedOf is what the form changes of the rules: all but the pause, which has a
// button of its own.
func typedOf(h house.AdviceRules) house.AdviceRules {
	h.Paused = false
	return h
}

func (s *Server) houseFor(r *http.Request) (t view.Presenter, house house.AdviceRules, err error) {
	if t, err = s.presenterFor(r.Context(), session(r)); err != nil {
		return t, house, err
	}
	house, err = s.Archive.AdviceRules(r.Context())
	return t, house, err
}

func (s *Server) submitAdviceHouse(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	s.deciding.Lock()
	defer s.deciding.Unlock()
	t, house, err := s.houseFor(r)
	if err != nil {
		return err
	}
	page := adviceHouseView{Form: posted, Revision: posted.Get("revision")}
	now := house
	if house, page.Wrong = readHouse(posted, house, t); len(page.Wrong) > 0 {
		return drawAdviceHouse(w, r, http.StatusUnprocessableEntity, t, page)
	}
	page.Conflict, err = s.moved(r, &page.Revision, typedOf(now), func(t view.Presenter) (string, []string) {
		return "advice-rules", t.HouseSentences(now)
	})
	if err != nil {
		return err
	}
	if page.Conflict != nil {
		return drawAdviceHouse(w, r, http.StatusConflict, t, page)
	}
	if err := s.Archive.SetAdviceRules(r.Context(), house); err != nil {
		return err
	}
	return redirect(w, r, "/rules/advice?saved")
}

// submitPause pauses all suggestions, or lets them be made again.
func (s *Server) submitPause(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	paused, err := posted.truth("paused", "problem-paused-truth")
	if err != nil {
		return err
	}
	s.deciding.Lock()
	defer s.deciding.Unlock()
	house, err := s.Archive.AdviceRules(r.Context())
	if err == nil && house.Paused != paused {
		house.Paused = paused
		err = s.Archive.SetAdviceRules(r.Context(), house)
	}
	if err != nil {
		return err
	}
	return redirect(w, r, "/rules/advice")
}
