package web

import (
	"errors"
	"net/http"
	"slices"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/advice/policy"
	"lintel/web/view"
)

// The API's view of advice.
type adviceJSON struct {
	ID         string            `json:"id"`
	Visit      string            `json:"visit,omitempty"` // until it is gone
	Door       string            `json:"door"`
	DoorName   string            `json:"door_name"`
	State      house.AdviceState `json:"state"`
	PersonName string            `json:"person_name,omitempty"`
	At         time.Time         `json:"at"`
	ExpiresAt  time.Time         `json:"expires_at,omitzero"`
	EndedAt    time.Time         `json:"ended_at,omitzero"`
	ReleasedAt time.Time         `json:"released_at,omitzero"`
	Waits      bool              `json:"waits"` // for somebody to confirm it
	Conditions []conditionJSON   `json:"conditions"`
	By         string            `json:"by,omitempty"` // for residents
}

type conditionJSON struct {
	Code     string `json:"code"`
	Met      bool   `json:"met"`
	NotAsked bool   `json:"not_asked,omitempty"`
	Says     string `json:"says"`
}

func conditionsJSON(all []house.Condition, says func(house.Condition) string) []conditionJSON {
	told := []conditionJSON{}
	for _, c := range all {
		told = append(told, conditionJSON{c.Code, c.Met, c.NotAsked, says(c)})
	}
	return told
}

func newAdviceJSON(t view.Presenter, d house.Advice) adviceJSON {
	j := adviceJSON{
		ID: d.ID, Visit: d.Visit, Door: d.Door, DoorName: t.DoorName(d), State: t.AdviceState(d),
		PersonName: t.Names["person "+d.Person],
		At:         d.At, ExpiresAt: d.ExpiresAt, EndedAt: d.EndedAt, ReleasedAt: d.ReleasedAt,
		Waits: t.Waits(d), Conditions: conditionsJSON(policy.Told(d.Conditions), t.Condition),
	}
	if t.Resident {
		j.By = d.By
	}
	return j
}

func (s *Server) postUsed(w http.ResponseWriter, r *http.Request) error {
	return s.endForProgram(w, r, house.Used)
}

func (s *Server) postDismissed(w http.ResponseWriter, r *http.Request) error {
	return s.endForProgram(w, r, house.Dismissed)
}

func (s *Server) endForProgram(w http.ResponseWriter, r *http.Request, as house.AdviceState) error {
	d, err := s.endAdvice(r, as)
	if err != nil {
		return err
	}
	return s.sendAdvice(w, r, d)
}

// sendAdvice answers a program with advice as it stands now.
func (s *Server) sendAdvice(w http.ResponseWriter, r *http.Request, d house.Advice) error {
	t, err := s.presenterFor(r.Context(), session(r))
	if err == nil {
		err = errors.Join(s.nameAdvice(r.Context(), &t), s.addHands(r.Context(), &t, []house.Advice{d}))
	}
	if err != nil {
		return err
	}
	return sendJSON(w, http.StatusOK, newAdviceJSON(t, d))
}

func (s *Server) postAgree(w http.ResponseWriter, r *http.Request) error {
	var body struct {
		Person string `json:"person"`
	}
	if err := bodyJSON(w, r, &body); err != nil {
		return err
	}
	return s.afterChange(w, r, s.giveWord(r, body.Person))
}

func (s *Server) postCode(w http.ResponseWriter, r *http.Request) error {
	var body struct {
		Person string `json:"person"`
		Code   string `json:"code"`
	}
	if err := bodyJSON(w, r, &body); err != nil {
		return err
	}
	return s.afterChange(w, r, s.takeCode(r, body.Person, body.Code))
}

// The API's view of a trial.
type trialJSON struct {
	Door      string      `json:"door"`
	Since     time.Time   `json:"since"`
	Granted   []string    `json:"taken_for_granted"`
	Rule      string      `json:"rule,omitempty"` // what the edited rule says
	Suggested int         `json:"suggested"`
	Withheld  int         `json:"withheld"`
	More      bool        `json:"more"`
	Visits    []triedJSON `json:"visits"`
}

type triedJSON struct {
	Visit      string            `json:"visit"`
	ReceivedAt time.Time         `json:"received_at"`
	State      house.AdviceState `json:"state"`
	Person     string            `json:"person,omitempty"`
	Conditions []conditionJSON   `json:"conditions"`
}

