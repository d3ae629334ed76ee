package view

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"lintel/pipeline/match"
	"lintel/pipeline/review"
)

// A Threshold is what another threshold would have meant.
type Threshold struct {
	review.ThresholdTrial
	At        string // the distance
	Counts    []Count
	Named     string // who was named rightly, and how often
	Missed    []Search
	Misnamed  []Search
	Called    []Search
	FNIR      string
	FPIR      string
	DET       *Plot // nil without persons or without strangers
	Histogram Plot
	Bins      []review.Bin // that are not empty
	Rates     []Rates
}

// A Count is a number under its name.
type Count struct {
	Name  string
	Count int
}

// A Search is a visitor of whom a threshold would have said something wrong.
type Search struct{ Address, Seen, Says string }

// Rates are the error rates at a threshold.
type Rates struct{ Threshold, FPIR, FNIR string }

// shownSearches is how many visitors are listed, of each kind, and shownRates how
// many rates: as many as can be read.
const (
	shownSearches = 30
	shownRates    = 20
)

// Threshold says what a threshold would have meant, among persons whose names are
// by id.
func (t Presenter) Threshold(w review.ThresholdTrial, names map[string]string) Threshold {
	view := Threshold{
		ThresholdTrial: w, At: fmt.Sprintf("%.3f", w.Threshold),
		FNIR: t.rate(w.FNIR), FPIR: t.rate(w.FPIR),
		Histogram: t.Histogram(w.Bins, w.Threshold),
		Counts: []Count{
			{t.Words.Text("threshold-count-named"), len(w.Named)},
			{t.Words.Text("threshold-count-missed"), len(w.Missed)},
			{t.Words.Text("threshold-count-misnamed"), len(w.Misnamed)},
			{t.Words.Text("threshold-count-called"), len(w.Called)},
			{t.Words.Text("threshold-count-left"), w.Left},
		},
		Named: t.namedRightly(w.Named, names),
		Missed: t.searches(w.Missed, func(s review.Search) string {
			return t.Words.Text("threshold-missed", "Name", names[s.Truth], "Distance", t.Words.Sprintf("%.2f", s.Own))
		}),
		Misnamed: t.searches(w.Misnamed, func(s review.Search) string {
			return t.Words.Text("threshold-misnamed", "Name", names[s.Truth], "Called", names[s.Nearest.Person])
		}),
		Called: t.searches(w.Called, func(s review.Search) string {
			return t.Words.Text("threshold-called", "Called", names[s.Nearest.Person],
				"Distance", t.Words.Sprintf("%.2f", s.Nearest.Distance))
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
	det := t.DET(w.Curve, review.ErrorRates{Threshold: w.Threshold, FPIR: w.FPIR.Value(), FNIR: w.FNIR.Value()})
	view.DET = &det
	for i := 0; i < len(w.Curve); i += max(1, len(w.Curve)/shownRates) {
		c := w.Curve[i]
		view.Rates = append(view.Rates, Rates{
			t.Words.Sprintf("%.2f", c.Threshold), t.Words.Sprintf("%.1f %%", 100*c.FPIR), t.Words.Sprintf("%.1f %%", 100*c.FNIR),
		})
	}
	return view
}

// rate says an error rate with what it was counted from. It is never 0 for want of
// errors.
func (t Presenter) rate(r match.Rate) string {
	if r.N == 0 {
		return t.Words.Text("rate-nothing")
	}
	if r.Errors == 0 {
		_, high := r.Interval(0.95)
		return t.Words.Text("rate-no-error", "Of", r.N, "Most", t.Words.Figures(match.Percent(high, math.Ceil)))
	}
	return t.Words.Text("rate", "Errors", r.Errors, "Of", r.N, "Rate", t.Words.Figures(match.Percent(r.Value(), math.Round)),
		"Interval", t.interval(r))
}

// interval says between what an error rate lies, at 95 %, rounded outwards.
func (t Presenter) interval(r match.Rate) string {
	low, high := r.Interval(0.95)
	return t.Words.Text("rate-interval", "Low", t.Words.Figures(match.Percent(low, math.Floor)),
		"High", t.Words.Figures(match.Percent(high, math.Ceil)))
}

// namedRightly counts by name, who was named most first.
func (t Presenter) namedRightly(all []review.Search, names map[string]string) string {
	count := make(map[string]int)
	for _, s := range all {
		count[s.Truth]++
	}
	var counts []Count
	for id, n := range count {
		counts = append(counts, Count{names[id], n})
	}
	slices.SortFunc(counts, func(a, b Count) int {
		return cmp.Or(b.Count-a.Count, strings.Compare(a.Name, b.Name))
	})
	var says []string
	for _, c := range counts {
		says = append(says, t.Words.Text("threshold-times", "Name", c.Name, "Count", c.Count))
	}
	return t.Words.List(says)
}

// searches lists visitors, and of each what would have been said. Those that nobody
// answered for are taken as they were judged.
func (t Presenter) searches(of []review.Search, says func(review.Search) string) (lines []Search) {
	for _, s := range of[:min(len(of), shownSearches)] {
		line := Search{VisitAddress(s.Visit), t.Seen(s.Sighting), says(s)}
		if !s.Answered {
			line.Says = t.Words.Text("threshold-as-judged", "Says", line.Says)
		}
		lines = append(lines, line)
	}
	return lines
}
