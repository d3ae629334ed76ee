package web

import (
	"errors"
	"net/http"

	"lintel/internal/house"
)

func (s *Server) listSources(w http.ResponseWriter, r *http.Request) error {
	sources, err := s.Archive.Sources(r.Context())
	if err != nil {
		return err
	}
	return sendJSON(w, http.StatusOK, struct {
		Sources []house.Source `json:"sources"`
	}{append([]house.Source{}, sources...)})
}

// postSource adds a phone or a reader, and answers with its token, this once.
func (s *Server) postSource(w http.ResponseWriter, r *http.Request) error {
	var sent struct {
		Kind   house.SourceKind `json:"kind"`
		Person string           `json:"person"`
		Name   string           `json:"name"`
	}
	if err := bodyJSON(w, r, &sent); err != nil {
		return err
	}
	if sent.Kind != house.Reader && (sent.Kind != house.Phone || sent.Person == "") {
		return errBadSource
	}
	name, err := properName(sent.Name)
	if err != nil {
		return err
	}
	added := struct {
		ID     string           `json:"id"`
		Kind   house.SourceKind `json:"kind"`
		Person string           `json:"person,omitempty"`
		Name   string           `json:"name"`
		Token  string           `json:"token"`
		Key    string           `json:"key,omitempty"` // of a reader, to sign with
	}{Kind: sent.Kind, Person: sent.Person, Name: name}
	added.ID, added.Token, err = s.Archive.AddSource(r.Context(), sent.Kind, sent.Person, name)
	if err != nil {
		return absent(err, errPersonGone)
	}
	if sent.Kind == house.Reader {
		if added.Key, err = s.giveKey(r.Context(), added.ID); err != nil {
			return absent(err, errNoSource)
		}
	}
	return sendJSON(w, http.StatusCreated, added)
}

// postSourceKey gives a reader a new key to sign with, and answers with it, this once.
func (s *Server) postSourceKey(w http.ResponseWriter, r *http.Request) error {
	key, err := s.giveKey(r.Context(), r.PathValue("source"))
	if err != nil {
		return absent(err, errNoSource)
	}
	return sendJSON(w, http.StatusCreated, struct {
		Key string `json:"key"`
	}{key})
}

func (s *Server) deleteSource(w http.ResponseWriter, r *http.Request) error {
	if err := s.Archive.RemoveSource(r.Context(), r.PathValue("source")); err != nil {
		return absent(err, errNoSource)
	}
	s.erased()
	return s.listSources(w, r)
}

func (s *Server) listCarriedTokens(w http.ResponseWriter, r *http.Request) error {
	tokens, err := s.Archive.Tokens(r.Context())
	if err != nil {
		return err
	}
	return sendJSON(w, http.StatusOK, struct {
		Tokens []house.CarriedToken `json:"tokens"`
	}{append([]house.CarriedToken{}, tokens...)})
}

func (s *Server) postCarriedToken(w http.ResponseWriter, r *http.Request) error {
	var sent struct {
		Person string `json:"person"`
		Label  string `json:"label"`
	}
	if err := bodyJSON(w, r, &sent); err != nil {
		return err
	}
	label, err := properName(sent.Label)
	if err != nil {
		return err
	}
	id, err := s.addCarriedToken(r, sent.Person, label)
	if err != nil {
		return err
	}
	return sendJSON(w, http.StatusCreated, house.CarriedToken{ID: id, Person: sent.Person, Label: label})
}

// addCarriedToken says that a person carries what readers tell by that label.
func (s *Server) addCarriedToken(r *http.Request, person, label string) (id string, err error) {
	id, err = s.Archive.AddToken(r.Context(), person, label)
	if errors.Is(err, house.ErrExists) {
		return "", errTokenTaken
	}
	return id, absent(err, errPersonGone)
}

func (s *Server) deleteCarriedToken(w http.ResponseWriter, r *http.Request) error {
	if err := s.Archive.RemoveToken(r.Context(), r.PathValue("token")); err != nil {
		return absent(err, errNoCarriedToken)
	}
	s.erased()
	return s.listCarriedTokens(w, r)
}
