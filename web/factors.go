package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"regexp"
	"sync"
	"time"

	"golang.org/x/time/rate"

	"lintel/internal/house"
	"lintel/pipeline/advice/evidence"
	"lintel/pipeline/advice/geofence"
	"lintel/pipeline/advice/totp"
)

// receiveFactor is the endpoint of phones and readers: a message as package
// factor has it, of a source that is known by its token. ?about=ID says whom it
// is about, if that is known. It answers 202 once the message is taken in, with
// what came of it; whether anything is suggested by it comes later.
//
// Neither what a message holds nor whom it is about is written to the log.
func (s *Server) receiveFactor(w http.ResponseWriter, r *http.Request) {
	finished, ok := s.acceptSent(w, r)
	if !ok {
		return
	}
	defer finished()

	// The token is looked up by its hash, so how long that takes says nothing
	// of how much of it was right. Wrong ones are not counted: a token has 130
	// random bits, and a lock-out would let anybody silence a phone.
	source, err := s.Archive.SourceOf(r.Context(), bearer(r))
	if errors.Is(err, house.ErrNotFound) {
		err = errWrongToken
	}
	if err != nil {
		s.refuseFactor(w, r, "(unknown)", err)
		return
	}
	if wait := s.sending.allow(source.ID); wait > 0 {
		retryAfter(w, wait)
		s.refuseFactor(w, r, source.ID, errTooOften)
		return
	}
	about, text, err := readMessage(w, r)
	if err != nil {
		s.refuseFactor(w, r, source.ID, err)
		return
	}
	// A wrong code has to be counted even if whoever guesses hangs up.
	receipt, err := s.Factors.Message(context.WithoutCancel(r.Context()), source, about, text)
	if err != nil {
		if errors.Is(err, house.ErrNotFound) && receipt.Kind == house.FactorCode {
			err = errNoCodes
		}
		s.refuseFactor(w, r, source.ID, err)
		return
	}
	s.Log.Debug("took in a factor", "source", source.ID, "kind", receipt.Kind) // not that somebody came home
	writeJSON(w, http.StatusAccepted, receipt)
}

// Errors in what surrounds a message.
var (
	errWrongToken      = errors.New("no source has this token")
	errTooOften        = errors.New("the source sends too often; send again later")
	errAbout           = errors.New("about is the id of a person")
	errMessageTooLarge = fmt.Errorf("a message has at most %d bytes", evidence.LargestMessage)
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

var errBrokeOff = errors.New("the connection broke before the whole message was here")

// What both a source and somebody at home are told of a code.
var (
	codeDigitsTold  = fmt.Sprintf("A code has %d digits.", totp.Digits)
	codeGuessesTold = fmt.Sprintf("Too many wrong codes were given, so this one was not looked at. After %d minutes another is taken; after %d wrong ones in all, a resident has to give out new codes.",
		int(totp.Wait.Minutes()), totp.MissesInAll)
)

// factorRefusals say how each error of a message is answered.
var factorRefusals = []struct {
	err    error
	status int
	kind   string
	title  string
}{
	{errWrongToken, http.StatusUnauthorized, "wrong-token", "No source has this token; it may have been removed."},
	{errTooOften, http.StatusTooManyRequests, "too-often", "The source sends too often; send again later."},
	{errAbout, http.StatusBadRequest, "bad-about", "about is the id of a person."},
	{errMessageTooLarge, http.StatusRequestEntityTooLarge, "too-large", sentence(errMessageTooLarge)},
	{errBrokeOff, http.StatusBadRequest, "cut-short", "The connection broke before the whole message was here."},
	{evidence.ErrMessage, http.StatusBadRequest, "bad-message", `This is no message of a source: a message is one JSON object with one field, "arrival", "code" or "token".`},
	{geofence.ErrReport, http.StatusBadRequest, "bad-report", `This is no report of a phone: "arrival" has exactly the fields latitude_deg, longitude_deg, accuracy_m and at.`},
	{evidence.ErrNotTheirs, http.StatusForbidden, "not-theirs", "This source may not tell that, or not of this person."},
	{evidence.ErrNoToken, http.StatusNotFound, "unknown-token", "Nobody has this token."},
	{errNoCodes, http.StatusNotFound, "no-codes", "This person has no one-time codes."},
	{evidence.ErrNoHome, http.StatusConflict, "no-home", "The household has not said where its home is, so nobody can arrive there."},
	{geofence.ErrHome, http.StatusConflict, "no-home", "Where the household says its home is, none can be, so nobody can arrive there."},
	{geofence.ErrOrder, http.StatusConflict, "out-of-order", "This report is not later than the one before, or is the same again."},
	{totp.ErrReused, http.StatusConflict, "used-code", "This code was used before. Wait for the next one."},
	{geofence.ErrPosition, http.StatusUnprocessableEntity, "bad-position", "This is no position on the Earth: latitudes are from -90 to 90 degrees, longitudes from -180 to 180."},
	{geofence.ErrAccuracy, http.StatusUnprocessableEntity, "bad-accuracy", fmt.Sprintf("An accuracy is above 0 and at most %g m.", geofence.Vague)},
	{geofence.ErrFuture, http.StatusUnprocessableEntity, "from-the-future", fmt.Sprintf("The report is from the future. The phone's clock may be ahead by %s at most.", spell(geofence.Skew))},
	{geofence.ErrOld, http.StatusUnprocessableEntity, "too-old", fmt.Sprintf("The report is older than %s. Send reports at once, and set the phone's clock.", spell(geofence.Old))},
	{geofence.ErrSpeed, http.StatusUnprocessableEntity, "too-fast", "Nobody gets here from the report before in the time between."},
	{totp.ErrFormat, http.StatusUnprocessableEntity, "bad-code", codeDigitsTold},
	{totp.ErrWrong, http.StatusUnprocessableEntity, "wrong-code", "The code is wrong, or its time is over."},
	{evidence.ErrGuesses, http.StatusTooManyRequests, "too-many-codes", codeGuessesTold},
	{house.ErrNotFound, http.StatusNotFound, "not-found", "The person or the source was removed."},
}

// refuseFactor answers a source whose message was not taken in.
func (s *Server) refuseFactor(w http.ResponseWriter, r *http.Request, source string, err error) {
	for _, refusal := range factorRefusals {
		if !errors.Is(err, refusal.err) {
			continue
		}
		switch refusal.err {
		case errWrongToken:
			w.Header().Set("WWW-Authenticate", `Bearer realm="factors"`)
		case evidence.ErrGuesses:
			retryAfter(w, totp.Wait)
		}
		s.Log.Warn("refused a factor", "source", source, "why", refusal.kind)
		writeProblem(w, r, problem{Status: refusal.status, Type: refusal.kind, Title: refusal.title})
		return
	}
	s.fail(w, r, err)
}

// A phone reports every minute or so, and more often as it comes near; a reader
// may see the tokens of a family at once.
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
