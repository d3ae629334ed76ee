package web

import (
	"context"
	_ "embed"
	"net/http"
	"slices"
	"strconv"
	"time"

	"lintel/store"
	"lintel/web/view"
)

//go:embed openapi.json
var openAPIDocument []byte

func (s *Server) getOpenAPI(w http.ResponseWriter, r *http.Request) error {
	w.Header().Set("Content-Type", "application/json")
	w.Write(openAPIDocument)
	return nil
}

// maxVisits is the most visits that one answer holds.
const maxVisits = 100

// listVisits answers with a page of the visitor book, or with the visits that
// changed since a revision.
func (s *Server) listVisits(w http.ResponseWriter, r *http.Request) error {
	query := r.URL.Query()
	limit, ok := number(r, "limit", 20, maxVisits)
	since, okSince := number(r, "since", -1, 1<<62)
	if !ok || !okSince {
		return queryProblem("problem-query-limit-since")
	}
	if since >= 0 && slices.ContainsFunc(filterNames, query.Has) {
		return queryProblem("problem-query-since-alone")
	}
	filter, cursor, err := s.readFilter(r.Context(), query, instant, instant)
	if err != nil {
		return err
	}
	presenter, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	var page store.Page
	if since >= 0 {
		page.Visits, err = s.Archive.VisitsSince(r.Context(), since, int(limit))
	} else {
		page, err = s.Archive.Book(r.Context(), filter, cursor, int(limit))
	}
	if err != nil {
		return err
	}
	if err := s.addAdvice(r.Context(), &presenter, page.Visits...); err != nil {
		return err
	}
	answer := struct {
		Visits []visitJSON `json:"visits"`
		Next   string      `json:"next,omitempty"`
		Newer  string      `json:"newer,omitempty"`
	}{[]visitJSON{}, page.Earlier.String(), page.Newer.String()}
	for _, v := range page.Visits {
		answer.Visits = append(answer.Visits, newVisitJSON(presenter, v))
	}
	return sendJSON(w, http.StatusOK, answer)
}

// number reads a whole number from the query, 0 to most, or the default where
// there is none.
func number(r *http.Request, name string, or, most int64) (int64, bool) {
	v := r.URL.Query().Get(name)
	if v == "" {
		return or, true
	}
	n, err := strconv.ParseInt(v, 10, 64)
	return n, err == nil && n >= 0 && n <= most && (name != "limit" || n > 0)
}

// instant reads a time of the API.
func instant(v string) (time.Time, error) {
	t, err := time.Parse(time.RFC3339, v)
	if err != nil || !view.Writable(t) {
		return time.Time{}, errQueryTime
	}
	return t, nil
}

func (s *Server) getVisit(w http.ResponseWriter, r *http.Request) error {
	return s.answerVisit(w, r, r.PathValue("visit"))
}

// answerVisit answers with a visit as it is now.
func (s *Server) answerVisit(w http.ResponseWriter, r *http.Request, id string) error {
	presenter, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	v, err := s.Archive.Visit(r.Context(), id)
	if err != nil {
		return absent(err, errVisitGone)
	}
	if err := s.addAdvice(r.Context(), &presenter, v); err != nil {
		return err
	}
	return sendJSON(w, http.StatusOK, newVisitJSON(presenter, v))
}

func (s *Server) getStill(w http.ResponseWriter, r *http.Request) error {
	frame, err := strconv.Atoi(r.PathValue("frame"))
	if err != nil {
		return errVisitGone
	}
	if err := s.maySee(r, r.PathValue("visit")); err != nil {
		return err
	}
	data, err := s.Archive.ReadStill(r.Context(), r.PathValue("visit"), frame)
	if err != nil {
		return absent(err, errVisitGone)
	}
	s.noteLook(r, r.PathValue("visit"))
	w.Header().Set("Content-Type", "image/jpeg")
	w.Header().Set("Content-Length", strconv.Itoa(len(data)))
	w.Write(data)
	return nil
}

// noteLook adds to the audit trail that somebody sees a still of the visit. A
// disk that takes no entry keeps nobody from looking who is at the door.
func (s *Server) noteLook(r *http.Request, visit string) {
	l := viewing{actor(session(r)), visit}
	if !s.looks.first(l, s.Now()) {
		return
	}
	if err := s.Archive.Note(context.WithoutCancel(r.Context()), "looked", "visit "+visit); err != nil {
		s.looks.forget(l)
		s.Log.Error("a look at a still is not in the audit trail", "visit", visit, "err", err)
	}
}

// deletePeriod is the API's way to erase a period.
func (s *Server) deletePeriod(w http.ResponseWriter, r *http.Request) error {
	from, until, err := wholePeriod(r.URL.Query(), instant, instant)
	if err != nil {
		return err
	}
	x, err := s.periodErasure(r.Context(), from, until)
	if err != nil {
		return err
	}
	return s.postedErasure(w, r, x)
}

func (s *Server) deleteVisit(w http.ResponseWriter, r *http.Request) error {
	if err := s.eraseOne(r); err != nil {
		return absent(err, errVisitGone)
	}
	return sendJSON(w, http.StatusOK, store.Erased{Visits: 1})
}

func (s *Server) putVisitParcel(w http.ResponseWriter, r *http.Request) error {
	var body struct {
		Parcel *bool `json:"parcel"`
	}
	if err := bodyJSON(w, r, &body); err != nil {
		return err
	}
	if body.Parcel == nil {
		return problem{Status: http.StatusBadRequest, Type: "bad-body", Title: "problem-parcel-truth"}
	}
	return s.afterChange(w, r, s.Archive.SetParcel(r.Context(), r.PathValue("visit"), *body.Parcel))
}

func (s *Server) putHold(w http.ResponseWriter, r *http.Request) error {
	var body struct {
		Reason string    `json:"reason"`
		EndsAt time.Time `json:"ends_at"`
	}
	if err := bodyJSON(w, r, &body); err != nil {
		return err
	}
	return s.afterChange(w, r, s.Archive.PlaceHold(r.Context(), r.PathValue("visit"), body.Reason, body.EndsAt))
}

func (s *Server) deleteHold(w http.ResponseWriter, r *http.Request) error {
	return s.afterChange(w, r, s.Archive.EndHold(r.Context(), r.PathValue("visit")))
}

// afterChange answers with the visit as it is after a change.
func (s *Server) afterChange(w http.ResponseWriter, r *http.Request, err error) error {
	if err != nil {
		return absent(err, errVisitGone)
	}
	return s.answerVisit(w, r, r.PathValue("visit"))
}

func (s *Server) getErasure(w http.ResponseWriter, r *http.Request) error {
	_, j, err := s.erasureOf(r)
	if err != nil {
		return err
	}
	return sendJSON(w, http.StatusOK, j)
}

// postedErasure begins an erasure, and tells the API so, and where it is told how far it is.
func (s *Server) postedErasure(w http.ResponseWriter, r *http.Request, x *erasure) error {
	if err := s.beginErasure(r, x); err != nil {
		return err
	}
	j, err := x.json(r.Context())
	if err != nil {
		return err
	}
	w.Header().Set("Location", "/api/v1"+x.address())
	return sendJSON(w, http.StatusAccepted, j)
}
