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

// visitRoutes are Now, the visitor book and visits.
func (s *Server) visitRoutes() []route {
	return []route{
		{"GET /{$}", anyone, s.showNow},
		{"GET /api/v1/live", anyone, s.getLive},
		{"GET /api/v1/visits", anyone, s.listVisits},
		{"GET /visits", anyone, s.showBook},
		{"GET /visits/{visit}", anyone, s.showVisit},
		{"GET /api/v1/visits/{visit}", anyone, s.getVisit},
		{"GET /api/v1/visits/{visit}/stills/{frame}", anyone, s.getStill},
		{"POST /visits/{visit}/code", anyone, s.submitCode}, // a visitor says it, and whoever is at home types it
		{"POST /api/v1/visits/{visit}/code", anyone, s.postCode},
		{"POST /visits/{visit}/agree", resident, s.submitAgree},
		{"POST /api/v1/visits/{visit}/agree", resident, s.postAgree},
		{"GET /visits/erase", resident, s.showErasePeriod},
		{"POST /visits/erase", resident, s.submitErasePeriod},
		{"POST /visits/{visit}/parcel", resident, s.submitVisitParcel},
		{"POST /visits/{visit}/hold", resident, s.submitHold},
		{"POST /visits/{visit}/release", resident, s.submitRelease},
		{"GET /visits/{visit}/erase", resident, s.showEraseVisit},
		{"POST /visits/{visit}/erase", resident, s.submitEraseVisit},
		{"DELETE /api/v1/visits", resident, s.deletePeriod},
		{"DELETE /api/v1/visits/{visit}", resident, s.deleteVisit},
		{"GET /erasures/{erasure}", resident, s.showErasure},
		{"GET /api/v1/erasures/{erasure}", resident, s.getErasure},
		{"PUT /api/v1/visits/{visit}/parcel", resident, s.putVisitParcel},
		{"PUT /api/v1/visits/{visit}/hold", resident, s.putHold},
		{"DELETE /api/v1/visits/{visit}/hold", resident, s.deleteHold},
	}
}

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
	if err != nil || !sayable(t) {
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
