package web

import (
	"errors"
	"net/http"
	"strings"
	"unicode/utf8"

	"lintel/internal/house"
	"lintel/pipeline/advice/totp"
	"lintel/web/view"
)

// submitCodes gives a person new one-time codes, in place of any they had, and
// shows the secret: now, and never again.
func (s *Server) submitCodes(w http.ResponseWriter, r *http.Request) error {
	p, err := s.personOf(r)
	if err != nil {
		return err
	}
	secret := totp.New()
	path, side, err := secret.QR(appName(p.Name))
	if err == nil {
		err = s.Archive.SetOneTimeSecret(r.Context(), p.ID, secret.Text(), 0)
	}
	if err != nil {
		return absent(err, errPersonGone)
	}
	return s.drawPerson(w, r, http.StatusOK, p, personView{Factors: view.PersonFactors{
		Codes: &view.Codes{Path: path, Side: side, Secret: inGroups(secret.Text())}}})
}

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
