package web

// Advice is shown here and answered here. An answer opens nothing, and neither
// does a suggestion: Lintel moves no lock. What an answer does is to say what
// became of a suggestion, or to add a factor that package advisor then takes
// into account.
//
// A resident may do all of that. Who stands before a tablet may be a guest, so
// a tablet may look, and type the one-time code that a visitor says; and it is
// told each condition in the same few words whatever the house is like: not
// until when the household is away, at what hours rules hold, or who looks like
// whom.

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/advice/evidence"
	"lintel/pipeline/advice/policy"
	"lintel/pipeline/advice/totp"
	"lintel/pipeline/match"
)

// An Inbox takes the factors that sources and people at home give: [evidence.Inbox]
// is one. A person, visit and resident are told by their ids; source names a
// session, as in the audit trail.
type Inbox interface {
	Message(ctx context.Context, source house.Source, about string, text []byte) (evidence.Receipt, error)
	Code(ctx context.Context, person, code, source string) error
	Agree(ctx context.Context, visit, person, resident string) error
}

// What is wrong with a factor that somebody gives on a visit.
var (
	errLate    = errors.New("the bell rang over a minute ago")
	errNotSeen = errors.New("this person was not recognised on this visit")
	errNoCodes = errors.New("this person has no one-time codes")
)

// addAdvice has the presenter know the advice on visits, and the names in it.
func (s *Server) addAdvice(ctx context.Context, t *presenter, visits ...house.Visit) error {
	ids := make([]string, len(visits))
	for i, v := range visits {
		ids[i] = v.ID
	}
	all, err := s.Archive.AdviceOn(ctx, ids...)
	if err != nil || len(all) == 0 {
		return err
	}
	if err := s.nameAdvice(ctx, t); err != nil {
		return err
	}
	t.advice = make(map[string][]house.Advice)
	for _, d := range all {
		t.advice[d.Visit] = append(t.advice[d.Visit], d)
	}
	for _, on := range t.advice {
		slices.SortStableFunc(on, func(a, b house.Advice) int {
			return cmp.Or(cmp.Compare(withheldLast(a), withheldLast(b)), strings.Compare(t.doorName(a), t.doorName(b)))
		})
	}
	return nil
}

func withheldLast(d house.Advice) int {
	if d.State == house.Withheld {
		return 1
	}
	return 0
}

// nameAdvice has the presenter know the names of persons, residents and doors.
func (s *Server) nameAdvice(ctx context.Context, t *presenter) (err error) {
	t.names, err = s.trailNames(ctx)
	return err
}

func (t presenter) doorName(d house.Advice) string {
	return cmp.Or(t.names["door "+d.Door], "a door that is gone")
}

// adviceState is what became of advice by now. That a time has run out is
// written down only a moment later.
func (t presenter) adviceState(d house.Advice) house.AdviceState {
	if d.State == house.Suggested && !t.now.Before(d.ExpiresAt) {
		return house.Expired
	}
	return d.State
}

// The API's view of advice.
type adviceJSON struct {
	ID         string            `json:"id"`
	Door       string            `json:"door"`
	DoorName   string            `json:"door_name"`
	State      house.AdviceState `json:"state"`
	PersonName string            `json:"person_name,omitempty"`
	At         time.Time         `json:"at"`
	ExpiresAt  time.Time         `json:"expires_at,omitzero"`
	Conditions []conditionJSON   `json:"conditions"`
	By         string            `json:"by,omitempty"` // for residents
}

type conditionJSON struct {
	Code string `json:"code"`
	Met  bool   `json:"met"`
	Says string `json:"says"`
}

func conditionsJSON(all []house.Condition, says func(house.Condition) string) []conditionJSON {
	told := []conditionJSON{}
	for _, c := range all {
		told = append(told, conditionJSON{c.Code, c.Met, says(c)})
	}
	return told
}

func (t presenter) adviceJSON(d house.Advice) adviceJSON {
	j := adviceJSON{
		ID: d.ID, Door: d.Door, DoorName: t.doorName(d), State: t.adviceState(d), PersonName: t.names["person "+d.Person],
		At: d.At, ExpiresAt: d.ExpiresAt, Conditions: conditionsJSON(policy.Told(d.Conditions), t.says),
	}
	if t.resident {
		j.By = d.By
	}
	return j
}

