package web

import (
	"context"
	"net/http"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/export"
)

// trailOfVisit is how many entries of the audit trail the export of a visit has at most.
const trailOfVisit = 10_000

// getVisitExport answers with a zip of a visit: its stills, all that was found and
// said, how long it is kept, and who looked. The audit trail has that it was made.
func (s *Server) getVisitExport(w http.ResponseWriter, r *http.Request) error {
	presenter, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	v, err := s.Archive.Visit(r.Context(), r.PathValue("visit"))
	if err != nil {
		return absent(err, errVisitGone)
	}
	if err := s.addAdvice(r.Context(), &presenter, v); err != nil {
		return err
	}
	if err := s.Archive.Note(context.WithoutCancel(r.Context()), "exported", "visit "+v.ID); err != nil {
		return err
	}
	trail, err := s.Archive.TrailOn(r.Context(), v.ID, trailOfVisit)
	if err != nil {
		return err
	}
	http.NewResponseController(w).SetWriteDeadline(time.Now().Add(exportTime)) // where the connection has any
	w.Header().Set("Content-Type", "application/zip")
	w.Header().Set("Content-Disposition", `attachment; filename="`+visitFile(v, presenter.Zone)+`"`)
	document := export.VisitDocument{MadeAt: presenter.Now, Visit: newVisitJSON(presenter, v), Trail: trail}
	if err := export.WriteVisit(r.Context(), s.Archive, w, v, document); err != nil {
		// What was sent is no whole zip. A connection that breaks says so.
		s.Log.Error("exporting a visit", "visit", v.ID, "err", err)
		panic(http.ErrAbortHandler)
	}
	return nil
}

// visitFile is what to call the file: nobody's name is in it, since others see it.
func visitFile(v house.Visit, zone *time.Location) string {
	return "lintel-visit-" + v.ReceivedAt.In(zone).Format("2006-01-02-1504") + ".zip"
}
