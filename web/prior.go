package web

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net/http"
	"strconv"
	"strings"

	"lintel/internal/house"
	"lintel/pipeline/match"
)

// prior returns how often a ring is somebody enrolled, by the household or,
// where that said nothing, as Lintel takes it.
func (s *Server) prior(ctx context.Context) (float64, error) {
	prior, err := s.Archive.Prior(ctx)
	if err == nil && prior == 0 {
		prior = match.DefaultPrior
	}
	return prior, err
}

// savePrior is the form on Rules, which asks for a percentage.
func (s *Server) savePrior(w http.ResponseWriter, r *http.Request) {
	if !readForm(w, r) {
		return
	}
	percent, err := strconv.ParseFloat(strings.TrimSpace(r.PostForm.Get("percent")), 64)
	if err != nil {
		percent = math.NaN()
	}
	switch err := s.Archive.SetPrior(r.Context(), percent/100); {
	case errors.Is(err, house.ErrBadPrior):
		view := rulesView{PriorMessage: "It is a percentage from 1 to 99.", Prior: r.PostForm.Get("percent")}
		if err := s.drawRules(w, r, http.StatusUnprocessableEntity, view); err != nil {
			s.fail(w, r, err)
		}
	case err != nil:
		s.fail(w, r, err)
	default:
		http.Redirect(w, r, "/rules#prior", http.StatusSeeOther)
	}
}

// A priorJSON is a prior as programs see it.
type priorJSON struct {
	Prior float64 `json:"prior"` // 0.01 to 0.99
}

func (s *Server) getPrior(w http.ResponseWriter, r *http.Request) {
	prior, err := s.prior(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	writeJSON(w, http.StatusOK, priorJSON{prior})
}

func (s *Server) putPrior(w http.ResponseWriter, r *http.Request) {
	var p priorJSON
	if !readJSON(w, r, &p) {
		return
	}
	switch err := s.Archive.SetPrior(r.Context(), p.Prior); {
	case errors.Is(err, house.ErrBadPrior):
		writeProblem(w, r, problem{Status: http.StatusUnprocessableEntity, Type: "bad-prior", Title: sentence(err)})
	case err != nil:
		s.fail(w, r, err)
	default:
		writeJSON(w, http.StatusOK, p)
	}
}

// percent writes a probability so that it is never said to be certain.
func percent(p float64) string {
	switch {
	case p >= 0.9995:
		return "over 99.9 %"
	case p >= 0.99:
		return fmt.Sprintf("%.1f %%", 100*p)
	case p < 0.01:
		return "under 1 %"
	}
	return fmt.Sprintf("%.0f %%", 100*p)
}