// postDryRun tries rules for a program.
func (s *Server) postDryRun(w http.ResponseWriter, r *http.Request) error {
	var sent struct {
		Door    string        `json:"door"`
		Factors []string      `json:"factors"`
		Rule    *doorRuleJSON `json:"rule"`
	}
	if err := bodyJSON(w, r, &sent); err != nil {
		return err
	}
	book, err := s.ruleBook(r.Context())
	if err != nil {
		return err
	}
	given := kindsOf(sent.Factors)
	if len(given) != len(sent.Factors) {
		return unfit("bad-factor", policy.ErrFactor)
	}
	t, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	answer := trialJSON{Door: sent.Door, Granted: t.Granted(), Visits: []triedJSON{}}
	var edited *house.DoorRule
	if sent.Rule != nil {
		rule, err := sent.Rule.rule(sent.Rule.ID)
		if err == nil {
			_, err = book.Check(rule)
		}
		if err != nil {
			return unfit("bad-door-rule", err)
		}
		edited, answer.Rule = &rule, book.Says(rule)
	}
	tried, err := s.try(r.Context(), book, sent.Door, edited, given)
	if errors.Is(err, errDryDoor) {
		return errNoDoor
	}
	if err != nil {
		return err
	}
	said := t.Words.Naming(book.Name)
	answer.Since, answer.Suggested, answer.More = tried.since, tried.suggested(), tried.more
	answer.Withheld = len(tried.visits) - answer.Suggested
	for i, v := range tried.visits {
		a := tried.advice[i]
		answer.Visits = append(answer.Visits, triedJSON{v.ID, v.ReceivedAt, a.State, a.Person,
			conditionsJSON(a.Conditions, said.Condition)})
	}
	return sendJSON(w, http.StatusOK, answer)
}

// An adviceRulesJSON is the API's view of the household's rules. Times are in
// seconds; nulls are for what is not so, or not known.
type adviceRulesJSON struct {
	Paused           *bool       `json:"paused"`
	AwayUntil        *time.Time  `json:"away_until"`
	ParcelsWhileAway bool        `json:"parcels_while_away"`
	Window           int64       `json:"window_s"`
	Expiry           int64       `json:"expiry_s"`
	Misses           int         `json:"misses"`
	Wait             int64       `json:"wait_s"`
	Holidays         []string    `json:"holidays"`
	Home             *house.Home `json:"home"`
}

func (j adviceRulesJSON) rules() (h house.AdviceRules, err error) {
	if j.Paused == nil {
		return h, errUnpaused
	}
	h = house.AdviceRules{Paused: *j.Paused, ParcelsWhileAway: j.ParcelsWhileAway, Window: seconds(j.Window),
		Expiry: seconds(j.Expiry), Misses: j.Misses,
		Wait: seconds(j.Wait), Holidays: slices.Compact(slices.Sorted(slices.Values(j.Holidays))), Home: j.Home}
	if j.AwayUntil != nil {
		if h.AwayUntil = *j.AwayUntil; !view.Writable(h.AwayUntil) {
			return h, view.ErrNoMinute
		}
	}
	return h, errors.Join(policy.CheckAdviceRules(h)...)
}

// seconds is negative for more than any time here may be.
func seconds(n int64) time.Duration {
	if n < 0 || n > 1e6 {
		return -1
	}
	return time.Duration(n) * time.Second
}

func newAdviceRulesJSON(h house.AdviceRules) adviceRulesJSON {
	j := adviceRulesJSON{Paused: &h.Paused, ParcelsWhileAway: h.ParcelsWhileAway, Window: int64(h.Window / time.Second),
		Expiry: int64(h.Expiry / time.Second),
		Misses: h.Misses, Wait: int64(h.Wait / time.Second), Holidays: append([]string{}, h.Holidays...), Home: h.Home}
	if !h.AwayUntil.IsZero() {
		j.AwayUntil = &h.AwayUntil
	}
	return j
}

func (s *Server) getAdviceRules(w http.ResponseWriter, r *http.Request) error {
	house, err := s.Archive.AdviceRules(r.Context())
	if err != nil {
		return err
	}
	return sendJSON(w, http.StatusOK, newAdviceRulesJSON(house))
}

func (s *Server) putAdviceRules(w http.ResponseWriter, r *http.Request) error {
	var sent adviceRulesJSON
	if err := bodyJSON(w, r, &sent); err != nil {
		return err
	}
	house, err := sent.rules()
	if err != nil {
		return unfit("bad-advice-rules", err)
	}
	s.deciding.Lock()
	defer s.deciding.Unlock()
	if err := s.Archive.SetAdviceRules(r.Context(), house); err != nil {
		return err
	}
	return s.getAdviceRules(w, r)
}