// An adviceCard is the advice on a visit as Now and the visit's page show it.
type adviceCard struct {
	Address  string // of the visit
	OnPage   bool   // that of the visit, rather than Now
	Advice   []adviceView
	Resident bool // who may answer
	// Who are those recognised, of whom a factor may be given; empty where none
	// would count any more. Closes is until when one does.
	Who    []whoView
	Closes clockView
	Told   string // what came of a factor just given
}

type whoView struct{ ID, Name string }

// A clockView is a moment, and how many milliseconds are left until it: a
// tablet's own clock may be wrong.
type clockView struct {
	Time, DateTime string
	Left           int64
}

// An adviceView is advice at one door.
type adviceView struct {
	ID       string
	State    house.AdviceState
	Headline string
	Until    clockView // of a suggestion
	Fate     string    // what became of a suggestion that is open no more
	Missing  string    // what does not hold, in short
	Reasons  []reasonView
}

type reasonView struct {
	Met  bool
	Says string
}

// adviceCard returns nil for a visit that no advice was given on.
func (t presenter) adviceCard(v house.Visit) *adviceCard {
	all := t.advice[v.ID]
	if len(all) == 0 {
		return nil
	}
	card := &adviceCard{Address: visitAddress(v.ID), Resident: t.resident}
	for _, d := range all {
		card.Advice = append(card.Advice, t.adviceView(d))
	}
	if closes := v.ReceivedAt.Add(policy.MaxAge); t.now.Before(closes) && slices.ContainsFunc(all, lacksFactor) {
		card.Closes = t.clockView(closes)
		for _, m := range recognised(v) {
			card.Who = append(card.Who, whoView{m.Person, m.Name})
		}
	}
	return card
}

// lacksFactor reports whether a factor may make the difference.
func lacksFactor(d house.Advice) bool {
	return d.State == house.Withheld && slices.ContainsFunc(d.Conditions, func(c house.Condition) bool {
		return !c.Met && (c.Code == policy.Factors || c.Code == policy.Alike)
	})
}

// recognised are the persons that a factor may be given of.
func recognised(v house.Visit) []house.Match {
	persons, _ := whoRang(v)
	return slices.DeleteFunc(persons, func(m house.Match) bool { return m.Person == "" || m.Band == string(match.None) })
}

func (t presenter) clockView(at time.Time) clockView {
	local := at.In(t.zone)
	return clockView{local.Format("15:04:05"), local.Format(time.RFC3339), max(0, at.Sub(t.now).Milliseconds())}
}

func (t presenter) adviceView(d house.Advice) adviceView {
	view := adviceView{ID: d.ID, State: t.adviceState(d), Headline: t.adviceHeadline(d)}
	if d.State != house.Withheld {
		view.Until = t.clockView(d.ExpiresAt)
		view.Fate = t.adviceEnd(d)
	}
	told := policy.Told(d.Conditions)
	for _, c := range told {
		view.Reasons = append(view.Reasons, reasonView{c.Met, t.says(c)})
	}
	view.Missing = missing(told)
	return view
}

// missing says in short what does not hold, "" if all does. A picture is no
// condition of those counted: it stands against a suggestion, or says nothing.
func missing(all []house.Condition) string {
	var unmet, parts []string
	count, against := len(all), ""
	for _, c := range all {
		switch {
		case c.Code == policy.Sign:
			count, against = count-1, "Against it: "+lacks(c.Code)+"."
		case !c.Met:
			unmet = append(unmet, lacks(c.Code))
		}
	}
	if len(unmet) > 0 {
		do := "do"
		if len(unmet) == 1 {
			do = "does"
		}
		parts = append(parts, fmt.Sprintf("%d of %s %s not hold: %s.", len(unmet), counted(count, "condition"), do, strings.Join(unmet, "; ")))
	}
	if against != "" {
		parts = append(parts, against)
	}
	return strings.Join(parts, " ")
}

