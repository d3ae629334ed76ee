package web

import (
	"errors"
	"net/http"
	"time"

	"lintel/internal/house"
	"lintel/store"
)

func (s *Server) listResidents(w http.ResponseWriter, r *http.Request) error {
	residents, err := s.Archive.Residents(r.Context())
	if err != nil {
		return err
	}
	return sendJSON(w, http.StatusOK, struct {
		Residents []house.Resident `json:"residents"`
	}{append([]house.Resident{}, residents...)})
}

// removeResident removes the resident whom the address names, with all that lets
// them in.
func (s *Server) removeResident(r *http.Request) error {
	err := s.Archive.RemoveResident(r.Context(), r.PathValue("resident"), session(r).Resident)
	if errors.Is(err, store.ErrSignedOut) {
		return errNotSignedIn
	}
	return absent(err, errNoResident)
}

func (s *Server) deleteResident(w http.ResponseWriter, r *http.Request) error {
	if err := s.removeResident(r); err != nil {
		return err
	}
	return s.listResidents(w, r)
}

// An invitationJSON is an invitation as programs get it.
type invitationJSON struct {
	ID        string    `json:"id"`
	MadeBy    string    `json:"made_by"` // the resident's name, "" if it was made by command
	MadeAt    time.Time `json:"made_at"`
	ExpiresAt time.Time `json:"expires_at"`
}

// invite makes a link by which somebody becomes a resident, in a browser.
func (s *Server) invite(r *http.Request) (l house.Link, address string, err error) {
	l, token, err := s.Archive.Invite(r.Context(), session(r).Resident)
	return l, s.base(r) + "/join?token=" + token, absent(err, errNotSignedIn)
}

func (s *Server) postInvitation(w http.ResponseWriter, r *http.Request) error {
	l, address, err := s.invite(r)
	if err != nil {
		return err
	}
	return sendJSON(w, http.StatusCreated, struct {
		ID        string    `json:"id"`
		Link      string    `json:"link"`
		ExpiresAt time.Time `json:"expires_at"`
	}{l.ID, address, l.ExpiresAt})
}

func (s *Server) listInvitations(w http.ResponseWriter, r *http.Request) error {
	links, err := s.Archive.Invitations(r.Context())
	if err != nil {
		return err
	}
	all := []invitationJSON{}
	for _, l := range links {
		all = append(all, invitationJSON{l.ID, l.Maker, l.MadeAt, l.ExpiresAt})
	}
	return sendJSON(w, http.StatusOK, struct {
		Invitations []invitationJSON `json:"invitations"`
	}{all})
}

func (s *Server) deleteInvitation(w http.ResponseWriter, r *http.Request) error {
	if err := s.Archive.WithdrawInvitation(r.Context(), r.PathValue("invitation")); err != nil {
		return absent(err, errNoInvitation)
	}
	return s.listInvitations(w, r)
}

// A sessionJSON is a session of a resident as programs get it.
type sessionJSON struct {
	ID        string        `json:"id"`
	Resident  string        `json:"resident"` // id
	Name      string        `json:"name"`
	StartedAt time.Time     `json:"started_at"`
	SeenAt    time.Time     `json:"seen_at"`
	ExpiresAt time.Time     `json:"expires_at"`
	Browser   house.Browser `json:"browser"`
	Tablet    string        `json:"tablet,omitempty"`   // id of the tablet at which they signed in
	Language  string        `json:"language,omitempty"` // that they chose
	Own       bool          `json:"own"`                // whether it is the one that asks
}

func (s *Server) listSessions(w http.ResponseWriter, r *http.Request) error {
	sessions, err := s.Archive.ResidentSessions(r.Context())
	if err != nil {
		return err
	}
	all := []sessionJSON{}
	for _, o := range sessions {
		all = append(all, sessionJSON{o.ID, o.Resident, o.Name, o.StartedAt, o.SeenAt, o.ExpiresAt, o.Browser, o.At,
			o.Language, o.ID == session(r).ID})
	}
	return sendJSON(w, http.StatusOK, struct {
		Sessions []sessionJSON `json:"sessions"`
	}{all})
}

func (s *Server) deleteOneSession(w http.ResponseWriter, r *http.Request) error {
	if err := s.Archive.EndSession(r.Context(), r.PathValue("session")); err != nil {
		return absent(err, errNoSession)
	}
	return s.listSessions(w, r)
}

// putPassword gives whoever asks another password, and their session another
// token.
func (s *Server) putPassword(w http.ResponseWriter, r *http.Request) error {
	var sent struct {
		Current  string `json:"current"`
		Password string `json:"password"`
	}
	if err := bodyJSON(w, r, &sent); err != nil {
		return err
	}
	token, err := s.changePassword(r, sent.Current, sent.Password, sent.Password)
	if err != nil {
		return err
	}
	return s.answerEntry(w, r, token, http.StatusOK)
}
