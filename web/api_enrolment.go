package web

import (
	"context"
	"net/http"
	"slices"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/advice/totp"
)

// A consentJSON is a consent as programs send it.
type consentJSON struct {
	GivenBy string    `json:"given_by"`
	GivenAt time.Time `json:"given_at"` // now, where it is left out
	Scope   string    `json:"scope"`
}

func (s *Server) consent(j consentJSON) (house.Consent, error) {
	c := house.Consent{GivenBy: j.GivenBy, GivenAt: j.GivenAt, Scope: j.Scope}
	if c.GivenAt.IsZero() {
		c.GivenAt = s.Now()
	}
	return c, c.Complete()
}

// postPerson adds a person, with a consent if one is sent.
func (s *Server) postPerson(w http.ResponseWriter, r *http.Request) error {
	var sent struct {
		Name    string       `json:"name"`
		Consent *consentJSON `json:"consent"`
	}
	if err := bodyJSON(w, r, &sent); err != nil {
		return err
	}
	var consent house.Consent
	var err error
	if sent.Consent != nil {
		if consent, err = s.consent(*sent.Consent); err != nil {
			return refusedPerson(err)
		}
	}
	ctx := context.WithoutCancel(r.Context())
	var p house.Person
	if sent.Consent != nil {
		p, err = s.Archive.AddConsenting(ctx, sent.Name, consent)
	} else {
		p, err = s.Archive.AddPerson(ctx, sent.Name)
	}
	if err != nil {
		return refusedPerson(err)
	}
	return s.answerPerson(w, r, http.StatusCreated, p.ID)
}

// putConsent records a consent of a person's, in place of any before.
func (s *Server) putConsent(w http.ResponseWriter, r *http.Request) error {
	var sent consentJSON
	if err := bodyJSON(w, r, &sent); err != nil {
		return err
	}
	p, err := s.personOf(r)
	if err != nil {
		return err
	}
	c, err := s.consent(sent)
	if err == nil {
		err = s.Archive.RecordConsent(r.Context(), p.ID, c)
	}
	if err != nil {
		return refusedPerson(err)
	}
	return s.answerPerson(w, r, http.StatusOK, p.ID)
}

// refusedPerson says why nothing was recorded of a person.
func refusedPerson(err error) error {
	if p, ok := badIntroduction(err); ok {
		return p
	}
	return absent(err, errPersonGone)
}

func (s *Server) answerPerson(w http.ResponseWriter, r *http.Request, status int, id string) error {
	p, err := s.Archive.Person(r.Context(), id)
	var person personJSON
	if err == nil {
		person, err = s.weighed(r.Context(), p)
	}
	if err != nil {
		return absent(err, errPersonGone)
	}
	return sendJSON(w, status, person)
}

// A codesJSON is a secret of one-time codes, which is shown this once.
type codesJSON struct {
	Secret string `json:"secret"` // in base32
	URI    string `json:"uri"`    // the same, for an authenticator app
}

// getCodes answers whether a person has one-time codes.
func (s *Server) getCodes(w http.ResponseWriter, r *http.Request) error {
	p, err := s.personOf(r)
	if err != nil {
		return err
	}
	with, err := s.Archive.OneTimePersons(r.Context())
	if err != nil {
		return err
	}
	return sendJSON(w, http.StatusOK, struct {
		Given bool `json:"given"`
	}{slices.Contains(with, p.ID)})
}

func (s *Server) postCodes(w http.ResponseWriter, r *http.Request) error {
	p, err := s.personOf(r)
	if err != nil {
		return err
	}
	secret := totp.New()
	uri, err := secret.URI(appName(p.Name))
	if err == nil {
		err = s.Archive.SetOneTimeSecret(r.Context(), p.ID, secret.Text(), 0)
	}
	if err != nil {
		return absent(err, errPersonGone)
	}
	return sendJSON(w, http.StatusCreated, codesJSON{secret.Text(), uri})
}

func (s *Server) deleteCodes(w http.ResponseWriter, r *http.Request) error {
	p, err := s.personOf(r)
	if err == nil {
		err = absent(s.Archive.RemoveOneTimeSecret(r.Context(), p.ID), errCodeless)
	}
	if err != nil {
		return err
	}
	s.erased()
	return s.getCodes(w, r)
}