func (t presenter) adviceHeadline(d house.Advice) string {
	was := "Suggested: "
	if t.adviceState(d) != house.Suggested {
		was = "Was suggested: "
	}
	switch {
	case d.State == house.Withheld:
		return "Nothing is suggested at " + t.doorName(d)
	case d.Parcel != "":
		return was + "open " + t.doorName(d) + " for a parcel"
	}
	return was + "let " + cmp.Or(t.names["person "+d.Person], "somebody whose name is gone") + " in at " + t.doorName(d)
}

// adviceEnd says what became of a suggestion, and to residents by whom; "" of
// one that is open.
func (t presenter) adviceEnd(d house.Advice) string {
	by := ""
	if t.resident && d.By != "" {
		by = ", says " + actorWords(d.By, t.names)
	}
	switch t.adviceState(d) {
	case house.Used:
		return "Used: they were let in" + by + "."
	case house.Dismissed:
		return "Dismissed" + by + "."
	case house.Expired:
		return "Expired at " + t.clockView(d.ExpiresAt).Time + ": nobody answered."
	}
	return ""
}

// useAdvice and dismissAdvice are a resident's answers to a suggestion.
func (s *Server) useAdvice(w http.ResponseWriter, r *http.Request) { s.endOnPage(w, r, house.Used) }

func (s *Server) dismissAdvice(w http.ResponseWriter, r *http.Request) {
	s.endOnPage(w, r, house.Dismissed)
}

func (s *Server) endOnPage(w http.ResponseWriter, r *http.Request, as house.AdviceState) {
	if d, ok := s.endAdvice(w, r, as); ok {
		http.Redirect(w, r, visitAddress(d.Visit), http.StatusSeeOther)
	}
}

func (s *Server) postUsed(w http.ResponseWriter, r *http.Request) { s.endForProgram(w, r, house.Used) }

func (s *Server) postDismissed(w http.ResponseWriter, r *http.Request) {
	s.endForProgram(w, r, house.Dismissed)
}

