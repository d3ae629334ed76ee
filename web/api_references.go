package web

import (
	"context"
	"crypto/hmac"
	"errors"
	"net/http"
	"strconv"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/enrol"
	"lintel/pipeline/intake"
	"lintel/pipeline/match"
	"lintel/web/view"
)

// A keptReferenceJSON is a reference that is kept.
type keptReferenceJSON struct {
	ID        string       `json:"id"`
	AddedAt   time.Time    `json:"added_at"`
	FaceWidth int          `json:"face_width_px"` // on the picture it was computed from
	Quality   float64      `json:"quality"`       // over 0 to 1; 0 where it was not measured
	Origin    house.Origin `json:"origin,omitempty"`
	Picture   string       `json:"picture,omitempty"` // address; none where no picture is kept
}

func (s *Server) listReferences(w http.ResponseWriter, r *http.Request) error {
	p, err := s.personOf(r)
	if err != nil {
		return err
	}
	return s.sendReferences(w, r, p.ID)
}

func (s *Server) sendReferences(w http.ResponseWriter, r *http.Request, person string) error {
	all, err := s.Archive.Enrolments(r.Context(), person)
	if err != nil {
		return err
	}
	list := []keptReferenceJSON{}
	for _, e := range all {
		j := keptReferenceJSON{ID: e.ID, AddedAt: e.AddedAt, FaceWidth: e.FaceWidth, Quality: e.Quality}
		if e.Portrait != nil {
			j.Origin, j.Picture = e.Portrait.Origin, view.PortraitAddress(person, e.ID)
		}
		list = append(list, j)
	}
	return sendJSON(w, http.StatusOK, struct {
		References []keptReferenceJSON `json:"references"`
		Enough     int                 `json:"enough"` // how many are asked for
	}{list, match.EnoughPictures})
}

// getPortrait answers with the picture of a reference. A browser may keep it for a
// while if it was asked for by the session's own address.
func (s *Server) getPortrait(w http.ResponseWriter, r *http.Request) error {
	key := r.URL.Query().Get("k")
	if key != "" && !hmac.Equal([]byte(key), []byte(s.pictureSecret.key(session(r)))) {
		return errNoReference
	}
	picture, err := s.Archive.Portrait(r.Context(), r.PathValue("person"), r.PathValue("reference"))
	if err != nil {
		return absent(err, errNoReference)
	}
	if key != "" {
		w.Header().Set("Cache-Control", keepPicture)
	}
	w.Header().Set("Content-Type", "image/jpeg")
	w.Header().Set("Content-Length", strconv.Itoa(len(picture)))
	w.Write(picture) // an error is of who hung up
	return nil
}

func (s *Server) deleteReference(w http.ResponseWriter, r *http.Request) error {
	p, err := s.personOf(r)
	if err == nil {
		err = s.removeReference(r, p.ID)
	}
	if err != nil {
		return err
	}
	return s.sendReferences(w, r, p.ID)
}

// removeReference takes the reference that the address names out of the gallery, and
// has its traces removed soon. The error is errNoReference.
func (s *Server) removeReference(r *http.Request, person string) error {
	err := s.Archive.RemoveReference(context.WithoutCancel(r.Context()), person, r.PathValue("reference"))
	if err != nil {
		return absent(err, errNoReference)
	}
	s.erased()
	return nil
}

// A referenceJSON is what became of a photograph, or would.
type referenceJSON struct {
	Quality *qualityJSON `json:"quality"`
	Without match.Gain   `json:"without"`
	Says    string       `json:"says"`           // that it is good, and how much surer it makes Lintel
	More    string       `json:"more,omitempty"` // which pictures are asked for besides
}

// A photograph is what somebody sends to enrol, and from where.
type photograph struct {
	from house.Origin
	try  bool // only to be told how good it is
	data []byte
}

// postReference makes a reference of a photograph, or says what it would make.
// Whatever is wrong with it is said at once, with what was measured.
func (s *Server) postReference(w http.ResponseWriter, r *http.Request) error {
	if err := pictureType(r, errPhotographType); err != nil {
		return err
	}
	sent, err := askedPhotograph(r)
	if err != nil {
		return err
	}
	person, err := s.consenting(r)
	if err != nil {
		return err
	}
	if sent.data, err = readBody(w, r, intake.MaxBytes, errPhotographLarge, errPhotographCut); err != nil {
		return err
	}
	got, err := s.enrol(r, person, sent)
	if err != nil {
		return err
	}
	status := http.StatusCreated
	if sent.try {
		status = http.StatusOK
	}
	return sendJSON(w, status, got)
}

// askedPhotograph reads from the query what is sent.
func askedPhotograph(r *http.Request) (p photograph, err error) {
	q := r.URL.Query()
	switch p.from = house.Origin(q.Get("from")); p.from {
	case "":
		p.from = house.FromPhotograph
	case house.FromPhotograph, house.FromCamera:
	default:
		return p, queryProblem("problem-query-from")
	}
	switch q.Get("try") {
	case "", "false":
	case "true":
		p.try = true
	default:
		return p, queryProblem("problem-query-try")
	}
	return p, nil
}

// enrol makes a reference of a photograph of a person who agreed. What is wrong with
// it is a problem.
func (s *Server) enrol(r *http.Request, person personJSON, sent photograph) (j referenceJSON, err error) {
	s.enrolling.Lock() // a picture takes much memory, and a finder is one goroutine's
	defer s.enrolling.Unlock()
	var got enrol.Reference
	if sent.try {
		got, err = enrol.Try(r.Context(), s.Archive, s.FindFaces, person.ID, sent.data)
	} else {
		got, err = enrol.Enrol(r.Context(), s.Archive, s.FindFaces, person.ID, sent.from, sent.data)
	}
	if err != nil {
		return j, refusedPhotograph(got, sent.from, err)
	}
	now, err := s.Archive.Person(r.Context(), person.ID)
	if err != nil {
		return j, absent(err, errPersonGone)
	}
	words := speak(languageOf(r))
	j = referenceJSON{Quality: newQualityJSON(words, &got.Quality), Without: got.Without,
		Says: words.Text("picture-good", "Adds", words.Gain(now.Name, got.Without.Others, string(got.Without.Band),
			got.Without.FPIR))}
	if now.References < match.EnoughPictures {
		j.More = words.Text("pictures-more", "Name", now.Name)
	}
	return j, nil
}

// refusedPhotograph says why a photograph makes no reference, and what to do: before
// a camera that is another thing than choosing a better one.
func refusedPhotograph(got enrol.Reference, from house.Origin, err error) error {
	var poor enrol.Poor
	camera := from == house.FromCamera
	switch {
	case errors.As(err, &poor):
		return problem{Status: http.StatusUnprocessableEntity, Type: "poor-picture", Complaint: &poor[0], Camera: camera,
			Quality: &got.Quality}
	case camera && errors.Is(err, enrol.ErrNoFace):
		return problem{Status: http.StatusUnprocessableEntity, Type: "no-face", Title: "camera-no-face"}
	case camera && errors.Is(err, enrol.ErrFaces):
		return problem{Status: http.StatusUnprocessableEntity, Type: "several-faces", Title: "camera-faces"}
	case errors.Is(err, house.ErrNoConsent):
		return errConsentless // it was withdrawn meanwhile
	case errors.Is(err, house.ErrExists):
		return errEnrolled
	}
	return absent(err, errPersonGone)
}
