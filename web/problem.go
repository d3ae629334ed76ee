package web

import (
	"cmp"
	"encoding/json"
	"errors"
	"net/http"
	"strings"
	"time"

	"lintel/internal/house"
	"lintel/internal/words"
	"lintel/pipeline/quality"
	"lintel/pipeline/review"
)

// A problem is an answer that says what went wrong, as RFC 9457 lays down. It
// is an error, which a handler returns to have it answered. Title and Detail
// are keys of the catalog, for people; programs go by Type.
type problem struct {
	Type   string
	Status int
	Title  string        // "" where Why says all
	Detail string        // "" for none
	Count  int           // what both are told
	Wait   time.Duration // after which it may be tried again, told too; 0 where that is not known
	Why    error         // what was refused, and why; nil where the title says it

	Complaint *quality.Complaint // what is wrong with a picture, in place of a title
	Quality   *house.Quality     // of that picture
	Camera    bool               // whether another can be taken at once, so that it is said how
}

func (p problem) Error() string {
	if p.Why != nil {
		return p.Type + ": " + p.Why.Error()
	}
	return p.Type + ": " + p.Title
}

// A problemJSON is a problem as programs get it, and pages.
type problemJSON struct {
	Type   string `json:"type"`
	Title  string `json:"title"`
	Status int    `json:"status"`
	Detail string `json:"detail,omitempty"`

	// Quality is of a picture that was refused: an extension member, as RFC 9457,
	// section 3.2, allows.
	Quality *qualityJSON `json:"quality,omitempty"`
}

// say puts a problem into words.
func (p problem) say(w words.Words) problemJSON {
	if c := p.Complaint; c != nil {
		j := problemJSON{Type: p.Type, Status: p.Status, Title: w.Complaint(c.Code, c.Value), Detail: w.Remedy(c.Code),
			Quality: newQualityJSON(w, p.Quality)}
		if p.Camera {
			j.Detail = w.Text("camera-" + c.Code)
		}
		return j
	}
	j := problemJSON{Type: p.Type, Status: p.Status, Detail: why(w, p.Why)}
	if p.Detail != "" {
		j.Detail = strings.TrimSpace(j.Detail + " " + w.Text(p.Detail, "Count", p.Count))
	}
	if p.Title == "" {
		j.Title, j.Detail = j.Detail, ""
		return j
	}
	j.Title = w.Text(p.Title, "Count", p.Count, "Wait", w.Length(p.Wait))
	return j
}

// why says why something was refused, in sentences. What is no [house.Refusal]
// stands as the program put it.
func why(w words.Words, err error) string {
	if err == nil {
		return ""
	}
	if said := worded(""); errors.As(err, &said) {
		return string(said)
	}
	if poor := new(review.NoReferenceError); errors.As(err, &poor) {
		if poor.Fault == nil {
			return ""
		}
		return w.Complaint(poor.Fault.Code, poor.Fault.Value)
	}
	says, ok := w.Refusal(err)
	if !ok {
		says = strings.ReplaceAll(err.Error(), "\n", "; ")
	}
	return words.Capital(says) + "."
}

// refused says to whoever asks why something typed is not taken.
func refused(r *http.Request, err error) string { return why(speak(languageOf(r)), err) }

// sayWhen says when to try again, for programs.
func (p problem) sayWhen(w http.ResponseWriter) {
	if p.Wait > 0 {
		retryAfter(w, p.Wait)
	}
}

// message is what a form says of the problem: what is wrong, more exactly where
// that is known.
func (p problem) message(w words.Words) string {
	j := p.say(w)
	return cmp.Or(j.Detail, j.Title)
}

// problemBase is what types begin with; nothing need answer there.
const problemBase = "/problems/"

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
		if row.title == "" {
			p.Why = row.err
		} else if row.more && err.Error() != row.err.Error() {
			p.Why = err
		}
		return p, true
	}
	return problem{Status: http.StatusInternalServerError, Type: "internal", Title: "problem-internal"}, false
}

// told is what a form says of an error that the table has.
func told(w words.Words, err error) string {
	p, _ := problemOf(err)
	return p.message(w)
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
	if !known {
		// What goes wrong inside while the disk is dead goes wrong for that: a database
		// that can't be read looks like a broken one.
		if dead := s.Archive.Roomy(); errors.Is(dead, house.ErrNoSpace) {
			s.trouble.set(diskFull, 0)
			err = errors.Join(err, dead)
			p, known = problemOf(err)
		}
	}
	if (!known || errors.Is(err, house.ErrNoSpace)) && r.Context().Err() == nil {
		s.Log.Error("answering a request", "method", r.Method, "path", r.URL.Path, "err", err)
	}
	// Whoever hung up is answered too: one that closed only its own half of
	// the connection would read no answer as an empty 200.
	if err := sendProblem(w, r, p); err != nil {
		s.Log.Error("answering with a problem", "method", r.Method, "path", r.URL.Path, "err", err)
		http.Error(w, p.say(speak(languageOf(r))).Title, p.Status)
	}
}

// sendProblem answers with problem+json, or with a page where a browser asked
// for one. The problem's type is its last part only.
func sendProblem(w http.ResponseWriter, r *http.Request, p problem) error {
	said := p.say(speak(languageOf(r)))
	p.sayWhen(w)
	if wantsPage(r) {
		return sendPage(w, r, p.Status, "problem.html", said)
	}
	said.Type = problemBase + p.Type
	w.Header().Set("Content-Type", "application/problem+json")
	sayLanguage(w, r)
	w.WriteHeader(p.Status)
	json.NewEncoder(w).Encode(said) // strings and a number always can be; an error is of who hung up
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
