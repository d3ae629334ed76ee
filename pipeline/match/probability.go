package match

import "math"

// DefaultPrior is how often a ring is a person who is enrolled, where the
// household has not said: one in two, which favours neither answer.
const DefaultPrior = 0.5

// LikelihoodRatio returns how many times likelier a distance is when both
// faces are one person than when they are two. It falls with the distance, and
// is bounded on both sides by how much was observed; 1, which says nothing,
// for a distance that is no number.
func (c *Curve) LikelihoodRatio(distance float64) float64 {
	i, part, ok := entry(distance)
	switch {
	case !ok:
		return 1
	case part == 0:
		return math.Exp(c.Evidence[i])
	}
	return math.Exp((1-part)*c.Evidence[i] + part*c.Evidence[i+1])
}

// Posterior returns the probability of each person, given their distances and
// the prior: the probability that somebody who is enrolled rings, from 0 to 1.
// Each is as likely to ring as the other. What is missing to a sum of 1 is the
// probability of a stranger. By Bayes, with P persons and ratios L,
//
//	prior/P·L[i] / ((1-prior) + sum over j of prior/P·L[j])
func (c *Curve) Posterior(prior float64, distances []float64) []float64 {
	prior = min(max(prior, 0), 1)
	each := prior / float64(len(distances))
	all := make([]float64, len(distances))
	sum := 1 - prior
	for i, d := range distances {
		all[i] = each * c.LikelihoodRatio(d)
		sum += all[i]
	}
	if sum == 0 {
		return all
	}
	for i := range all {
		all[i] /= sum
	}
	return all
}
