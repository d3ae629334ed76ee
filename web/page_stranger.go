package web

import (
	"cmp"
	"context"
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strconv"

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
	Asked   consentForm    // who somebody new is, and what they agree to
}

func (s *Server) showStranger(w http.ResponseWriter, r *http.Request) error {
	g, err := s.review.Stranger(r.Context(), r.PathValue("stranger"))
	if err != nil {
		return refusedIntroduction(err)
	}
	presenter, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	page := strangerPageView{Asked: freshConsent(presenter)}
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
	presenter.Shorten(&page.Stranger, len(g.Visits))
	page.Asked.AsksName = true
	if page.Persons, err = s.Archive.Persons(r.Context()); err != nil {
		return err
	}
	page.Persons = slices.DeleteFunc(page.Persons, func(p house.Person) bool { return p.Consent == nil })
	for i, v := range g.Visits {
		page.Visits[i].Chosen = slices.Contains(page.Form.Visits, v.ID)
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
	form, consent := readConsent(presenter, q, true)
	page := strangerPageView{Asked: form, Form: review.Introduction{Name: form.Name, Consent: consent,
		Visits: q.Values["visit"], NameVisits: q.Get("name_visits") == "true",
	}}
	if q.Get("known") == "true" { // by the button that stands there
		page.Form.Person, page.Asked.Faults = cmp.Or(q.Get("person"), "nobody"), nil
	}
	g, err := s.review.Stranger(r.Context(), r.PathValue("stranger"))
	if err != nil {
		return refusedIntroduction(err)
	}
	if len(page.Form.Visits) == 0 {
		err = errNoVisit
	}
	if err == nil && len(page.Asked.Faults) > 0 {
		return s.drawStranger(w, r, http.StatusUnprocessableEntity, g, page)
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
	case errors.Is(err, house.ErrNameUnseen):
		p.Type, p.Why = "bad-name", house.ErrNameUnseen
	case errors.Is(err, house.ErrPersonTwice):
		p.Status, p.Type, p.Title, p.Detail = http.StatusConflict, "name-taken", "problem-person-twice",
			"problem-person-twice-do"
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
