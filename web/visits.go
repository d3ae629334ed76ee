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
)

//go:embed openapi.json
var openAPIDocument []byte

func (s *Server) openAPI(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Content-Type", "application/json")
	w.Write(openAPIDocument)
}

// maxVisits is the most visits that one answer holds.
const maxVisits = 100

// listVisits answers with a page of the visitor book, or with the visits that
// changed since a revision.
func (s *Server) listVisits(w http.ResponseWriter, r *http.Request) {
	query := r.URL.Query()
	limit, ok := number(r, "limit", 20, maxVisits)
	since, okSince := number(r, "since", -1, 1<<62)
	if !ok || !okSince {
		badQuery(w, r, "limit is 1 to 100, since is a revision.")
		return
	}
	if since >= 0 && slices.ContainsFunc(filterNames, query.Has) {
		badQuery(w, r, "since goes with no filter and no cursor.")
		return
	}
	filter, cursor, err := readFilter(query, instant, instant)
	if err != nil {
		badQuery(w, r, capital(err.Error())+".")
		return
	}
	presenter, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		s.fail(w, r, err)
		return
	}
	var visits []house.Visit
	var next store.Cursor
	if since >= 0 {
		visits, err = s.Archive.VisitsSince(r.Context(), since, int(limit))
	} else {
		visits, next, err = s.Archive.Book(r.Context(), filter, cursor, int(limit))
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	if err := s.addAdvice(r.Context(), &presenter, visits...); err != nil {
		s.fail(w, r, err)
		return
	}
	answer := struct {
		Visits []visitJSON `json:"visits"`
		Next   string      `json:"next,omitempty"`
	}{[]visitJSON{}, next.String()}
	for _, v := range visits {
		answer.Visits = append(answer.Visits, presenter.visitJSON(v))
	}
	writeJSON(w, http.StatusOK, answer)
}

func badQuery(w http.ResponseWriter, r *http.Request, title string) {
	writeProblem(w, r, problem{Status: http.StatusBadRequest, Type: "bad-query", Title: title})
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
	if err != nil || !sayable(t) {
		return time.Time{}, errors.New("a time like 2026-11-25T18:04:05Z (RFC 3339)")
	}
	return t, nil
}

func (s *Server) getVisit(w http.ResponseWriter, r *http.Request) {
	s.answerVisit(w, r, r.PathValue("visit"))
}

// answerVisit answers with a visit as it is now.
func (s *Server) answerVisit(w http.ResponseWriter, r *http.Request, id string) {
	presenter, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		s.fail(w, r, err)
		return
	}
	v, err := s.Archive.Visit(r.Context(), id)
	if err != nil {
		s.refuse(w, r, err)
		return
	}
	if err := s.addAdvice(r.Context(), &presenter, v); err != nil {
		s.fail(w, r, err)
		return
	}
	writeJSON(w, http.StatusOK, presenter.visitJSON(v))
}

