package web

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"image/jpeg"
	"net/http"
	"strconv"
	"strings"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/review"
)

// A checkJSON is a doubtful face as the API tells of it.
type checkJSON struct {
	Face       string        `json:"face"`
	Visit      string        `json:"visit"`
	Frame      int           `json:"frame"`
	Bell       string        `json:"bell"`
	ReceivedAt time.Time     `json:"received_at"`
	Person     string        `json:"person"` // asked about
	Name       string        `json:"name"`
	Named      bool          `json:"named"` // else the face is a stranger's, near to the person
	Distance   float64       `json:"distance"`
	FPIR       float64       `json:"fpir"`
	Band       string        `json:"band"` // none for a stranger
	Width      int           `json:"width"`
	Liveness   *livenessJSON `json:"liveness,omitempty"`
	Crop       string        `json:"crop"`
	Earlier    []string      `json:"earlier"` // crops of the person on other visits
	Answer     *answeredJSON `json:"answer"`
}

type answeredJSON struct {
	Answer house.Answer `json:"answer"`
	Person string       `json:"person"` // "" for a stranger or nobody
	By     string       `json:"by"`
	At     time.Time    `json:"at"`
}

func (s *Server) checkJSON(ctx context.Context, d review.Doubt) (checkJSON, error) {
	earlier, err := s.review.Earlier(ctx, d)
	j := checkJSON{
		Face: d.ID, Visit: d.Visit, Frame: d.Frame, Bell: d.Bell, ReceivedAt: d.ReceivedAt,
		Person: d.Person, Name: d.Name, Named: d.Band != "",
		Distance: d.Distance, FPIR: d.FPIR, Band: cmp.Or(d.Band, "none"), Width: d.Face.Width(),
		Liveness: newLivenessJSON(d.Face.Liveness), Crop: cropAddress(d.Sighting), Earlier: []string{},
	}
	for _, x := range earlier {
		j.Earlier = append(j.Earlier, cropAddress(x))
	}
	if c := d.Check; c != nil {
		j.Answer = &answeredJSON{c.Answer, c.Person, c.By, c.At}
	}
	return j, err
}

