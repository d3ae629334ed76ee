// Package web is everything that answers HTTP: the bells' endpoint, the
// residents' API with its live events, and the pages on the tablets.
//
// What comes in are requests, each of which is checked at the door before it
// is looked at: by [Server.ServeHTTP] for what holds for all of them, and by
// a guard for who asks. What goes out are pages, JSON, stills, and
// RFC 9457 problems. Everything a page needs is embedded in the program, and
// nothing is loaded from anywhere else.
//
// # Who may ask for what
//
//	nobody in particular  /healthz, signing in, pairing, the style sheet, the icon, what the API is like
//	a bell                its stills' endpoint, with its secret
//	a phone or a reader   the endpoint for factors, with its token
//	a tablet              Now, the visitor book, stills, live events, typing a one-time code
//	a program             what its scopes say, by its API token: visits as a tablet sees them, advice, sources
//	a resident            all that, and every other screen and change
//
// No address opens anything: to answer advice is to say what became of it.
//
// A resident signs in with a password; a tablet is paired by a code that a
// resident's screen shows. Both get a session, of which the browser holds a
// random token in a cookie and the archive its hash. A program has a token of its
// own, which is good for addresses of the API alone, and for none that takes a
// resident: rules, erasures, accounts, answers to advice.
package web

import (
	"context"
	"errors"
	"log/slog"
	"net/http"
	"sync"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/enrol"
	"lintel/pipeline/intake"
	"lintel/pipeline/match"
	"lintel/pipeline/review"
	"lintel/store"
)

// Config is what a Server needs.
type Config struct {
	Archive *store.Archive
	Intake  *intake.Intake
	Log     *slog.Logger
	Now     func() time.Time
	Zone    *time.Location // of the household, for the times on screens
	TLS     bool           // whether browsers reach the server by TLS

	// Erased, if set, is called after something was erased, and returns at
	// once: the last traces are scrubbed from the database in the background.
	Erased func()

	// Factors takes what people at home say of who rang.
	Factors Inbox

	// Broker is the one within, nil where there is none.
	Broker Broker

	// Refused, if set, is told of a bell's name that came with a wrong secret.
	Refused func(bell string)

	// FindFaces finds the faces on a photograph to enrol. It is called by one
	// goroutine at a time.
	FindFaces enrol.Find

	// Mask makes black what masks cover.
	Mask store.Masker
	// LastSweep, if set, says when the last sweep was, the zero time for
	// never, and what came of it.
	LastSweep func() (at time.Time, s house.Swept, err error)
}

// A Server is the http.Handler of all of Lintel.
type Server struct {
	Config
	handler  http.Handler
	tickets  *tickets
	attempts *attempts
	strays   *byAddress // API tokens that are nobody's
	sending  *sending
	hashing  chan struct{} // holds a token for each password being hashed
	looks    viewLog
	trouble  banner
	quiet    quiet
	masking  masking
	erasing  erasing
	gallery  *match.Current
	review   *review.Review
	advising sync.Mutex // held while the rules of advice are read and changed
	pins     sync.Mutex // held while a PIN is checked

	enrolling sync.Mutex // held while a photograph is looked at

	accepted sync.WaitGroup // stills being taken in, and live connections
	mu       sync.Mutex
	draining bool
	ended    chan struct{} // closed by Drain; live connections end then
}

// New returns a server.
func New(c Config) *Server {
	gallery := match.NewCurrent(c.Archive)
	s := &Server{
		Config:   c,
		tickets:  newTickets(c.Now),
		attempts: newAttempts(c.Now),
		strays:   newByAddress(c.Now, strayEvery, straysAtOnce),
		sending:  newSending(c.Now),
		hashing:  make(chan struct{}, 2),
		gallery:  gallery,
		review:   review.New(c.Archive, gallery, c.Now),
		ended:    make(chan struct{}),
	}
	s.handler = s.mux()
	return s
}

// ServeHTTP answers every request, with headers that keep browsers from
// loading anything from elsewhere, from showing pages inside others, and from
// keeping what they saw.
func (s *Server) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	h := w.Header()
	h.Set("Content-Security-Policy", "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "+
		"connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'")
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Referrer-Policy", "no-referrer")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Cache-Control", "no-store")
	s.handler.ServeHTTP(w, r)
}

func (s *Server) getHealth(w http.ResponseWriter, r *http.Request) error {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.Write([]byte("up\n"))
	return nil
}

// accept counts a request in that has to be finished before the server stops.
// It reports false once the server is stopping.
func (s *Server) accept() (finished func(), ok bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.draining {
		return nil, false
	}
	s.accepted.Add(1)
	return s.accepted.Done, true
}

// Drain makes the server refuse stills and live connections from now on, with
// status 503, ends the live connections there are, and waits until every still
// that was accepted is safe. The error is the context's if that takes longer.
func (s *Server) Drain(ctx context.Context) error {
	s.mu.Lock()
	if !s.draining {
		s.draining = true
		close(s.ended)
	}
	s.mu.Unlock()
	finished := make(chan struct{})
	go func() { // ends with the last handler, which http.Server waits for
		s.accepted.Wait()
		close(finished)
	}()
	select {
	case <-finished:
		return nil
	case <-ctx.Done():
		return errors.Join(errors.New("some requests were not finished in time"), ctx.Err())
	}
}
