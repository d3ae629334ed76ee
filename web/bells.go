package web

import (
	"errors"
	"fmt"
	"io"
	"math"
	"mime"
	"net/http"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"lintel/internal/house"
	"lintel/pipeline/intake"
)

// maxSkew is the difference between the bell's clock and the server's from
// which on it is worth a word.
const maxSkew = 30 * time.Second

// receiveStill is the bells' endpoint. It answers 201 for a new still, 200 for
// one that is here already, and only when the still is safe; 200 too at a time
// when nothing is kept, so that the bell need not send it again.
func (s *Server) receiveStill(w http.ResponseWriter, r *http.Request) {
	finished, ok := s.acceptSent(w, r)
	if !ok {
		return
	}
	defer finished()

	bell := r.PathValue("bell")
	if err := s.Intake.Authenticate(r.Context(), bell, bearer(r)); err != nil {
		if errors.Is(err, intake.ErrWrongSecret) && s.Refused != nil {
			s.Refused(bell)
		}
		s.refuseStill(w, r, bell, err)
		return
	}
	if wait, err := s.Intake.Allow(bell); err != nil {
		retryAfter(w, wait)
		s.refuseStill(w, r, bell, err)
		return
	}
	d, err := readDelivery(w, r)
	if err != nil {
		s.refuseStill(w, r, bell, err)
		return
	}
	receipt, err := s.Intake.Receive(r.Context(), d)
	if err != nil {
		s.refuseStill(w, r, bell, err)
		return
	}
	status := http.StatusOK
	if !receipt.Kept {
		s.quiet.rang(bell, receipt.Ring, s.Now())
	}
	if receipt.New {
		status = http.StatusCreated
		s.trouble.set("")
		s.Log.Info("kept a still", "bell", bell, "visit", receipt.Visit, "frame", receipt.Frame,
			"bytes", len(d.Body), "damaged", receipt.Damaged, "clock_differs", receipt.ClockSkew.Abs() > maxSkew)
	}
	writeJSON(w, status, receipt)
}

// acceptSent is accept for what a device sends, or answers that the server is
// stopping.
func (s *Server) acceptSent(w http.ResponseWriter, r *http.Request) (finished func(), ok bool) {
	finished, ok = s.accept()
	if !ok {
		retryAfter(w, 10*time.Second)
		w.Header().Set("Connection", "close")
		writeProblem(w, r, problem{Status: http.StatusServiceUnavailable, Type: "stopping", Title: "The server is stopping. Send again in a moment."})
	}
	return finished, ok
}

// retryAfter says how long to wait, in whole seconds: RFC 9110 knows no less.
func retryAfter(w http.ResponseWriter, wait time.Duration) {
	w.Header().Set("Retry-After", strconv.Itoa(int(math.Ceil(wait.Seconds()))))
}

// Errors in what surrounds a still.
var (
	errWrongType = errors.New("a still is sent as image/jpeg or image/png")
	errBadTime   = errors.New("Lintel-Taken-At is a time like 2026-11-25T18:04:05Z (RFC 3339)")
	errCutShort  = errors.New("the connection broke before the whole still was here")
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
		if d.TakenAt, err = time.Parse(time.RFC3339, at); err != nil || !sayable(d.TakenAt) {
			return d, errBadTime
		}
	}
	if t, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || t != "image/jpeg" && t != "image/png" {
		return d, errWrongType
	}
	d.Body, err = readBody(w, r, intake.MaxBytes, intake.ErrTooLarge, errCutShort)
	return d, err
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

// sayable reports whether a time can be told again, in UTC: an offset takes
// the last hours of the year 9999 beyond what RFC 3339 can write.
func sayable(t time.Time) bool {
	year := t.UTC().Year()
	return !t.IsZero() && 0 < year && year < 10_000
}

func bearer(r *http.Request) string {
	scheme, secret, _ := strings.Cut(r.Header.Get("Authorization"), " ")
	if !strings.EqualFold(scheme, "Bearer") {
		return ""
	}
	return strings.TrimSpace(secret)
}

// refusals say how each error of intake is answered.
var refusals = []struct {
	err    error
	status int
	kind   string
}{
	{intake.ErrUnknownBell, http.StatusNotFound, "unknown-bell"},
	{intake.ErrWrongSecret, http.StatusUnauthorized, "wrong-secret"},
	{intake.ErrTooOften, http.StatusTooManyRequests, "too-often"},
	{intake.ErrBadRing, http.StatusBadRequest, "bad-ring"},
	{intake.ErrBadFrame, http.StatusBadRequest, "bad-frame"},
	{errBadTime, http.StatusBadRequest, "bad-time"},
	{errWrongType, http.StatusUnsupportedMediaType, "wrong-type"},
	{intake.ErrEmpty, http.StatusBadRequest, "empty"},
	{intake.ErrTooLarge, http.StatusRequestEntityTooLarge, "too-large"},
	{intake.ErrTooManyPixels, http.StatusUnprocessableEntity, "too-many-pixels"},
	{intake.ErrNotAPicture, http.StatusUnprocessableEntity, "not-a-picture"},
	{errCutShort, http.StatusBadRequest, "cut-short"},
	{house.ErrOtherBytes, http.StatusConflict, "other-bytes"},
	{house.ErrErased, http.StatusGone, "erased"},
	{house.ErrNoSpace, http.StatusInsufficientStorage, "no-space"},
}

// refuseStill answers a bell whose still was not kept.
func (s *Server) refuseStill(w http.ResponseWriter, r *http.Request, bell string, err error) {
	if errors.Is(err, house.ErrNoSpace) {
		s.trouble.set(diskFull)
	}
	for _, refusal := range refusals {
		if !errors.Is(err, refusal.err) {
			continue
		}
		p := problem{Status: refusal.status, Type: refusal.kind, Title: capital(refusal.err.Error()) + "."}
		if detail := err.Error(); detail != refusal.err.Error() && refusal.status != http.StatusInsufficientStorage {
			p.Detail = detail
		}
		if refusal.status == http.StatusUnauthorized {
			w.Header().Set("WWW-Authenticate", `Bearer realm="bells"`)
		}
		s.Log.Warn("refused a still", "bell", loggable(bell, refusal.err), "why", refusal.kind)
		writeProblem(w, r, p)
		return
	}
	s.fail(w, r, err)
}

// loggable keeps names out of the log that are no bell's: anybody could write
// anything there.
func loggable(bell string, err error) string {
	if err == intake.ErrUnknownBell {
		return "(unknown)"
	}
	return bell
}

// capital begins words with a capital letter, in any alphabet.
func capital(s string) string {
	first, n := utf8.DecodeRuneInString(s)
	if n == 0 {
		return ""
	}
	return string(unicode.ToUpper(first)) + s[n:]
}