func (s *Server) endForProgram(w http.ResponseWriter, r *http.Request, as house.AdviceState) {
	d, ok := s.endAdvice(w, r, as)
	if !ok {
		return
	}
	t, err := s.presenterFor(r.Context(), session(r))
	if err == nil {
		err = s.nameAdvice(r.Context(), &t)
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	writeJSON(w, http.StatusOK, t.adviceJSON(d))
}

// endAdvice ends the suggestion that the request names and returns it as it is
// then, or answers why not.
func (s *Server) endAdvice(w http.ResponseWriter, r *http.Request, as house.AdviceState) (d house.Advice, ok bool) {
	err := s.Archive.EndAdvice(r.Context(), r.PathValue("advice"), as)
	if err == nil {
		d, err = s.Archive.Advice(r.Context(), r.PathValue("advice"))
	}
	switch {
	case errors.Is(err, house.ErrNotFound):
		writeProblem(w, r, problem{Status: http.StatusNotFound, Type: "not-found", Title: "There is no such suggestion; it may have been erased."})
	case errors.Is(err, house.ErrTaken):
		writeProblem(w, r, problem{Status: http.StatusConflict, Type: "taken", Title: "This suggestion is not open any more: it was answered, or its time is over."})
	case err != nil:
		s.fail(w, r, err)
	}
	return d, err == nil
}

// agree takes a resident's word, from a form.
func (s *Server) agree(w http.ResponseWriter, r *http.Request) {
	if !readForm(w, r) {
		return
	}
	s.afterFactorOnPage(w, r, s.giveWord(r, r.PostForm.Get("person")))
}

// giveCode takes a one-time code that a visitor said, from a form.
func (s *Server) giveCode(w http.ResponseWriter, r *http.Request) {
	if !readForm(w, r) {
		return
	}
	s.afterFactorOnPage(w, r, s.takeCode(r, r.PostForm.Get("person"), r.PostForm.Get("code")))
}

// afterFactorOnPage shows the visit: the advice on it follows in a moment.
func (s *Server) afterFactorOnPage(w http.ResponseWriter, r *http.Request, err error) {
	p, ok := factorProblem(err)
	switch {
	case err == nil:
		http.Redirect(w, r, visitAddress(r.PathValue("visit")), http.StatusSeeOther)
	case ok && p.Status != http.StatusNotFound:
		s.showVisit(w, r, p.Status, visitView{FactorTold: p.Title})
	default:
		s.refuse(w, r, err)
	}
}

func (s *Server) postAgree(w http.ResponseWriter, r *http.Request) {
	var body struct {
		Person string `json:"person"`
	}
	if readJSON(w, r, &body) {
		s.afterFactor(w, r, s.giveWord(r, body.Person))
	}
}

func (s *Server) postCode(w http.ResponseWriter, r *http.Request) {
	var body struct {
		Person string `json:"person"`
		Code   string `json:"code"`
	}
	if readJSON(w, r, &body) {
		s.afterFactor(w, r, s.takeCode(r, body.Person, body.Code))
	}
}

// afterFactor answers with the visit, or with why the factor was not taken.
func (s *Server) afterFactor(w http.ResponseWriter, r *http.Request, err error) {
	if p, ok := factorProblem(err); ok {
		writeProblem(w, r, p)
		return
	}
	s.afterChange(w, r, err)
}

func (s *Server) giveWord(r *http.Request, person string) error {
	if err := s.mayGive(r, person); err != nil {
		return err
	}
	return s.Factors.Agree(r.Context(), r.PathValue("visit"), person, session(r).Resident)
}

// takeCode goes on when whoever asks hangs up: a wrong code has to be counted.
func (s *Server) takeCode(r *http.Request, person, code string) error {
	if err := s.mayGive(r, person); err != nil {
		return err
	}
	err := s.Factors.Code(context.WithoutCancel(r.Context()), person, strings.Join(strings.Fields(code), ""), actor(session(r)))
	if errors.Is(err, house.ErrNotFound) {
		return errNoCodes
	}
	return err
}

// mayGive reports why no factor of the person may be given on the visit that
// the request names: only of who was recognised there, and while the ring is
// fresh enough for a suggestion.
func (s *Server) mayGive(r *http.Request, person string) error {
	v, err := s.Archive.Visit(r.Context(), r.PathValue("visit"))
	switch {
	case err != nil:
		return err
	case !slices.ContainsFunc(recognised(v), func(m house.Match) bool { return m.Person == person }):
		return errNotSeen
	case s.Now().Sub(v.ReceivedAt) >= policy.MaxAge:
		return errLate
	}
	return nil
}

// factorProblem says in words what is wrong with a factor. It reports false for
// what is not the fault of who gave it.
func factorProblem(err error) (p problem, ok bool) {
	switch {
	case errors.Is(err, errNotSeen):
		return problem{Status: http.StatusUnprocessableEntity, Type: "not-seen", Title: sentence(errNotSeen)}, true
	case errors.Is(err, errLate):
		return problem{Status: http.StatusConflict, Type: "too-late", Title: "The bell rang over a minute ago, so nothing is suggested for that ring any more. Have them ring again."}, true
	case errors.Is(err, errNoCodes):
		return problem{Status: http.StatusUnprocessableEntity, Type: "no-codes", Title: sentence(errNoCodes) + " A resident can give them out on People."}, true
	case errors.Is(err, totp.ErrFormat):
		return problem{Status: http.StatusUnprocessableEntity, Type: "bad-code", Title: codeDigitsTold}, true
	case errors.Is(err, totp.ErrWrong):
		return problem{Status: http.StatusUnprocessableEntity, Type: "wrong-code", Title: "This code is wrong, or its time is over. Ask for the one that is shown now."}, true
	case errors.Is(err, totp.ErrReused):
		return problem{Status: http.StatusUnprocessableEntity, Type: "used-code", Title: fmt.Sprintf("This code was used before. The next one is shown within %d seconds.", int(totp.Period.Seconds()))}, true
	case errors.Is(err, evidence.ErrGuesses):
		return problem{Status: http.StatusTooManyRequests, Type: "too-many-codes", Title: codeGuessesTold}, true
	}
	return p, false
}

func adviceAddress(id string) string { return "/advice/" + url.PathEscape(id) }

// Address is where the forms of an advice go.
func (v adviceView) Address() string { return adviceAddress(v.ID) }
