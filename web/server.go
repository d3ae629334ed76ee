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
//	nobody in particular  /healthz, whether /readyz, signing in, joining, pairing, entering a demo by its link, the shell (style, icons, the page for
//	                      when the server is away), which colours a browser shows, what the API is like, the certificate of the house's authority and how to trust it
//	a bell                the endpoints for its stills and heartbeats, and its display, with its secret
//	a phone or a reader   the endpoint for factors, with its token
//	a tablet              Now, the visitor book, stills, live events, typing a one-time code, and
//	                      answering who rang from the household's list
//	a program             what its scopes say, by its API token: visits as a tablet sees them, advice, sources, messages,
//	                      /metrics
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
	"net/netip"
	"sync"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/enrol"
	"lintel/pipeline/folder"
	"lintel/pipeline/intake"
	"lintel/pipeline/match"
	"lintel/pipeline/review"
	"lintel/pipeline/small"
	"lintel/store"
	"lintel/web/allow"
	"lintel/web/certificate"
)

// Config is what a Server needs.
type Config struct {
	Archive *store.Archive
	Intake  *intake.Intake
	Log     *slog.Logger
	Now     func() time.Time
	Zone    *time.Location // of the household, for the times on screens
	TLS     bool           // whether browsers reach the server by TLS

	// Certificates, if set, says which there are where the server speaks TLS.
	Certificates func(context.Context) (certificate.State, error)

	// Bells sees how bells are.
	Bells Bells

	// Checks are what /readyz asks about besides the archive.
	Checks []Check

	// Erased, if set, is called after something was erased, and returns at
	// once: what is not finished is, in the background.
	Erased func()

	// Factors takes what people at home say of who rang.
	Factors Inbox

	// Broker is the one within, nil where there is none.
	Broker Broker

	// Secrets hears of the secrets that come in bells' names.
	Secrets Secrets

	// FindFaces finds the faces on a photograph to enrol. It is called by one
	// goroutine at a time.
	FindFaces enrol.Find

	// Unkept, if set, is told of a bell that rang at a time when nothing is kept.
	Unkept func(bell string)

	// Mask makes black what masks cover.
	Mask store.Masker
	// LastSweep, if set, says when the last sweep was, the zero time for
	// never, and what came of it.
	LastSweep func() (at time.Time, s house.Swept, err error)

	// Suspects, if set, are what was found when every table was last checked for
	// rows that somebody without the master key wrote.
	Suspects func() []house.Suspicion
	// Demo says that all of it is made up, and nothing is kept: each page has a bar
	// that says so.
	Demo bool
	// PutBack, if set, says whether the archive's folder was put back as it once was.
	PutBack func() *house.PutBack
}

// Secrets are told of each secret that comes in a bell's name, by the network that it
// comes from, and know where wrong ones do.
type Secrets interface {
	Heard(bell string, from netip.Prefix)
	Refused(bell string, from netip.Prefix) (times int)
	Tried() []house.Doubt
	Forgive(ctx context.Context, bell string) error
}

// A Server is the http.Handler of all of Lintel.
type Server struct {
	Config
	handler  http.Handler
	paths    *http.ServeMux // what handler leads to
	tickets  *tickets
	entry    *entry
	strays   *allow.Rates[allow.Network] // API tokens that are nobody's
	astray   *allow.Rates[allow.Network] // secrets that are no bell's
	nobodys  series                      // names that are no bell's
	sending  *sending
	looks    viewLog
	failures failures
	trouble  banner
	quiet    quiet
	polls    polls
	figures  *figures
	masking  masking
	erasing  erasing
	folders  []*folder.Watcher
	gallery  *match.Current
	review   *review.Review
	deciding sync.Mutex // held while what the household decided is read and changed
	small    *small.Shelf
	pins     sync.Mutex // held while a PIN or one's own password is checked

	pictureSecret pictureSecret

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
		Config:  c,
		tickets: newTickets(c.Now),
		entry:   newEntry(c.Now),
		strays:  allow.NewRates[allow.Network](c.Now, strayEvery, straysAtOnce),
		astray:  allow.NewRates[allow.Network](c.Now, strayEvery, straysAtOnce),
		sending: newSending(c.Now),
		figures: newFigures(c),
		gallery: gallery,
		review:  review.New(c.Archive, gallery, c.Now),
		small:   small.NewShelf(c.Archive, c.Log),
		ended:   make(chan struct{}),

		pictureSecret: newPictureSecret(),
	}
	s.handler = s.mux()
	return s
}

// Watch says which folders are watched, for Upkeep to tell how they do. It is called
// before anything is served.
func (s *Server) Watch(folders ...*folder.Watcher) {
	s.folders = folders
}

// Follow keeps what screens ask about past faces at hand, until the context is done.
func (s *Server) Follow(ctx context.Context) {
	changed, stop := s.Archive.Watch()
	defer stop()
	s.review.Follow(ctx, changed)
}

// ServeHTTP answers every request, with headers that keep browsers from
// loading anything from elsewhere, from showing pages inside others, and from
// keeping what they saw.
func (s *Server) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	h := w.Header()
	h.Set("Content-Security-Policy", "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "+
		"connect-src 'self'; manifest-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'")
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Referrer-Policy", "no-referrer")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Cache-Control", "no-store")
	if certificate.Plain(r.Context()) {
		s.servePlain(w, s.reading(r))
		return
	}
	if s.TLS && insistable(r.Host) {
		h.Set("Strict-Transport-Security", insistence)
	}
	s.handler.ServeHTTP(w, s.reading(r))
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
