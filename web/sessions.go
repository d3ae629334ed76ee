package web

import (
	"context"
	"errors"
	"net"
	"net/http"
	"sync"
	"time"

	"golang.org/x/time/rate"

	"lintel/internal/house"
)

// cookieName is the session's cookie. Over TLS it has the prefix that makes
// browsers insist on it (RFC 6265bis).
func (s *Server) cookieName() string {
	if s.TLS {
		return "__Host-lintel_session"
	}
	return "lintel_session"
}

func (s *Server) setCookie(w http.ResponseWriter, token string, lasts time.Duration) {
	http.SetCookie(w, &http.Cookie{
		Name: s.cookieName(), Value: token, Path: "/", MaxAge: int(lasts.Seconds()),
		HttpOnly: true, Secure: s.TLS, SameSite: http.SameSiteStrictMode,
	})
}

// sessionOf returns whose request it is, or house.ErrNotFound: that of the
// program whose API token it brings, or else of the browser's cookie. Pages know
// no programs.
func (s *Server) sessionOf(r *http.Request) (house.Session, error) {
	if bringsToken(r) {
		return s.programOf(r)
	}
	cookie, err := r.Cookie(s.cookieName())
	if err != nil {
		return house.Session{}, house.ErrNotFound
	}
	return s.Archive.Session(r.Context(), cookie.Value)
}

type sessionKey struct{}

// session returns the session that guarded found.
func session(r *http.Request) house.Session {
	return r.Context().Value(sessionKey{}).(house.Session)
}

// guarded lets those through whom the guard admits. A browser without a session
// is sent to sign in, a program gets 401.
func (s *Server) guarded(g guard, h handler) handler {
	return func(w http.ResponseWriter, r *http.Request) error {
		found, err := s.sessionOf(r)
		if errors.Is(err, house.ErrNotFound) && wantsPage(r) && r.Method == http.MethodGet {
			return redirect(w, r, "/sign-in")
		}
		if errors.Is(err, house.ErrNotFound) {
			return s.unknown(w, r)
		}
		if err == nil {
			err = admit(w, found, g)
		}
		if err != nil {
			return err
		}
		return h(w, r.WithContext(house.By(context.WithValue(r.Context(), sessionKey{}, found), actor(found))))
	}
}

// admit reports why the guard lets somebody not through. Tablets are kept from
// much, since whoever stands before one may be a guest.
func admit(w http.ResponseWriter, who house.Session, g guard) error {
	admitted := admissions[g]
	switch {
	case who.Program != "":
		return admitProgram(w, who, admitted.scope)
	case who.Resident == "" && !admitted.tablets:
		return errResidentsOnly
	}
	return nil
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

// attempts bound how often somebody may try a password or a code: five at
// once from one address and one each half minute after that, and thirty at
// once from all.
type attempts struct {
	all  *rate.Limiter
	from *byAddress
}

func newAttempts(now func() time.Time) *attempts {
	return &attempts{rate.NewLimiter(rate.Every(2*time.Second), 30), newByAddress(now, 30*time.Second, 5)}
}

// allow counts an attempt and reports whether it may be made.
func (a *attempts) allow(r *http.Request) bool {
	return a.from.allow(r) && a.all.AllowN(a.from.now(), 1)
}

// byAddress bounds how often something comes from one address: some at once, and
// one each interval after that.
type byAddress struct {
	now    func() time.Time
	every  time.Duration
	atOnce int

	mu   sync.Mutex
	seen map[string]*rate.Limiter
}

func newByAddress(now func() time.Time, every time.Duration, atOnce int) *byAddress {
	return &byAddress{now: now, every: every, atOnce: atOnce, seen: make(map[string]*rate.Limiter)}
}

// maxAddresses bounds the memory that addresses take; with more, those that
// have been quiet are forgotten.
const maxAddresses = 1000

// allow counts one from the request's address, and reports whether it is within
// the bound.
func (b *byAddress) allow(r *http.Request) bool {
	address, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		address = r.RemoteAddr
	}
	now := b.now()
	b.mu.Lock()
	defer b.mu.Unlock()
	l, ok := b.seen[address]
	if !ok {
		if len(b.seen) >= maxAddresses {
			for address, l := range b.seen {
				if l.TokensAt(now) >= float64(b.atOnce) {
					delete(b.seen, address)
				}
			}
		}
		l = rate.NewLimiter(rate.Every(b.every), b.atOnce)
		b.seen[address] = l
	}
	return l.AllowN(now, 1)
}
