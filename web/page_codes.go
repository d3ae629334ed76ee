package web

import (
	"crypto/rand"
	"crypto/sha256"
	"errors"
	"net/http"
	"strings"
	"sync"
	"time"
	"unicode/utf8"

	"lintel/internal/house"
	"lintel/pipeline/advice/totp"
	"lintel/web/view"
)

// qrPixels is how wide and high a QR code is shown.
const qrPixels = 320

// submitCodes gives a person new one-time codes, in place of any they had, and
// shows the secret: now, and never again.
func (s *Server) submitCodes(w http.ResponseWriter, r *http.Request) error {
	p, err := s.personOf(r)
	if err != nil {
		return err
	}
	secret := totp.New()
	picture, err := secret.QR(appName(p.Name), qrPixels)
	if err == nil {
		err = s.Archive.SetOneTimeSecret(r.Context(), p.ID, secret.Text(), 0)
	}
	if err != nil {
		return absent(err, errPersonGone)
	}
	return s.drawPerson(w, r, http.StatusOK, p, personView{Factors: view.PersonFactors{Codes: &view.Codes{
		Picture: codesAddress(p.ID) + "/qr/" + s.pictures.keep(s.browserOf(r), p.ID, picture),
		Secret:  inGroups(secret.Text()), Pixels: qrPixels,
	}}})
}

func codesAddress(person string) string { return personAddress(person) + "/codes" }

// inGroups sets a secret in groups of four.
func inGroups(secret string) string {
	var groups []string
	for ; len(secret) > 4; secret = secret[4:] {
		groups = append(groups, secret[:4])
	}
	return strings.Join(append(groups, secret), " ")
}

// appName is what a person is called in an app, which takes no colon and no
// more than 100 bytes.
func appName(name string) string {
	name = strings.ReplaceAll(name, ":", " ")
	if len(name) > 100 {
		name = name[:100]
		for !utf8.ValidString(name) { // cut in the middle of a letter
			name = name[:len(name)-1]
		}
	}
	return name
}

// getCodesPicture serves a QR code once, to the browser that was given its
// address.
func (s *Server) getCodesPicture(w http.ResponseWriter, r *http.Request) error {
	picture, ok := s.pictures.take(r.PathValue("picture"), s.browserOf(r), r.PathValue("person"))
	if !ok {
		return errNoPicture
	}
	w.Header().Set("Content-Type", "image/png") // Cache-Control is no-store, as everywhere
	w.Write(picture)
	return nil
}

// submitEndCodes ends a person's one-time codes. That there are none is what was
// wanted.
func (s *Server) submitEndCodes(w http.ResponseWriter, r *http.Request) error {
	p, err := s.personOf(r)
	if err != nil {
		return err
	}
	if err := s.Archive.RemoveOneTimeSecret(r.Context(), p.ID); err != nil && !errors.Is(err, house.ErrNotFound) {
		return err
	}
	s.erased()
	return s.backToPerson(w, r, p.ID)
}

// browserOf tells a session from all others.
func (s *Server) browserOf(r *http.Request) [32]byte {
	cookie, err := r.Cookie(s.cookieName())
	if err != nil { // never behind signedIn
		return [32]byte{}
	}
	return sha256.Sum256([]byte(cookie.Value))
}

// A QR code is a secret in a picture. A page can't hold it, as the policy takes
// no pictures but from addresses. So it is kept in memory for a moment, for one
// look of one session. What is not looked at goes with the next one, or with the
// server.
const (
	pictureLasts = time.Minute
	mostPictures = 20
)

type pictures struct {
	now func() time.Time

	mu   sync.Mutex
	kept map[string]picture // by the last part of its address
}

type picture struct {
	browser   [32]byte
	person    string
	png       []byte
	expiresAt time.Time
}

func newPictures(now func() time.Time) *pictures {
	return &pictures{now: now, kept: make(map[string]picture)}
}

// keep keeps a picture for one look, and returns what to ask for.
func (p *pictures) keep(browser [32]byte, person string, png []byte) string {
	p.mu.Lock()
	defer p.mu.Unlock()
	for name, k := range p.kept {
		if !p.now().Before(k.expiresAt) || k.person == person || len(p.kept) >= mostPictures {
			delete(p.kept, name)
		}
	}
	name := rand.Text()
	p.kept[name] = picture{browser, person, png, p.now().Add(pictureLasts)}
	return name
}

// take returns a picture and forgets it.
func (p *pictures) take(name string, browser [32]byte, person string) ([]byte, bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	k, ok := p.kept[name]
	if !ok || k.browser != browser || k.person != person || !p.now().Before(k.expiresAt) {
		return nil, false
	}
	delete(p.kept, name)
	return k.png, true
}
