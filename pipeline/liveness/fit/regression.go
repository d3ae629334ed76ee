package main

import (
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/optimize"

	"lintel/pipeline/liveness"
	"lintel/pipeline/liveness/trial"
)

// byHandStill and byHandRing are weights that rings of a bench can't give: nobody shows a copy of a
// still of the archive there, and no lens is known. A plain sign is enough for a
// level: no place for a person makes it doubtful, a copy a picture.
var (
	byHandStill = map[string]float64{liveness.Repeat: 8, liveness.Place: 6}
	byHandRing  = map[string]float64{liveness.Repeat: 8}
)

// leastStill are weights that a sign has at least. A bell's lens rarely shows a
// screen's pixels or a print's dots, so a bench has few of them to fit to, but
// where they are plain on a face there is no other reason for them. One makes it
// doubtful, and with anything else a picture.
var leastStill = map[string]float64{liveness.Grid: 6, liveness.Bands: 6, liveness.Halftone: 6, liveness.Glare: 1}

// The doubtful level begins above so many of the persons of the fit, and where
// pictures leave room, half way (in log-odds) to the score that all but so many
// of each species' pictures have: neither persons nor pictures that were not
// fitted to are then the first to be on the wrong side. One still may miss more
// pictures than a ring, so that it doubts no more persons. Few persons are
// called pictures.
const (
	notDoubtedByStill = 0.98
	notDoubtedByRing  = 0.965
	missedByStill     = 0.15
	missedByRing      = 0.05
	notPicture        = 0.995
)

// penalty keeps a weight from growing without end where a sign is plain on
// pictures alone: half of it times each weight's square is added to the mean
// loss, as ridge regression does.
const penalty = 2e-3

// fit works out both regressions: first that over one still, then that over a
// ring, which takes what the first gives.
func fit(outcomes []trial.Outcome) (w liveness.Weights, err error) {
	var stills, rings samples
	for _, o := range outcomes {
		for _, s := range o.Stills {
			stills.add(o.Species, liveness.Scores(s.Findings))
		}
	}
	if w.Still, err = stills.regression(byHandStill, leastStill, notDoubtedByStill, missedByStill); err != nil {
		return w, fmt.Errorf("one still: %w", err)
	}
	for _, o := range outcomes {
		if o.Together == nil || o.Together.Frames < 2 {
			continue
		}
		of := liveness.Scores(o.Together.Findings[len(o.Stills[0].Findings):])
		for _, s := range o.Stills {
			of[liveness.Stills] += w.Still.LogOdds(liveness.Scores(s.Findings)) / float64(len(o.Stills))
		}
		rings.add(o.Species, of)
	}
	if w.Ring, err = rings.regression(byHandRing, nil, notDoubtedByRing, missedByRing); err != nil {
		return w, fmt.Errorf("a ring: %w", err)
	}
	return w, nil
}

// samples are what a regression is fitted to.
type samples struct {
	species []string
	scores  []map[string]float64
}

func (s *samples) add(species string, scores map[string]float64) {
	s.species, s.scores = append(s.species, species), append(s.scores, scores)
}

// regression fits weights of which none is less than it has to be, 0 where
// nothing is said: one that comes out smaller is set to that, the one that is
// the furthest off first, and the rest fitted again.
func (s *samples) regression(byHand, least map[string]float64, notDoubted, missed float64) (liveness.Regression, error) {
	var signs []string
	for _, scores := range s.scores {
		for sign := range scores {
			if _, fixed := byHand[sign]; !fixed && !slices.Contains(signs, sign) {
				signs = append(signs, sign)
			}
		}
	}
	slices.Sort(signs)
	if _, persons := s.count()[trial.BonaFide]; !persons || len(s.count()) < 2 {
		return liveness.Regression{}, errors.New("there must be persons and pictures")
	}
	r := liveness.Regression{Weights: make(map[string]float64)}
	for {
		bias, weights, err := s.logistic(signs, r.Weights)
		if err != nil {
			return liveness.Regression{}, err
		}
		worst, by := -1, 0.0
		for i, sign := range signs {
			if short := least[sign] - weights[i]; short > by {
				worst, by = i, short
			}
		}
		if worst >= 0 {
			r.Weights[signs[worst]] = least[signs[worst]]
			signs = slices.Delete(signs, worst, worst+1)
			continue
		}
		r.Bias = round(bias)
		for i, sign := range signs {
			r.Weights[sign] = round(weights[i])
		}
		maps.Copy(r.Weights, byHand)
		s.setLevels(&r, notDoubted, missed)
		return r, nil
	}
}

