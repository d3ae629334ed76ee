package web

import (
	"errors"
	"net/http"
	"strings"
	"time"

	"lintel/internal/house"
	"lintel/internal/words"
	"lintel/pipeline/advice/policy"
	"lintel/web/view"
)

// Wrong secrets in bells' names: Now says so while they come, and Upkeep, where a
// resident clears them.

// triedWords say at which bells somebody tries secrets, "" for none.
func (s *Server) triedWords(w words.Words) string {
	var says []string
	for _, d := range s.Secrets.Tried() {
		says = append(says, w.Text("tried-now", "Bell", w.Bell(d.Bell), "Clock", w.Clock(d.Since),
			"Count", d.Networks))
		if s.withholds(d) {
			says = append(says, w.Text("tried-own", "Clock", w.Clock(d.Own.Add(policy.AfterRefusal))))
		}
	}
	return strings.Join(says, " ")
}

// joined are two texts with a space between them, where there are two.
func joined(a, b string) string { return strings.TrimSpace(a + " " + b) }

// withholds reports whether nothing is suggested at a bell by what was tried there.
func (s *Server) withholds(d house.Doubt) bool {
	return !d.Own.IsZero() && s.Now().Sub(d.Own) < policy.AfterRefusal
}

// triedLine is what Upkeep says of a bell, "" for nothing.
func (s *Server) triedLine(t view.Presenter, bell string) string {
	d := s.triedAt(bell)
	if d == nil {
		return ""
	}
	says := t.Words.Text("tried-line", "Since", t.Moment(d.Since), "Times", d.Times, "Count", d.Addresses)
	if !d.WithheldUntil.IsZero() {
		return joined(says, t.Words.Text("tried-own", "Clock", t.Words.Clock(d.WithheldUntil)))
	}
	return joined(says, t.Words.Text("tried-elsewhere"))
}

// A secretsTriedJSON is wrong secrets that came in a bell's name, one after the other.
type secretsTriedJSON struct {
	Since         time.Time `json:"since"`
	Last          time.Time `json:"last"`
	Times         int       `json:"times"`
	Addresses     int       `json:"addresses"`
	WithheldUntil time.Time `json:"withheld_until,omitzero"`
}

// triedAt is what was tried at a bell, nil for nothing.
func (s *Server) triedAt(bell string) *secretsTriedJSON {
	for _, d := range s.Secrets.Tried() {
		if d.Bell != bell {
			continue
		}
		tried := &secretsTriedJSON{Since: d.Since, Last: d.At, Times: d.Times, Addresses: d.Networks}
		if s.withholds(d) {
			tried.WithheldUntil = d.Own.Add(policy.AfterRefusal)
		}
		return tried
	}
	return nil
}

// forgive clears what was tried at the bell of the request. The error is errNoBell.
func (s *Server) forgive(r *http.Request) error {
	if err := s.findBell(r); err != nil {
		return absent(err, errNoBell)
	}
	return s.Secrets.Forgive(r.Context(), r.PathValue("bell"))
}

func (s *Server) submitForgive(w http.ResponseWriter, r *http.Request) error {
	if err := s.forgive(r); err != nil && !errors.Is(err, errNoBell) {
		return err
	}
	return redirect(w, r, "/upkeep/bells")
}

func (s *Server) deleteTried(w http.ResponseWriter, r *http.Request) error {
	if err := s.forgive(r); err != nil {
		return err
	}
	return s.listBells(w, r)
}
