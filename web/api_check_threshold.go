package web

import (
	"net/http"

	"lintel/pipeline/match"
	"lintel/pipeline/review"
)

// A rateJSON is a number of errors among trials, with its 95 % interval
// (Clopper-Pearson); zero errors are never a rate of 0.
type rateJSON struct {
	Errors int       `json:"errors"`
	N      int       `json:"n"`
	CI95   []float64 `json:"ci95"`
}

// rateJSONOf returns nil where there was no trial.
func rateJSONOf(r match.Rate) *rateJSON {
	if r.N == 0 {
		return nil
	}
	low, high := r.Interval(.95)
	return &rateJSON{r.Errors, r.N, []float64{low, high}}
}

type searchJSON struct {
	Visit    string  `json:"visit"`
	Face     string  `json:"face"`
	Truth    string  `json:"truth"`   // a person, "" for a stranger
	Nearest  string  `json:"nearest"` // person
	Distance float64 `json:"distance"`
	Answered bool    `json:"answered"`
}

func searchesJSON(all []review.Search) []searchJSON {
	list := []searchJSON{}
	for _, s := range all {
		list = append(list, searchJSON{s.Visit, s.ID, s.Truth, s.Nearest.Person, s.Nearest.Distance, s.Answered})
	}
	return list
}

func (s *Server) getThreshold(w http.ResponseWriter, r *http.Request) error {
	q, err := s.thresholdAsked(r)
	if err != nil {
		return err
	}
	result := q.At(q.threshold)
	type point struct {
		Threshold float64 `json:"threshold"`
		FPIR      float64 `json:"fpir"`
		FNIR      float64 `json:"fnir"`
	}
	det := []point{}
	for _, c := range result.Curve {
		det = append(det, point(c))
	}
	return sendJSON(w, http.StatusOK, map[string]any{
		"distance": q.threshold, "present": q.present, "days": review.LookBackDays,
		"searches": len(q.Searches), "answered": result.Answered, "cut": q.Cut,
		"named": searchesJSON(result.Named), "missed": searchesJSON(result.Missed),
		"misnamed": searchesJSON(result.Misnamed), "called": searchesJSON(result.Called), "left_unnamed": result.Left,
		"fnir": rateJSONOf(result.FNIR), "fpir": rateJSONOf(result.FPIR), "det": det,
	})
}
