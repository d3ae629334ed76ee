package web

// A trial is how a household tries for itself what is noticed at its bell: a
// resident stands there, then holds up a print and a phone. Advice is withheld
// at that bell meanwhile. So that nobody silences it unnoticed, only residents
// start a trial, Now says so on every screen, and it ends by itself.

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"lintel/internal/house"
	"lintel/pipeline/match"
)

// trialRings is how many rings a step asks for. More are welcome.
const trialRings = 3

// stepWords say what a step is, and what to do.
var stepWords = map[house.TrialStep]struct{ name, do, what, passes string }{
	house.TrialPerson: {name: "Yourself", what: "rings of yourself",
		do: "Stand where visitors stand, look as you always do, and ring."},
	house.TrialPrint: {name: "A printed photograph", what: "rings with a print", passes: "such prints",
		do: "Hold a printed photograph of yourself before your face, as near as somebody would who wants to get in, and " +
			"ring. " +
			"Try it nearer and farther, held still and moved."},
	house.TrialScreen: {name: "A phone or tablet", what: "rings with a screen", passes: "such screens",
		do: "Show a photograph or a clip of yourself on a phone or tablet, hold it before your face, and ring. " +
			"Try it bright and dim."},
}

// levelSeen says what was noticed of a ring of a trial.
var levelSeen = map[house.LivenessLevel]string{
	house.Picture: "Seen as a picture", house.Doubtful: "Doubtful", house.NoSign: "Nothing noticed",
}

// A trialsView is what Upkeep shows of trials.
type trialsView struct {
	Bells   []string
	Running *trialLine
	Trials  []trialLine // that are over
	Quiet   bool        // whether nothing is kept now
	Wrong   string
}

type trialLine struct {
	Name, Says, Address string
}

// A trialView is what the page of a trial shows.
type trialView struct {
	Bar     barView
	Address string
	Bell    string
	By      string
	When    string
	Until   string // the time it ends by itself; "" once it is over
	Next    *trialStepView
	Steps   []trialStepView
	Says    []string
	Known   int64 // the revision that the page shows
}

type trialStepView struct {
	Code, Name, Do string
	State          string // done, now or next
	Wants          string // how many rings are still asked for
	Says           string // what the rings came to
	Rings          []trialRingView
}

type trialRingView struct {
	When, Seen, Detail string
	Wrong              bool   // whether it was taken for what it is not
	Visit              string // address, "" once it is gone
	Remove             string
}

// trialAddress is where a trial is shown.
func trialAddress(id string) string { return "/upkeep/trials/" + url.PathEscape(id) }

// fillTrials says on Upkeep which trials there were.
func (s *Server) fillTrials(ctx context.Context, t presenter, view *upkeepView) error {
	all, err := s.Archive.Trials(ctx)
	if err != nil {
		return err
	}
	v := &view.Trials
	v.Quiet = t.Rules.QuietAt(t.Now)
	for _, b := range view.Bells {
		v.Bells = append(v.Bells, b.Name)
	}
	for _, trial := range all {
		line := trialLine{trial.Bell, t.Moment(trial.StartedAt), trialAddress(trial.ID)}
		if trial.Runs(t.Now) {
			v.Running = &line
			continue
		}
		var came []string
		for _, step := range house.TrialSteps {
			if c := countOf(trial, step); c.rate.N > 0 {
				name := strings.ToLower(stepWords[step].name)
				came = append(came, fmt.Sprintf("%s: %d of %d %s", name, c.noticed(), c.rate.N, c.noticedWords()))
			}
		}
		line.Says += " · " + cmp.Or(strings.Join(came, ", "), "no ring that could be judged")
		v.Trials = append(v.Trials, line)
	}
	return nil
}

// A trialCount counts the rings of a step.
type trialCount struct {
	step    house.TrialStep
	rate    match.Rate // of errors among rings that were judged
	noFace  int        // or none that could be judged
	looking int
}

// noticed is how many rings were taken for pictures.
func (c trialCount) noticed() int {
	if c.step == house.TrialPerson {
		return c.rate.Errors
	}
	return c.rate.N - c.rate.Errors
}

func (c trialCount) noticedWords() string {
	if c.step == house.TrialPerson {
		return "taken for a picture"
	}
	return "noticed"
}

