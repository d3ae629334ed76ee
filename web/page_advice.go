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
	"lintel/pipeline/review"
)

// An Inbox takes the factors that sources and people at home give: [evidence.Inbox]
// is one. A person, visit and resident are told by their ids; source names a
// session, as in the audit trail.
type Inbox interface {
	Message(ctx context.Context, source house.Source, about string, text []byte) (evidence.Receipt, error)
	Code(ctx context.Context, person, code, source string) error
	Agree(ctx context.Context, visit, person, resident string) error
	Week(ctx context.Context, source string) ([]evidence.Told, error)
}

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
	t.Advice = make(map[string][]house.Advice)
	for _, d := range all {
		t.Advice[d.Visit] = append(t.Advice[d.Visit], d)
	}
	for _, on := range t.Advice {
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
	t.Names, err = s.trailNames(ctx)
	return err
}

func (t presenter) doorName(d house.Advice) string {
	return cmp.Or(t.Names["door "+d.Door], "a door that is gone")
}

// adviceState is what became of advice by now. That a time has run out is
// written down only a moment later.
func (t presenter) adviceState(d house.Advice) house.AdviceState {
	if d.State == house.Suggested && !t.Now.Before(d.ExpiresAt) {
		return house.Expired
	}
	return d.State
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
	all := t.Advice[v.ID]
	if len(all) == 0 {
		return nil
	}
	card := &adviceCard{Address: visitAddress(v.ID), Resident: t.Resident}
	for _, d := range all {
		card.Advice = append(card.Advice, t.adviceView(d))
	}
	if closes := v.ReceivedAt.Add(policy.MaxAge); t.Now.Before(closes) && slices.ContainsFunc(all, lacksFactor) {
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
	persons, _ := review.WhoRang(v)
	return slices.DeleteFunc(persons, func(m house.Match) bool { return m.Person == "" || m.Band == string(match.None) })
}

func (t presenter) clockView(at time.Time) clockView {
	local := at.In(t.Zone)
	return clockView{local.Format("15:04:05"), local.Format(time.RFC3339), max(0, at.Sub(t.Now).Milliseconds())}
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
	return was + "let " + cmp.Or(t.Names["person "+d.Person], "somebody whose name is gone") + " in at " + t.doorName(d)
}

// adviceEnd says what became of a suggestion, and to residents by whom; "" of
// one that is open.
func (t presenter) adviceEnd(d house.Advice) string {
	by := ""
	if t.Resident && d.By != "" {
		by = ", says " + actorWords(d.By, t.Names)
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

// submitUsed and submitDismissed are a resident's answers to a suggestion.
func (s *Server) submitUsed(w http.ResponseWriter, r *http.Request) error {
	return s.endOnPage(w, r, house.Used)
}

func (s *Server) submitDismissed(w http.ResponseWriter, r *http.Request) error {
	return s.endOnPage(w, r, house.Dismissed)
}

func (s *Server) endOnPage(w http.ResponseWriter, r *http.Request, as house.AdviceState) error {
	d, err := s.endAdvice(r, as)
	if err != nil {
		return err
	}
	return redirect(w, r, visitAddress(d.Visit))
}

// endAdvice ends the suggestion that the request names and returns it as it is
// then.
func (s *Server) endAdvice(r *http.Request, as house.AdviceState) (d house.Advice, err error) {
	err = s.Archive.EndAdvice(r.Context(), r.PathValue("advice"), as)
	if err == nil {
		d, err = s.Archive.Advice(r.Context(), r.PathValue("advice"))
	}
	return d, absent(err, errNoAdvice)
}

// submitAgree takes a resident's word, from a form.
func (s *Server) submitAgree(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	return s.afterFactorOnPage(w, r, s.giveWord(r, posted.Get("person")))
}

// submitCode takes a one-time code that a visitor said, from a form.
func (s *Server) submitCode(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	return s.afterFactorOnPage(w, r, s.takeCode(r, posted.Get("person"), posted.Get("code")))
}

// afterFactorOnPage shows the visit: the advice on it follows in a moment.
func (s *Server) afterFactorOnPage(w http.ResponseWriter, r *http.Request, err error) error {
	if err == nil {
		return redirect(w, r, visitAddress(r.PathValue("visit")))
	}
	if p, known := problemOf(err); known {
		return s.drawVisit(w, r, p.Status, visitView{FactorTold: p.Title})
	}
	return absent(err, errVisitGone)
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
	for _, told := range []struct{ err, as error }{
		{house.ErrNotFound, errCodeless}, {totp.ErrWrong, errCodeWrong}, {totp.ErrReused, errCodeUsed},
	} {
		if errors.Is(err, told.err) {
			return told.as
		}
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

func adviceAddress(id string) string { return "/advice/" + url.PathEscape(id) }

// Address is where the forms of an advice go.
func (v adviceView) Address() string { return adviceAddress(v.ID) }
