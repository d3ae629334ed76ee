package web

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/http"
	"strings"

	"lintel/internal/house"
)

// A problem is an answer that says what went wrong, as RFC 9457 lays down.
// Titles are for people; programs go by type.
type problem struct {
	Type   string `json:"type"`
	Title  string `json:"title"`
	Status int    `json:"status"`
	Detail string `json:"detail,omitempty"`
}

// problemBase is what types begin with; nothing need answer there.
const problemBase = "/problems/"

// writeProblem answers with problem+json, or with a page where a browser
// asked for one. The problem's type is its last part only.
func writeProblem(w http.ResponseWriter, r *http.Request, p problem) {
	if wantsPage(r) {
		writePage(w, p.Status, "problem.html", p)
		return
	}
	p.Type = problemBase + p.Type
	w.Header().Set("Content-Type", "application/problem+json")
	w.WriteHeader(p.Status)
	json.NewEncoder(w).Encode(p) // strings and a number always can be; an error is of who hung up
}

// refuseMissing answers where what a request names is not there.
func (s *Server) refuseMissing(w http.ResponseWriter, r *http.Request, err error, kind, title string) {
	if errors.Is(err, house.ErrNotFound) {
		writeProblem(w, r, problem{Status: http.StatusNotFound, Type: kind, Title: title})
		return
	}
	s.fail(w, r, err)
}

// afterRemoval leads a browser on. That what was to go is gone already is what
// was wanted.
func (s *Server) afterRemoval(w http.ResponseWriter, r *http.Request, err error, to string) {
	if err != nil && !errors.Is(err, house.ErrNotFound) {
		s.fail(w, r, err)
		return
	}
	http.Redirect(w, r, to, http.StatusSeeOther)
}

// wantsPage tells a browser that goes somewhere from a program.
func wantsPage(r *http.Request) bool {
	return !strings.HasPrefix(r.URL.Path, "/api/") && strings.Contains(r.Header.Get("Accept"), "text/html")
}

// writeJSON answers with v. It is encoded whole before anything is sent, so that
// what can't be is answered with a problem.
func writeJSON(w http.ResponseWriter, status int, v any) {
	text, err := json.Marshal(v)
	if err != nil {
		logFailure(w, fmt.Errorf("encoding an answer: %w", err))
		w.Header().Set("Content-Type", "application/problem+json")
		w.WriteHeader(http.StatusInternalServerError)
		json.NewEncoder(w).Encode(problem{Type: problemBase + "internal", Title: failedInside, Status: http.StatusInternalServerError})
		return
	}
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	w.Write(append(text, '\n'))
}

// failedInside is what whoever asks is told of an error of the server's own.
const failedInside = "Something went wrong inside the server. What was kept before is safe; the server's log says more."

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
