package web

import (
	"cmp"
	"context"
	"math"
	"slices"

	"lintel/internal/house"
	"lintel/pipeline/match"
)

// A search is one visitor looked for in the gallery: of each visit and truth
// the nearest face, since the frames of a ring show the same people again.
type search struct {
	house.Sighting
	near     nearest // the person nearest to the face
	truth    string  // the person it is, "" for a stranger
	answered bool    // whether the household said so, or it is as judged
	own      float64 // the distance to the person it is
}

// searches returns what there is to judge a threshold by. Where nobody
// answered, what was judged is taken for the truth. A face that became a
// reference itself says nothing.
func searches(sightings []house.Sighting, gallery *match.Gallery) []search {
	type key struct{ visit, truth string }
	seen := make(map[key][]house.Sighting)
	var order []key
	for _, x := range sightings {
		k := key{visit: x.Visit}
		switch {
		case !x.Kept() || x.Check != nil && x.Check.Answer == house.AnswerNotFace:
			continue
		case x.Check != nil:
			k.truth = x.Check.Person
		case x.Face.Match != nil:
			k.truth = x.Face.Match.Person
		}
		if seen[k] == nil {
			order = append(order, k)
		}
		seen[k] = append(seen[k], x)
	}
	var all []search
	for _, k := range order {
		if s, ok := searchFor(k.truth, seen[k], gallery); ok {
			all = append(all, s)
		}
	}
	return all
}

// searchFor looks for the faces of one ring that are one person's, together, or
// for the one of its strangers' that is nearest to anybody.
func searchFor(truth string, faces []house.Sighting, gallery *match.Gallery) (s search, ok bool) {
	var probes []match.Probe
	for _, x := range faces {
		probes = append(probes, match.ProbeOf(x.Face))
		if near := nearestOf(x.Face, gallery); near.person != "" && near.distance > sameFace && (!ok || near.distance < s.near.distance) {
			s, ok = search{Sighting: x, near: near, truth: truth, own: math.Inf(1)}, true
		}
	}
	if !ok || truth == "" {
		s.answered = s.Check != nil
		return s, ok
	}
	scores := gallery.Scores(probes...)
	s.near, s.own = nearest{scores[0].Person, scores[0].Distance}, distanceTo(truth, scores)
	for _, x := range faces {
		s.answered = s.answered || x.Check != nil
	}
	// Nothing can be found of somebody who has no reference any more.
	return s, s.near.distance > sameFace && !math.IsInf(s.own, 1)
}

// sameFace is the distance within which a face is a reference of its own.
const sameFace = 1e-4

// A verdict is what comes of a search at a threshold.
type verdict int

const (
	isNamed    verdict = iota // a person, by the right name
	isMissed                  // a person, not named
	isMisnamed                // a person, by another's name
	isCalled                  // a stranger, by a name
	isLeft                    // a stranger, as a stranger
)

func (s search) at(threshold float64) verdict {
	within := s.near.distance <= threshold
	switch {
	case s.truth == "" && within:
		return isCalled
	case s.truth == "":
		return isLeft
	case !within:
		return isMissed
	case s.near.person != s.truth:
		return isMisnamed
	}
	return isNamed
}

// A thresholdTrial says what a threshold would have meant.
type thresholdTrial struct {
	Threshold  float64
	Named      []search
	Missed     []search
	Misnamed   []search
	Called     []search
	Left       int
	Answered   int // of all searches
	FNIR, FPIR match.Rate
	Curve      []errorRates
	Bins       []bin
}

func judge(all []search, threshold float64) thresholdTrial {
	w := thresholdTrial{Threshold: threshold}
	var genuine, impostor []float64
	for _, s := range all {
		if s.answered {
			w.Answered++
		}
		if s.truth != "" {
			genuine = append(genuine, s.own)
		} else {
			impostor = append(impostor, s.near.distance)
		}
		switch s.at(threshold) {
		case isNamed:
			w.Named = append(w.Named, s)
		case isMissed:
			w.Missed = append(w.Missed, s)
		case isMisnamed:
			w.Misnamed = append(w.Misnamed, s)
		case isCalled:
			w.Called = append(w.Called, s)
		default:
			w.Left++
		}
	}
	w.FNIR = match.Rate{Errors: len(w.Missed) + len(w.Misnamed), N: len(genuine)}
	w.FPIR = match.Rate{Errors: len(w.Called), N: len(impostor)}
	w.Bins = binned(genuine, impostor)
	w.Curve = detCurve(all)
	return w
}

// detCurve returns the rates at every distance where one of them changes, from
// the smallest; none unless there are both persons and strangers.
func detCurve(all []search) (curve []errorRates) {
	byDistance := slices.SortedFunc(slices.Values(all), func(a, b search) int { return cmp.Compare(a.near.distance, b.near.distance) })
	mated, strangers := 0, 0
	for _, s := range all {
		if s.truth != "" {
			mated++
		} else {
			strangers++
		}
	}
	if mated == 0 || strangers == 0 {
		return nil
	}
	right, wrong := 0, 0
	for i, s := range byDistance {
		switch s.at(s.near.distance) {
		case isNamed:
			right++
		case isCalled:
			wrong++
		}
		if i+1 < len(byDistance) && byDistance[i+1].near.distance == s.near.distance {
			continue
		}
		curve = append(curve, errorRates{s.near.distance, float64(wrong) / float64(strangers), 1 - float64(right)/float64(mated)})
	}
	return curve
}

// lookBack reads what there is to judge thresholds by: the searches of the last
// days, the gallery, and whether there were more faces than are read.
func (s *Server) lookBack(ctx context.Context) (all []search, gallery *match.Gallery, cut bool, err error) {
	sightings, cut, err := s.Archive.Sightings(ctx, s.Now().AddDate(0, 0, -lookBackDays), lookBackFaces)
	if err != nil {
		return nil, nil, false, err
	}
	if gallery, err = s.gallery.Gallery(ctx); err != nil {
		return nil, nil, false, err
	}
	return searches(sightings, gallery), gallery, cut, nil
}

// presentThreshold is the distance at which naming ends now, within what the
// slider has.
func presentThreshold(g *match.Gallery) float64 {
	return min(max(g.Threshold(match.None), leastThreshold), mostThreshold)
}
