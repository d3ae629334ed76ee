package web

import (
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/advice/policy"
	"lintel/web/view"
)

// A houseForm is what the household decides about all suggestions, as typed.
type houseForm struct {
	AwayUntil                     string // 2027-01-31T18:00, by the household's clock; "" for not away
	ParcelsWhileAway              bool
	Window                        string // minutes
	Expiry                        string // seconds
	Misses                        string
	Wait                          string // minutes
	Holidays                      string // one a line
	Latitude, Longitude, HomeSize string // degrees and metres; all "" where it is not known
}

// wrongs is what is wrong with a form, by its fields.
type wrongs map[string]string

// add says what is wrong with a field, unless something was said of it before.
func (w wrongs) add(field string, err error) {
	if err != nil && w[field] == "" {
		w[field] = refused(err)
	}
}

type adviceHouseView struct {
	Bar   barView
	Form  houseForm
	Wrong wrongs
	Clock string // that times are by
}

var (
	errOver     error = house.Refusal("moment-over")
	errUnpaused error = house.Refusal("pause-unsaid")
)

func houseFormOf(h house.AdviceRules, t view.Presenter) houseForm {
	f := houseForm{
		ParcelsWhileAway: h.ParcelsWhileAway, Window: view.PlainNumber(h.Window.Minutes(), 3),
		Expiry: view.PlainNumber(h.Expiry.Seconds(), 3),
		Misses: fmt.Sprint(h.Misses), Wait: view.PlainNumber(h.Wait.Minutes(), 3), Holidays: strings.Join(h.Holidays, "\n"),
	}
	if h.AwayUntil.After(t.Now) {
		f.AwayUntil = h.AwayUntil.In(t.Zone).Format(view.Minute)
	}
	if h.Home != nil {
		f.Latitude, f.Longitude, f.HomeSize = view.PlainNumber(h.Home.Latitude, 6), view.PlainNumber(h.Home.Longitude, 6),
			view.PlainNumber(h.Home.Radius, 1)
	}
	return f
}

func readHouseForm(posted postedForm) houseForm {
	get := posted.text
	return houseForm{
		AwayUntil: get("away_until"), ParcelsWhileAway: posted.Has("parcels_while_away"),
		Window: get("window"), Expiry: get("expiry"), Misses: get("misses"), Wait: get("wait"),
		Holidays: get("holidays"), Latitude: get("latitude"), Longitude: get("longitude"), HomeSize: get("radius"),
	}
}

// rules reads what was typed over the rules as they are, and says what is wrong.
func (f houseForm) rules(h house.AdviceRules, t view.Presenter) (house.AdviceRules, wrongs) {
	wrong := make(wrongs)
	h.AwayUntil, h.ParcelsWhileAway, h.Home = time.Time{}, f.ParcelsWhileAway, nil
	if f.AwayUntil != "" {
		until, err := t.ReadMinute(f.AwayUntil)
		if err == nil && !until.After(t.Now) {
			err = errOver
		}
		wrong.add("away_until", err)
		h.AwayUntil = until
	}
	for _, n := range []struct {
		field, text string
		unit        time.Duration
		to          *time.Duration
	}{{"window", f.Window, time.Minute, &h.Window}, {"expiry", f.Expiry, time.Second, &h.Expiry},
		{"wait", f.Wait, time.Minute, &h.Wait}} {
		*n.to = typedDuration(n.text, n.unit)
	}
	h.Misses = 0
	if v, err := typedNumber(f.Misses); err == nil && v == float64(int(v)) {
		h.Misses = int(v)
	}
	h.Holidays = readHolidays(f.Holidays)
	if f.Latitude+f.Longitude+f.HomeSize != "" {
		h.Home = new(house.Home)
		for _, n := range []struct {
			text string
			to   *float64
		}{{f.Latitude, &h.Home.Latitude}, {f.Longitude, &h.Home.Longitude}, {f.HomeSize, &h.Home.Radius}} {
			v, err := typedNumber(n.text)
			if err != nil {
				wrong.add("home", policy.ErrHome)
			}
			*n.to = v
		}
	}
	for _, err := range policy.CheckAdviceRules(h) {
		wrong.add(houseField(err), err)
	}
	return h, wrong
}

// typedDuration reads a number of some unit; it is negative for what is none, or
// is longer than any here may be.
func typedDuration(text string, unit time.Duration) time.Duration {
	v, err := typedNumber(text)
	if err != nil || v < 0 || v > 1e5 {
		return -1
	}
	return time.Duration(v * float64(unit)).Round(time.Second)
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
	return drawAdviceHouse(w, r, http.StatusOK, t, houseFormOf(house, t), nil)
}

func drawAdviceHouse(w http.ResponseWriter, r *http.Request, status int, t view.Presenter, form houseForm,
	wrong wrongs) error {
	return sendPage(w, r, status, "advice-house.html",
		adviceHouseView{barOf(r, t.Words.Text("advice-house-title")), form, wrong, t.ByClock()})
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
	form := readHouseForm(posted)
	s.advising.Lock()
	defer s.advising.Unlock()
	t, house, err := s.houseFor(r)
	if err != nil {
		return err
	}
	house, wrong := form.rules(house, t)
	if len(wrong) > 0 {
		return drawAdviceHouse(w, r, http.StatusUnprocessableEntity, t, form, wrong)
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
	s.advising.Lock()
	defer s.advising.Unlock()
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
