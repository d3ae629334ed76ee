package web

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/review"
)

// A strangerPageView is what the page of one stranger shows: the visits, and a
// form to say who it is.
type strangerPageView struct {
	Bar     barView
	Message string // why nobody was added
	strangerView
	Form    review.Introduction
	Persons []house.Person // who is enrolled already
	Day     string         // of the consent, as typed
	Last    string         // the last day that it may be of
}

// defaultScope is what a consent is to, if nothing else is typed.
const defaultScope = "Recognising my face at the door from references kept on this server, until I withdraw this."

func (s *Server) showStranger(w http.ResponseWriter, r *http.Request) error {
	g, err := s.review.Stranger(r.Context(), r.PathValue("stranger"))
	if err != nil {
		return refusedIntroduction(err)
	}
	view := strangerPageView{Form: review.Introduction{Consent: house.Consent{Scope: defaultScope}}}
	for _, v := range g.Visits {
		// Of what may be a picture nobody makes a reference unasked.
		if newWarningView(v.Faces[0].Face.Liveness) == nil {
			view.Form.Visits = append(view.Form.Visits, v.ID)
		}
	}
	return s.drawStranger(w, r, http.StatusOK, g, view)
}

func (s *Server) drawStranger(
	w http.ResponseWriter, r *http.Request, status int, g review.Stranger, view strangerPageView,
) error {
	presenter, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	view.Bar, view.strangerView = barOf(r, "People", "A stranger"), presenter.strangerView(g)
	view.Last = presenter.Now.In(presenter.Zone).Format(time.DateOnly)
	if view.Persons, err = s.Archive.Persons(r.Context()); err != nil {
		return err
	}
	view.Persons = slices.DeleteFunc(view.Persons, func(p house.Person) bool { return p.Consent == nil })
	for i, v := range g.Visits {
		row := &view.Visits[i]
		row.Chosen = slices.Contains(view.Form.Visits, v.ID)
		row.Warning = newWarningView(v.Faces[0].Face.Liveness)
		if row.Face, err = s.cropOf(r.Context(), v.Faces[0]); err != nil {
			return err
		}
	}
	return sendPage(w, r, status, "stranger.html", view)
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
	view := strangerPageView{Day: q.Get("given_at"), Form: review.Introduction{
		Name: q.Get("name"), Consent: house.Consent{GivenBy: q.Get("given_by"), Scope: q.Get("scope")},
		Visits: q.Values["visit"], NameVisits: q.Get("name_visits") == "true",
	}}
	if q.Get("known") == "true" { // by the button that stands there
		view.Form.Person = cmp.Or(q.Get("person"), "nobody")
	}
	g, err := s.review.Stranger(r.Context(), r.PathValue("stranger"))
	if err != nil {
		return refusedIntroduction(err)
	}
	if view.Form.Person == "" && view.Day != "" { // else the archive refuses
		if view.Form.Consent.GivenAt, err = presenter.DayFrom(view.Day); err != nil {
			err = fmt.Errorf("%w: the day is %w", house.ErrNoConsent, err)
		}
	}
	if err == nil && len(view.Form.Visits) == 0 {
		err = errNoVisit
	}
	var done review.Introduced
	if err == nil {
		done, err = s.review.Introduce(context.WithoutCancel(r.Context()), r.PathValue("stranger"), view.Form)
	}
	if p, ok := badIntroduction(err); ok {
		view.Message = p.Title + " " + p.Detail
		return s.drawStranger(w, r, p.Status, g, view)
	}
	if err != nil {
		return refusedIntroduction(err)
	}
	to := url.Values{"references": {strconv.Itoa(done.References)}}
	if view.Form.NameVisits {
		to.Set("named", strconv.Itoa(done.Named))
		to.Set("of", strconv.Itoa(done.Of))
	}
	return redirect(w, r, personAddress(done.Person.ID)+"?"+to.Encode())
}

// introducedWords say what came of an introduction, from the address that it
// led to.
func introducedWords(q url.Values) string {
	references, err := strconv.Atoi(q.Get("references"))
	if err != nil || references < 0 {
		return ""
	}
	words := counted(references, "reference") + " enrolled."
	named, err := strconv.Atoi(q.Get("named"))
	of, err2 := strconv.Atoi(q.Get("of"))
	if err != nil || err2 != nil || named < 0 || of < named {
		return words
	}
	words += " " + counted(named, "visit") + " named."
	if of > named {
		words += " " + counted(of-named, "visit") +
			" left with a stranger: not alike enough to the references, or answered for already."
	}
	return words
}

var errNoVisit = errors.New("no visit is ticked")

// biometric is the caution that goes with every refusal for want of a consent.
const biometric = "A face is biometric data: the law protects it specially, " +
	"and nobody is enrolled who has not agreed. Ask them first; nothing was changed."

// badIntroduction says what is wrong with what somebody sent.
func badIntroduction(err error) (p problem, ok bool) {
	p.Status = http.StatusUnprocessableEntity
	switch {
	case errors.Is(err, house.ErrNoConsent):
		reason := "none is in force"
		if _, missing, ok := strings.Cut(err.Error(), house.ErrNoConsent.Error()+": "); ok {
			reason = missing
		}
		p.Type, p.Title, p.Detail = "no-consent", "Nobody is enrolled without a consent: "+reason+".", biometric
	case errors.Is(err, house.ErrBadPersonName):
		p.Type, p.Title, p.Detail = "bad-name", capital(house.ErrBadPersonName.Error())+".", "Nothing was changed."
	case errors.Is(err, house.ErrNoReference):
		p.Type, p.Title = "no-reference", "None of these faces is good enough for a reference."
		p.Detail = "Nothing was changed. They can be enrolled from a photograph, on the server."
		if poor := new(review.NoReferenceError); errors.As(err, &poor) && poor.Fault != nil {
			p.Detail = complaintWords(*poor.Fault) + " " + p.Detail
		}
	case errors.Is(err, review.ErrNoPerson):
		p.Type, p.Detail = "no-person", "Nothing was changed."
		p.Title = "Choose who it is; a person who is not in the list may have been erased."
	case errors.Is(err, errNoVisit):
		p.Type, p.Title, p.Detail = "no-visit", "Tick at least one visit that is theirs for sure.", "Nothing was changed."
	case errors.Is(err, review.ErrStrangerChanged):
		p.Status, p.Type = http.StatusConflict, "changed"
		p.Title, p.Detail = "The visits of this stranger have changed since you saw them.", "Nothing was changed. Look again."
	default:
		return p, false
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
