package web

import (
	"context"
	"errors"
	"mime"
	"net/http"
	"slices"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/advice/totp"
	"lintel/pipeline/enrol"
	"lintel/pipeline/intake"
	"lintel/pipeline/match"
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
	p, err := s.Archive.AddPerson(ctx, sent.Name)
	if err == nil && sent.Consent != nil {
		err = s.Archive.RecordConsent(ctx, p.ID, consent)
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

// A referenceJSON is what became of a photograph.
type referenceJSON struct {
	Quality *qualityJSON `json:"quality"`
	Without match.Gain   `json:"without"`
	More    string       `json:"more,omitempty"` // which pictures are asked for besides
}

// postReference makes a reference of a photograph. Whatever is wrong with it is
// said at once, with what was measured.
func (s *Server) postReference(w http.ResponseWriter, r *http.Request) error {
	if t, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil ||
		t != "image/jpeg" && t != "image/png" {
		return errPhotographType
	}
	person, err := s.personOf(r)
	if err != nil {
		return err
	}
	if person.Consent == nil {
		return errConsentless
	}
	photograph, err := readBody(w, r, intake.MaxBytes, errPhotographLarge, errPhotographCut)
	if err != nil {
		return err
	}
	s.enrolling.Lock() // a picture takes much memory, and a finder is one goroutine's
	defer s.enrolling.Unlock()
	got, err := enrol.Enrol(r.Context(), s.Archive, s.FindFaces, person.ID, photograph)
	if err != nil {
		return refusedPhotograph(got, err)
	}
	now, err := s.Archive.Person(r.Context(), person.ID)
	if err != nil {
		return absent(err, errPersonGone)
	}
	more := ""
	if now.References < match.EnoughPictures {
		more = speak(languageOf(r)).Text("pictures-more", "Name", now.Name)
	}
	return sendJSON(w, http.StatusCreated, referenceJSON{newQualityJSON(&got.Quality), got.Without, more})
}

// refusedPhotograph says why a photograph makes no reference.
func refusedPhotograph(got enrol.Reference, err error) error {
	var poor enrol.Poor
	switch {
	case errors.As(err, &poor):
		return problem{Status: http.StatusUnprocessableEntity, Type: "poor-picture", Complaint: &poor[0],
			Quality: newQualityJSON(&got.Quality)}
	case errors.Is(err, house.ErrNoConsent):
		return errConsentless // it was withdrawn meanwhile
	case errors.Is(err, house.ErrExists):
		return errEnrolled
	}
	return absent(err, errPersonGone)
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
