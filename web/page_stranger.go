package web

import (
	"cmp"
	"context"
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/review"
	"lintel/web/view"
)

// A strangerPageView is what the page of one stranger shows: the visits, and a
// form to say who it is.
type strangerPageView struct {
	Bar     barView
	Message string // why nobody was added
	view.Stranger
	Form    review.Introduction
	Persons []house.Person // who is enrolled already
	Day     string         // of the consent, as typed
	Last    string         // the last day that it may be of
}

func (s *Server) showStranger(w http.ResponseWriter, r *http.Request) error {
	g, err := s.review.Stranger(r.Context(), r.PathValue("stranger"))
	if err != nil {
		return refusedIntroduction(err)
	}
	scope := speak(languageOf(r)).Text("stranger-scope-usual")
	page := strangerPageView{Form: review.Introduction{Consent: house.Consent{Scope: scope}}}
	for _, v := range g.Visits {
		// Of what may be a picture nobody makes a reference unasked.
		if l := v.Faces[0].Face.Liveness; l == nil || !l.Level.Warns() {
			page.Form.Visits = append(page.Form.Visits, v.ID)
		}
	}
	return s.drawStranger(w, r, http.StatusOK, g, page)
}

func (s *Server) drawStranger(
	w http.ResponseWriter, r *http.Request, status int, g review.Stranger, page strangerPageView,
) error {
	presenter, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	page.Bar, page.Stranger = barOf(r, presenter.Words.Text("stranger-title")), presenter.Stranger(g)
	page.Last = presenter.Now.In(presenter.Zone).Format(time.DateOnly)
	if page.Persons, err = s.Archive.Persons(r.Context()); err != nil {
		return err
	}
	page.Persons = slices.DeleteFunc(page.Persons, func(p house.Person) bool { return p.Consent == nil })
	for i, v := range g.Visits {
		row := &page.Visits[i]
		row.Chosen = slices.Contains(page.Form.Visits, v.ID)
		if row.Face, err = s.cropOf(r.Context(), v.Faces[0]); err != nil {
			return err
		}
	}
	return sendPage(w, r, status, "stranger.html", page)
}

// submitIntroduction makes a person of a stranger, or says why not and shows the
// form as it was typed.
func (s *Server) submitIntroduction(w http.ResponseWriter, r *http.Request) error {
	q, err := readPosted(w, r)
	if err != nil {
		return err
	}
	presenter, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	page := strangerPageView{Day: q.Get("given_at"), Form: review.Introduction{
		Name: q.Get("name"), Consent: house.Consent{GivenBy: q.Get("given_by"), Scope: q.Get("scope")},
		Visits: q.Values["visit"], NameVisits: q.Get("name_visits") == "true",
	}}
	if q.Get("known") == "true" { // by the button that stands there
		page.Form.Person = cmp.Or(q.Get("person"), "nobody")
	}
	g, err := s.review.Stranger(r.Context(), r.PathValue("stranger"))
	if err != nil {
		return refusedIntroduction(err)
	}
	if page.Form.Person == "" && page.Day != "" { // else the archive refuses
		if page.Form.Consent.GivenAt, err = presenter.DayFrom(page.Day); err != nil {
			err = house.Fault{Of: house.ErrNoConsent, Code: "consent-when"}
		}
	}
	if err == nil && len(page.Form.Visits) == 0 {
		err = errNoVisit
	}
	var done review.Introduced
	if err == nil {
		done, err = s.review.Introduce(context.WithoutCancel(r.Context()), r.PathValue("stranger"), page.Form)
	}
	if p, ok := badIntroduction(err); ok {
		said := p.say(presenter.Words)
		page.Message = said.Title + " " + said.Detail
		return s.drawStranger(w, r, p.Status, g, page)
	}
	if err != nil {
		return refusedIntroduction(err)
	}
	to := url.Values{"references": {strconv.Itoa(done.References)}, "named": {strconv.Itoa(done.Named)},
		"of": {strconv.Itoa(done.Of)}}
	return redirect(w, r, view.PersonAddress(done.Person.ID)+"?"+to.Encode())
}

var errNoVisit = errors.New("no visit is ticked")

// badIntroduction says what is wrong with what somebody sent.
func badIntroduction(err error) (p problem, ok bool) {
	p.Status, p.Detail = http.StatusUnprocessableEntity, "problem-nothing-changed"
	switch {
	case errors.Is(err, house.ErrNoConsent):
		p.Type, p.Title, p.Detail = "no-consent", "problem-no-consent", "problem-biometric"
		if why := new(house.Fault); errors.As(err, why) {
			p.Why = err
		}
	case errors.Is(err, house.ErrBadPersonName):
		p.Type, p.Title = "bad-name", "problem-bad-person-name"
	case errors.Is(err, house.ErrNoReference):
		p.Type, p.Title, p.Detail, p.Why = "no-reference", "problem-no-reference", "problem-no-reference-do", err
	case errors.Is(err, review.ErrNoPerson):
		p.Type, p.Title = "no-person", "problem-no-person-chosen"
	case errors.Is(err, errNoVisit):
		p.Type, p.Title = "no-visit", "problem-no-visit-ticked"
	case errors.Is(err, review.ErrStrangerChanged):
		p.Status, p.Type = http.StatusConflict, "changed"
		p.Title, p.Detail = "problem-stranger-changed", "problem-nothing-changed-look"
	default:
		return problem{}, false
	}
	return p, true
}

// refusedIntroduction says why nobody was enrolled.
func refusedIntroduction(err error) error {
	if p, ok := badIntroduction(err); ok {
		return p
	}
	return absent(err, errNoStranger)
}
