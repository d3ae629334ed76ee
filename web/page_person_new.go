package web

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"strings"
	"time"

	"lintel/internal/house"
	"lintel/web/view"
)

// A consentForm is who agrees to what, as typed, and what is wrong with it by field.
type consentForm struct {
	AsksName            bool // of somebody new
	Name, By, Day, What string
	Last                string // the last day that a consent may be of
	Faults              wrongs
}

// A newPersonView is what the page to add somebody shows.
type newPersonView struct {
	Bar  barView
	Form consentForm
}

// freshConsent is a form that nobody has filled in: of today, to the usual.
func freshConsent(t view.Presenter) consentForm {
	today := t.Now.In(t.Zone).Format(time.DateOnly)
	return consentForm{Day: today, Last: today, What: t.Words.Text("stranger-scope-usual")}
}

func (s *Server) showNewPerson(w http.ResponseWriter, r *http.Request) error {
	t, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	form := freshConsent(t)
	form.AsksName = true
	return drawNewPerson(w, r, http.StatusOK, t, form)
}

func drawNewPerson(w http.ResponseWriter, r *http.Request, status int, t view.Presenter, form consentForm) error {
	return sendPage(w, r, status, "person-new.html", newPersonView{barOf(r, t.Words.Text("people-add")), form})
}

// submitPerson adds somebody with their consent, or says what is wrong with each
// field and shows the form as it was typed. Pictures come next.
func (s *Server) submitPerson(w http.ResponseWriter, r *http.Request) error {
	t, form, consent, err := s.typedConsent(w, r, true)
	if err != nil {
		return err
	}
	var p house.Person
	if len(form.Faults) == 0 {
		p, err = s.Archive.AddConsenting(context.WithoutCancel(r.Context()), form.Name, consent)
		if err := form.refuse(t, err); err != nil {
			return err
		}
	}
	if len(form.Faults) > 0 {
		return drawNewPerson(w, r, http.StatusUnprocessableEntity, t, form)
	}
	return redirect(w, r, view.PicturesAddress(p.ID)+"?"+url.Values{"added": {"1"}}.Encode())
}

// submitConsent records a consent of somebody who has none in force.
func (s *Server) submitConsent(w http.ResponseWriter, r *http.Request) error {
	p, err := s.personOf(r)
	if err != nil {
		return err
	}
	t, form, consent, err := s.typedConsent(w, r, false)
	if err != nil {
		return err
	}
	if len(form.Faults) == 0 {
		err := absent(s.Archive.RecordConsent(context.WithoutCancel(r.Context()), p.ID, consent), errPersonGone)
		if err := form.refuse(t, err); err != nil {
			return err
		}
	}
	if len(form.Faults) > 0 {
		return s.drawPerson(w, r, http.StatusUnprocessableEntity, p, personView{Form: form})
	}
	return redirect(w, r, view.PicturesAddress(p.ID))
}

// typedConsent reads a consent, and the name of somebody new, from a form.
func (s *Server) typedConsent(w http.ResponseWriter, r *http.Request, named bool,
) (t view.Presenter, form consentForm, c house.Consent, err error) {
	posted, err := readPosted(w, r)
	if err != nil {
		return t, form, c, err
	}
	if t, err = s.presenterFor(r.Context(), session(r)); err != nil {
		return t, form, c, err
	}
	form, c = readConsent(t, posted, named)
	return t, form, c, nil
}

// readConsent reads a consent, and the name of somebody new, as typed. All that is
// wrong with it stands in the form's Faults.
func readConsent(t view.Presenter, posted postedForm, named bool) (form consentForm, c house.Consent) {
	form = freshConsent(t)
	form.AsksName = named
	form.Name, form.By = strings.TrimSpace(posted.Get("name")), posted.Get("given_by")
	form.Day, form.What = posted.Get("given_at"), posted.Get("scope")
	if err := house.CheckName(form.Name, 200); named && errors.Is(err, house.ErrNameUnseen) {
		form.Faults.add("name", err)
	} else if named && err != nil {
		form.Faults.add("name", worded(t.Words.Text("problem-bad-person-name")))
	}
	consent := func(field string, c house.Consent) {
		form.Faults.add(field, c.Complete())
	}
	consent("given_by", house.Consent{GivenBy: form.By, GivenAt: t.Now, Scope: "-"})
	consent("scope", house.Consent{GivenBy: "-", GivenAt: t.Now, Scope: form.What})
	at, err := t.DayFrom(form.Day)
	if consent("given_at", house.Consent{GivenBy: "-", GivenAt: at, Scope: "-"}); err == nil && at.After(t.Now) {
		form.Faults.add("given_at", house.Fault{Of: house.ErrNoConsent, Code: "consent-future"})
	}
	return form, house.Consent{GivenBy: form.By, GivenAt: at, Scope: form.What}
}

// refuse says in the form why the archive took nothing. Another error is returned.
func (f *consentForm) refuse(t view.Presenter, err error) error {
	if err == nil {
		return nil
	}
	p, ok := badIntroduction(err)
	if !ok {
		return err
	}
	field := "name"
	if errors.Is(err, house.ErrNoConsent) {
		field = "given_by"
	}
	said := p.say(t.Words)
	f.Faults.add(field, worded(strings.TrimSpace(said.Title+" "+said.Detail)))
	return nil
}
