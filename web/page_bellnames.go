package web

import (
	"errors"
	"net/http"

	"lintel/internal/house"
)

var (
	errBellName  = problem{Status: http.StatusUnprocessableEntity, Type: "bad-name", Title: "problem-bad-bell-name"}
	errBellTwice = problem{Status: http.StatusConflict, Type: "name-taken", Title: "problem-bell-twice"}
)

// renameBell calls the bell that a request is about otherwise.
func (s *Server) renameBell(r *http.Request, name string) error {
	err := s.Archive.RenameBell(r.Context(), r.PathValue("bell"), name)
	switch {
	case errors.Is(err, house.ErrBadName):
		return errBellName
	case errors.Is(err, house.ErrExists):
		return errBellTwice
	}
	return absent(err, errNoBell)
}

// submitBellName calls a bell otherwise, or says on Upkeep why not.
func (s *Server) submitBellName(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	err = s.renameBell(r, posted.Get("name"))
	if p, known := problemOf(err); err != nil && known && p.Status != http.StatusNotFound {
		return s.drawUpkeep(w, r, upkeepView{Part: "bells", Bells: bellsView{Wrong: p.message(speak(languageOf(r)))}})
	}
	if err != nil {
		return err
	}
	return redirect(w, r, "/upkeep/bells")
}

// putBellName is submitBellName for programs. It answers with the bells.
func (s *Server) putBellName(w http.ResponseWriter, r *http.Request) error {
	var sent struct {
		Name string `json:"name"`
	}
	if err := bodyJSON(w, r, &sent); err != nil {
		return err
	}
	if err := s.renameBell(r, sent.Name); err != nil {
		return err
	}
	return s.listBells(w, r)
}