func (s *Server) listChecks(w http.ResponseWriter, r *http.Request) {
	limit, ok := number(r, "limit", 20, 100)
	after, err := review.ParseCursor(r.URL.Query().Get("cursor"))
	if !ok || err != nil {
		badQuery(w, r, "limit is 1 to 100, and cursor the next of the page before.")
		return
	}
	page, next, err := s.review.Queue(r.Context(), after, int(limit))
	answer := struct {
		Checks []checkJSON `json:"checks"`
		Next   string      `json:"next,omitempty"`
	}{[]checkJSON{}, next.String()}
	for _, d := range page {
		var j checkJSON
		if j, err = s.checkJSON(r.Context(), d); err != nil {
			break
		}
		answer.Checks = append(answer.Checks, j)
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	writeJSON(w, http.StatusOK, answer)
}

func (s *Server) getCheck(w http.ResponseWriter, r *http.Request) {
	s.writeCheck(w, r, review.NotAsked)
}

// writeCheck answers with a face as it is now, and what became of a reference.
func (s *Server) writeCheck(w http.ResponseWriter, r *http.Request, reference review.Enrolment) {
	d, err := s.review.Doubt(r.Context(), r.PathValue("face"))
	if err != nil {
		s.refuseCheck(w, r, err)
		return
	}
	j, err := s.checkJSON(r.Context(), d)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	writeJSON(w, http.StatusOK, struct {
		checkJSON
		Reference review.Enrolment `json:"reference,omitempty"`
	}{j, reference})
}

func (s *Server) putCheck(w http.ResponseWriter, r *http.Request) {
	if _, err := s.Archive.Sighting(r.Context(), r.PathValue("face")); err != nil {
		s.refuseCheck(w, r, err)
		return
	}
	var g review.Given
	if !readJSON(w, r, &g) {
		return
	}
	reference, err := s.review.Answer(context.WithoutCancel(r.Context()), r.PathValue("face"), g)
	if err != nil {
		s.refuseCheck(w, r, err)
		return
	}
	s.writeCheck(w, r, reference)
}

func (s *Server) deleteCheck(w http.ResponseWriter, r *http.Request) {
	if err := s.Archive.TakeBack(context.WithoutCancel(r.Context()), r.PathValue("face")); err != nil {
		s.refuseCheck(w, r, err)
		return
	}
	s.writeCheck(w, r, review.NotAsked)
}

// crop answers with a face, cut out of its still and aligned.
func (s *Server) crop(w http.ResponseWriter, r *http.Request) {
	x, err := s.Archive.Sighting(r.Context(), r.PathValue("face"))
	if err == nil && x.File == "" {
		err = house.ErrStillGone
	}
	if err != nil {
		s.refuseCheck(w, r, err)
		return
	}
	data, err := s.Archive.ReadStill(r.Context(), x.Visit, x.Frame)
	if errors.Is(err, house.ErrNotFound) {
		err = house.ErrStillGone
	}
	if err != nil {
		s.refuseCheck(w, r, err)
		return
	}
	still, err := jpeg.Decode(bytes.NewReader(data))
	var out bytes.Buffer
	if err == nil {
		err = jpeg.Encode(&out, align(still, x.Face), &jpeg.Options{Quality: 88})
	}
	if err != nil {
		s.fail(w, r, fmt.Errorf("cutting a face out of a still: %w", err))
		return
	}
	s.noteLook(r, x.Visit)
	w.Header().Set("Content-Type", "image/jpeg")
	w.Header().Set("Content-Length", strconv.Itoa(out.Len()))
	w.Write(out.Bytes())
}

type findingJSON struct {
	Person   string  `json:"person"`
	Name     string  `json:"name"`
	Distance float64 `json:"distance"`
	FPIR     float64 `json:"fpir"`
	Band     string  `json:"band"`
}

func findingJSONOf(m *house.Match) *findingJSON {
	if m == nil {
		return nil
	}
	return &findingJSON{m.Person, m.Name, m.Distance, m.FPIR, m.Band}
}

func (s *Server) listChanges(w http.ResponseWriter, r *http.Request) {
	all, err := s.review.Changes(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	type changeJSON struct {
		Face       string       `json:"face"`
		Visit      string       `json:"visit"`
		ReceivedAt time.Time    `json:"received_at"`
		Was        *findingJSON `json:"was"`
		Becomes    *findingJSON `json:"becomes"`
	}
	changes := []changeJSON{}
	for _, c := range all {
		was, becomes := findingJSONOf(c.Face.Match), findingJSONOf(c.Becomes)
		changes = append(changes, changeJSON{c.ID, c.Visit, c.ReceivedAt, was, becomes})
	}
	writeJSON(w, http.StatusOK, map[string]any{"changes": changes})
}

func (s *Server) sendChanges(w http.ResponseWriter, r *http.Request) {
	var body struct {
		Changes []review.Wanted `json:"changes"`
	}
	if !readJSON(w, r, &body) {
		return
	}
	renamed, err := s.review.Apply(context.WithoutCancel(r.Context()), body.Changes)
	if err != nil {
		s.refuseCheck(w, r, err)
		return
	}
	writeJSON(w, http.StatusOK, map[string]int{"renamed": renamed, "left": len(body.Changes) - renamed})
}

// refuseCheck answers why something about a face was not done.
func (s *Server) refuseCheck(w http.ResponseWriter, r *http.Request, err error) {
	p := problem{Status: http.StatusConflict, Detail: "Nothing was changed."}
	switch {
	case errors.Is(err, house.ErrNotFound):
		p = problem{Status: http.StatusNotFound, Type: "not-found"}
		p.Title = "There is no such face, or no answer for it; the visit may have been erased."
	case errors.Is(err, house.ErrStillGone):
		p = problem{Status: http.StatusGone, Type: "still-gone", Title: capital(house.ErrStillGone.Error()) + "."}
		p.Detail = "The rules let it go, or it was erased."
	case errors.Is(err, house.ErrAnswered):
		p.Type, p.Title = "answered", capital(house.ErrAnswered.Error())+"."
		p.Detail = "The first answer stands. It can be taken back, and another given."
	case errors.Is(err, house.ErrFindingChanged):
		p.Type, p.Title = "finding-changed", capital(house.ErrFindingChanged.Error())+"."
		p.Detail = "Nothing was changed. Look at it again."
	case errors.Is(err, house.ErrPersonGone):
		p.Type, p.Title = "person-gone", capital(house.ErrPersonGone.Error())+"."
	case errors.Is(err, review.ErrNobody):
		p.Type, p.Title = "nobody-enrolled", capital(review.ErrNobody.Error())+"."
	case errors.Is(err, house.ErrBadAnswer):
		p = problem{Status: http.StatusUnprocessableEntity, Type: "bad-answer"}
		p.Title = capital(strings.TrimPrefix(err.Error(), "keeping an answer: ")) + "."
	default:
		s.fail(w, r, err)
		return
	}
	writeProblem(w, r, p)
}
