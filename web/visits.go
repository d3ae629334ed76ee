package web

import (
	_ "embed"
	"errors"
	"net/http"
	"strconv"
	"time"

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

// listVisits answers with the newest visits, or with those that changed since
// a revision.
func (s *Server) listVisits(w http.ResponseWriter, r *http.Request) {
	limit, ok := number(r, "limit", 20, maxVisits)
	since, okSince := number(r, "since", -1, 1<<62)
	if !ok || !okSince {
		writeProblem(w, r, problem{Status: http.StatusBadRequest, Type: "bad-query", Title: "limit is 1 to 100, since is a revision."})
		return
	}
	var visits []store.Visit
	var err error
	if since >= 0 {
		visits, err = s.Archive.VisitsSince(r.Context(), since, int(limit))
	} else {
		visits, err = s.Archive.LatestVisits(r.Context(), int(limit))
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	answer := struct {
		Visits []visitJSON `json:"visits"`
	}{[]visitJSON{}}
	for _, v := range visits {
		answer.Visits = append(answer.Visits, newVisitJSON(v))
	}
	writeJSON(w, http.StatusOK, answer)
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

func (s *Server) getVisit(w http.ResponseWriter, r *http.Request) {
	v, err := s.Archive.Visit(r.Context(), r.PathValue("visit"))
	if errors.Is(err, store.ErrNotFound) {
		notHere(w, r)
		return
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	writeJSON(w, http.StatusOK, newVisitJSON(v))
}

func (s *Server) getStill(w http.ResponseWriter, r *http.Request) {
	frame, err := strconv.Atoi(r.PathValue("frame"))
	if err != nil {
		notHere(w, r)
		return
	}
	data, err := s.Archive.ReadStill(r.Context(), r.PathValue("visit"), frame)
	if errors.Is(err, store.ErrNotFound) {
		notHere(w, r)
		return
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	w.Header().Set("Content-Type", "image/jpeg")
	w.Header().Set("Content-Length", strconv.Itoa(len(data)))
	w.Write(data)
}

func notHere(w http.ResponseWriter, r *http.Request) {
	writeProblem(w, r, problem{Status: http.StatusNotFound, Type: "not-found", Title: "There is no such visit or frame; it may have been erased."})
}

// The API's view of a visit. It is written out here, apart from the store's
// types, since programs in the house rely on it.
type visitJSON struct {
	ID         string      `json:"id"`
	Bell       string      `json:"bell"`
	Ring       string      `json:"ring"`
	ReceivedAt time.Time   `json:"received_at"`
	Revision   int64       `json:"revision"`
	Outcome    outcome     `json:"outcome"`
	ClockSkew  float64     `json:"clock_skew_s"` // seconds the bell's clock is ahead
	ClockOff   bool        `json:"clock_off"`    // whether that is over 30 s
	Stills     []stillJSON `json:"stills"`
}

type stillJSON struct {
	Frame      int              `json:"frame"`
	Width      int              `json:"width"`
	Height     int              `json:"height"`
	Damaged    bool             `json:"damaged"`
	ReceivedAt time.Time        `json:"received_at"`
	TakenAt    time.Time        `json:"taken_at,omitzero"`
	State      store.StillState `json:"state"`
	Faces      []faceJSON       `json:"faces"`
}

// A faceJSON's numbers are pixels of the still.
type faceJSON struct {
	X         int           `json:"x"`
	Y         int           `json:"y"`
	Width     int           `json:"width"`
	Height    int           `json:"height"`
	Landmarks []store.Point `json:"landmarks"`
	Match     *matchJSON    `json:"match"`
}

type matchJSON struct {
	Person   string  `json:"person"`
	Name     string  `json:"name"`
	Distance float64 `json:"distance"`
	FPIR     float64 `json:"fpir"`
	Band     string  `json:"band"`
}

func newVisitJSON(v store.Visit) visitJSON {
	skew := v.ClockSkew()
	j := visitJSON{
		ID: v.ID, Bell: v.Bell, Ring: v.Ring, ReceivedAt: v.ReceivedAt, Revision: v.Revision,
		Outcome: outcomeOf(v), ClockSkew: skew.Seconds(), ClockOff: skew.Abs() > maxSkew, Stills: []stillJSON{},
	}
	for _, s := range v.Stills {
		still := stillJSON{s.Frame, s.Width, s.Height, s.Damaged, s.ReceivedAt, s.TakenAt, s.State, []faceJSON{}}
		for _, f := range s.Faces {
			face := faceJSON{f.Box.Min.X, f.Box.Min.Y, f.Box.Dx(), f.Box.Dy(), append([]store.Point{}, f.Landmarks...), nil}
			if m := f.Match; m != nil {
				face.Match = &matchJSON{m.Person, m.Name, m.Distance, m.FPIR, m.Band}
			}
			still.Faces = append(still.Faces, face)
		}
		j.Stills = append(j.Stills, still)
	}
	return j
}