func countOf(trial house.Trial, step house.TrialStep) trialCount {
	c := trialCount{step: step}
	for _, r := range trial.Rings {
		switch {
		case r.Step != step:
		case r.Found == nil && r.Visit != "":
			c.looking++
		case r.Found == nil || r.Found.Level == "":
			c.noFace++
		default:
			if c.rate.N++; mistakenRing(r) {
				c.rate.Errors++
			}
		}
	}
	return c
}

// mistakenRing reports whether a ring was taken for what it is not.
func mistakenRing(r house.TrialRing) bool {
	return r.Found != nil && r.Found.Level != "" && (r.Found.Level != house.NoSign) == (r.Step == house.TrialPerson)
}

// words say what the rings of a step came to, and how little that proves.
func (c trialCount) words() string {
	w := stepWords[c.step]
	var says string
	interval := c.rate.IntervalString()
	switch {
	case c.rate.N == 0 && c.noFace == 0:
		return "Not tried."
	case c.rate.N == 0:
		return fmt.Sprintf("On none of %s a face could be judged. Stand nearer, or where there is more light.",
			c.rings(c.noFace))
	case c.step == house.TrialPerson:
		says = fmt.Sprintf("%d of %s taken for a picture. By these few, that happens to %s of your rings.",
			c.rate.Errors, c.rings(c.rate.N), interval)
	default:
		says = fmt.Sprintf("%d of %s noticed, so %d passed. By these few, %s of %s pass.",
			c.noticed(), c.rings(c.rate.N), c.rate.Errors, interval, w.passes)
	}
	if c.noFace > 0 {
		says += fmt.Sprintf(" On %d more no face could be judged.", c.noFace)
	}
	return says
}

func (c trialCount) rings(n int) string {
	words := stepWords[c.step].what
	if n == 1 {
		words = strings.Replace(words, "rings", "ring", 1)
	}
	return fmt.Sprintf("%d %s", n, words)
}

// trialFor returns the trial that a request names, as its page shows it.
func (s *Server) trialFor(r *http.Request) (view trialView, err error) {
	// The revision comes first, as on Now.
	if view.Known, err = s.Archive.Revision(r.Context()); err != nil {
		return view, err
	}
	t, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return view, err
	}
	trial, err := s.Archive.Trial(r.Context(), r.PathValue("trial"))
	if err != nil {
		return view, err
	}
	names, err := s.Archive.Names(r.Context())
	if err != nil {
		return view, err
	}
	view.Bar, view.Address, view.Bell = barOf(r, "Upkeep", "A trial with pictures"), trialAddress(trial.ID), trial.Bell
	view.By = cmp.Or(names["resident "+trial.Resident], "somebody who is no resident any more")
	view.When = t.Moment(trial.StartedAt)
	if trial.Runs(t.Now) {
		view.Until = trial.EndsAt.In(t.Zone).Format("15:04")
	}
	at := slices.Index(house.TrialSteps, trial.Step)
	for i, step := range house.TrialSteps {
		v := t.trialStep(trial, step)
		switch {
		case view.Until == "" || i < at:
			v.State = "done"
		case i == at:
			v.State = "now"
		default:
			v.State = "next"
		}
		view.Steps = append(view.Steps, v)
	}
	if view.Until != "" && at+1 < len(view.Steps) {
		view.Next = &view.Steps[at+1]
	}
	view.Says = trialSummary(trial)
	return view, nil
}

func (t presenter) trialStep(trial house.Trial, step house.TrialStep) trialStepView {
	c, w := countOf(trial, step), stepWords[step]
	v := trialStepView{Code: string(step), Name: w.name, Do: w.do, Says: c.words()}
	if missing := trialRings - c.rate.N; missing > 0 {
		v.Wants = fmt.Sprintf("%s of %d to come.", counted(missing, "ring"), trialRings)
	} else {
		v.Wants = fmt.Sprintf("%s. That is enough; more tell more.", counted(c.rate.N, "ring"))
	}
	for _, r := range trial.Rings {
		if r.Step == step {
			v.Rings = append(v.Rings, t.trialRing(trial, r))
		}
	}
	return v
}

