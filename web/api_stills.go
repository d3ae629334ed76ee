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
	"lintel/web/view"
)

// maxSkew is the difference between the bell's clock and the server's from
// which on it is worth a word.
const maxSkew = 30 * time.Second

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
	d, receipt, err := s.takeStill(w, r)
	if err != nil {
		return s.refusedStill(w, bell, err)
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
	return sendJSON(w, status, receipt)
}

// takeStill takes a still in, of a bell that has shown its secret.
func (s *Server) takeStill(w http.ResponseWriter, r *http.Request) (intake.Delivery, intake.Receipt, error) {
	bell := r.PathValue("bell")
	if err := s.Intake.Authenticate(r.Context(), bell, bearer(r)); err != nil {
		return intake.Delivery{}, intake.Receipt{}, err
	}
	if wait, err := s.Intake.Allow(bell); err != nil {
		retryAfter(w, wait)
		return intake.Delivery{}, intake.Receipt{}, err
	}
	d, err := readDelivery(w, r)
	if err != nil {
		return d, intake.Receipt{}, err
	}
	receipt, err := s.Intake.Receive(r.Context(), d)
	return d, receipt, err
}

// refusedStill notes that a still was not kept, and returns why.
func (s *Server) refusedStill(w http.ResponseWriter, bell string, err error) error {
	switch {
	case errors.Is(err, house.ErrNoSpace):
		s.trouble.set(diskFull)
	case errors.Is(err, intake.ErrUnknownBell):
		bell = "(unknown)" // anybody could write anything into the log
	case errors.Is(err, intake.ErrWrongSecret):
		w.Header().Set("WWW-Authenticate", `Bearer realm="bells"`)
		if s.Refused != nil {
			s.Refused(bell)
		}
	}
	if p, known := problemOf(err); known {
		s.Log.Warn("refused a still", "bell", bell, "why", p.Type)
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
	errSendAgain = problem{Status: http.StatusServiceUnavailable, Type: "stopping",
		Title: "The server is stopping. Send again in a moment."}
	errWrongType = problem{Status: http.StatusUnsupportedMediaType, Type: "wrong-type",
		Title: "A still is sent as image/jpeg or image/png."}
	errBadTime = problem{Status: http.StatusBadRequest, Type: "bad-time",
		Title: "Lintel-Taken-At is a time like 2026-11-25T18:04:05Z (RFC 3339)."}
	errCutShort = problem{Status: http.StatusBadRequest, Type: "cut-short",
		Title: "The connection broke before the whole still was here."}
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
	t, _, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if err != nil || t != "image/jpeg" && t != "image/png" {
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

func bearer(r *http.Request) string {
	scheme, secret, _ := strings.Cut(r.Header.Get("Authorization"), " ")
	if !strings.EqualFold(scheme, "Bearer") {
		return ""
	}
	return strings.TrimSpace(secret)
}

// capital begins words with a capital letter, in any alphabet.
func capital(s string) string {
	first, n := utf8.DecodeRuneInString(s)
	if n == 0 {
		return ""
	}
	return string(unicode.ToUpper(first)) + s[n:]
}
