package web

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"mime"
	"net/http"
	"net/netip"
	"strconv"
	"strings"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/intake"
	"lintel/web/view"
)

// postStill is the bells' endpoint. It answers 201 for a new still, 200 for
// one that is here already, and only when the still is safe; 200 too at a time
// when nothing is kept, so that the bell need not send it again.
func (s *Server) postStill(w http.ResponseWriter, r *http.Request) error {
	finished, err := s.acceptSent(w)
	if err != nil {
		return err
	}
	defer finished()

	bell := r.PathValue("bell")
	receipt, err := s.takeStill(w, r)
	if err != nil {
		return s.refusedStill(w, bell, err)
	}
	status := http.StatusOK
	if receipt.New {
		status = http.StatusCreated
	}
	return sendJSON(w, status, receipt)
}

// Receive keeps a delivery of a bell that was authenticated, whichever way it came,
// and has screens say what of it they should: that somebody rang while nothing is
// kept, and that the disk is full.
func (s *Server) Receive(ctx context.Context, d intake.Delivery) (intake.Receipt, error) {
	began := time.Now()
	receipt, err := s.Intake.Receive(ctx, d)
	switch {
	case errors.Is(err, house.ErrNoSpace):
		s.trouble.set(diskFull, 0)
	case err != nil:
	case !receipt.Kept && d.Came.IsZero():
		if s.quiet.rang(d.Bell, receipt.Ring, s.Now()) && s.Unkept != nil {
			s.Unkept(d.Bell)
		}
	case receipt.New:
		s.trouble.end(diskFull)
		s.figures.received(s.Archive.BellID(d.Bell), d.Took+time.Since(began))
		if d.Came.IsZero() {
			s.Bells.Stored(d.Bell, d.Ring, d.Took, receipt.Damaged)
		}
		s.Log.Info("kept a still", "bell", d.Bell, "visit", receipt.Visit, "frame", receipt.Frame,
			"bytes", len(d.Body), "damaged", receipt.Damaged, "clock_differs", receipt.ClockSkew.Abs() > view.ClockOff)
	}
	return receipt, err
}

// askedByBell sees to it that the bell asks that a request is about, by its secret.
func (s *Server) askedByBell(w http.ResponseWriter, r *http.Request) (bell string, err error) {
	bell = r.PathValue("bell")
	if err := s.Intake.Authenticate(r.Context(), bell, bearer(r)); err != nil {
		return bell, s.refusedSecret(w, r, err)
	}
	s.Secrets.Heard(bell, netip.Prefix(networkOf(r)))
	return bell, nil
}

// takeStill takes a still in, of a bell that has shown its secret.
func (s *Server) takeStill(w http.ResponseWriter, r *http.Request) (intake.Receipt, error) {
	bell, err := s.askedByBell(w, r)
	if err != nil {
		return intake.Receipt{}, err
	}
	done, wait, err := s.Intake.Allow(bell, r.ContentLength)
	if err != nil {
		retryAfter(w, wait)
		return intake.Receipt{}, err
	}
	defer done()
	d, err := readDelivery(w, r)
	if err != nil {
		return intake.Receipt{}, err
	}
	return s.Receive(r.Context(), d)
}

// refusedStill notes that a still was not kept, and returns why.
func (s *Server) refusedStill(w http.ResponseWriter, bell string, err error) error {
	switch {
	case errors.Is(err, intake.ErrUnknownBell), errors.Is(err, intake.ErrWrongSecret), errors.Is(err, errBellStrays):
		return err // which refusedSecret noted
	}
	s.NoteRefused(bell, err)
	return err
}

// NoteRefused notes that a still was not kept, whichever way it came.
func (s *Server) NoteRefused(bell string, err error) {
	s.figures.refuse(err)
	if p, known := problemOf(err); known {
		s.Log.Warn("refused a still", "bell", bell, "why", p.Type)
	}
}

// Kind returns the kind of problem that an error is, "" for one of the server's own,
// and whether it is final: to send the same again is no use then.
func (s *Server) Kind(err error) (kind string, final bool) {
	p, known := problemOf(err)
	return p.Type, known && p.Status < http.StatusInternalServerError && p.Status != http.StatusTooManyRequests
}

