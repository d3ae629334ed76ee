package web

import (
	"errors"
	"net/http"
	"strconv"

	"lintel/internal/house"
)

// A chimeView is the form of how tablets chime, as typed or as it is.
type chimeView struct {
	Volume, From, Until string
	Saved               bool
	Fault               string
}

// chimeForm is the part of Rules on the chime.
func (s *Server) chimeForm(r *http.Request) (chimeView, error) {
	c, err := s.Archive.Chime(r.Context())
	return chimeView{Volume: strconv.Itoa(c.Volume), From: c.From.String(), Until: c.Until.String(),
		Saved: r.URL.Query().Get("saved") == "chime"}, err
}

// submitChime keeps how tablets chime, or says what is wrong beside what was typed.
func (s *Server) submitChime(w http.ResponseWriter, r *http.Request) error {
	form, err := readPosted(w, r)
	if err != nil {
		return err
	}
	typed := chimeView{Volume: form.text("volume"), From: form.text("from"), Until: form.text("until")}
	c, err := typed.chime()
	if err == nil {
		err = s.Archive.SetChime(r.Context(), c)
	}
	if errors.Is(err, house.ErrBadRule) {
		typed.Fault = refused(r, err)
		h, _, err := s.rulesHouse(r)
		if err != nil {
			return err
		}
		page := rulesHouseView{Zone: h.Zone, Prior: percentOf(h.Prior), Chime: typed}
		if page.Revision, err = revisionOf(h); err != nil {
			return err
		}
		return s.drawRulesHouse(w, r, http.StatusUnprocessableEntity, page)
	}
	if err != nil {
		return err
	}
	return redirect(w, r, rulesHouseAddress+"?saved=chime#chime")
}

// chime reads what was typed. The error is house.ErrBadRule.
func (v chimeView) chime() (c house.Chime, err error) {
	if c.Volume, err = strconv.Atoi(v.Volume); err != nil {
		c.Volume = -1 // which no volume is
	}
	err = errors.Join(c.From.UnmarshalText([]byte(v.From)), c.Until.UnmarshalText([]byte(v.Until)))
	return c, err
}

func (s *Server) getChime(w http.ResponseWriter, r *http.Request) error {
	c, err := s.Archive.Chime(r.Context())
	if err != nil {
		return err
	}
	return sendJSON(w, http.StatusOK, c)
}

func (s *Server) putChime(w http.ResponseWriter, r *http.Request) error {
	var c house.Chime
	if err := bodyJSON(w, r, &c); err != nil {
		return err
	}
	if err := s.Archive.SetChime(r.Context(), c); err != nil {
		return err
	}
	return s.getChime(w, r)
}
