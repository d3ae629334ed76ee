package web

import (
	"encoding/json"
	"errors"
	"net/http"
	"strings"

	"lintel/internal/house"
)

// A problem is an answer that says what went wrong, as RFC 9457 lays down.
// Titles are for people; programs go by type. It is an error, which a handler
// returns to have it answered.
type problem struct {
	Type   string `json:"type"`
	Title  string `json:"title"`
	Status int    `json:"status"`
	Detail string `json:"detail,omitempty"`
}

func (p problem) Error() string { return p.Title }

// message is what a form says of the problem: what is wrong, more exactly where
// that is known.
func (p problem) message() string {
	if p.Detail == "" {
		return p.Title
	}
	return sentence(errors.New(p.Detail))
}

// problemBase is what types begin with; nothing need answer there.
const problemBase = "/problems/"

// failedInside is what whoever asks is told of an error of the server's own.
const failedInside = "Something went wrong inside the server. What was kept before is safe; the server's log says more."

// problemOf returns how an error is answered: as itself if it is a problem, else
// by the table. It reports false for an error of the server's own.
func problemOf(err error) (p problem, known bool) {
	if errors.As(err, &p) {
		return p, true
	}
	for _, row := range problems {
		if !errors.Is(err, row.err) {
			continue
		}
		p = problem{Status: row.status, Type: row.kind, Title: row.title, Detail: row.detail}
		if p.Title == "" {
			p.Title = sentence(row.err)
		}
		if row.more && err.Error() != row.err.Error() {
			p.Detail = err.Error()
		}
		return p, true
	}
	return problem{Status: http.StatusInternalServerError, Type: "internal", Title: failedInside}, false
}

// told is what a form says of an error that the table has.
func told(err error) string {
	p, _ := problemOf(err)
	return p.message()
}

// absent answers with p where an error says that something is not there.
func absent(err error, p problem) error {
	if errors.Is(err, house.ErrNotFound) {
		return p
	}
	return err
}

// fail answers a request that could not be met, and logs what went wrong inside,
// unless it went wrong because the other side hung up.
func (s *Server) fail(w http.ResponseWriter, r *http.Request, err error) {
	p, known := problemOf(err)
	if (!known || errors.Is(err, house.ErrNoSpace)) && r.Context().Err() == nil {
		s.Log.Error("answering a request", "method", r.Method, "path", r.URL.Path, "err", err)
	}
	// Whoever hung up is answered too: one that closed only its own half of
	// the connection would read no answer as an empty 200.
	if err := sendProblem(w, r, p); err != nil {
		s.Log.Error("answering with a problem", "method", r.Method, "path", r.URL.Path, "err", err)
		http.Error(w, p.Title, p.Status)
	}
}

// sendProblem answers with problem+json, or with a page where a browser asked
// for one. The problem's type is its last part only.
func sendProblem(w http.ResponseWriter, r *http.Request, p problem) error {
	if wantsPage(r) {
		return sendPage(w, r, p.Status, "problem.html", p)
	}
	p.Type = problemBase + p.Type
	w.Header().Set("Content-Type", "application/problem+json")
	w.WriteHeader(p.Status)
	json.NewEncoder(w).Encode(p) // strings and a number always can be; an error is of who hung up
	return nil
}

// redirect leads a browser on after a form.
func redirect(w http.ResponseWriter, r *http.Request, to string) error {
	http.Redirect(w, r, to, http.StatusSeeOther)
	return nil
}

// afterRemoval leads a browser on. That what was to go is gone already is what
// was wanted.
func afterRemoval(w http.ResponseWriter, r *http.Request, err error, to string) error {
	if err != nil && !errors.Is(err, house.ErrNotFound) {
		return err
	}
	return redirect(w, r, to)
}

// wantsPage tells a browser that goes somewhere from a program.
func wantsPage(r *http.Request) bool {
	return !strings.HasPrefix(r.URL.Path, "/api/") && strings.Contains(r.Header.Get("Accept"), "text/html")
}

// sentence writes an error as people are told it.
func sentence(err error) string {
	return capital(strings.ReplaceAll(err.Error(), "\n", "; ")) + "."
}
