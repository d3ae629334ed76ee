package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/advice/policy"
	"lintel/pipeline/cluster"
	"lintel/store"
)

// Rules are tried on so many visits at the most, the newest, of so long.
const (
	triedVisits = 200
	triedDays   = 30
)

// takenForGranted is what a trial on past visits takes as it is not known, or as
// it is now; see policy.DryRun.
var takenForGranted = []string{
	"The factors that are ticked count as given in that moment, by everybody known who rang, and good. Whether they " +
		"really were is not asked.",
	"Suggestions were not paused and nobody was away. No attempt failed before, the bell was well, and the server’s " +
		"clock was right.",
	"Consents, who looks alike, the holidays, the door and its bell are as they are now.",
	"Each ring is decided on as 2 seconds after its last still.",
	"Where stills are gone, faces can’t be judged again: those visits are withheld, though they might not have been.",
	"Parcels are not tried.",
}

// A trial is what rules would have come to on past visits at a door.
type trial struct {
	door   house.Door
	since  time.Time
	visits []house.Visit // the newest first
	advice []house.Advice
	more   bool // whether there were more visits
	names  map[string]string
}

func (t trial) suggested() (n int) {
	for _, a := range t.advice {
		if a.State == house.Suggested {
			n++
		}
	}
	return n
}

var errNoTrialDoor = errors.New("choose the door to try the rules of")

// try runs the rules as they are, or with one as edited, over the past visits at
// a door, and keeps nothing. The error is errNoTrialDoor for a door that is not
// there.
func (s *Server) try(ctx context.Context, book ruleBook, door string, edited *house.DoorRule,
	given []house.FactorKind) (t trial, err error) {
	var ok bool
	if t.door, ok = doorByID(book.doors, door); !ok {
		return t, errNoTrialDoor
	}
	t.names, t.since = book.names, s.Now().AddDate(0, 0, -triedDays)
	visits, next, err := s.Archive.Book(ctx, store.Filter{Bell: t.door.Bell, From: t.since}, store.Cursor{}, triedVisits)
	if err != nil {
		return t, err
	}
	in := policy.Input{Door: t.door, Rules: append([]house.DoorRule{}, book.rules...),
		Persons: make(map[string]house.Person)}
	if edited != nil {
		in.Rules = book.with(identified(*edited))
	}
	for _, p := range book.persons {
		in.Persons[p.ID] = p
	}
	if err := s.tryingIn(ctx, &in); err != nil {
		return t, err
	}
	t.visits, t.more, t.advice = visits, next != store.Cursor{}, policy.DryRun(visits, in, given)
	return t, nil
}

// tryingIn reads what a trial takes as it is now.
func (s *Server) tryingIn(ctx context.Context, in *policy.Input) error {
	house, err := s.Archive.AdviceRules(ctx)
	if err != nil {
		return err
	}
	bells, err := s.Archive.Bells(ctx)
	if err != nil {
		return err
	}
	references, err := s.Archive.Gallery(ctx)
	if err != nil {
		return err
	}
	gallery, err := s.gallery.Gallery(ctx)
	if err != nil {
		return err
	}
	in.House, in.Zone, in.Alike = &house, s.zone(ctx), cluster.Alike(references, gallery.BandOf)
	for _, b := range bells {
		in.Bells = append(in.Bells, b.Name)
	}
	return nil
}

type adviceDryView struct {
	Bar      barView
	Doors    []house.Door
	Door     string // id of the one that is chosen
	Factors  []factorChoice
	Wrong    wrongs
	Granted  []string
	Edited   string // what the edited rule says, "" for none
	Rule     string // the edited rule, as JSON
	RuleBack string // where its form is

	Tried  bool
	Counts string
	Lines  []triedLine
}

type triedLine struct {
	Visit, When, DateTime string
	Suggested             bool
	Outcome               string
	Unmet                 []string
}

