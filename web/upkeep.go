package web

import (
	"errors"
	"net/http"

	"lintel/store"
)

// An upkeepView is what the page Upkeep shows.
type upkeepView struct {
	Name      string
	Bells     []bellLine
	Tablets   []store.Tablet
	Residents []store.Resident
	Code      string // a pairing code just made
	Link      string // an invitation just made
	TLS       bool
}

type bellLine struct {
	Name  string
	Heard string
}

func (s *Server) upkeepPage(w http.ResponseWriter, r *http.Request) {
	s.showUpkeep(w, r, upkeepView{})
}

// showUpkeep fills the view in and shows it.
func (s *Server) showUpkeep(w http.ResponseWriter, r *http.Request, view upkeepView) {
	view.Name, view.TLS = session(r).Name, s.TLS
	bells, err := s.Archive.Bells(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	for _, b := range bells {
		line := bellLine{b.Name, "not heard yet"}
		if !b.HeardAt.IsZero() {
			line.Heard = "last heard " + b.HeardAt.In(s.Zone).Format("Monday 2 January, 15:04")
		}
		view.Bells = append(view.Bells, line)
	}
	if view.Tablets, err = s.Archive.Tablets(r.Context()); err != nil {
		s.fail(w, r, err)
		return
	}
	if view.Residents, err = s.Archive.Residents(r.Context()); err != nil {
		s.fail(w, r, err)
		return
	}
	writePage(w, http.StatusOK, "upkeep.html", view)
}

func (s *Server) makePairingCode(w http.ResponseWriter, r *http.Request) {
	code, err := s.tickets.issueDigits(forPairing, session(r).Resident, pairingLasts)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.showUpkeep(w, r, upkeepView{Code: code[:4] + " " + code[4:]})
}

func (s *Server) makeInvitation(w http.ResponseWriter, r *http.Request) {
	scheme := "http"
	if s.TLS {
		scheme = "https"
	}
	token := s.tickets.issue(forJoining, session(r).Resident, joiningLasts)
	s.showUpkeep(w, r, upkeepView{Link: scheme + "://" + r.Host + "/join?token=" + token})
}

func (s *Server) unpairTablet(w http.ResponseWriter, r *http.Request) {
	err := s.Archive.UnpairTablet(r.Context(), r.PathValue("tablet"))
	if err != nil && !errors.Is(err, store.ErrNotFound) {
		s.fail(w, r, err)
		return
	}
	http.Redirect(w, r, "/upkeep", http.StatusSeeOther)
}
