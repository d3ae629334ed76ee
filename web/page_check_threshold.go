package web

import (
	"cmp"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"lintel/pipeline/match"
	"lintel/pipeline/review"
)

// A thresholdView is what another threshold would have meant.
type thresholdView struct {
	Bar       barView
	Days      int
	Threshold string
	Present   string
	Odds      string
	Searches  int
	Answered  int
	Cut       bool
	Named     []nameCount
	Missed    []searchView
	Misnamed  []searchView
	Called    []searchView
	Counts    []countView
	FNIR      string
	FPIR      string
	DET       *plot
	Histogram plot
	Bins      []review.Bin
	Rates     []rateView
}

type nameCount struct {
	Name  string
	Count int
}

type countView struct {
	Words string
	Count int
}

type searchView struct {
	Visit, Seen, Words string
}

type rateView struct{ Threshold, FPIR, FNIR string }

// readThreshold reads a distance from the query.
func readThreshold(text string, or float64) (float64, error) {
	if text == "" {
		return or, nil
	}
	t, err := strconv.ParseFloat(text, 64)
	if err != nil || !(t >= review.LeastThreshold && t <= review.MostThreshold) {
		return 0, fmt.Errorf("a threshold is a distance from %.1f to %.1f", review.LeastThreshold, review.MostThreshold)
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
		return q, queryProblem(sentence(err))
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
	view := presenter.thresholdView(q.At(q.threshold), len(q.Searches), names)
	view.Bar, view.Cut = barOf(r, "Check matches", "Another threshold"), q.Cut
	view.Present = fmt.Sprintf("%.3f", q.present)
	if fpir := q.Gallery.FPIR(q.threshold); fpir <= .5 {
		view.Odds = odds(fpir)
	} else {
		view.Odds = "Most strangers would look this much like somebody here."
	}
	return sendPage(w, r, http.StatusOK, "check-threshold.html", view)
}

// rateWords say an error rate with what it was counted from.
func rateWords(r match.Rate) string {
	switch {
	case r.N == 0:
		return "nothing to count"
	case r.Errors == 0:
		return fmt.Sprintf("none of %d, so %s", r.N, r)
	}
	return fmt.Sprintf("%d of %d, %s, 95 %% interval %s", r.Errors, r.N, r, r.IntervalString())
}

func (t presenter) thresholdView(w review.ThresholdTrial, searches int, names map[string]string) thresholdView {
	view := thresholdView{
		Days: review.LookBackDays, Threshold: fmt.Sprintf("%.3f", w.Threshold), Searches: searches, Answered: w.Answered,
		FNIR: rateWords(w.FNIR), FPIR: rateWords(w.FPIR),
		Histogram: histogramPlot(w.Bins, w.Threshold),
		Counts: []countView{
			{"Named rightly", len(w.Named)}, {"Missed", len(w.Missed)}, {"By another’s name", len(w.Misnamed)},
			{"Strangers by a name", len(w.Called)}, {"Strangers left so", w.Left},
		},
		Named: namedRightly(w.Named, names),
		Missed: t.searchViews(w.Missed, func(s review.Search) string {
			return fmt.Sprintf("%s, at distance %.2f", names[s.Truth], s.Own)
		}),
		Misnamed: t.searchViews(w.Misnamed, func(s review.Search) string {
			return fmt.Sprintf("%s, called %s", names[s.Truth], names[s.Nearest.Person])
		}),
		Called: t.searchViews(w.Called, func(s review.Search) string {
			return fmt.Sprintf("a stranger, called %s, at distance %.2f", names[s.Nearest.Person], s.Nearest.Distance)
		}),
	}
	for _, b := range w.Bins {
		if b.Genuine+b.Impostor > 0 {
			view.Bins = append(view.Bins, b)
		}
	}
	if len(w.Curve) == 0 {
		return view
	}
	det := detPlot(w.Curve, review.ErrorRates{Threshold: w.Threshold, FPIR: w.FPIR.Value(), FNIR: w.FNIR.Value()})
	view.DET = &det
	step := max(1, len(w.Curve)/20) // as many rows as can be read
	for i := 0; i < len(w.Curve); i += step {
		c := w.Curve[i]
		view.Rates = append(view.Rates, rateView{
			fmt.Sprintf("%.2f", c.Threshold), fmt.Sprintf("%.1f %%", 100*c.FPIR), fmt.Sprintf("%.1f %%", 100*c.FNIR),
		})
	}
	return view
}

// namedRightly counts by name, who was named most first.
func namedRightly(all []review.Search, names map[string]string) (counts []nameCount) {
	count := make(map[string]int)
	for _, s := range all {
		count[s.Truth]++
	}
	for id, n := range count {
		counts = append(counts, nameCount{names[id], n})
	}
	slices.SortFunc(counts, func(a, b nameCount) int {
		return cmp.Or(b.Count-a.Count, strings.Compare(a.Name, b.Name))
	})
	return counts
}

// searchViews lists searches, as many as can be read.
func (t presenter) searchViews(of []review.Search, words func(review.Search) string) (lines []searchView) {
	for _, s := range of[:min(len(of), shownChanges)] {
		judged := ""
		if !s.Answered {
			judged = ", as judged"
		}
		lines = append(lines, searchView{visitAddress(s.Visit), t.seen(s.Sighting), words(s) + judged})
	}
	return lines
}
