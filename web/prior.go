package web

import (
	"context"
	"net/http"

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

// A priorJSON is a prior as programs see it.
type priorJSON struct {
	Prior float64 `json:"prior"` // 0.01 to 0.99
}

func (s *Server) getPrior(w http.ResponseWriter, r *http.Request) error {
	prior, err := s.prior(r.Context())
	if err != nil {
		return err
	}
	return sendJSON(w, http.StatusOK, priorJSON{prior})
}

func (s *Server) putPrior(w http.ResponseWriter, r *http.Request) error {
	var p priorJSON
	if err := bodyJSON(w, r, &p); err != nil {
		return err
	}
	if err := s.Archive.SetPrior(r.Context(), p.Prior); err != nil {
		return err
	}
	return sendJSON(w, http.StatusOK, p)
}
