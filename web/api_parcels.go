package web

import (
	"errors"
	"net/http"
	"strings"
	"time"

	"lintel/internal/house"
)

// A parcelJSON is the API's view of an expected parcel.
type parcelJSON struct {
	ID     string            `json:"id"`
	Door   string            `json:"door"`
	Note   string            `json:"note"`
	From   time.Time         `json:"from"`
	To     time.Time         `json:"to"`
	Window int64             `json:"window_s"`
	State  house.ParcelState `json:"state"`
	Visit  string            `json:"visit,omitempty"`
	Says   string            `json:"says"`
}

func (s *Server) listParcels(w http.ResponseWriter, r *http.Request) error {
	return s.answerParcels(w, r, http.StatusOK)
}

func (s *Server) answerParcels(w http.ResponseWriter, r *http.Request, status int) error {
	_, _, parcels, err := s.parcelsFor(r)
	if err != nil {
		return err
	}
	answer := struct {
		Parcels []parcelJSON `json:"parcels"`
	}{[]parcelJSON{}}
	for _, p := range parcels {
		answer.Parcels = append(answer.Parcels, parcelJSON{p.ID, p.Door, p.Note, p.From, p.To,
			int64(p.Window / time.Second),
			p.State, p.Visit, p.Says})
	}
	return sendJSON(w, status, answer)
}

// postParcel expects a parcel for a program, and answers with all of them.
func (s *Server) postParcel(w http.ResponseWriter, r *http.Request) error {
	var sent struct {
		Door   string    `json:"door"`
		Note   string    `json:"note"`
		From   time.Time `json:"from"`
		To     time.Time `json:"to"`
		Window int64     `json:"window_s"`
	}
	if err := bodyJSON(w, r, &sent); err != nil {
		return err
	}
	field, err := s.expect(r, house.ParcelRule{Door: sent.Door, Note: strings.TrimSpace(sent.Note), From: sent.From,
		To: sent.To, Window: seconds(sent.Window)})
	switch {
	case errors.Is(err, house.ErrHouseDoor):
		return unfit("house-door", house.ErrHouseDoor)
	case field != "":
		return unfit("bad-parcel", err)
	case err != nil:
		return err
	default:
		return s.answerParcels(w, r, http.StatusCreated)
	}
}

func (s *Server) deleteParcel(w http.ResponseWriter, r *http.Request) error {
	if err := s.Archive.RemoveParcelRule(r.Context(), r.PathValue("parcel")); err != nil {
		return absent(err, errNoParcel)
	}
	return s.listParcels(w, r)
}
