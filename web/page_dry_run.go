package web

import (
	"context"
	"errors"
	"net/http"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/advice/policy"
	"lintel/pipeline/cluster"
	"lintel/store"
	"lintel/web/view"
)

// Rules are tried on so many visits at the most, the newest, of so long.
const (
	triedVisits = 200
	triedDays   = 30
)

var errDryDoor error = house.Refusal("dry-door")

// A trial is what rules would have come to on past visits at a door.
type trial struct {
	door   house.Door
	since  time.Time
	visits []house.Visit // the newest first
	advice []house.Advice
	more   bool // whether there were more visits
}

func (t trial) suggested() (n int) {
	for _, a := range t.advice {
		if a.State == house.Suggested {
			n++
		}
	}
	return n
}

// try runs the rules as they are, or with one as edited, over the past visits at
// a door, and keeps nothing. The error is errDryDoor for a door that is not
// there.
func (s *Server) try(ctx context.Context, book view.RuleBook, door string, edited *house.DoorRule,
	given []house.FactorKind) (t trial, err error) {
	var ok bool
	if t.door, ok = view.DoorOf(book.Doors, door); !ok {
		return t, errDryDoor
	}
	t.since = s.Now().AddDate(0, 0, -triedDays)
	page, err := s.Archive.Book(ctx, store.Filter{Bell: t.door.Bell, From: t.since}, store.Cursor{}, triedVisits)
	if err != nil {
		return t, err
	}
	in := policy.Input{Door: t.door, Rules: book.Rules,
		Persons: make(map[string]house.Person)}
	if edited != nil {
		in.Rules = book.With(*edited)
	}
	for _, p := range book.Persons {
		in.Persons[p.ID] = p
	}
	if err := s.tryingIn(ctx, &in); err != nil {
		return t, err
	}
	t.visits, t.more, t.advice = page.Visits, page.Earlier != store.Cursor{}, policy.DryRun(page.Visits, in, given)
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
		in.Bells = append(in.Bells, b.Address)
	}
	return nil
}

type adviceDryView struct {
	Bar     barView
	Doors   []house.Door
	Door    string // id of the one that is chosen
	Factors []tickBox
	Wrong   wrongs
	Granted []string
	Edited  string // what the edited rule says, "" for none
	Rule    string // the edited rule, as JSON
	RuleID  string // "" where the edited rule is a new one

	Revision string // that the edited rule began from

	Tried  bool
	Counts string
	More   bool // whether earlier visits were left out
	Most   int  // how many are tried
	Visits []view.Tried
}

// showDryRun tries the rules as they are.
func (s *Server) showDryRun(w http.ResponseWriter, r *http.Request) error {
	query := r.URL.Query()
	page := adviceDryView{Door: query.Get("door"), Tried: query.Has("door")}
	return s.showDry(w, r, page, nil, kindsOf(query["factor"]))
}

// submitDryRun tries the rules with one that was edited and is not saved.
func (s *Server) submitDryRun(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	var rule house.DoorRule
	if err := posted.json("rule", &rule); err != nil {
		return err
	}
	page := adviceDryView{Tried: true, Door: rule.Door, Rule: posted.Get("rule"), RuleID: rule.ID,
		Revision: posted.Get("revision")}
	given := rule.Factors
	if posted.Has("chosen") {
		given = kindsOf(posted.Values["factor"])
	}
	return s.showDry(w, r, page, &rule, given)
}

// showDry shows a trial, or what one can be made of.
func (s *Server) showDry(w http.ResponseWriter, r *http.Request, page adviceDryView, edited *house.DoorRule,
	given []house.FactorKind) error {
	t, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	book, err := s.ruleBook(r.Context())
	if err != nil {
		return err
	}
	page.Bar, page.Doors, page.Granted = barOf(r, t.Words.Text("dry-title")), book.Doors, t.Granted()
	if edited != nil {
		if _, err := book.Check(*edited); err != nil {
			return unfit("bad-door-rule", err)
		}
		page.Edited = book.Says(*edited)
	}
	if !page.Tried { // offered are the factors that some rule counts
		for _, rule := range book.Rules {
			given = append(given, rule.Factors...)
		}
	}
	page.Factors = tickBoxes(factorKinds, given)
	status := http.StatusOK
	if page.Tried {
		tried, err := s.try(r.Context(), book, page.Door, edited, given)
		switch {
		case errors.Is(err, errDryDoor):
			page.Wrong, page.Tried, status = wrongs{{"door", err}}, false, http.StatusUnprocessableEntity
		case err != nil:
			return err
		default:
			page.tell(t, tried, book)
		}
	}
	return sendPage(w, r, status, "advice-dry.html", page)
}

// tell says what a trial came to.
func (page *adviceDryView) tell(t view.Presenter, tried trial, book view.RuleBook) {
	n := tried.suggested()
	page.More, page.Most = tried.more, triedVisits
	page.Counts = t.Words.Text("dry-counts", "Count", len(tried.visits), "Door", tried.door.Name,
		"Day", t.Day(tried.since), "Suggested", n, "Withheld", len(tried.visits)-n)
	for i, v := range tried.visits {
		page.Visits = append(page.Visits, t.Tried(v, tried.advice[i], book))
	}
}
