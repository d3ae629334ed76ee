package web

import (
	"encoding/json"
	"errors"
	"net/http"
	"strings"

	"lintel/store"
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
	json.NewEncoder(w).Encode(p)
}

// refuseMissing answers where what a request names is not there.
func (s *Server) refuseMissing(w http.ResponseWriter, r *http.Request, err error, kind, title string) {
	if errors.Is(err, store.ErrNotFound) {
		writeProblem(w, r, problem{Status: http.StatusNotFound, Type: kind, Title: title})
		return
	}
	s.fail(w, r, err)
}

// afterRemoval leads a browser on. That what was to go is gone already is what
// was wanted.
func (s *Server) afterRemoval(w http.ResponseWriter, r *http.Request, err error, to string) {
	if err != nil && !errors.Is(err, store.ErrNotFound) {
		s.fail(w, r, err)
		return
	}
	http.Redirect(w, r, to, http.StatusSeeOther)
}

// wantsPage tells a browser that goes somewhere from a program.
func wantsPage(r *http.Request) bool {
	return !strings.HasPrefix(r.URL.Path, "/api/") && strings.Contains(r.Header.Get("Accept"), "text/html")
}

// writeJSON answers with v.
func writeJSON(w http.ResponseWriter, status int, v any) {
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	json.NewEncoder(w).Encode(v)
}
