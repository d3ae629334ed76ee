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

// sessionOf returns the session a request belongs to, or house.ErrNotFound.
func (s *Server) sessionOf(r *http.Request) (house.Session, error) {
	cookie, err := r.Cookie(s.cookieName())
	if err != nil {
		return house.Session{}, house.ErrNotFound
	}
	return s.Archive.Session(r.Context(), cookie.Value)
}

type sessionKey struct{}

// session returns the session that signedIn found.
func session(r *http.Request) house.Session {
	return r.Context().Value(sessionKey{}).(house.Session)
}

// signedIn lets residents and tablets through. A browser is sent to sign in,
// a program gets 401.
func (s *Server) signedIn(h handler) handler {
	return func(w http.ResponseWriter, r *http.Request) error {
		found, err := s.sessionOf(r)
		if errors.Is(err, house.ErrNotFound) && wantsPage(r) && r.Method == http.MethodGet {
			return redirect(w, r, "/sign-in")
		}
		if err != nil {
			return absent(err, errNotSignedIn)
		}
		return h(w, r.WithContext(house.By(context.WithValue(r.Context(), sessionKey{}, found), actor(found))))
	}
}

// actor is how the audit trail names whose session it is.
func actor(s house.Session) string {
	if s.Resident != "" {
		return "resident " + s.Resident
	}
	return "tablet " + s.Tablet
}

// residentsOnly keeps tablets out: whoever stands before one may be a guest.
func residentsOnly(h handler) handler {
	return func(w http.ResponseWriter, r *http.Request) error {
		if session(r).Resident == "" {
			return errResidentsOnly
		}
		return h(w, r)
	}
}

// attempts bound how often somebody may try a password or a code: five at
// once from one address and one each half minute after that, and thirty at
// once from all.
type attempts struct {
	now func() time.Time
	all *rate.Limiter

	mu   sync.Mutex
	from map[string]*rate.Limiter
}

func newAttempts(now func() time.Time) *attempts {
	return &attempts{now: now, all: rate.NewLimiter(rate.Every(2*time.Second), 30), from: make(map[string]*rate.Limiter)}
}

// maxAddresses bounds the memory that addresses take; with more, those that
// have been quiet are forgotten.
const maxAddresses = 1000

// allow counts an attempt and reports whether it may be made.
func (a *attempts) allow(r *http.Request) bool {
	address, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		address = r.RemoteAddr
	}
	now := a.now()
	a.mu.Lock()
	defer a.mu.Unlock()
	l, ok := a.from[address]
	if !ok {
		if len(a.from) >= maxAddresses {
			for address, l := range a.from {
				if l.TokensAt(now) >= 5 {
					delete(a.from, address)
				}
			}
		}
		l = rate.NewLimiter(rate.Every(30*time.Second), 5)
		a.from[address] = l
	}
	return l.AllowN(now, 1) && a.all.AllowN(now, 1)
}