// showDryRun tries the rules as they are.
func (s *Server) showDryRun(w http.ResponseWriter, r *http.Request) error {
	query := r.URL.Query()
	view := adviceDryView{Door: query.Get("door"), Tried: query.Has("door")}
	return s.showDry(w, r, view, nil, kindsOf(query["factor"]))
}

// submitDryRun tries the rules with one that was edited and is not saved.
func (s *Server) submitDryRun(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	view := adviceDryView{Tried: true, Rule: posted.Get("rule"), RuleBack: "/rules/advice/rules"}
	var rule house.DoorRule
	if err := posted.json("rule", &rule); err != nil {
		return err
	}
	view.Door = rule.Door
	if rule.ID != "" {
		view.RuleBack = ruleAddress(rule.ID)
	}
	given := rule.Factors
	if posted.Has("chosen") {
		given = kindsOf(posted.Values["factor"])
	}
	return s.showDry(w, r, view, &rule, given)
}

// kindsOf reads kinds of factors, each once, and passes over what is none.
func kindsOf(words []string) (kinds []house.FactorKind) {
	for _, c := range factorChoices(nil) {
		if slices.Contains(words, string(c.Kind)) {
			kinds = append(kinds, c.Kind)
		}
	}
	return kinds
}

// showDry shows a trial, or what one can be made of.
func (s *Server) showDry(w http.ResponseWriter, r *http.Request, view adviceDryView, edited *house.DoorRule,
	given []house.FactorKind) error {
	book, err := s.ruleBook(r.Context())
	if err != nil {
		return err
	}
	view.Bar, view.Doors, view.Granted = barOf(r, "Rules", "Rules on past visits"), book.doors, takenForGranted
	if edited != nil {
		if _, err := book.check(*edited); err != nil {
			return unfit("bad-door-rule", err)
		}
		view.Edited = book.say(policy.Restate(identified(*edited)))
	}
	if !view.Tried { // offered are the factors that some rule counts
		for _, rule := range book.rules {
			given = append(given, rule.Factors...)
		}
	}
	view.Factors = factorChoices(given)
	status := http.StatusOK
	if view.Tried {
		tried, err := s.try(r.Context(), book, view.Door, edited, given)
		if err == nil {
			err = s.tellTrial(r, &view, tried)
		}
		if errors.Is(err, errNoTrialDoor) {
			view.Wrong, view.Tried, status = wrongs{"door": sentence(err)}, false, http.StatusUnprocessableEntity
		} else if err != nil {
			return err
		}
	}
	return sendPage(w, r, status, "advice-dry.html", view)
}

// tellTrial says what a trial came to.
func (s *Server) tellTrial(r *http.Request, view *adviceDryView, tried trial) error {
	t, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	n := tried.suggested()
	view.Counts = fmt.Sprintf("Of %s at %s since %s: %d suggested, %d withheld.", counted(len(tried.visits), "visit"),
		tried.door.Name, t.Day(tried.since), n, len(tried.visits)-n)
	if tried.more {
		view.Counts += fmt.Sprintf(" Earlier ones were left out: %d are tried at the most.", triedVisits)
	}
	say := t.words(tried.names)
	for i, v := range tried.visits {
		a := tried.advice[i]
		line := triedLine{Visit: visitAddress(v.ID), When: t.Moment(v.ReceivedAt),
			DateTime: v.ReceivedAt.In(t.Zone).Format(time.RFC3339), Suggested: a.State == house.Suggested}
		who := tried.names[a.Person]
		switch {
		case line.Suggested:
			line.Outcome = "Suggested for " + who
		case who != "":
			line.Outcome = "Withheld: " + who + " rang"
		default:
			line.Outcome = "Withheld"
		}
		for _, c := range a.Conditions {
			says := say.Condition(c)
			if !c.Met && !slices.Contains(line.Unmet, says) { // without anybody known, many say the same
				line.Unmet = append(line.Unmet, says)
			}
		}
		view.Lines = append(view.Lines, line)
	}
	return nil
}
