package web

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
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

// localMinute is how a form writes a time.
const localMinute = "2006-01-02T15:04"

// localTime reads a time of a form by the household's clock. The error is
// errNoMoment for a time that is none, or that daylight saving skips. Of a time
// that comes twice it is either.
func (t presenter) localTime(text string) (time.Time, error) {
	at, err := time.ParseInLocation(localMinute, text, t.Zone)
	if err != nil || !view.Writable(at) || at.Format(localMinute) != text {
		return time.Time{}, errNoMoment
	}
	return at, nil
}

var (
	errNoMoment = errors.New("a day and a time that there are")
	errOver     = errors.New("that is over already")
	errUnpaused = errors.New("paused is needed: nothing is taken out of a pause by leaving it out")
)

// clockWords say by which clock the times of a form are.
func (t presenter) clockWords() string {
	if t.Rules.Zone == "" {
		return "the server’s clock"
	}
	return "the clock of " + t.Rules.Zone
}

func houseFormOf(h house.AdviceRules, t presenter) houseForm {
	f := houseForm{
		ParcelsWhileAway: h.ParcelsWhileAway, Window: plainNumber(h.Window.Minutes(), 3),
		Expiry: plainNumber(h.Expiry.Seconds(), 3),
		Misses: fmt.Sprint(h.Misses), Wait: plainNumber(h.Wait.Minutes(), 3), Holidays: strings.Join(h.Holidays, "\n"),
	}
	if h.AwayUntil.After(t.Now) {
		f.AwayUntil = h.AwayUntil.In(t.Zone).Format(localMinute)
	}
	if h.Home != nil {
		f.Latitude, f.Longitude, f.HomeSize = plainNumber(h.Home.Latitude, 6), plainNumber(h.Home.Longitude, 6),
			plainNumber(h.Home.Radius, 1)
	}
	return f
}

func readHouseForm(form url.Values) houseForm {
	get := func(name string) string { return strings.TrimSpace(form.Get(name)) }
	return houseForm{
		AwayUntil: get("away_until"), ParcelsWhileAway: form.Has("parcels_while_away"),
		Window: get("window"), Expiry: get("expiry"), Misses: get("misses"), Wait: get("wait"),
		Holidays: get("holidays"), Latitude: get("latitude"), Longitude: get("longitude"), HomeSize: get("radius"),
	}
}

// rules reads what was typed over the rules as they are, and says what is wrong.
func (f houseForm) rules(h house.AdviceRules, t presenter) (house.AdviceRules, wrongs) {
	wrong := make(wrongs)
	h.AwayUntil, h.ParcelsWhileAway, h.Home = time.Time{}, f.ParcelsWhileAway, nil
	if f.AwayUntil != "" {
		until, err := t.localTime(f.AwayUntil)
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

func drawAdviceHouse(w http.ResponseWriter, r *http.Request, status int, t presenter, form houseForm,
	wrong wrongs) error {
	return sendPage(w, r, status, "advice-house.html",
		adviceHouseView{barOf(r, "Rules", "Suggestions: the household"), form, wrong, t.clockWords()})
}

func (s *Server) houseFor(r *http.Request) (t presenter, house house.AdviceRules, err error) {
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
	form := readHouseForm(posted.Values)
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
	paused, err := posted.truth("paused", "The form does not say whether suggestions are to be paused.")
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

// houseSentences say what the household decided about all suggestions.
func (t presenter) houseSentences(h house.AdviceRules) []string {
	away := "The household is not away."
	if h.AwayUntil.After(t.Now) {
		away = fmt.Sprintf("The household is away until %s, and nobody is suggested until then.", t.Moment(h.AwayUntil))
	}
	parcels := "While it is away, no parcel may be left either."
	if h.ParcelsWhileAway {
		parcels = "While it is away, parcels may be left all the same."
	}
	home := "Where home is, is not known, so no phone can come home."
	if h.Home != nil {
		home = fmt.Sprintf("A phone has come home within %s metres of the house.", plainNumber(h.Home.Radius, 0))
	}
	return []string{
		away, parcels,
		fmt.Sprintf("A phone that came home, or a token that was seen, counts for %s.", lastingWords(h.Window)),
		fmt.Sprintf("A suggestion holds for %s.", lastingWords(h.Expiry)),
		fmt.Sprintf("After %s within an hour nothing is suggested for %s.", counted(h.Misses, "failed attempt"),
			lastingWords(h.Wait)),
		t.holidayWords(h.Holidays), home,
	}
}

func (t presenter) holidayWords(days []string) string {
	today := t.Now.In(t.Zone).Format(time.DateOnly)
	days = slices.Sorted(slices.Values(days))
	i, _ := slices.BinarySearch(days, today)
	next := days[i:]
	if len(next) == 0 {
		return "No holiday to come is known."
	}
	day, err := t.DayFrom(next[0])
	if err != nil {
		return "The holidays can't be read."
	}
	return fmt.Sprintf("%s to come; the next is %s.", counted(len(next), "holiday"), t.Day(day))
}

// lastingWords say a length of time in whole units.
func lastingWords(d time.Duration) string {
	switch {
	case d < 2*time.Minute && d%time.Minute != 0 || d < time.Minute:
		return counted(int(d/time.Second), "second")
	case d%time.Minute != 0:
		return fmt.Sprintf("%s and %s", counted(int(d/time.Minute), "minute"),
			counted(int(d%time.Minute/time.Second), "second"))
	case d < 2*time.Hour || d%time.Hour != 0:
		return counted(int(d/time.Minute), "minute")
	}
	return counted(int(d/time.Hour), "hour")
}
