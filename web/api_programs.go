package web

import (
	"errors"
	"net/http"

	"lintel/internal/house"
)

// addProgram adds a program and returns its API token, which is shown this once.
func (s *Server) addProgram(r *http.Request, name string, scopes []house.Scope) (p house.Program, token string,
	err error) {
	if name, err = properName(name); err != nil {
		return p, "", err
	}
	p, token, err = s.Archive.AddProgram(r.Context(), name, scopes...)
	if errors.Is(err, house.ErrExists) {
		return p, "", errProgramTwice
	}
	return p, token, err
}

func (s *Server) listPrograms(w http.ResponseWriter, r *http.Request) error {
	programs, err := s.Archive.Programs(r.Context())
	if err != nil {
		return err
	}
	return sendJSON(w, http.StatusOK, struct {
		Programs []house.Program `json:"programs"`
	}{append([]house.Program{}, programs...)})
}

func (s *Server) postProgram(w http.ResponseWriter, r *http.Request) error {
	var sent struct {
		Name   string        `json:"name"`
		Scopes []house.Scope `json:"scopes"`
	}
	if err := bodyJSON(w, r, &sent); err != nil {
		return err
	}
	p, token, err := s.addProgram(r, sent.Name, sent.Scopes)
	if err != nil {
		return err
	}
	return sendJSON(w, http.StatusCreated, struct {
		house.Program
		Token string `json:"token"`
	}{p, token})
}

func (s *Server) deleteProgram(w http.ResponseWriter, r *http.Request) error {
	if err := s.Archive.EndProgram(r.Context(), r.PathValue("program")); err != nil {
		return absent(err, errNoProgram)
	}
	return s.listPrograms(w, r)
}
