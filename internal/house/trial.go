package house

import (
	"cmp"
	"errors"
	"slices"
	"time"
)

// Errors of trials.
var (
	// ErrTrialRuns says that a trial runs: there is one at a time, and it has
	// to end before it can be removed.
	ErrTrialRuns = errors.New("a trial with pictures runs already; end it first")
	// ErrTrialOver says that a trial has ended.
	ErrTrialOver = errors.New("this trial is over")
	// ErrTrialStep says that a trial is not at the step before.
	ErrTrialStep = errors.New("the trial is at another step")
)

// A Trial is one at a bell: a resident stands there, and then holds pictures up,
// to see what is noticed. Every visit that begins at the bell while it runs is a
// ring of the step the trial is at, and no advice suggests anything on one. The
// trial keeps what was found when the visits are gone.
type Trial struct {
	ID        string
	Bell      string // name
	Resident  string // id of who ran it
	Step      TrialStep
	StartedAt time.Time
	// EndsAt is when it ends by itself, or when a resident ended it.
	EndsAt time.Time
	Rings  []TrialRing // oldest first
}

// TrialLasts is how long a trial runs that nobody ends.
const TrialLasts = 20 * time.Minute

// A TrialStep is what is shown to the bell.
type TrialStep string

const (
	TrialPerson TrialStep = "person" // the resident
	TrialPrint  TrialStep = "print"  // a printed photograph
	TrialScreen TrialStep = "screen" // a phone or tablet with a photograph
)

// TrialSteps are the steps in their order.
var TrialSteps = []TrialStep{TrialPerson, TrialPrint, TrialScreen}

// A TrialRing is a visit that belongs to a trial.
type TrialRing struct {
	ID    string
	Visit string // "" once it is gone
	Step  TrialStep
	At    time.Time
	// Found is what was found; nil while that is being looked for.
	Found *TrialFound
}

// A TrialFound says how the face of a visit was judged that looks most like a
// picture, which is what a household is warned of.
type TrialFound struct {
	Failed bool `json:"failed,omitempty"` // no still could be examined
	// Level is "" where no face was found or none judged.
	Level       LivenessLevel `json:"level,omitempty"`
	Probability float64       `json:"probability,omitempty"` // of a picture, 0 to 1
	Frames      int           `json:"frames,omitempty"`
	CantTell    []string      `json:"cant_tell,omitempty"`
	Signs       []TrialSign   `json:"signs,omitempty"` // that were seen, the plainest first
}

// A TrialSign is a finding without its place on the still.
type TrialSign struct {
	Sign  string  `json:"sign"`
	Score float64 `json:"score"` // over 0 to 1
}

// Runs reports whether the trial runs at that time.
func (t Trial) Runs(now time.Time) bool { return now.Before(t.EndsAt) }

// FoundOn returns what a trial keeps of a visit.
func FoundOn(v Visit) (f TrialFound) {
	f.Failed = !slices.ContainsFunc(v.Stills, func(s Still) bool { return s.State == Done })
	var gravest *Liveness
	for _, s := range v.Stills {
		for _, face := range s.Faces {
			if l := face.Liveness; l != nil && (gravest == nil || l.graver(*gravest)) {
				gravest = l
			}
		}
	}
	if gravest == nil {
		return f
	}
	f.Level, f.Probability, f.Frames, f.CantTell = gravest.Level, gravest.Probability, gravest.Frames, gravest.CantTell
	for _, found := range gravest.Findings {
		if found.Score > 0 && found.Missing == "" {
			f.Signs = append(f.Signs, TrialSign{found.Sign, found.Score})
		}
	}
	slices.SortStableFunc(f.Signs, func(a, b TrialSign) int { return cmp.Compare(b.Score, a.Score) })
	return f
}
