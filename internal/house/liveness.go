package house

import (
	"cmp"
	"math"
	"slices"
)

// Liveness says of a face whether there are signs that it is a picture's, not
// a person's. Package liveness measures and judges it.
type Liveness struct {
	Level LivenessLevel `json:"level"`
	// Probability is that of a picture, 0 to 1, from all findings.
	Probability float64 `json:"probability"`
	// Frames is how many of the ring's frames were judged together.
	Frames int `json:"frames"`
	// CantTell names what could not be told, by the codes of package
	// liveness; empty if everything could.
	CantTell []string  `json:"cant_tell,omitempty"`
	Findings []Finding `json:"findings,omitempty"`
}

// A LivenessLevel is how a warning reads.
type LivenessLevel string

const (
	NoSign   LivenessLevel = "no-sign"  // no sign of a picture, which says nothing: most show none
	Doubtful LivenessLevel = "doubtful" // there are signs
	Picture  LivenessLevel = "picture"  // it looks like a picture
)

// Warns reports whether a level is one to warn of. That no sign was seen is told
// to nobody.
func (l LivenessLevel) Warns() bool { return l == Doubtful || l == Picture }

// A Finding is one measured sign that a still shows a picture, not a person.
type Finding struct {
	Sign  string  `json:"sign"`  // code, of package liveness
	Score float64 `json:"score"` // 0 (no sign) to 1 (a plain sign)
	// Values are what was measured; which, and in what unit, depends on the sign.
	Values []float64 `json:"values,omitempty"`
	// Region is where, as the corners of a polygon in pixels of the still.
	Region []Point `json:"region,omitempty"`
	// Missing is why the sign could not be looked for, a code of package
	// liveness; then Score is 0 and says nothing.
	Missing string `json:"missing,omitempty"`
}

// Finding returns the finding of a sign, if it was looked for.
func (l Liveness) Finding(sign string) (Finding, bool) {
	i := slices.IndexFunc(l.Findings, func(f Finding) bool { return f.Sign == sign })
	if i < 0 {
		return Finding{}, false
	}
	return l.Findings[i], true
}

// Equal reports whether two say the same.
func (l Liveness) Equal(other Liveness) bool {
	return l.Level == other.Level && l.Probability == other.Probability && l.Frames == other.Frames &&
		slices.Equal(l.CantTell, other.CantTell) &&
		slices.EqualFunc(l.Findings, other.Findings, func(a, b Finding) bool {
			return a.Sign == b.Sign && a.Score == b.Score && a.Missing == b.Missing &&
				slices.Equal(a.Values, b.Values) && slices.Equal(a.Region, b.Region)
		})
}

// Summary is what stays of it when the still goes.
func (l *Liveness) Summary() *Liveness {
	if l == nil {
		return nil
	}
	return &Liveness{Level: l.Level, Probability: l.Probability, Frames: l.Frames, CantTell: l.CantTell}
}

// Scaled returns it for a still of another size.
func (l *Liveness) Scaled(x, y float64) *Liveness {
	if l == nil {
		return nil
	}
	moved := *l
	moved.Findings = slices.Clone(l.Findings)
	for i, f := range moved.Findings {
		region := make([]Point, len(f.Region))
		for k, p := range f.Region {
			region[k] = Point{math.Round(p.X * x), math.Round(p.Y * y)}
		}
		moved.Findings[i].Region = region
	}
	return &moved
}

// graver reports whether it says more of a picture than another.
func (l Liveness) graver(other Liveness) bool {
	grave := []LivenessLevel{NoSign, Doubtful, Picture}
	byLevel := slices.Index(grave, l.Level) - slices.Index(grave, other.Level)
	return cmp.Or(byLevel, cmp.Compare(l.Probability, other.Probability)) > 0
}
