package web

import (
	"net/http"
	"time"

	"lintel/internal/house"
)

// An enteredJSON says who was given a session. Its token is in the cookie.
type enteredJSON struct {
	Name      string    `json:"name"`
	ExpiresAt time.Time `json:"expires_at"`
}

// postSession signs a resident in, and deleteSession out.
func (s *Server) postSession(w http.ResponseWriter, r *http.Request) error {
	var sent struct {
		Name     string `json:"name"`
		Password string `json:"password"`
	}
	if err := bodyJSON(w, r, &sent); err != nil {
		return err
	}
	token, err := s.signIn(w, r, sent.Name, sent.Password)
	if err != nil {
		return err
	}
	return s.answerEntry(w, r, token, http.StatusCreated)
}

func (s *Server) deleteSession(w http.ResponseWriter, r *http.Request) error {
	s.leave(w, r)
	w.WriteHeader(http.StatusNoContent)
	return nil
}

// answerEntry gives whoever asks a session, and says so.
func (s *Server) answerEntry(w http.ResponseWriter, r *http.Request, token string, status int) error {
	given, err := s.give(w, r, token)
	if err != nil {
		return err
	}
	return sendJSON(w, status, enteredJSON{given.Name, given.ExpiresAt})
}

func (s *Server) listTablets(w http.ResponseWriter, r *http.Request) error {
	tablets, err := s.Archive.Tablets(r.Context())
	if err != nil {
		return err
	}
	return sendJSON(w, http.StatusOK, struct {
		Tablets []house.Tablet `json:"tablets"`
	}{append([]house.Tablet{}, tablets...)})
}

// postPairingCode makes the code that postTablet, at the tablet, is asked with.
func (s *Server) postPairingCode(w http.ResponseWriter, r *http.Request) error {
	code, err := s.pairingCode(r)
	if err != nil {
		return err
	}
	return sendJSON(w, http.StatusCreated, struct {
		Code      string    `json:"code"`
		ExpiresAt time.Time `json:"expires_at"`
	}{code, s.Now().Add(pairingLasts).UTC()})
}

func (s *Server) postTablet(w http.ResponseWriter, r *http.Request) error {
	var sent struct {
		Name string `json:"name"`
		Code string `json:"code"`
	}
	if err := bodyJSON(w, r, &sent); err != nil {
		return err
	}
	token, err := s.pair(r, sent.Name, sent.Code)
	if err != nil {
		return err
	}
	return s.answerEntry(w, r, token, http.StatusCreated)
}

func (s *Server) deleteTablet(w http.ResponseWriter, r *http.Request) error {
	if err := s.Archive.UnpairTablet(r.Context(), r.PathValue("tablet")); err != nil {
		return absent(err, errNoTablet)
	}
	return s.listTablets(w, r)
}
