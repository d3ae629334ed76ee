package web

import (
	"net/http"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/export"
	"lintel/store/backup"
)

// A personJSON is a person, and how much is held of them.
type personJSON struct {
	house.Person
	Visits int `json:"visits"` // that name them
	Held   int `json:"held"`   // of these, with a hold
}

func (s *Server) deleteConsent(w http.ResponseWriter, r *http.Request) error {
	p, err := s.consenting(r)
	if err != nil {
		return err
	}
	return s.postedErasure(w, r, s.withdrawal(p))
}

func (s *Server) deletePerson(w http.ResponseWriter, r *http.Request) error {
	x, err := s.personErasure(r, r.URL.Query())
	if err != nil {
		return err
	}
	return s.postedErasure(w, r, x)
}

func (s *Server) listPersons(w http.ResponseWriter, r *http.Request) error {
	persons, err := s.people(r.Context())
	if err != nil {
		return err
	}
	return sendJSON(w, http.StatusOK, struct {
		Persons []personJSON `json:"persons"`
	}{persons})
}

func (s *Server) getPerson(w http.ResponseWriter, r *http.Request) error {
	p, err := s.personOf(r)
	if err != nil {
		return err
	}
	return sendJSON(w, http.StatusOK, p)
}

// exportTime bounds how long an export may take to send: years of stills, over
// a slow network.
const exportTime = 30 * time.Minute

// getPersonExport answers with all that is held of a person.
func (s *Server) getPersonExport(w http.ResponseWriter, r *http.Request) error {
	options := export.Options{Now: s.Now(), Zone: s.Zone, Language: languageOf(r)}
	if recipient := r.URL.Query().Get("recipient"); recipient != "" {
		var err error
		if options.Recipients, err = backup.ParseRecipients([]string{recipient}); err != nil {
			return problem{Status: http.StatusBadRequest, Type: "bad-recipient", Title: "problem-bad-recipient", Why: err}
		}
	}
	person, err := s.personOf(r)
	if err != nil {
		return err
	}
	e, err := export.Begin(r.Context(), s.Archive, person.ID, options)
	if err != nil {
		return err
	}
	http.NewResponseController(w).SetWriteDeadline(time.Now().Add(exportTime)) // where the connection has any
	w.Header().Set("Content-Type", e.MediaType())
	w.Header().Set("Content-Disposition", `attachment; filename="`+e.FileName()+`"`)
	if _, err := e.Write(r.Context(), w); err != nil {
		// What was sent is no whole zip. A connection that breaks says so.
		s.Log.Error("exporting what is held of a person", "person", person.ID, "err", err)
		panic(http.ErrAbortHandler)
	}
	return nil
}
