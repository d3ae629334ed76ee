package liveness

import (
	_ "embed"
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"slices"

	"lintel/internal/house"
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
	// Networks is over the signs of a still where the networks looked at the
	// face, and Alone where they did not.
	Networks Regression `json:"networks"`
	Alone    Regression `json:"alone"`
}

//go:embed weights.json
var weightsJSON []byte

// weights are those that levels are worked out with.
var weights = func() (w Weights) {
	if err := json.Unmarshal(weightsJSON, &w); err != nil {
		panic(fmt.Sprintf("weights.json: %v", err)) // embedded, and tested
	}
	return w
}()

// of returns the regression for what was looked at.
func (w Weights) of(scores map[string]float64) Regression {
	if _, looked := scores[Network]; looked {
		return w.Networks
	}
	return w.Alone
}

// LogOdds returns the log-odds of a picture by these scores.
func (r Regression) LogOdds(scores map[string]float64) float64 {
	sum := r.Bias
	for _, sign := range slices.Sorted(maps.Keys(r.Weights)) { // the same sum every time, to the last bit
		sum += r.Weights[sign] * scores[sign]
	}
	return sum
}

func logistic(x float64) float64 { return 1 / (1 + math.Exp(-x)) }

// logOdds undoes logistic, upwards to the last bit that counts.
func logOdds(p float64) float64 { return math.Log(p/(1-p)) + 1e-9 }

func (r Regression) level(p float64) house.LivenessLevel {
	switch {
	case p >= r.Picture:
		return house.Picture
	case p >= r.Doubtful:
		return house.Doubtful
	}
	return house.NoSign
}

// Scores returns by sign what findings are weighed by, without those that could
// not be looked for: the score, and for the networks their log-odds, since what
// they say for a person counts against what other signs say.
func Scores(findings []house.Finding) map[string]float64 {
	scores := make(map[string]float64, len(findings))
	for _, f := range findings {
		switch {
		case f.Missing != "":
		case f.Sign == Network:
			scores[f.Sign] = value(f, 0)
		default:
			scores[f.Sign] = f.Score
		}
	}
	return scores
}

// judge sets level and probability of a face on one still from its findings.
func judge(l *house.Liveness) {
	scores := Scores(l.Findings)
	r := weights.of(scores)
	r.settle(l, r.LogOdds(scores))
	l.CantTell = cantTell(l.Findings, OneFrame)
}

// settle sets level and probability from log-odds.
func (r Regression) settle(l *house.Liveness, odds float64) {
	p := logistic(odds)
	l.Probability, l.Level = math.Round(p*1e6)/1e6, r.level(p)
}

// counting are the reasons for missing findings that make a whole judgement
// one that can't be told.
var counting = []string{NoNetwork, NoEyes, Tiny, Dark, Border, Sizes}

// cantTell lists the reasons why findings are missing, each once, and more.
func cantTell(findings []house.Finding, more ...string) []string {
	var all []string
	for _, why := range counting {
		if slices.ContainsFunc(findings, func(f house.Finding) bool { return f.Missing == why }) {
			all = append(all, why)
		}
	}
	return append(all, more...)
}
