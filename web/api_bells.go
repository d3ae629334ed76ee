package web

import (
	"net/http"
	"time"

	"lintel/internal/house"
)

// The API's view of a bell and of its masks.
type bellJSON struct {
	Address string    `json:"address"`
	Name    string    `json:"name"`
	AddedAt time.Time `json:"added_at"`
	HeardAt time.Time `json:"heard_at,omitzero"`

	WrongSecrets *secretsTriedJSON `json:"wrong_secrets,omitempty"` // while they come
}

type masksJSON struct {
	Masks    [][]pointJSON `json:"masks"`
	Revision int64         `json:"revision"`
}

// A pointJSON's members are pointers so that one that is missing is noticed.
type pointJSON struct {
	X *float64 `json:"x"`
	Y *float64 `json:"y"`
}

func (s *Server) listBells(w http.ResponseWriter, r *http.Request) error {
	bells, err := s.Archive.Bells(r.Context())
	if err != nil {
		return err
	}
	answer := struct {
		Bells []bellJSON `json:"bells"`
	}{[]bellJSON{}}
	for _, b := range bells {
		answer.Bells = append(answer.Bells, bellJSON{b.Address, b.Name, b.AddedAt, b.HeardAt, s.triedAt(b.Address)})
	}
	return sendJSON(w, http.StatusOK, answer)
}

func (s *Server) getMasks(w http.ResponseWriter, r *http.Request) error {
	answer, err := s.masksAsSent(r)
	if err != nil {
		return absent(err, errNoBell)
	}
	return sendTagged(w, answer)
}

// masksAsSent are a bell's masks as programs get them.
func (s *Server) masksAsSent(r *http.Request) (masksJSON, error) {
	masks, revision, err := s.masksOf(r)
	answer := masksJSON{Masks: [][]pointJSON{}, Revision: revision}
	for _, m := range masks {
		var corners []pointJSON
		for _, p := range m {
			corners = append(corners, pointJSON{&p.X, &p.Y})
		}
		answer.Masks = append(answer.Masks, corners)
	}
	return answer, err
}

func (s *Server) putMasks(w http.ResponseWriter, r *http.Request) error {
	var outlines [][]pointJSON
	if err := bodyJSON(w, r, &outlines); err != nil {
		return err
	}
	masks := []house.Polygon{}
	for i, corners := range outlines {
		m := house.Polygon{}
		for j, p := range corners {
			if p.X == nil || p.Y == nil {
				return absent(house.FaultIn{What: "mask", Which: i + 1, Err: house.Fault{Of: house.ErrBadMask,
					Code: "mask-number", Told: []any{"Corner", j + 1}}}, errNoBell)
			}
			m = append(m, house.Point{X: *p.X, Y: *p.Y})
		}
		masks = append(masks, m)
	}
	s.deciding.Lock()
	defer s.deciding.Unlock()
	now, err := s.masksAsSent(r)
	if err == nil {
		err = ifMatch(r, now)
	}
	if err != nil {
		return absent(err, errNoBell)
	}
	if err := s.Archive.SetMasks(r.Context(), r.PathValue("bell"), masks); err != nil {
		return absent(err, errNoBell)
	}
	return s.getMasks(w, r)
}

func (s *Server) postMaskEarlier(w http.ResponseWriter, r *http.Request) error {
	if err := s.beginMasking(r); err != nil {
		return err
	}
	return sendJSON(w, http.StatusAccepted, s.masking.of(r.PathValue("bell")))
}

func (s *Server) getMaskEarlier(w http.ResponseWriter, r *http.Request) error {
	if _, _, err := s.masksOf(r); err != nil {
		return absent(err, errNoBell)
	}
	return sendJSON(w, http.StatusOK, s.masking.of(r.PathValue("bell")))
}

// A lensJSON is a lens as programs send it; all of it is needed.
type lensJSON struct {
	Angle      *float64         `json:"angle_deg"`
	Projection house.Projection `json:"projection"`
	Height     *float64         `json:"height_m"`
	Tilt       *float64         `json:"tilt_deg"`
}

// lens reports false where a number is missing or null.
func (j lensJSON) lens() (house.Lens, bool) {
	if j.Angle == nil || j.Height == nil || j.Tilt == nil {
		return house.Lens{}, false
	}
	return house.Lens{Angle: *j.Angle, Projection: j.Projection, Height: *j.Height, Tilt: *j.Tilt}, true
}

func (s *Server) getLens(w http.ResponseWriter, r *http.Request) error {
	lens, known, err := s.lensOf(r)
	if err != nil {
		return absent(err, errNoBell)
	}
	var answer struct {
		Lens *house.Lens `json:"lens"` // null where it is not known
	}
	if known {
		answer.Lens = &lens
	}
	return sendJSON(w, http.StatusOK, answer)
}

func (s *Server) putLens(w http.ResponseWriter, r *http.Request) error {
	var sent lensJSON
	if err := bodyJSON(w, r, &sent); err != nil {
		return err
	}
	lens, whole := sent.lens()
	var err error = house.Fault{Of: house.ErrBadLens, Code: "lens-fields"}
	if whole {
		err = s.Archive.SetLens(r.Context(), r.PathValue("bell"), lens)
	}
	if err != nil {
		return absent(err, errNoBell)
	}
	return s.getLens(w, r)
}

func (s *Server) deleteLens(w http.ResponseWriter, r *http.Request) error {
	if err := s.Archive.ClearLens(r.Context(), r.PathValue("bell")); err != nil {
		return absent(err, errNoBell)
	}
	return s.getLens(w, r)
}
