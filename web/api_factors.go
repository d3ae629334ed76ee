package web

import (
	"context"
	"errors"
	"net/http"
	"regexp"
	"sync"
	"time"

	"golang.org/x/time/rate"

	"lintel/internal/house"
	"lintel/pipeline/advice/evidence"
	"lintel/pipeline/advice/totp"
)

// postFactor is the endpoint of phones and readers: a message as package
// evidence has it, JSON or form data by how it begins, of a source that is known by its token. ?about=ID says whom it
// is about, if that is known. It answers 202 once the message is taken in, with
// what came of it; whether anything is suggested by it comes later.
//
// Neither what a message holds nor whom it is about is written to the log.
func (s *Server) postFactor(w http.ResponseWriter, r *http.Request) error {
	finished, err := s.acceptSent(w)
	if err != nil {
		return err
	}
	defer finished()

	// The token is looked up by its hash, so how long that takes says nothing
	// of how much of it was right. Wrong ones are not counted: a token has 130
	// random bits, and a lock-out would let anybody silence a phone.
	source, err := s.Archive.SourceOf(r.Context(), bearer(r))
	if err != nil {
		return s.refusedFactor(w, "(unknown)", absent(err, errWrongToken))
	}
	if wait := s.sending.allow(source.ID); wait > 0 {
		retryAfter(w, wait)
		return s.refusedFactor(w, source.ID, errTooOften)
	}
	about, text, err := readMessage(w, r)
	if err != nil {
		return s.refusedFactor(w, source.ID, err)
	}
	// A wrong code has to be counted even if whoever guesses hangs up.
	receipt, err := s.Factors.Message(context.WithoutCancel(r.Context()), source, about, text)
	if err != nil {
		gone := errSourceGone
		if receipt.Kind == house.FactorCode {
			gone = errNoCodes
		}
		return s.refusedFactor(w, source.ID, absent(err, gone))
	}
	s.Log.Debug("took in a factor", "source", source.ID, "kind", receipt.Kind) // not that somebody came home
	return sendJSON(w, http.StatusAccepted, receipt)
}

// refusedFactor notes that a message was not taken in, and returns why.
func (s *Server) refusedFactor(w http.ResponseWriter, source string, err error) error {
	switch {
	case errors.Is(err, errWrongToken):
		w.Header().Set("WWW-Authenticate", `Bearer realm="factors"`)
	case errors.Is(err, evidence.ErrGuesses):
		retryAfter(w, totp.Wait)
	}
	p, known := problemOf(err)
	if !known {
		return err
	}
	s.Log.Warn("refused a factor", "source", source, "why", p.Type)
	var one evidence.InList
	if errors.As(err, &one) {
		p.Detail, p.Count = "problem-in-list", one.Number
	}
	return p
}

// What is wrong with what surrounds a message.
var (
	errWrongToken      = problem{Status: http.StatusUnauthorized, Type: "wrong-token", Title: "problem-wrong-token"}
	errTooOften        = problem{Status: http.StatusTooManyRequests, Type: "too-often", Title: "problem-source-too-often"}
	errAbout           = problem{Status: http.StatusBadRequest, Type: "bad-about", Title: "problem-bad-about"}
	errMessageTooLarge = problem{Status: http.StatusRequestEntityTooLarge, Type: "too-large",
		Title: "problem-message-too-large", Count: evidence.LargestMessage}
	errBrokeOff   = problem{Status: http.StatusBadRequest, Type: "cut-short", Title: "problem-message-cut-short"}
	errNoCodes    = problem{Status: http.StatusNotFound, Type: "no-codes", Title: "problem-no-codes"}
	errSourceGone = problem{Status: http.StatusNotFound, Type: "not-found", Title: "problem-source-gone"}
)

// personID is how ids look. What is no id is not kept as whom a message was
// about.
var personID = regexp.MustCompile(`^[A-Z2-7]{26}$`)

// readMessage reads a request of a source that was authenticated.
func readMessage(w http.ResponseWriter, r *http.Request) (about string, text []byte, err error) {
	if q := r.URL.Query(); q.Has("about") {
		if about = q.Get("about"); !personID.MatchString(about) {
			return "", nil, errAbout
		}
	}
	text, err = readBody(w, r, evidence.LargestMessage, errMessageTooLarge, errBrokeOff)
	return about, text, err
}

// A phone reports every minute or so, and more often as it comes near, or sends
// what waited for a network; a reader may see the tokens of a family at once.
const (
	sentEvery  = 2 * time.Second
	sentAtOnce = 30
)

// sending bounds how often each source sends. Only sources that are known by
// their token are counted, so there are never more than there were sources.
type sending struct {
	now func() time.Time

	mu sync.Mutex
	by map[string]*rate.Limiter // by the source's id
}

func newSending(now func() time.Time) *sending {
	return &sending{now: now, by: make(map[string]*rate.Limiter)}
}

// allow counts a message of a source, and returns how long to wait before it
// may be sent again; 0 if it may be now.
func (s *sending) allow(source string) time.Duration {
	s.mu.Lock()
	defer s.mu.Unlock()
	l, ok := s.by[source]
	if !ok {
		l = rate.NewLimiter(rate.Every(sentEvery), sentAtOnce)
		s.by[source] = l
	}
	now := s.now()
	r := l.ReserveN(now, 1)
	wait := r.DelayFrom(now)
	if wait > 0 {
		r.CancelAt(now)
	}
	return wait
}
