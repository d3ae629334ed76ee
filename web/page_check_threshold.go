package web

import (
	"net/http"
	"strconv"

	"lintel/pipeline/review"
	"lintel/web/view"
)

// A thresholdView is the page of another threshold.
type thresholdView struct {
	view.Threshold
	Bar      barView
	Days     int
	Present  string
	Odds     string
	Searches int
	Cut      bool
}

// readThreshold reads a distance from the query.
func readThreshold(text string, or float64) (float64, error) {
	if text == "" {
		return or, nil
	}
	t, err := strconv.ParseFloat(text, 64)
	if err != nil || !(t >= review.LeastThreshold && t <= review.MostThreshold) {
		return 0, queryProblem("problem-query-threshold")
	}
	return t, nil
}

// A thresholdQuestion is what the page and the API of another threshold are
// asked, and what there is to judge by it.
type thresholdQuestion struct {
	review.LookBack
	present, threshold float64
}

// thresholdAsked reads a question.
func (s *Server) thresholdAsked(r *http.Request) (q thresholdQuestion, err error) {
	if q.LookBack, err = s.review.LookBack(r.Context()); err != nil {
		return q, err
	}
	q.present = q.Present()
	if q.threshold, err = readThreshold(r.URL.Query().Get("distance"), q.present); err != nil {
		return q, err
	}
	return q, nil
}

func (s *Server) showThreshold(w http.ResponseWriter, r *http.Request) error {
	q, err := s.thresholdAsked(r)
	if err != nil {
		return err
	}
	names, err := s.review.Names(r.Context())
	if err != nil {
		return err
	}
	presenter, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	return sendPage(w, r, http.StatusOK, "check-threshold.html", thresholdView{
		Threshold: presenter.Threshold(q.At(q.threshold), names), Bar: barOf(r, presenter.Words.Text("threshold-title")),
		Days: review.LookBackDays, Present: presenter.Words.Sprintf("%.3f", q.present), Searches: len(q.Searches), Cut: q.Cut,
		Odds: presenter.Words.Alike(q.Gallery.FPIR(q.threshold)),
	})
}
