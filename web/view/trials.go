package view

import (
	"cmp"
	"math"
	"slices"
	"strings"

	"lintel/internal/house"
	"lintel/pipeline/match"
)

// TrialRings is how many rings a step of a trial asks for. More are welcome.
const TrialRings = 3

// A TrialCount counts the rings of a step.
type TrialCount struct {
	Step    house.TrialStep
	Rate    match.Rate // of errors among rings that were judged
	NoFace  int        // rings on which no face could be judged
	Looking int
}

// CountTrial counts the rings of a step of a trial.
func CountTrial(trial house.Trial, step house.TrialStep) TrialCount {
	c := TrialCount{Step: step}
	for _, r := range trial.Rings {
		switch {
		case r.Step != step:
		case r.Found == nil && r.Visit != "":
			c.Looking++
		case r.Found == nil || r.Found.Level == "":
			c.NoFace++
		default:
			if c.Rate.N++; mistaken(r) {
				c.Rate.Errors++
			}
		}
	}
	return c
}

// mistaken reports whether a ring was taken for what it is not.
func mistaken(r house.TrialRing) bool {
	return r.Found != nil && r.Found.Level != "" && (r.Found.Level != house.NoSign) == (r.Step == house.TrialPerson)
}

// noticed is how many rings were taken for pictures.
func (c TrialCount) noticed() int {
	if c.Step == house.TrialPerson {
		return c.Rate.Errors
	}
	return c.Rate.N - c.Rate.Errors
}

// trialCounted says what the rings of a step came to, and how little that proves.
func (t Presenter) trialCounted(c TrialCount) string {
	step := string(c.Step)
	if c.Rate.N == 0 {
		if c.NoFace == 0 {
			return t.Words.Text("trial-not-tried")
		}
		return t.Words.Text("trial-no-face", "Rings", t.Words.Text("trial-rings-"+step, "Count", c.NoFace))
	}
	says := t.Words.Text("trial-came-"+step, "Noticed", c.noticed(), "Passed", c.Rate.Errors,
		"Rings", t.Words.Text("trial-rings-"+step, "Count", c.Rate.N), "Range", t.interval(c.Rate))
	if c.NoFace > 0 {
		says += " " + t.Words.Text("trial-no-face-more", "More", c.NoFace)
	}
	return says
}

// TrialSummary says what a trial came to.
func (t Presenter) TrialSummary(trial house.Trial) (says []string) {
	for _, step := range house.TrialSteps {
		says = append(says, t.Words.Text("trial-step-came", "Step", t.Words.Text("trial-name-"+string(step)),
			"Came", t.trialCounted(CountTrial(trial, step))))
	}
	_, most := match.Rate{N: TrialRings}.Interval(0.95)
	return append(says, t.Words.Text("trial-proves", "Rings", TrialRings, "Most", math.Ceil(100*most)))
}

// TrialLine says in a few words when a trial that is over was, and what it came to.
func (t Presenter) TrialLine(trial house.Trial) string {
	var came []string
	for _, step := range house.TrialSteps {
		if c := CountTrial(trial, step); c.Rate.N > 0 {
			came = append(came, t.Words.Text("trial-line-"+string(step), "Noticed", c.noticed(), "Of", c.Rate.N))
		}
	}
	return t.Words.Text("trial-line", "Moment", t.Moment(trial.StartedAt),
		"Came", cmp.Or(strings.Join(came, ", "), t.Words.Text("trial-line-nothing")))
}

// A TrialStep is a step of a trial, as its page shows it.
type TrialStep struct {
	Code  house.TrialStep
	State string // done, now or next
	Wants string // how many rings are still asked for
	Rings []TrialRing
}

// A TrialRing is a ring of a trial, as its page shows it.
type TrialRing struct {
	house.TrialRing
	When, Seen, Detail string
	Wrong              bool // whether it was taken for what it is not
}

// TrialSteps are the steps of a trial; those of one that is over are all done.
func (t Presenter) TrialSteps(trial house.Trial) (steps []TrialStep) {
	at := slices.Index(house.TrialSteps, trial.Step)
	for i, code := range house.TrialSteps {
		step := TrialStep{Code: code, State: "next", Wants: t.trialWants(CountTrial(trial, code))}
		switch {
		case !trial.Runs(t.Now) || i < at:
			step.State = "done"
		case i == at:
			step.State = "now"
		}
		for _, r := range trial.Rings {
			if r.Step == code {
				step.Rings = append(step.Rings, t.trialRing(r))
			}
		}
		steps = append(steps, step)
	}
	return steps
}

func (t Presenter) trialWants(c TrialCount) string {
	if missing := TrialRings - c.Rate.N; missing > 0 {
		return t.Words.Text("trial-to-come", "Count", missing, "Of", TrialRings)
	}
	return t.Words.Text("trial-enough", "Rings", c.Rate.N)
}

func (t Presenter) trialRing(r house.TrialRing) TrialRing {
	v := TrialRing{TrialRing: r, When: r.At.In(t.Zone).Format("15:04:05"), Wrong: mistaken(r)}
	switch {
	case r.Found == nil && r.Visit != "":
		v.Seen = t.Words.Text("trial-looking")
	case r.Found == nil || r.Found.Failed:
		v.Seen = t.Words.Text("trial-failed")
	case r.Found.Level == "":
		v.Seen = t.Words.Text("trial-faceless")
	default:
		v.Seen = t.Words.Text("trial-seen-" + string(r.Found.Level))
		details := []string{t.Words.Text("trial-probability", "Percent", t.Words.Percent(r.Found.Probability)),
			t.Words.N(r.Found.Frames, "still")}
		for _, s := range r.Found.Signs[:min(len(r.Found.Signs), shownSigns)] {
			details = append(details, t.Words.Sign(s.Sign))
		}
		v.Detail = strings.Join(details, " · ")
	}
	return v
}
