package web

import (
	"net/http"
	"time"

	"lintel/pipeline/export"
	"lintel/store/backup"
)

// exportTime bounds how long an export may take to send: years of stills, over
// a slow network.
const exportTime = 30 * time.Minute

// exportPerson answers with all that is held of a person.
func (s *Server) exportPerson(w http.ResponseWriter, r *http.Request) {
	options := export.Options{Now: s.Now(), Zone: s.Zone}
	if recipient := r.URL.Query().Get("recipient"); recipient != "" {
		var err error
		if options.Recipients, err = backup.ParseRecipients([]string{recipient}); err != nil {
			writeProblem(w, r, problem{Status: http.StatusBadRequest, Type: "bad-recipient", Title: sentence(err)})
			return
		}
	}
	person, ok := s.personOf(w, r)
	if !ok {
		return
	}
	e, err := export.Begin(r.Context(), s.Archive, person.ID, options)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	http.NewResponseController(w).SetWriteDeadline(time.Now().Add(exportTime)) // where the connection has any
	w.Header().Set("Content-Type", e.MediaType())
	w.Header().Set("Content-Disposition", `attachment; filename="`+e.FileName()+`"`)
	if _, err := e.Write(r.Context(), w); err != nil {
		// What was sent is no whole zip. A connection that breaks says so.
		s.Log.Error("exporting what is held of a person", "person", person.ID, "err", err)
		panic(http.ErrAbortHandler)
	}
}
