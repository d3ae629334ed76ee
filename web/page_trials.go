package web

// A trial is how a household tries for itself what is noticed at its bell: a
// resident stands there, then holds up a print and a phone. Advice is withheld
// at that bell meanwhile. So that nobody silences it unnoticed, only residents
// start a trial, Now says so on every screen, and it ends by itself.

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"slices"

	"lintel/internal/house"
	"lintel/internal/words"
	"lintel/web/view"
)

// A trialsView is what Upkeep shows of trials.
type trialsView struct {
	Bells   []bellLine
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
	By      string // whose name it is, "" of somebody who is gone
	When    string
	Until   string          // the time it ends by itself; "" once it is over
	Next    house.TrialStep // "" where there is none
	Steps   []view.TrialStep
	Says    []string
	Known   int64 // the revision that the page shows
}

// trialAddress is where a trial is shown.
func trialAddress(id string) string { return "/upkeep/trials/" + url.PathEscape(id) }

// fillTrials says on Upkeep which trials there were.
func (s *Server) fillTrials(ctx context.Context, t view.Presenter, page *upkeepView) error {
	all, err := s.Archive.Trials(ctx)
	if err != nil {
		return err
	}
	v := &page.Trials
	v.Quiet = t.Rules.QuietAt(t.Now)
	for _, b := range page.Bells.All {
		v.Bells = append(v.Bells, bellLine{b.Name, b.Address})
	}
	for _, trial := range all {
		if trial.Runs(t.Now) {
			v.Running = &trialLine{t.Words.Bell(trial.Bell), t.Moment(trial.StartedAt), trialAddress(trial.ID)}
			continue
		}
		v.Trials = append(v.Trials, trialLine{t.Words.Bell(trial.Bell), t.TrialLine(trial), trialAddress(trial.ID)})
	}
	return nil
}

// trialFor returns the trial that a request names, as its page shows it.
func (s *Server) trialFor(r *http.Request) (page trialView, err error) {
	// The revision comes first, as on Now.
	if page.Known, err = s.Archive.Revision(r.Context()); err != nil {
		return page, err
	}
	t, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return page, err
	}
	trial, err := s.Archive.Trial(r.Context(), r.PathValue("trial"))
	if err != nil {
		return page, err
	}
	names, err := s.Archive.Names(r.Context())
	if err != nil {
		return page, err
	}
	page.Bar, page.Address = barOf(r, t.Words.Text("trial-title")), trialAddress(trial.ID)
	page.Bell = t.Words.Bell(trial.Bell)
	page.By, page.When = names["resident "+trial.Resident], t.Moment(trial.StartedAt)
	page.Steps, page.Says = t.TrialSteps(trial), t.TrialSummary(trial)
	if trial.Runs(t.Now) {
		page.Until = t.Words.Clock(trial.EndsAt)
		for _, step := range slices.Backward(page.Steps) {
			if step.State == "next" {
				page.Next = step.Code
			}
		}
	}
	return page, nil
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
		return s.drawUpkeep(w, r, upkeepView{Part: "trials", Trials: trialsView{Wrong: told(speak(languageOf(r)), err)}})
	case errors.Is(err, house.ErrNotFound):
		page := upkeepView{Part: "trials"}
		page.Trials.Wrong = speak(languageOf(r)).Text("trial-choose-bell")
		return s.drawUpkeep(w, r, page)
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
	return redirect(w, r, "/upkeep/trials")
}

// trialWords say on Now that a trial runs, "" if none does.
func (s *Server) trialWords(ctx context.Context, w words.Words) (string, error) {
	trial, runs, err := s.Archive.RunningTrial(ctx)
	if err != nil || !runs {
		return "", err
	}
	return w.Text("trial-runs", "Bell", w.Bell(trial.Bell), "Clock", w.Clock(trial.EndsAt)), nil
}
