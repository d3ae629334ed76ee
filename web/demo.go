package web

import (
	"bytes"
	"context"
	"crypto/rand"
	"net/http"
	"strings"
	"time"

	"lintel/internal/house"
)

// withNotice has a page that was drawn say first of all that it is of a demo, or that
// nothing can be kept, where it is so.
func withNotice(r *http.Request, page []byte) ([]byte, error) {
	who, ok := r.Context().Value(readerKey{}).(*reader)
	if !ok || !who.demo && !who.unkept {
		return page, nil
	}
	notice := "demo"
	if who.unkept {
		notice = "unkept"
	}
	var bar bytes.Buffer
	if err := drawPage(&bar, languageOf(r), notice, nil); err != nil {
		return nil, err
	}
	head, body, _ := bytes.Cut(page, []byte("<body"))
	tag, rest, _ := bytes.Cut(body, []byte(">")) // attributes have none: templates escape it
	return bytes.Join([][]byte{head, []byte("<body"), tag, []byte(">\n"), bar.Bytes(), rest}, nil), nil
}

// demoLasts is how long the link is good by which somebody enters a demo.
const demoLasts = 24 * time.Hour

// DemoLink returns the address, on this server, by which a browser is signed in once
// as a resident. It leads nowhere where the server is not a demo's.
func (s *Server) DemoLink(resident string) string {
	return "/demo?token=" + s.tickets.issue(forDemo, resident, demoLasts)
}

// AddDemoResident adds the resident as whom a demo is entered, with a password that is
// made for it.
func (s *Server) AddDemoResident(ctx context.Context, name string) (who house.Resident, password string, err error) {
	password = strings.ToLower(rand.Text()[:12])
	hash, err := s.hashPassword(ctx, password)
	if err != nil {
		return who, "", err
	}
	who, err = s.Archive.AddResident(ctx, name, hash)
	return who, password, err
}

// enterDemo signs in whoever has the link of a demo.
func (s *Server) enterDemo(w http.ResponseWriter, r *http.Request) error {
	if !s.Demo {
		return errNoAddress
	}
	id, ok := s.tickets.use(r.URL.Query().Get("token"), forDemo)
	if !ok {
		return s.staleLink(r, house.ErrNotFound)
	}
	resident, err := s.residentOf(r.Context(), id)
	if err != nil {
		return s.staleLink(r, err)
	}
	return s.enterAs(w, r, resident)
}
