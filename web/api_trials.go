package web

import (
	"net/http"
	"time"

	"lintel/internal/house"
)

// A bellTrialJSON is the API's view of a trial.
type bellTrialJSON struct {
	ID        string          `json:"id"`
	Bell      string          `json:"bell"`
	Resident  string          `json:"resident"` // id
	StartedAt time.Time       `json:"started_at"`
	EndsAt    time.Time       `json:"ends_at"`
	Running   bool            `json:"running"`
	Step      house.TrialStep `json:"step"` // the last it was at
	Steps     []trialStepJSON `json:"steps"`
	Says      []string        `json:"says"`
}

// A trialStepJSON has the error rate of ISO/IEC 30107-3 over its rings: BPCER of
// the step person, and APCER of the others.
type trialStepJSON struct {
	Step   house.TrialStep `json:"step"`
	Judged int             `json:"judged"`  // rings in the rate
	NoFace int             `json:"no_face"` // rings on which no face could be judged
	Errors int             `json:"errors"`
	Rate   *float64        `json:"rate"` // null where none was judged
	CI95   [2]float64      `json:"ci95"`
	Rings  []trialRingJSON `json:"rings"`
}

type trialRingJSON struct {
	ID    string         `json:"id"`
	At    time.Time      `json:"at"`
	Visit string         `json:"visit,omitempty"` // gone with the visit
	State string         `json:"state"`           // looking, judged, no-face or failed
	Found *trialFindings `json:"found"`           // null but for judged
}

type trialFindings struct {
	Level       house.LivenessLevel `json:"level"`
	Probability float64             `json:"probability"`
	Frames      int                 `json:"frames"`
	CantTell    []string            `json:"cant_tell"`
	Signs       []house.TrialSign   `json:"signs"`
}

func (t presenter) bellTrialJSON(trial house.Trial) bellTrialJSON {
	j := bellTrialJSON{ID: trial.ID, Bell: trial.Bell, Resident: trial.Resident,
		StartedAt: trial.StartedAt, EndsAt: trial.EndsAt, Running: trial.Runs(t.Now), Step: trial.Step,
		Says: trialSummary(trial)}
	for _, step := range house.TrialSteps {
		c := countOf(trial, step)
		s := trialStepJSON{Step: step, Judged: c.rate.N, NoFace: c.noFace, Errors: c.rate.Errors,
			CI95: [2]float64{0, 1}, Rings: []trialRingJSON{}}
		if c.rate.N > 0 {
			rate := c.rate.Value()
			s.Rate = &rate
			s.CI95[0], s.CI95[1] = c.rate.Interval(0.95)
		}
		for _, r := range trial.Rings {
			if r.Step == step {
				s.Rings = append(s.Rings, newTrialRingJSON(r))
			}
		}
		j.Steps = append(j.Steps, s)
	}
	return j
}

func newTrialRingJSON(r house.TrialRing) trialRingJSON {
	j := trialRingJSON{ID: r.ID, At: r.At, Visit: r.Visit}
	switch f := r.Found; {
	case f == nil && r.Visit != "":
		j.State = "looking"
	case f == nil || f.Failed:
		j.State = "failed"
	case f.Level == "":
		j.State = "no-face"
	default:
		j.State = "judged"
		j.Found = &trialFindings{f.Level, f.Probability, f.Frames,
			append([]string{}, f.CantTell...), append([]house.TrialSign{}, f.Signs...)}
	}
	return j
}

func (s *Server) listTrials(w http.ResponseWriter, r *http.Request) error {
	t, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	all, err := s.Archive.Trials(r.Context())
	if err != nil {
		return err
	}
	answer := struct {
		Trials []bellTrialJSON `json:"trials"`
	}{[]bellTrialJSON{}}
	for _, trial := range all {
		answer.Trials = append(answer.Trials, t.bellTrialJSON(trial))
	}
	return sendJSON(w, http.StatusOK, answer)
}

func (s *Server) getTrial(w http.ResponseWriter, r *http.Request) error {
	return s.answerTrial(w, r, http.StatusOK, r.PathValue("trial"), nil)
}

// answerTrial answers with a trial as it is after a change, or why there was
// none.
func (s *Server) answerTrial(w http.ResponseWriter, r *http.Request, status int, id string, err error) error {
	var t presenter
	if err == nil {
		t, err = s.presenterFor(r.Context(), session(r))
	}
	var trial house.Trial
	if err == nil {
		trial, err = s.Archive.Trial(r.Context(), id)
	}
	if err != nil {
		return absent(err, errNoTrial)
	}
	return sendJSON(w, status, t.bellTrialJSON(trial))
}

func (s *Server) postTrial(w http.ResponseWriter, r *http.Request) error {
	var sent struct {
		Bell string `json:"bell"`
	}
	if err := bodyJSON(w, r, &sent); err != nil {
		return err
	}
	id, err := s.beginTrial(r, sent.Bell)
	return s.answerTrial(w, r, http.StatusCreated, id, err)
}

func (s *Server) putTrialStep(w http.ResponseWriter, r *http.Request) error {
	var sent struct {
		Step house.TrialStep `json:"step"`
	}
	if err := bodyJSON(w, r, &sent); err != nil {
		return err
	}
	id := r.PathValue("trial")
	return s.answerTrial(w, r, http.StatusOK, id, s.Archive.StepTrial(r.Context(), id, sent.Step))
}

func (s *Server) postTrialEnd(w http.ResponseWriter, r *http.Request) error {
	id := r.PathValue("trial")
	return s.answerTrial(w, r, http.StatusOK, id, s.Archive.EndTrial(r.Context(), id))
}

func (s *Server) deleteTrial(w http.ResponseWriter, r *http.Request) error {
	if err := s.Archive.RemoveTrial(r.Context(), r.PathValue("trial")); err != nil {
		return absent(err, errNoTrial)
	}
	s.erased()
	return s.listTrials(w, r)
}

func (s *Server) deleteTrialRing(w http.ResponseWriter, r *http.Request) error {
	id := r.PathValue("trial")
	err := s.Archive.RemoveTrialRing(r.Context(), id, r.PathValue("ring"))
	if err == nil {
		s.erased()
	}
	return s.answerTrial(w, r, http.StatusOK, id, err)
}
