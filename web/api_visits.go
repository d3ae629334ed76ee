package web

import (
	"context"
	_ "embed"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"time"

	"lintel/internal/house"
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
		return queryProblem("limit is 1 to 100, since is a revision.")
	}
	if since >= 0 && slices.ContainsFunc(filterNames, query.Has) {
		return queryProblem("since goes with no filter and no cursor.")
	}
	filter, cursor, err := readFilter(query, instant, instant)
	if err != nil {
		return queryProblem(sentence(err))
	}
	presenter, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	var visits []house.Visit
	var next store.Cursor
	if since >= 0 {
		visits, err = s.Archive.VisitsSince(r.Context(), since, int(limit))
	} else {
		visits, next, err = s.Archive.Book(r.Context(), filter, cursor, int(limit))
	}
	if err != nil {
		return err
	}
	if err := s.addAdvice(r.Context(), &presenter, visits...); err != nil {
		return err
	}
	answer := struct {
		Visits []visitJSON `json:"visits"`
		Next   string      `json:"next,omitempty"`
	}{[]visitJSON{}, next.String()}
	for _, v := range visits {
		answer.Visits = append(answer.Visits, presenter.visitJSON(v))
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

// filterNames are the parts of a query that pick visits.
var filterNames = []string{"bell", "kind", "person", "from", "until", "held", "cursor"}

// readFilter reads what picks visits, and where in the book to begin. Empty
// values stand for none, since forms send them. The errors are for people.
func readFilter(q url.Values, from, until func(string) (time.Time, error)) (f store.Filter, c store.Cursor, err error) {
	f = store.Filter{Bell: q.Get("bell"), Kind: house.Kind(q.Get("kind")), Person: q.Get("person")}
	if f.Kind != "" && f.Kind != house.Looking && !slices.Contains(house.Kinds, f.Kind) {
		return f, c, fmt.Errorf("kind is one of looking, %s, %s, %s, %s and %s",
			house.Stranger, house.Known, house.Parcel, house.NoFace, house.Damaged)
	}
	if held := q.Get("held"); held != "" {
		if held != "true" && held != "false" {
			return f, c, errors.New("held is true or false")
		}
		f.Held = held == "true"
	}
	if f.From, f.Until, err = readPeriod(q, from, until); err != nil {
		return f, c, err
	}
	c, err = store.ParseCursor(q.Get("cursor"))
	return f, c, err
}

// readPeriod reads from and until, zero where they are not there.
func readPeriod(q url.Values, from, until func(string) (time.Time, error)) (begin, end time.Time, err error) {
	if v := q.Get("from"); v != "" {
		if begin, err = from(v); err != nil {
			return begin, end, fmt.Errorf("from is %w", err)
		}
	}
	if v := q.Get("until"); v != "" {
		if end, err = until(v); err != nil {
			return begin, end, fmt.Errorf("until is %w", err)
		}
	}
	if !begin.IsZero() && !end.IsZero() && !begin.Before(end) {
		return begin, end, errors.New("the period ends before it begins")
	}
	return begin, end, nil
}

// instant reads a time of the API.
func instant(v string) (time.Time, error) {
	t, err := time.Parse(time.RFC3339, v)
	if err != nil || !view.Writable(t) {
		return time.Time{}, errors.New("a time like 2026-11-25T18:04:05Z (RFC 3339)")
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
	return sendJSON(w, http.StatusOK, presenter.visitJSON(v))
}

func (s *Server) getStill(w http.ResponseWriter, r *http.Request) error {
	frame, err := strconv.Atoi(r.PathValue("frame"))
	if err != nil {
		return errVisitGone
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
	l := viewing{session(r), visit}
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
		return queryProblem(sentence(err))
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
		return problem{Status: http.StatusBadRequest, Type: "bad-body", Title: "parcel is true or false."}
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
