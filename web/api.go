package web

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"

	"lintel/internal/house"
)

// maxJSON is the most that a program may send: sixteen masks of a hundred
// points with all their digits.
const maxJSON = 128 << 10

// bodyJSON reads a request's body into v.
func bodyJSON(w http.ResponseWriter, r *http.Request, v any) error {
	err := decodeJSON(http.MaxBytesReader(w, r.Body, maxJSON), v)
	if err == nil || errors.Is(err, house.ErrBadRule) { // such as a period that is none
		return err
	}
	if tooLarge := new(http.MaxBytesError); errors.As(err, &tooLarge) {
		return errJSONTooLarge
	}
	return problem{Status: http.StatusBadRequest, Type: "bad-body",
		Title: "problem-bad-body", Why: err}
}

// decodeJSON reads one value and nothing after it. A member that v does not
// have is an error, since a rule that is misspelt would not be followed.
func decodeJSON(from io.Reader, v any) error {
	d := json.NewDecoder(from)
	d.DisallowUnknownFields()
	if err := d.Decode(v); err != nil {
		return fmt.Errorf("reading JSON: %w", err)
	}
	if _, err := d.Token(); err != io.EOF {
		return errors.Join(errors.New("reading JSON: there is more than one value"), err)
	}
	return nil
}

// sendJSON answers with v. It is encoded whole before anything is sent, so that
// what can't be is answered with a problem.
func sendJSON(w http.ResponseWriter, status int, v any) error {
	text, err := json.Marshal(v)
	if err != nil {
		return fmt.Errorf("encoding an answer: %w", err)
	}
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	w.Write(append(text, '\n')) // an error is of who hung up
	return nil
}
