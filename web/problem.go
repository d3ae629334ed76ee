package web

import (
	"encoding/json"
	"net/http"
	"strings"
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