// refusedSecret notes that somebody came in a bell's name without its secret, and
// returns what they are told. A right secret is never refused for wrong ones from the
// same address, as no right API token is: what is bounded are the answers, and lines in
// the log.
func (s *Server) refusedSecret(w http.ResponseWriter, r *http.Request, err error) error {
	bell, times := r.PathValue("bell"), 0
	switch {
	case errors.Is(err, intake.ErrUnknownBell):
		bell, times = "(unknown)", s.nobodys.count() // anybody could write anything into the log
	case errors.Is(err, intake.ErrWrongSecret):
		times = s.Secrets.Refused(bell, netip.Prefix(networkOf(r)))
	default:
		return err
	}
	if worthALine(times) {
		p, _ := problemOf(err)
		s.Log.Warn("refused a bell", "bell", bell, "why", p.Type, "times", times, "from", networkOf(r))
	}
	// What follows of the still is not read, and the connection ends.
	w.Header().Set("Connection", "close")
	if !s.astray.Allow(networkOf(r)) {
		retryAfter(w, strayEvery)
		return errBellStrays
	}
	if errors.Is(err, intake.ErrWrongSecret) {
		w.Header().Set("WWW-Authenticate", `Bearer realm="bells"`)
	}
	return err
}

// acceptSent is accept for what a device sends. The error is errSendAgain once
// the server is stopping.
func (s *Server) acceptSent(w http.ResponseWriter) (finished func(), err error) {
	finished, ok := s.accept()
	if !ok {
		retryAfter(w, 10*time.Second)
		w.Header().Set("Connection", "close")
		return nil, errSendAgain
	}
	return finished, nil
}

// retryAfter says how long to wait, in whole seconds: RFC 9110 knows no less.
func retryAfter(w http.ResponseWriter, wait time.Duration) {
	w.Header().Set("Retry-After", strconv.Itoa(int(math.Ceil(wait.Seconds()))))
}

// What is wrong with what surrounds a still.
var (
	errSendAgain = problem{Status: http.StatusServiceUnavailable, Type: "stopping", Title: "problem-send-again"}
	errWrongType = problem{Status: http.StatusUnsupportedMediaType, Type: "wrong-type", Title: "problem-wrong-type"}
	errBadTime   = problem{Status: http.StatusBadRequest, Type: "bad-time", Title: "problem-bad-taken-at"}
	errCutShort  = problem{Status: http.StatusBadRequest, Type: "cut-short", Title: "problem-still-cut-short"}
)

// readDelivery reads a request of a bell that was authenticated: its headers,
// and only when they are right its body.
func readDelivery(w http.ResponseWriter, r *http.Request) (intake.Delivery, error) {
	d := intake.Delivery{Bell: r.PathValue("bell"), Ring: r.Header.Get("Lintel-Ring")}
	var err error
	if d.Frame, err = strconv.Atoi(r.Header.Get("Lintel-Frame")); err != nil {
		return d, intake.ErrBadFrame
	}
	if err := intake.CheckNames(d.Ring, d.Frame); err != nil {
		return d, err
	}
	if at := r.Header.Get("Lintel-Taken-At"); at != "" {
		if d.TakenAt, err = time.Parse(time.RFC3339, at); err != nil || !view.Writable(d.TakenAt) {
			return d, errBadTime
		}
	}
	if err := pictureType(r, errWrongType); err != nil {
		return d, err
	}
	began := time.Now()
	d.Body, err = readBody(w, r, intake.MaxBytes, intake.ErrTooLarge, errCutShort)
	d.Took = time.Since(began)
	return d, err
}

// pictureType checks that a request says it has a picture that can be read. The
// error says what to do about kinds that cameras and phones send besides, or is wrong.
func pictureType(r *http.Request, wrong error) error {
	t, _, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if err != nil {
		return wrong
	}
	switch t {
	case "image/jpeg", "image/png":
		return nil
	case "image/heic", "image/heif", "image/avif":
		return intake.ErrHEIC
	case "image/webp":
		return intake.ErrWebP
	}
	return wrong
}

// readBody reads a body of so many bytes at the most. The error is tooLarge or
// wraps cutShort.
func readBody(w http.ResponseWriter, r *http.Request, most int64, tooLarge, cutShort error) ([]byte, error) {
	if r.ContentLength > most {
		return nil, tooLarge // said before a byte of it is read
	}
	body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, most))
	if over := new(http.MaxBytesError); errors.As(err, &over) {
		return nil, tooLarge
	} else if err != nil {
		return nil, fmt.Errorf("%w: %w", cutShort, err)
	}
	return body, nil
}

func bearer(r *http.Request) string {
	scheme, secret, _ := strings.Cut(r.Header.Get("Authorization"), " ")
	if !strings.EqualFold(scheme, "Bearer") {
		return ""
	}
	return strings.TrimSpace(secret)
}