func (s *samples) count() map[string]int {
	n := make(map[string]int)
	for _, species := range s.species {
		n[species]++
	}
	return n
}

// logistic fits a logistic regression by maximum likelihood, with a penalty on
// the weights; those of other signs are given. Persons count as much as all pictures together, and each species
// as much as another.
func (s *samples) logistic(signs []string, given map[string]float64) (bias float64, weights []float64, err error) {
	count := s.count()
	n := 1 + len(signs)
	x := mat.NewDense(len(s.scores), n, nil)
	counts := make([]float64, len(s.scores))
	sides := make([]float64, len(s.scores)) // +1 for a picture, -1 for a person
	rest := make([]float64, len(s.scores))  // what the given weights make
	for i, scores := range s.scores {
		x.Set(i, 0, 1)
		for k, sign := range signs {
			x.Set(i, k+1, scores[sign])
		}
		for sign, w := range given {
			rest[i] += w * scores[sign]
		}
		counts[i], sides[i] = 0.5/float64(count[s.species[i]]), -1
		if s.species[i] != trial.BonaFide {
			counts[i], sides[i] = counts[i]/float64(len(count)-1), 1
		}
	}
	problem := optimize.Problem{
		Func: func(w []float64) float64 {
			loss := 0.0
			for i := range counts {
				loss += counts[i] * softplus(-sides[i]*(rest[i]+mat.Dot(x.RowView(i), mat.NewVecDense(n, w))))
			}
			for _, v := range w[1:] {
				loss += penalty / 2 * v * v
			}
			return loss
		},
		Grad: func(gradient, w []float64) {
			for k := range gradient {
				gradient[k] = 0
				if k > 0 {
					gradient[k] = penalty * w[k]
				}
			}
			for i := range counts {
				row := x.RawRowView(i)
				p := 1 / (1 + math.Exp(sides[i]*(rest[i]+mat.Dot(x.RowView(i), mat.NewVecDense(n, w)))))
				for k := range gradient {
					gradient[k] -= counts[i] * sides[i] * p * row[k]
				}
			}
		},
	}
	result, err := optimize.Minimize(problem, make([]float64, n), &optimize.Settings{GradientThreshold: 1e-7}, &optimize.BFGS{})
	if err != nil {
		return 0, nil, fmt.Errorf("fitting: %w", err)
	}
	return result.X[0], result.X[1:], nil
}

// softplus is log(1+exp(x)), without overflow.
func softplus(x float64) float64 { return max(x, 0) + math.Log1p(math.Exp(-math.Abs(x))) }

// setLevels sets where the levels begin.
func (s *samples) setLevels(r *liveness.Regression, notDoubted, missed float64) {
	odds := make(map[string][]float64)
	for i, scores := range s.scores {
		odds[s.species[i]] = append(odds[s.species[i]], r.LogOdds(scores))
	}
	at := func(species string, share float64) float64 {
		sorted := slices.Sorted(slices.Values(odds[species]))
		return sorted[min(len(sorted)-1, int(share*float64(len(sorted))))]
	}
	doubtful := at(trial.BonaFide, notDoubted)
	pictures := math.Inf(1)
	for species := range odds {
		if species != trial.BonaFide {
			pictures = min(pictures, at(species, missed))
		}
	}
	if pictures > doubtful {
		doubtful = (doubtful + pictures) / 2
	}
	probability := func(odds float64) float64 { return math.Ceil(1e4/(1+math.Exp(-odds))) / 1e4 }
	r.Doubtful = probability(doubtful)
	r.Picture = max(probability(at(trial.BonaFide, notPicture)), 0.9, r.Doubtful)
}

func round(v float64) float64 { return math.Round(v*1e3) / 1e3 }
