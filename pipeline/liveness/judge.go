package liveness

import (
	_ "embed"
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"slices"

	"lintel/store"
)

// A Regression is a logistic regression over the scores of findings, and the
// probabilities from which its levels begin.
type Regression struct {
	Bias     float64            `json:"bias"`
	Weights  map[string]float64 `json:"weights"` // by sign; none is negative
	Doubtful float64            `json:"doubtful"`
	Picture  float64            `json:"picture"`
}

// Weights are what findings are weighed with.
type Weights struct {
	// Still is for one still.
	Still Regression `json:"still"`
	// Ring is for several frames: over the signs of a ring and, under the name
	// Stills, the mean of what each still alone gives, as log-odds.
	Ring Regression `json:"ring"`
}

// Stills is the name under which the regression over a ring takes what its
// stills give alone.
const Stills = "stills"

//go:embed weights.json
var weightsJSON []byte

// weights are those that levels are worked out with.
var weights = func() (w Weights) {
	if err := json.Unmarshal(weightsJSON, &w); err != nil {
		panic(fmt.Sprintf("weights.json: %v", err)) // embedded, and tested
	}
	return w
}()

// LogOdds returns the log-odds of a picture by these scores.
func (r Regression) LogOdds(scores map[string]float64) float64 {
	sum := r.Bias
	for _, sign := range slices.Sorted(maps.Keys(r.Weights)) { // the same sum every time, to the last bit
		sum += r.Weights[sign] * scores[sign]
	}
	return sum
}

func logistic(x float64) float64 { return 1 / (1 + math.Exp(-x)) }

func (r Regression) level(p float64) store.LivenessLevel {
	switch {
	case p >= r.Picture:
		return store.Picture
	case p >= r.Doubtful:
		return store.Doubtful
	}
	return store.NoSign
}

// Scores returns the scores of findings by sign, without those that could not
// be looked for.
func Scores(findings []store.Finding) map[string]float64 {
	scores := make(map[string]float64, len(findings))
	for _, f := range findings {
		if f.Missing == "" {
			scores[f.Sign] = f.Score
		}
	}
	return scores
}

// judge sets level and probability of a face on one still from its findings.
func judge(l *store.Liveness) {
	p := logistic(weights.Still.LogOdds(Scores(l.Findings)))
	l.Probability, l.Level = math.Round(p*1e4)/1e4, weights.Still.level(p)
	l.CantTell = cantTell(l.Findings, OneFrame)
}

// counting are the reasons for missing findings that make a whole judgement
// one that can't be told. That the bell's lens is not known, or that nothing
// moved, is said with the finding alone.
var counting = []string{NoEyes, Tiny, Dark, Border, Sizes}

// cantTell lists the reasons why findings are missing, each once, and more. That
// eyes are too small to see them blink is nothing to go by.
func cantTell(findings []store.Finding, more ...string) []string {
	var all []string
	for _, why := range counting {
		if slices.ContainsFunc(findings, func(f store.Finding) bool { return f.Missing == why && f.Sign != Blink }) {
			all = append(all, why)
		}
	}
	return append(all, more...)
}