func (s *Server) getStill(w http.ResponseWriter, r *http.Request) {
	frame, err := strconv.Atoi(r.PathValue("frame"))
	if err != nil {
		notHere(w, r)
		return
	}
	data, err := s.Archive.ReadStill(r.Context(), r.PathValue("visit"), frame)
	if err != nil {
		s.refuse(w, r, err)
		return
	}
	s.noteLook(r, r.PathValue("visit"))
	w.Header().Set("Content-Type", "image/jpeg")
	w.Header().Set("Content-Length", strconv.Itoa(len(data)))
	w.Write(data)
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

func notHere(w http.ResponseWriter, r *http.Request) {
	writeProblem(w, r, problem{Status: http.StatusNotFound, Type: "not-found", Title: "There is no such visit or frame; it may have been erased."})
}

// refuse answers a request about a visit that can't be met, for the reasons
// that the archive gives, or else fails.
func (s *Server) refuse(w http.ResponseWriter, r *http.Request, err error) {
	switch {
	case errors.Is(err, house.ErrNotFound):
		notHere(w, r)
	case errors.Is(err, house.ErrHeld):
		writeProblem(w, r, problem{Status: http.StatusConflict, Type: "held", Title: capital(house.ErrHeld.Error()) + "."})
	case errors.Is(err, house.ErrBadHold):
		writeProblem(w, r, problem{Status: http.StatusUnprocessableEntity, Type: "bad-hold", Title: capital(err.Error()) + "."})
	default:
		s.fail(w, r, err)
	}
}

// The API's view of a visit. It is written out here, apart from the store's
// types, since programs in the house rely on it.
type visitJSON struct {
	ID         string       `json:"id"`
	Bell       string       `json:"bell"`
	Ring       string       `json:"ring"`
	ReceivedAt time.Time    `json:"received_at"`
	Revision   int64        `json:"revision"`
	Outcome    outcome      `json:"outcome"`
	Kind       house.Kind   `json:"kind"`
	Parcel     bool         `json:"parcel"`
	Stage      string       `json:"stage"`
	Fate       fateJSON     `json:"fate"`
	Hold       *holdJSON    `json:"hold"`
	ClockSkew  float64      `json:"clock_skew_s"` // seconds the bell's clock is ahead
	ClockOff   bool         `json:"clock_off"`    // whether that is over 30 s
	Stills     []stillJSON  `json:"stills"`
	Advice     []adviceJSON `json:"advice"`
}

// stages are the API's words for what is left of a visit.
var stages = map[house.Stage]string{house.Whole: "whole", house.Smaller: "smaller", house.OnlyFindings: "findings"}

type fateJSON struct {
	SmallerAt    time.Time    `json:"smaller_at,omitzero"`
	StillsGoneAt time.Time    `json:"stills_gone_at,omitzero"`
	GoesAt       time.Time    `json:"goes_at"`
	Rule         house.Kind   `json:"rule"`
	Period       house.Period `json:"period"`
}

type holdJSON struct {
	Reason   string    `json:"reason,omitempty"` // for residents
	PlacedAt time.Time `json:"placed_at"`
	EndsAt   time.Time `json:"ends_at"`
}

type stillJSON struct {
	Frame      int              `json:"frame"`
	Present    bool             `json:"present"`
	Lost       bool             `json:"lost"`
	Width      int              `json:"width"`
	Height     int              `json:"height"`
	Damaged    bool             `json:"damaged"`
	ReceivedAt time.Time        `json:"received_at"`
	TakenAt    time.Time        `json:"taken_at,omitzero"`
	State      house.StillState `json:"state"`
	Faces      []faceJSON       `json:"faces"`
}

// A faceJSON's numbers are pixels of the still.
type faceJSON struct {
	X         int           `json:"x"`
	Y         int           `json:"y"`
	Width     int           `json:"width"`
	Height    int           `json:"height"`
	Landmarks []house.Point `json:"landmarks"`
	Quality   *qualityJSON  `json:"quality"`
	Liveness  *livenessJSON `json:"liveness,omitempty"` // left out where it was not judged
	Match     *matchJSON    `json:"match"`
}

type matchJSON struct {
	Person   string  `json:"person"`
	Name     string  `json:"name"`
	Distance float64 `json:"distance"`
	FPIR     float64 `json:"fpir"`
	Band     string  `json:"band"`
	// Probability is left out where it was not worked out.
	Probability float64 `json:"probability,omitempty"`
	Frames      int     `json:"frames,omitempty"`
}

func (t presenter) visitJSON(v house.Visit) visitJSON {
	skew, fate := v.ClockSkew(), t.schedule(v)
	j := visitJSON{
		ID: v.ID, Bell: v.Bell, Ring: v.Ring, ReceivedAt: v.ReceivedAt, Revision: v.Revision,
		Outcome: outcomeOf(v), Kind: v.Kind, Parcel: v.Parcel, Stage: stages[v.Stage],
		Fate:      fateJSON{fate.SmallerAt.UTC(), fate.StillsAt.UTC(), fate.GoesAt.UTC(), fate.Rule, fate.Period},
		ClockSkew: skew.Seconds(), ClockOff: skew.Abs() > maxSkew, Stills: []stillJSON{}, Advice: []adviceJSON{},
	}
	if h := t.hold(v); h != nil {
		j.Hold = &holdJSON{PlacedAt: h.PlacedAt, EndsAt: h.EndsAt}
		if t.resident {
			j.Hold.Reason = h.Reason
		}
	}
	for _, s := range v.Stills {
		still := stillJSON{s.Frame, s.File != "", s.Lost, s.Width, s.Height, s.Damaged, s.ReceivedAt, s.TakenAt, s.State, []faceJSON{}}
		for _, f := range s.Faces {
			face := faceJSON{f.Box.Min.X, f.Box.Min.Y, f.Box.Dx(), f.Box.Dy(), append([]house.Point{}, f.Landmarks...), newQualityJSON(f.Quality), newLivenessJSON(f.Liveness), nil}
			if m := f.Match; m != nil {
				face.Match = &matchJSON{m.Person, m.Name, m.Distance, m.FPIR, m.Band, m.Probability, m.Frames}
			}
			still.Faces = append(still.Faces, face)
		}
		j.Stills = append(j.Stills, still)
	}
	for _, d := range t.advice[v.ID] {
		j.Advice = append(j.Advice, t.adviceJSON(d))
	}
	return j
}
