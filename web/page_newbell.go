package web

import (
	"errors"
	"net/http"

	"lintel/internal/house"
	"lintel/web/certificate"
)

// A newBellView is what the page of a new bell shows: the form, or the secret of a
// bell that has it since just now.
type newBellView struct {
	Bar     barView
	Name    string // as typed, or of the bell
	Wrong   string // what is wrong with it
	Address string // of the bell
	Secret  qrView
	Server  string // where the bell finds it
	Alone   bool   // whether only this machine does
	First   bool   // whether the first steps are not put away yet
}

// addBell adds a bell and returns it with its secret.
func (s *Server) addBell(r *http.Request, name string) (b house.Bell, secret string, err error) {
	secret, err = s.Archive.AddBell(r.Context(), name)
	switch {
	case errors.Is(err, house.ErrBadName):
		return b, "", errBellName
	case errors.Is(err, house.ErrExists):
		return b, "", errBellTwice
	case err != nil:
		return b, "", err
	}
	if name, err = properName(name); err == nil {
		b, err = s.Archive.Bell(r.Context(), name)
	}
	return b, secret, err
}

func (s *Server) showNewBell(w http.ResponseWriter, r *http.Request) error {
	return s.drawNewBell(w, r, newBellView{})
}

func (s *Server) drawNewBell(w http.ResponseWriter, r *http.Request, page newBellView) error {
	words := speak(languageOf(r))
	page.Bar = barOf(r, words.Text("new-bell-title"))
	if page.Address != "" {
		page.Bar.Title = words.Text("new-bell-secret", "Bell", page.Name)
	}
	reach := reachedBy(r.Host, certificate.Found())
	page.Server, page.Alone = scheme(s.TLS)+reach, reach != r.Host && !s.TLS
	started, err := s.Archive.Started(r.Context())
	if err != nil {
		return err
	}
	page.First = !started
	status := http.StatusOK
	if page.Wrong != "" {
		status = http.StatusUnprocessableEntity
	}
	return sendPage(w, r, status, "new-bell.html", page)
}

// submitNewBell adds a bell and shows its secret: now, and never again.
func (s *Server) submitNewBell(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	b, secret, err := s.addBell(r, posted.text("name"))
	if p, known := problemOf(err); err != nil && known && p.Status < http.StatusInternalServerError {
		return s.drawNewBell(w, r, newBellView{Name: posted.text("name"), Wrong: p.message(speak(languageOf(r)))})
	}
	if err != nil {
		return err
	}
	return s.drawSecret(w, r, b, secret)
}

// submitBellSecret gives a bell another secret, in place of one that was lost.
func (s *Server) submitBellSecret(w http.ResponseWriter, r *http.Request) error {
	b, secret, err := s.renewBell(r)
	if err != nil {
		return err
	}
	return s.drawSecret(w, r, b, secret)
}

func (s *Server) renewBell(r *http.Request) (b house.Bell, secret string, err error) {
	secret, err = s.Archive.RenewBell(r.Context(), r.PathValue("bell"))
	if err == nil {
		b, err = s.Archive.Bell(r.Context(), r.PathValue("bell"))
	}
	return b, secret, absent(err, errNoBell)
}

func (s *Server) drawSecret(w http.ResponseWriter, r *http.Request, b house.Bell, secret string) error {
	code, err := qrOf(secret)
	if err != nil {
		return err
	}
	return s.drawNewBell(w, r, newBellView{Name: b.Name, Address: b.Address, Secret: code})
}

// A bellSecretJSON is a bell with its secret, which is told this once.
type bellSecretJSON struct {
	Address string `json:"address"`
	Name    string `json:"name"`
	Secret  string `json:"secret"`
}

func (s *Server) postBell(w http.ResponseWriter, r *http.Request) error {
	var sent struct {
		Name string `json:"name"`
	}
	if err := bodyJSON(w, r, &sent); err != nil {
		return err
	}
	b, secret, err := s.addBell(r, sent.Name)
	if err != nil {
		return err
	}
	return sendJSON(w, http.StatusCreated, bellSecretJSON{b.Address, b.Name, secret})
}

func (s *Server) postBellSecret(w http.ResponseWriter, r *http.Request) error {
	b, secret, err := s.renewBell(r)
	if err != nil {
		return err
	}
	return sendJSON(w, http.StatusOK, bellSecretJSON{b.Address, b.Name, secret})
}

// showRemoveBell says what goes with a bell, and what stays.
func (s *Server) showRemoveBell(w http.ResponseWriter, r *http.Request) error {
	if err := s.findBell(r); err != nil {
		return absent(err, errNoBell)
	}
	words := speak(languageOf(r))
	name := s.bellName(r.Context(), r.PathValue("bell"))
	return sendPage(w, r, http.StatusOK, "confirm.html", confirmView{
		Bar: barOf(r, words.Text("bell-remove-title", "Bell", name)), Says: []string{words.Text("bell-remove-says")},
		Action: r.URL.Path, Button: words.Text("bell-remove"), Back: bellAddress(r.PathValue("bell"))})
}

func (s *Server) submitRemoveBell(w http.ResponseWriter, r *http.Request) error {
	return afterRemoval(w, r, s.Archive.RemoveBell(r.Context(), r.PathValue("bell")), "/upkeep#bells")
}

func (s *Server) deleteBell(w http.ResponseWriter, r *http.Request) error {
	if err := s.Archive.RemoveBell(r.Context(), r.PathValue("bell")); err != nil {
		return absent(err, errNoBell)
	}
	return s.listBells(w, r)
}
