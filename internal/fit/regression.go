package main

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/optimize"

	"lintel/internal/trial"
	"lintel/pipeline/liveness"
)

// A copy of a still of the archive is a picture whatever else is seen; no folder of real rings has any.
const copyWeighs = 12

// The doubtful level begins above all but so many of the persons, and that of a picture above all but so many.
const (
	doubted      = 0.025
	takenAmiss   = 0.01
	leastPicture = 0.9
	// Without the networks a frame alone makes a face doubtful from a score of a half on: that of a door about a
	// person comes near it (edges_test.go), and few photographs that a fit has are taken in doorways.
	leastAlone = 0.75
)

// penalty keeps a weight from growing without end where a sign is plain on pictures alone: a tenth of it times each
// weight's square is added to the mean loss, as ridge regression does.
const penalty = 0.02

// A sample is what one still is weighed by.
type sample struct {
	picture bool
	source  string
	scores  map[string]float64
}

// sourceOf is where a ring comes from: its name up to the first hyphen.
func sourceOf(r trial.Ring) string {
	source, _, _ := strings.Cut(r.Name, "-")
	return r.Species + "/" + source
}

// fit works out the regressions over one still, with the networks and without.
func fit(outcomes []trial.Outcome) (w liveness.Weights, err error) {
	var looked, alone []sample
	for _, o := range outcomes {
		for _, s := range o.Stills {
			all := liveness.Scores(s.Findings)
			one := sample{o.Species != trial.BonaFide, sourceOf(o.Ring), all}
			if _, ok := all[liveness.Network]; ok {
				looked = append(looked, one)
			}
			alone = append(alone, one)
		}
	}
	if w.Networks, err = regression(looked, liveness.Network, liveness.Edges, liveness.Detail); err != nil {
		return w, fmt.Errorf("with the networks: %w", err)
	}
	if w.Alone, err = regression(alone, liveness.Edges, liveness.Detail); err != nil {
		return w, fmt.Errorf("without: %w", err)
	}
	w.Alone.Doubtful = max(w.Alone.Doubtful, leastAlone)
	return w, nil
}

// regression fits the weights of some signs, and sets the levels.
func regression(samples []sample, signs ...string) (r liveness.Regression, err error) {
	bias, weights, err := logistic(samples, signs)
	if err != nil {
		return r, err
	}
	r = liveness.Regression{Bias: round(bias), Weights: map[string]float64{liveness.Repeat: copyWeighs}}
	for i, sign := range signs {
		r.Weights[sign] = round(weights[i])
	}
	type weighed struct{ odds, by float64 }
	var persons []weighed
	for i, by := range shares(samples) {
		if !samples[i].picture {
			persons = append(persons, weighed{r.LogOdds(samples[i].scores), 2 * by})
		}
	}
	slices.SortFunc(persons, func(a, b weighed) int { return cmp.Compare(b.odds, a.odds) })
	above := func(share float64) float64 {
		for _, p := range persons {
			if share -= p.by; share < 0 {
				return math.Ceil(1e3/(1+math.Exp(-p.odds))) / 1e3
			}
		}
		return 0
	}
	r.Doubtful = above(doubted)
	r.Picture = max(above(takenAmiss), leastPicture)
	return r, nil
}

// shares says how much each sample counts. Persons count as much as pictures, and a source as the square root of
// how many samples it has: those of one source are much alike.
func shares(samples []sample) []float64 {
	count := make(map[string]int)
	for _, s := range samples {
		count[s.source]++
	}
	by := make([]float64, len(samples))
	sums := make(map[bool]float64)
	for i, s := range samples {
		by[i] = 1 / math.Sqrt(float64(count[s.source]))
		sums[s.picture] += by[i]
	}
	for i, s := range samples {
		by[i] /= 2 * sums[s.picture]
	}
	return by
}

// logistic fits a logistic regression by maximum likelihood with a penalty. No weight is negative: each is a square
// of what is looked for.
func logistic(samples []sample, signs []string) (bias float64, weights []float64, err error) {
	if persons := slices.ContainsFunc(samples, func(s sample) bool { return !s.picture }); !persons ||
		!slices.ContainsFunc(samples, func(s sample) bool { return s.picture }) {
		return 0, nil, errors.New("there must be persons and pictures")
	}
	n := len(signs)
	x := mat.NewDense(len(samples), n, nil)
	sides := make([]float64, len(samples)) // +1 for a picture, -1 for a person
	by := shares(samples)
	for i, s := range samples {
		for k, sign := range signs {
			x.Set(i, k, s.scores[sign])
		}
		sides[i] = -1
		if s.picture {
			sides[i] = 1
		}
	}
	odds := func(w []float64, i int) float64 {
		sum := w[n]
		for k, v := range x.RawRowView(i) {
			sum += w[k] * w[k] * v
		}
		return sum
	}
	problem := optimize.Problem{
		Func: func(w []float64) float64 {
			loss := 0.0
			for i := range samples {
				loss += by[i] * softplus(-sides[i]*odds(w, i))
			}
			for _, v := range w[:n] {
				loss += penalty / 10 * v * v * v * v
			}
			return loss
		},
		Grad: func(gradient, w []float64) {
			for k, v := range w[:n] {
				gradient[k] = penalty / 10 * 4 * v * v * v
			}
			gradient[n] = 0
			for i := range samples {
				p := by[i] * sides[i] / (1 + math.Exp(sides[i]*odds(w, i)))
				for k, v := range x.RawRowView(i) {
					gradient[k] -= p * 2 * w[k] * v
				}
				gradient[n] -= p
			}
		},
	}
	start := slices.Repeat([]float64{1}, n+1)
	result, err := optimize.Minimize(problem, start, &optimize.Settings{GradientThreshold: 1e-7}, &optimize.BFGS{})
	if err != nil {
		return 0, nil, fmt.Errorf("fitting: %w", err)
	}
	for _, v := range result.X[:n] {
		weights = append(weights, v*v)
	}
	return result.X[n], weights, nil
}

// softplus is log(1+exp(x)), without overflow.
func softplus(x float64) float64 { return max(x, 0) + math.Log1p(math.Exp(-math.Abs(x))) }

func round(v float64) float64 { return math.Round(v*1e3) / 1e3 }
