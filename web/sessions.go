package web

import (
	"errors"
	"net/http"
	"time"

	"lintel/internal/house"
)

// cookieName is the session's cookie. Over TLS it has the prefix that makes
// browsers insist on it (RFC 6265bis).
func (s *Server) cookieName() string { return s.cookieNamed("lintel_session") }

// pairingName is the cookie of a tablet's pairing, while a resident is signed in
// there: it stands beside the resident's, and is what is left after that.
func (s *Server) pairingName() string { return s.cookieNamed("lintel_tablet") }

func (s *Server) cookieNamed(name string) string {
	if s.TLS {
		return "__Host-" + name
	}
	return name
}

// setCookie keeps a token in the browser; a negative time takes it away.
func (s *Server) setCookie(w http.ResponseWriter, name, token string, lasts time.Duration) {
	http.SetCookie(w, &http.Cookie{
		Name: name, Value: token, Path: "/", MaxAge: int(lasts.Seconds()),
		HttpOnly: true, Secure: s.TLS, SameSite: http.SameSiteStrictMode,
	})
}

// sessionOf returns whose request it is, or house.ErrNotFound: that of the
// program whose API token it brings, or else of the browser's cookies, of which a
// resident's comes before a tablet's pairing. Pages know no programs.
func (s *Server) sessionOf(r *http.Request) (house.Session, error) {
	if bringsToken(r) {
		return s.programOf(r)
	}
	for _, name := range []string{s.cookieName(), s.pairingName()} {
		found, _, err := s.sessionIn(r, name)
		if !errors.Is(err, house.ErrNotFound) {
			return found, err
		}
	}
	return house.Session{}, house.ErrNotFound
}

// sessionIn returns the session of the cookie of that name, and its token.
func (s *Server) sessionIn(r *http.Request, name string) (found house.Session, token string, err error) {
	cookie, err := r.Cookie(name)
	if err != nil {
		return found, "", house.ErrNotFound
	}
	found, err = s.Archive.Session(r.Context(), cookie.Value)
	return found, cookie.Value, err
}

// pairingOf returns the session of the tablet that the browser is paired as, with
// its token, whoever is signed in there. The error is house.ErrNotFound.
func (s *Server) pairingOf(r *http.Request) (found house.Session, token string, err error) {
	for _, name := range []string{s.cookieName(), s.pairingName()} {
		found, token, err = s.sessionIn(r, name)
		if err == nil && found.Tablet == "" {
			err = house.ErrNotFound
		}
		if !errors.Is(err, house.ErrNotFound) {
			break
		}
	}
	return found, token, err
}

// give has the browser hold a session. One of a resident that it had ends: a token
// that somebody planted is of no use. A tablet that a resident signs in at stays
// paired, and is that tablet again when their session ends; one that is paired anew
// is no longer what it was.
func (s *Server) give(w http.ResponseWriter, r *http.Request, token string) (house.Session, error) {
	given, err := s.Archive.Session(r.Context(), token)
	if err != nil {
		return given, err
	}
	s.signOut(r)
	paired, pairing, err := s.pairingOf(r)
	switch {
	case errors.Is(err, house.ErrNotFound):
	case err != nil:
		return given, err
	case given.Resident != "":
		s.setCookie(w, s.pairingName(), pairing, paired.ExpiresAt.Sub(s.Now()))
	default:
		s.setCookie(w, s.pairingName(), "", -time.Second)
		err := s.Archive.UnpairTablet(house.By(r.Context(), actor(paired)), paired.Tablet)
		if err != nil && !errors.Is(err, house.ErrNotFound) {
			return given, err
		}
	}
	s.setCookie(w, s.cookieName(), token, given.ExpiresAt.Sub(s.Now()))
	return given, nil
}

// signOut ends the resident's session that the browser has, if it has one.
func (s *Server) signOut(r *http.Request) {
	found, token, err := s.sessionIn(r, s.cookieName())
	if err == nil && found.Resident != "" {
		err = s.Archive.SignOut(house.By(r.Context(), actor(found)), token)
	}
	if err != nil && !errors.Is(err, house.ErrNotFound) {
		s.Log.Error("ending a session", "err", err)
	}
}

// leave ends the session of the resident who asks.
func (s *Server) leave(w http.ResponseWriter, r *http.Request) {
	forgetPictures(w)
	s.signOut(r)
	s.setCookie(w, s.cookieName(), "", -time.Second)
}

type sessionKey struct{}

// session returns the session that guarded found.
func session(r *http.Request) house.Session {
	return r.Context().Value(sessionKey{}).(house.Session)
}

// use notes that a session was used. A disk that takes no note of it keeps nobody
// from reading.
func (s *Server) use(r *http.Request, found house.Session) {
	if found.Program != "" {
		return // noted with its token
	}
	if err := s.Archive.UseSession(r.Context(), found, browserOf(r)); err != nil && r.Context().Err() == nil {
		s.Log.Error("noting that a session was used", "session", found.ID, "err", err)
	}
}

// actor is how the audit trail names whose session it is.
func actor(s house.Session) string {
	switch {
	case s.Resident != "":
		return "resident " + s.Resident
	case s.Program != "":
		return "program " + s.Program
	}
	return "tablet " + s.Tablet
}
