package review

import (
	"cmp"
	"context"
	"math"
	"slices"

	"lintel/internal/house"
	"lintel/pipeline/match"
)

// Thresholds that can be tried: below, nobody is named, and above, everybody.
const (
	LeastThreshold = 0.2
	MostThreshold  = 0.9
)

// A LookBack is what there is to judge thresholds by.
type LookBack struct {
	Searches []Search
	Cut      bool           // whether there are more, older ones
	Gallery  *match.Gallery // of now
}

// A Search is one visitor looked for in the gallery: of each visit and truth
// the nearest face, since the frames of a ring show the same people again.
type Search struct {
	house.Sighting
	Nearest  Nearest
	Truth    string  // id of the person it is, "" for a stranger
	Own      float64 // the distance to the person it is, infinite for a stranger
	Answered bool    // whether the household said who it is, or it is as judged
}

// LookBack reads the searches of the last days. Where nobody answered, what was
// judged is taken for the truth. A face that became a reference itself says
// nothing, and is left out.
func (r *Review) LookBack(ctx context.Context) (l LookBack, err error) {
	l.Gallery, l.Cut, err = r.judged(ctx, func(v *pastVisit) { l.Searches = append(l.Searches, v.searches...) })
	return l, err
}

// Present returns the distance at which naming ends now, within what can be tried.
func (l LookBack) Present() float64 {
	return min(max(l.Gallery.Threshold(match.None), LeastThreshold), MostThreshold)
}

func searches(sightings []house.Sighting, gallery *match.Gallery) (all []Search) {
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
	for _, k := range order {
		if s, ok := searchFor(k.truth, seen[k], gallery); ok {
			all = append(all, s)
		}
	}
	return all
}

// sameFace is the distance within which a face is a reference of its own.
const sameFace = 1e-4

// searchFor looks for the faces of one ring that are one person's, together, or
// for the one of its strangers' that is nearest to anybody.
func searchFor(truth string, faces []house.Sighting, gallery *match.Gallery) (s Search, ok bool) {
	var probes []match.Probe
	for _, x := range faces {
		probes = append(probes, match.ProbeOf(x.Face))
		near := nearestOf(x.Face, gallery)
		if near.Person != "" && near.Distance > sameFace && (!ok || near.Distance < s.Nearest.Distance) {
			s, ok = Search{Sighting: x, Nearest: near, Truth: truth, Own: math.Inf(1)}, true
		}
	}
	if !ok || truth == "" {
		s.Answered = s.Check != nil
		return s, ok
	}
	scores := gallery.Scores(probes...)
	s.Nearest, s.Own = Nearest{scores[0].Person, scores[0].Distance}, distanceTo(truth, scores)
	for _, x := range faces {
		s.Answered = s.Answered || x.Check != nil
	}
	// Nothing can be found of somebody who has no reference any more.
	return s, s.Nearest.Distance > sameFace && !math.IsInf(s.Own, 1)
}

// A verdict is what comes of a search at a threshold.
type verdict int

const (
	isNamed    verdict = iota // a person, by the right name
	isMissed                  // a person, not named
	isMisnamed                // a person, by another's name
	isCalled                  // a stranger, by a name
	isLeft                    // a stranger, as a stranger
)

func (s Search) at(threshold float64) verdict {
	within := s.Nearest.Distance <= threshold
	switch {
	case s.Truth == "" && within:
		return isCalled
	case s.Truth == "":
		return isLeft
	case !within:
		return isMissed
	case s.Nearest.Person != s.Truth:
		return isMisnamed
	}
	return isNamed
}

// A ThresholdTrial says what a threshold would have meant.
type ThresholdTrial struct {
	Threshold  float64
	Named      []Search   // persons, by the right name
	Missed     []Search   // persons, not named
	Misnamed   []Search   // persons, by another's name
	Called     []Search   // strangers, by a name
	Left       int        // strangers, as strangers
	Answered   int        // of all searches
	FNIR, FPIR match.Rate // missed or misnamed, of persons; called by a name, of strangers
	Curve      []ErrorRates
	Bins       []Bin
}

// At returns what a threshold would have meant for these searches.
func (l LookBack) At(threshold float64) ThresholdTrial {
	t := ThresholdTrial{Threshold: threshold}
	var genuine, impostor []float64
	for _, s := range l.Searches {
		if s.Answered {
			t.Answered++
		}
		if s.Truth != "" {
			genuine = append(genuine, s.Own)
		} else {
			impostor = append(impostor, s.Nearest.Distance)
		}
		switch s.at(threshold) {
		case isNamed:
			t.Named = append(t.Named, s)
		case isMissed:
			t.Missed = append(t.Missed, s)
		case isMisnamed:
			t.Misnamed = append(t.Misnamed, s)
		case isCalled:
			t.Called = append(t.Called, s)
		default:
			t.Left++
		}
	}
	t.FNIR = match.Rate{Errors: len(t.Missed) + len(t.Misnamed), N: len(genuine)}
	t.FPIR = match.Rate{Errors: len(t.Called), N: len(impostor)}
	t.Bins = binned(genuine, impostor)
	t.Curve = detCurve(l.Searches, len(genuine), len(impostor))
	return t
}

// An ErrorRates is a point of a DET curve.
type ErrorRates struct {
	Threshold  float64
	FPIR, FNIR float64 // 0 to 1
}

// detCurve returns the rates at every distance where one of them changes, from
// the smallest; none unless there are both persons and strangers.
func detCurve(all []Search, persons, strangers int) (curve []ErrorRates) {
	if persons == 0 || strangers == 0 {
		return nil
	}
	byDistance := slices.SortedFunc(slices.Values(all), func(a, b Search) int {
		return cmp.Compare(a.Nearest.Distance, b.Nearest.Distance)
	})
	right, wrong := 0, 0
	for i, s := range byDistance {
		at := s.Nearest.Distance
		switch s.at(at) {
		case isNamed:
			right++
		case isCalled:
			wrong++
		}
		if i+1 < len(byDistance) && byDistance[i+1].Nearest.Distance == at {
			continue
		}
		fpir, fnir := float64(wrong)/float64(strangers), 1-float64(right)/float64(persons)
		curve = append(curve, ErrorRates{at, fpir, fnir})
	}
	return curve
}

// A Bin counts the distances from From until before From + BinWidth.
type Bin struct {
	From              float64
	Genuine, Impostor int
}

const (
	BinWidth = 0.05
	BinCount = 24 // up to 1.2; what is farther counts in the last
)

// binned counts distances.
func binned(genuine, impostor []float64) []Bin {
	bins := make([]Bin, BinCount)
	for i := range bins {
		bins[i].From = float64(i) * BinWidth
	}
	at := func(d float64) *Bin { return &bins[min(int(max(d, 0)/BinWidth+1e-9), BinCount-1)] }
	for _, d := range genuine {
		at(d).Genuine++
	}
	for _, d := range impostor {
		at(d).Impostor++
	}
	return bins
}
