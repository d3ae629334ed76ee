package web

import (
	"context"
	"errors"
	"net/http"
	"strings"
	"sync"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/bell"
	"lintel/pipeline/intake"
)

// What a bell asks for is held back for longestPoll at the most. A bell has one
// question open, or a few where it lost connections: more are refused.
const (
	longestPoll = 60 // seconds
	mostPolls   = 4  // of a bell at once
	pollSlack   = 10 * time.Second
)

var (
	errWait = problem{Status: http.StatusBadRequest, Type: "bad-query", Title: "problem-display-wait",
		Count: longestPoll}
	errPolls = problem{Status: http.StatusTooManyRequests, Type: "too-many-waiting", Title: "problem-display-polls",
		Count: mostPolls}
	errNoMessage = problem{Status: http.StatusNotFound, Type: "unknown-message", Title: "problem-no-message"}
)

// polls counts the questions of each bell that are held back.
type polls struct {
	mu sync.Mutex
	of map[string]int
}

// begin counts one, and reports false where there are too many.
func (p *polls) begin(bell string) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.of[bell] >= mostPolls {
		return false
	}
	if p.of == nil {
		p.of = make(map[string]int)
	}
	p.of[bell]++
	return true
}

func (p *polls) end(bell string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.of[bell]--; p.of[bell] == 0 {
		delete(p.of, bell)
	}
}

// askedAgain is askedByBell, of what a bell may not ask too often.
func (s *Server) askedAgain(w http.ResponseWriter, r *http.Request) (bell string, err error) {
	if bell, err = s.askedByBell(w, r); err != nil {
		return bell, err
	}
	if wait := s.sending.allow("bell-" + bell); wait > 0 {
		retryAfter(w, wait)
		return bell, intake.ErrTooOften
	}
	return bell, nil
}

// getDisplay tells a bell what its display has to show. With ?wait=SECONDS and
// If-None-Match it answers when that changes, or 304 once the time is over.
func (s *Server) getDisplay(w http.ResponseWriter, r *http.Request) error {
	finished, err := s.acceptSent(w)
	if err != nil {
		return err
	}
	defer finished()
	name, err := s.askedAgain(w, r)
	if err != nil {
		return err
	}
	seconds, ok := number(r, "wait", 0, longestPoll)
	if !ok {
		return errWait
	}
	if !s.polls.begin(name) {
		retryAfter(w, pollSlack)
		return errPolls
	}
	defer s.polls.end(name)
	wait := time.Duration(seconds) * time.Second
	// The server's own limits are for requests that are answered at once.
	c, latest := http.NewResponseController(w), time.Now().Add(wait+pollSlack)
	if err := errors.Join(c.SetReadDeadline(latest), c.SetWriteDeadline(latest)); err != nil &&
		!errors.Is(err, http.ErrNotSupported) {
		return err
	}
	page, err := s.awaitPage(r, name, wait)
	if err != nil {
		return err
	}
	w.Header().Set("ETag", page.Tag())
	if matches(r.Header.Get("If-None-Match"), page.Tag()) {
		w.WriteHeader(http.StatusNotModified)
		return nil
	}
	return sendJSON(w, http.StatusOK, page)
}

// awaitPage returns what a bell has to show, once that is not what it knows, or the
// time is over, or the server stops.
func (s *Server) awaitPage(r *http.Request, name string, wait time.Duration) (bell.Page, error) {
	changed, stop := s.Archive.Watch()
	defer stop()
	over := time.NewTimer(wait)
	defer over.Stop()
	for last := wait == 0; ; {
		// The bell may have been removed meanwhile.
		if err := s.Intake.Authenticate(r.Context(), name, bearer(r)); err != nil {
			return bell.Page{}, err
		}
		page, err := s.page(r.Context(), name)
		if err != nil || last || !matches(r.Header.Get("If-None-Match"), page.Tag()) {
			return page, err
		}
		ends := time.NewTimer(longestPoll * time.Second)
		if page.Message != "" {
			ends.Reset(max(0, page.Until.Sub(s.Now())))
		}
		select {
		case <-changed:
		case <-ends.C:
		case <-over.C:
			last = true
		case <-s.ended:
			last = true
		case <-r.Context().Done():
			last = true
		}
		ends.Stop()
	}
}

// page is what a bell has to show now. The error is ErrNoDisplay.
func (s *Server) page(ctx context.Context, name string) (bell.Page, error) {
	d, has, err := s.Archive.Display(ctx, name)
	if err != nil {
		return bell.Page{}, err
	}
	if !has {
		return bell.Page{}, house.ErrNoDisplay
	}
	m, _, err := s.Archive.CurrentMessage(ctx, name)
	return bell.NewPage(d, m, s.Now()), err
}

// matches compares a tag with those of If-None-Match (RFC 9110, section 13.1.2).
func matches(known, tag string) bool {
	for one := range strings.SplitSeq(known, ",") {
		one = strings.TrimPrefix(strings.TrimSpace(one), "W/")
		if one == tag || one == "*" {
			return true
		}
	}
	return false
}

// postShown takes a bell's word that it shows a message.
func (s *Server) postShown(w http.ResponseWriter, r *http.Request) error {
	finished, err := s.acceptSent(w)
	if err != nil {
		return err
	}
	defer finished()
	name, err := s.askedAgain(w, r)
	if err != nil {
		return err
	}
	if err := s.Archive.ShowedMessage(r.Context(), name, r.PathValue("message")); err != nil {
		return absent(err, errNoMessage)
	}
	w.WriteHeader(http.StatusNoContent)
	return nil
}