func (t presenter) trialRing(trial house.Trial, r house.TrialRing) trialRingView {
	v := trialRingView{When: r.At.In(t.Zone).Format("15:04:05"), Wrong: mistakenRing(r)}
	v.Remove = trialAddress(trial.ID) + "/rings/" + url.PathEscape(r.ID) + "/remove"
	if r.Visit != "" {
		v.Visit = visitAddress(r.Visit)
	}
	switch {
	case r.Found == nil && r.Visit != "":
		v.Seen = "Looking…"
	case r.Found == nil || r.Found.Failed:
		v.Seen = "Could not be examined"
	case r.Found.Level == "":
		v.Seen = "No face found"
	default:
		v.Seen = levelSeen[r.Found.Level]
		details := []string{"probability of a picture " + percent(r.Found.Probability), counted(r.Found.Frames, "still")}
		for _, sign := range r.Found.Signs[:min(len(r.Found.Signs), shownSigns)] {
			name := signName(house.Finding{Sign: sign.Sign})
			details = append(details, strings.ToLower(name[:1])+name[1:])
		}
		v.Detail = strings.Join(details, " · ")
	}
	return v
}

// trialSummary says what a trial came to.
func trialSummary(trial house.Trial) (says []string) {
	for _, step := range house.TrialSteps {
		says = append(says, stepWords[step].name+": "+countOf(trial, step).words())
	}
	_, most := match.Rate{N: trialRings}.Interval(0.95)
	return append(says, fmt.Sprintf("The ranges are 95 %% intervals. Few rings prove little, and those of one picture "+
		"in one "+
		"hand less: where %d of %d pictures are noticed, up to %.0f %% may still pass. Try again by another light and with "+
		"other pictures.", trialRings, trialRings, math.Ceil(100*most)))
}

func (s *Server) showTrial(w http.ResponseWriter, r *http.Request) error {
	view, err := s.trialFor(r)
	if err != nil {
		return absent(err, errNoTrial)
	}
	return sendPage(w, r, http.StatusOK, "trial.html", view)
}

// beginTrial starts a trial at a bell.
func (s *Server) beginTrial(r *http.Request, bell string) (id string, err error) {
	t, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return "", err
	}
	if t.Rules.QuietAt(t.Now) {
		return "", errQuietTrial
	}
	return s.Archive.StartTrial(r.Context(), bell, session(r).Resident)
}

func (s *Server) submitTrial(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	id, err := s.beginTrial(r, posted.Get("bell"))
	switch {
	case errors.Is(err, house.ErrTrialRuns) || errors.Is(err, errQuietTrial):
		return s.drawUpkeep(w, r, upkeepView{Trials: trialsView{Wrong: told(err)}})
	case errors.Is(err, house.ErrNotFound):
		return s.drawUpkeep(w, r, upkeepView{Trials: trialsView{Wrong: "Choose a bell."}})
	case err != nil:
		return err
	default:
		return redirect(w, r, trialAddress(id))
	}
}

// submitTrialStep goes on to a step. Where somebody was quicker, the page says what
// is so by now.
func (s *Server) submitTrialStep(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	to := house.TrialStep(posted.Get("step"))
	return s.afterTrial(w, r, s.Archive.StepTrial(r.Context(), r.PathValue("trial"), to))
}

func (s *Server) submitTrialEnd(w http.ResponseWriter, r *http.Request) error {
	return s.afterTrial(w, r, s.Archive.EndTrial(r.Context(), r.PathValue("trial")))
}

func (s *Server) submitRemoveTrialRing(w http.ResponseWriter, r *http.Request) error {
	err := s.Archive.RemoveTrialRing(r.Context(), r.PathValue("trial"), r.PathValue("ring"))
	if err == nil {
		s.erased()
	}
	return s.afterTrial(w, r, err)
}

func (s *Server) afterTrial(w http.ResponseWriter, r *http.Request, err error) error {
	if err != nil && !errors.Is(err, house.ErrTrialStep) && !errors.Is(err, house.ErrTrialOver) {
		return absent(err, errNoTrial)
	}
	return redirect(w, r, trialAddress(r.PathValue("trial")))
}

func (s *Server) submitRemoveTrial(w http.ResponseWriter, r *http.Request) error {
	if err := s.Archive.RemoveTrial(r.Context(), r.PathValue("trial")); err != nil {
		return absent(err, errNoTrial)
	}
	s.erased()
	return redirect(w, r, "/upkeep")
}

// trialWords say on Now that a trial runs, "" if none does.
func (s *Server) trialWords(ctx context.Context) (string, error) {
	trial, runs, err := s.Archive.RunningTrial(ctx)
	if err != nil || !runs {
		return "", err
	}
	return fmt.Sprintf("Pictures are being tried at the bell %s, until %s at the latest. Nothing is suggested there "+
		"meanwhile.",
		trial.Bell, trial.EndsAt.In(s.zone(ctx)).Format("15:04")), nil
}
