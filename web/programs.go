package web

import (
	"context"
	"net/http"
	"strings"
	"time"

	"lintel/internal/house"
)

// Of API tokens that are nobody's, each address may send a few at once, and one
// each interval after that: a program whose token was ended will go on for a while.
const (
	strayEvery   = 10 * time.Second
	straysAtOnce = 10
)

// bringsToken reports whether a request comes with an API token, be it right or
// wrong. Then its cookie does not count.
func bringsToken(r *http.Request) bool {
	forPrograms := strings.HasPrefix(r.URL.Path, "/api/") || r.URL.Path == "/metrics" || r.URL.Path == "/readyz"
	return forPrograms && r.Header.Get("Authorization") != ""
}

// programOf returns the program whose token a request brings, or
// house.ErrNotFound. The token is looked up by its hash, so how long that takes
// says nothing of how much of it was right.
func (s *Server) programOf(r *http.Request) (house.Session, error) {
	p, err := s.Archive.ProgramOf(r.Context(), bearer(r))
	if err != nil {
		return house.Session{}, err
	}
	// A disk that takes no note of it keeps nobody from reading.
	if err := s.Archive.UseProgram(r.Context(), p); err != nil && r.Context().Err() == nil {
		s.Log.Error("noting that a program asked", "program", p.ID, "err", err)
	}
	return house.Session{Program: p.ID, Scopes: p.Scopes, Name: p.Name}, nil
}

// admitProgram reports why a program does not get through: "" is the scope of
// what none may.
func admitProgram(w http.ResponseWriter, who house.Session, scope house.Scope) error {
	switch {
	case scope == "":
		return errNotForPrograms
	case !who.Scopes.Has(scope):
		challenge(w, `, error="insufficient_scope", scope="`+string(scope)+`"`)
		return scopeProblem(scope)
	}
	return nil
}

// mayHearAdvice reports whether whoever is behind the context is told of advice on
// visits: all but programs without that scope.
func mayHearAdvice(ctx context.Context) bool {
	who, _ := ctx.Value(sessionKey{}).(house.Session)
	return who.Program == "" || who.Scopes.Has(house.ReadAdvice)
}

// unknown says to whoever has no session, or a token that is nobody's, that they
// have to sign in. A right token is never refused for wrong ones from the same
// address: a token has 130 random bits, and a lock-out would let anybody silence
// the household's programs. What is bounded are the answers and lines in the log.
func (s *Server) unknown(w http.ResponseWriter, r *http.Request) error {
	if !bringsToken(r) {
		if strings.HasPrefix(r.URL.Path, "/api/") {
			challenge(w, "")
		}
		return errNotSignedIn
	}
	if !s.strays.Allow(networkOf(r)) {
		retryAfter(w, strayEvery)
		return errStrays
	}
	s.Log.Warn("refused an API token that is nobody's", "from", r.RemoteAddr)
	challenge(w, `, error="invalid_token"`)
	return errWrongAPIToken
}

// challenge says how to ask (RFC 9110, section 11.6.1), and what was wrong in the
// words of RFC 6750, section 3.1.
func challenge(w http.ResponseWriter, wrong string) {
	w.Header().Set("WWW-Authenticate", "Bearer "+`realm="lintel"`+wrong)
}
