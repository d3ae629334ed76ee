package web

import (
	"bufio"
	"encoding/json"
	"net"
	"net/http"
)

// plain is a handler that answers whatever goes wrong by itself. What follows is
// for such handlers.
func plain(h http.HandlerFunc) handler {
	return func(w http.ResponseWriter, r *http.Request) error {
		h(w, r)
		return nil
	}
}

// writePage is sendPage.
func writePage(w http.ResponseWriter, status int, name string, data any) {
	if err := sendPage(w, status, name, data); err != nil {
		logFailure(w, err)
		http.Error(w, failedInside, http.StatusInternalServerError)
	}
}

// writeJSON is sendJSON.
func writeJSON(w http.ResponseWriter, status int, v any) {
	if err := sendJSON(w, status, v); err != nil {
		logFailure(w, err)
		w.Header().Set("Content-Type", "application/problem+json")
		w.WriteHeader(http.StatusInternalServerError)
		p, _ := problemOf(err)
		json.NewEncoder(w).Encode(p)
	}
}

// writeProblem is sendProblem.
func writeProblem(w http.ResponseWriter, r *http.Request, p problem) {
	if err := sendProblem(w, r, p); err != nil {
		logFailure(w, err)
		http.Error(w, p.Title, p.Status)
	}
}

// readForm is readPosted, or answers that it can't.
func readForm(w http.ResponseWriter, r *http.Request) bool {
	_, err := readPosted(w, r)
	if err != nil {
		writeProblem(w, r, errBadForm)
	}
	return err == nil
}

// readJSON is bodyJSON, or answers with what is wrong.
func readJSON(w http.ResponseWriter, r *http.Request, v any) bool {
	err := bodyJSON(w, r, v)
	if err != nil {
		p, _ := problemOf(err)
		writeProblem(w, r, p)
	}
	return err == nil
}

func badQuery(w http.ResponseWriter, r *http.Request, title string) {
	writeProblem(w, r, queryProblem(title))
}

// A loggingWriter is the response of a request whose errors in making it are
// logged.
type loggingWriter struct {
	http.ResponseWriter
	log func(error)
}

func (w loggingWriter) Unwrap() http.ResponseWriter { return w.ResponseWriter }

// Hijack is for live connections, which ask for it by name.
func (w loggingWriter) Hijack() (net.Conn, *bufio.ReadWriter, error) {
	return http.NewResponseController(w.ResponseWriter).Hijack()
}

// logFailure logs that an answer could not be made.
func logFailure(w http.ResponseWriter, err error) {
	if l, ok := w.(loggingWriter); ok {
		l.log(err)
	}
}
