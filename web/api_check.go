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
	"time"

	"lintel/internal/house"
	"lintel/pipeline/decoding"
	"lintel/pipeline/review"
	"lintel/web/view"
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
		Liveness: newLivenessJSON(speak(languageIn(ctx)), d.Face.Liveness), Crop: view.CropAddress(d.Sighting), Earlier: []string{},
	}
	for _, x := range earlier {
		j.Earlier = append(j.Earlier, view.CropAddress(x))
	}
	if c := d.Check; c != nil {
		j.Answer = &answeredJSON{c.Answer, c.Person, c.By, c.At}
	}
	return j, err
}

func (s *Server) listChecks(w http.ResponseWriter, r *http.Request) error {
	limit, ok := number(r, "limit", 20, 100)
	after, err := review.ParseCursor(r.URL.Query().Get("cursor"))
	if !ok || err != nil {
		return errPage
	}
	page, next, err := s.review.Queue(r.Context(), after, int(limit))
	if err != nil {
		return err
	}
	answer := struct {
		Checks []checkJSON `json:"checks"`
		Next   string      `json:"next,omitempty"`
	}{[]checkJSON{}, next.String()}
	for _, d := range page {
		j, err := s.checkJSON(r.Context(), d)
		if err != nil {
			return err
		}
		answer.Checks = append(answer.Checks, j)
	}
	return sendJSON(w, http.StatusOK, answer)
}

func (s *Server) getCheck(w http.ResponseWriter, r *http.Request) error {
	return s.sendCheck(w, r, review.NotAsked)
}

// sendCheck answers with a face as it is now, and what became of a reference.
func (s *Server) sendCheck(w http.ResponseWriter, r *http.Request, reference review.Enrolment) error {
	d, err := s.review.Doubt(r.Context(), r.PathValue("face"))
	if err != nil {
		return refusedCheck(err)
	}
	j, err := s.checkJSON(r.Context(), d)
	if err != nil {
		return err
	}
	return sendJSON(w, http.StatusOK, struct {
		checkJSON
		Reference review.Enrolment `json:"reference,omitempty"`
	}{j, reference})
}

func (s *Server) putCheck(w http.ResponseWriter, r *http.Request) error {
	if _, err := s.Archive.Sighting(r.Context(), r.PathValue("face")); err != nil {
		return refusedCheck(err)
	}
	var g review.Given
	if err := bodyJSON(w, r, &g); err != nil {
		return err
	}
	reference, err := s.review.Answer(context.WithoutCancel(r.Context()), r.PathValue("face"), g)
	if err != nil {
		return refusedCheck(err)
	}
	return s.sendCheck(w, r, reference)
}

func (s *Server) deleteCheck(w http.ResponseWriter, r *http.Request) error {
	if err := s.Archive.TakeBack(context.WithoutCancel(r.Context()), r.PathValue("face")); err != nil {
		return refusedCheck(err)
	}
	return s.sendCheck(w, r, review.NotAsked)
}

// getCrop answers with a face, cut out of its still and aligned.
func (s *Server) getCrop(w http.ResponseWriter, r *http.Request) error {
	x, err := s.Archive.Sighting(r.Context(), r.PathValue("face"))
	if err == nil && x.File == "" {
		err = house.ErrStillGone
	}
	if err != nil {
		return refusedCheck(err)
	}
	data, err := s.Archive.ReadStill(r.Context(), x.Visit, x.Frame)
	if errors.Is(err, house.ErrNotFound) {
		err = house.ErrStillGone
	}
	if err != nil {
		return refusedCheck(err)
	}
	end, err := decoding.Begin(r.Context(), "residents", decoding.StillMemory(data))
	if err != nil {
		return err
	}
	defer end()
	still, err := jpeg.Decode(bytes.NewReader(data))
	var out bytes.Buffer
	if err == nil {
		err = jpeg.Encode(&out, view.Align(still, x.Face), &jpeg.Options{Quality: 88})
	}
	if err != nil {
		return fmt.Errorf("cutting a face out of a still: %w", err)
	}
	s.noteLook(r, x.Visit)
	w.Header().Set("Content-Type", "image/jpeg")
	w.Header().Set("Content-Length", strconv.Itoa(out.Len()))
	w.Write(out.Bytes()) // an error is of who hung up
	return nil
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

func (s *Server) listChanges(w http.ResponseWriter, r *http.Request) error {
	all, err := s.review.Changes(r.Context())
	if err != nil {
		return err
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
	return sendJSON(w, http.StatusOK, map[string]any{"changes": changes})
}

func (s *Server) postChanges(w http.ResponseWriter, r *http.Request) error {
	var body struct {
		Changes []review.Wanted `json:"changes"`
	}
	if err := bodyJSON(w, r, &body); err != nil {
		return err
	}
	renamed, err := s.review.Apply(context.WithoutCancel(r.Context()), body.Changes)
	if err != nil {
		return refusedCheck(err)
	}
	return sendJSON(w, http.StatusOK, map[string]int{"renamed": renamed, "left": len(body.Changes) - renamed})
}

// refusedCheck says why something about a face was not done.
func refusedCheck(err error) error {
	if errors.Is(err, house.ErrBadAnswer) {
		return unfit("bad-answer", err)
	}
	return absent(err, errNoFace)
}
