package web

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/advice/policy"
)

// A suggestingView is what the page of who may be suggested in shows.
type suggestingView struct {
	Bar       barView
	Saved     bool
	Paused    bool
	Doors     []doorLine
	Rules     []ruleLine
	Conflicts []string
	House     []string // what the household decided, a sentence each
	Parcels   string   // how many are expected
	Anybody   bool     // whether somebody is enrolled
}

type doorLine struct {
	Name, Words, Address string
}

type ruleLine struct {
	Says    string
	Never   bool
	Address string
}

func ruleAddress(id string) string { return "/rules/advice/rules/" + url.PathEscape(id) }

func (s *Server) showAdvice(w http.ResponseWriter, r *http.Request) error {
	view, err := s.suggestingView(r)
	if err != nil {
		return err
	}
	return sendPage(w, r, http.StatusOK, "advice-rules.html", view)
}

func (s *Server) suggestingView(r *http.Request) (view suggestingView, err error) {
	t, house, err := s.houseFor(r)
	if err != nil {
		return view, err
	}
	book, err := s.ruleBook(r.Context())
	if err != nil {
		return view, err
	}
	parcels, err := s.Archive.ParcelRules(r.Context())
	if err != nil {
		return view, err
	}
	view = suggestingView{Bar: barOf(r, "Rules", "Suggestions"), Saved: r.URL.Query().Has("saved"), Paused: house.Paused,
		House: t.houseSentences(house), Anybody: len(book.persons) > 0}
	for _, d := range book.doors {
		view.Doors = append(view.Doors, doorLine{d.Name, doorWords(d), doorAddress(d.ID)})
	}
	for _, rule := range book.rules {
		view.Rules = append(view.Rules, ruleLine{book.say(policy.Restate(rule)), !rule.Allowed, ruleAddress(rule.ID)})
	}
	for _, c := range policy.Conflicts(book.rules) {
		view.Conflicts = append(view.Conflicts, book.say(c.Why))
	}
	expected := 0
	for _, p := range parcels {
		if state := t.parcelState(p); state == parcelLater || state == parcelNow {
			expected++
		}
	}
	view.Parcels = "No parcel is expected."
	if expected > 0 {
		view.Parcels = counted(expected, "parcel") + " expected."
	}
	return view, nil
}

func doorWords(d house.Door) string {
	words := "the house’s own door"
	if d.Parcel {
		words = "for parcels only"
	}
	return words + "; the bell " + d.Bell + " rings there"
}

// A ruleBook is all rules, by the names of their persons and doors, with what their ids stand for.
type ruleBook struct {
	rules   []house.DoorRule
	doors   []house.Door
	persons []house.Person
	names   map[string]string
}

func (s *Server) ruleBook(ctx context.Context) (b ruleBook, err error) {
	if b.doors, err = s.Archive.Doors(ctx); err != nil {
		return b, err
	}
	if b.rules, err = s.Archive.DoorRules(ctx); err != nil {
		return b, err
	}
	if b.persons, err = s.Archive.Persons(ctx); err != nil {
		return b, err
	}
	b.names = make(map[string]string)
	for _, p := range b.persons {
		b.names[p.ID] = p.Name
	}
	for _, d := range b.doors {
		b.names[d.ID] = d.Name
	}
	slices.SortFunc(b.persons, func(x, y house.Person) int {
		return cmp.Or(strings.Compare(x.Name, y.Name), strings.Compare(x.ID, y.ID))
	})
	slices.SortStableFunc(b.rules, func(x, y house.DoorRule) int {
		return cmp.Or(strings.Compare(b.names[x.Person], b.names[y.Person]),
			strings.Compare(b.names[x.Door], b.names[y.Door]), order(x)-order(y))
	})
	return b, nil
}

// order tells rules that allow before those that say never.
func order(rule house.DoorRule) int {
	if rule.Allowed {
		return 0
	}
	return 1
}

// find returns the rule of that id. The error is house.ErrNotFound.
func (b ruleBook) find(id string) (house.DoorRule, error) {
	i := slices.IndexFunc(b.rules, func(rule house.DoorRule) bool { return rule.ID == id })
	if i < 0 {
		return house.DoorRule{}, fmt.Errorf("rule %s: %w", id, house.ErrNotFound)
	}
	return b.rules[i], nil
}

// with returns all rules as they would be with one changed or added, which has
// an id also if it is new.
func (b ruleBook) with(rule house.DoorRule) []house.DoorRule {
	rules := slices.Clone(b.rules)
	if i := slices.IndexFunc(rules, func(r house.DoorRule) bool { return r.ID == rule.ID }); i >= 0 {
		rules[i] = rule
		return rules
	}
	return append(rules, rule)
}

// newRule stands for the id of a rule that was not saved yet.
const newRule = "new"

func identified(rule house.DoorRule) house.DoorRule {
	if rule.ID == "" {
		rule.ID = newRule
	}
	return rule
}

var (
	errNoPersonThere = errors.New("choose who the rule is for")
	errNoDoorThere   = errors.New("choose the door")
	errDayTimes      = errors.New("a time of day such as 07:30")
	errSevenDays     = errors.New("days are seven, Sunday first")
)

// check reports what is wrong with a rule, and with which field of the form.
func (b ruleBook) check(rule house.DoorRule) (field string, err error) {
	if !slices.ContainsFunc(b.persons, func(p house.Person) bool { return p.ID == rule.Person }) {
		return "person", errNoPersonThere
	}
	if _, ok := doorByID(b.doors, rule.Door); !ok {
		return "door", errNoDoorThere
	}
	faults := policy.Check([]house.DoorRule{identified(rule)})
	if len(faults) == 0 {
		return "", nil
	}
	for _, about := range []struct {
		err   error
		field string
	}{{policy.ErrNoDays, "days"}, {policy.ErrTimes, "times"}, {policy.ErrFactor, "factors"}, {policy.ErrNeed, "factors"},
		{policy.ErrWeak, "band"}, {policy.ErrBand, "band"}, {policy.ErrSign, "sign"}} {
		if errors.Is(faults[0], about.err) {
			return about.field, about.err
		}
	}
	return "rule", faults[0]
}

// A ruleForm is a rule as typed.
type ruleForm struct {
	Person, Door string // ids
	Kind         string // allowed or never
	Days         []dayField
	From, To     string
	Holidays     bool
	Factors      []factorChoice
	Need         string
	Band         string
	Doubtful     bool // a sign of a picture is allowed
	CantTell     bool
}

// A factorChoice is a kind of factor to tick.
type factorChoice struct {
	Kind  house.FactorKind
	Words string
	On    bool
}

// factorChoices are all kinds, in the order they are told in.
func factorChoices(on []house.FactorKind) (choices []factorChoice) {
	for _, c := range []factorChoice{
		{Kind: house.FactorArrival, Words: "a phone of theirs came home"},
		{Kind: house.FactorCode, Words: "a one-time code of theirs was given"},
		{Kind: house.FactorToken, Words: "a token of theirs was seen"},
		{Kind: house.FactorResident, Words: "a resident looked at the still and agreed"},
	} {
		c.On = slices.Contains(on, c.Kind)
		choices = append(choices, c)
	}
	return choices
}

func ruleFormOf(rule house.DoorRule) ruleForm {
	f := ruleForm{Person: rule.Person, Door: rule.Door, Kind: "never", From: house.DayTime(rule.From).String(),
		To:       house.DayTime(rule.To % (24 * 60)).String(),
		Holidays: rule.Holidays, Factors: factorChoices(rule.Factors), Need: strconv.Itoa(max(1, rule.Need)), Band: rule.Band,
		Doubtful: rule.Liveness == house.Doubtful, CantTell: rule.CantTell}
	if rule.Allowed {
		f.Kind = "allowed"
	}
	if f.Band == "" {
		f.Band = "strong"
	}
	f.Days = newQuiet(0).Days
	for i := range f.Days {
		f.Days[i].On = rule.Days[f.Days[i].Value]
	}
	return f
}

// emptyRule is what the form for a new rule begins with: the strictest.
func emptyRule() house.DoorRule {
	return house.DoorRule{Allowed: true, From: 7 * 60, To: 20 * 60, Need: 1, Band: "strong", Liveness: house.NoSign}
}

func readRuleForm(form url.Values) ruleForm {
	f := ruleForm{Person: form.Get("person"), Door: form.Get("door"), Kind: form.Get("kind"),
		From: strings.TrimSpace(form.Get("from")), To: strings.TrimSpace(form.Get("to")),
		Holidays: form.Has("holidays"), Need: strings.TrimSpace(form.Get("need")), Band: form.Get("band"),
		Doubtful: form.Has("doubtful"), CantTell: form.Has("cant_tell")}
	f.Days = newQuiet(0).Days
	for i := range f.Days {
		f.Days[i].On = slices.Contains(form["day"], strconv.Itoa(f.Days[i].Value))
	}
	var kinds []house.FactorKind
	for _, kind := range form["factor"] {
		kinds = append(kinds, house.FactorKind(kind))
	}
	f.Factors = factorChoices(kinds)
	return f
}

// rule reads what was typed. A rule that says never has no factors and no
// limits. Until 00:00 is until the end of the day.
func (f ruleForm) rule(id string) (rule house.DoorRule, wrong wrongs) {
	wrong = make(wrongs)
	rule = house.DoorRule{ID: id, Person: f.Person, Door: f.Door, Allowed: f.Kind == "allowed", Holidays: f.Holidays}
	if f.Kind != "allowed" && f.Kind != "never" {
		wrong.add("kind", errors.New("say whether it allows or says never"))
	}
	for _, d := range f.Days {
		rule.Days[d.Value] = d.On
	}
	var from, to house.DayTime
	if from.UnmarshalText([]byte(f.From)) != nil || to.UnmarshalText([]byte(f.To)) != nil {
		wrong.add("times", errDayTimes)
	}
	if rule.From, rule.To = int(from), int(to); rule.To == 0 {
		rule.To = 24 * 60
	}
	if !rule.Allowed {
		return rule, wrong
	}
	for _, c := range f.Factors {
		if c.On {
			rule.Factors = append(rule.Factors, c.Kind)
		}
	}
	rule.Need, _ = strconv.Atoi(f.Need) // 0 is refused
	rule.Band, rule.Liveness, rule.CantTell = f.Band, house.NoSign, f.CantTell
	if f.Doubtful {
		rule.Liveness = house.Doubtful
	}
	return rule, wrong
}

type adviceRuleView struct {
	Bar     barView
	Form    ruleForm
	Action  string
	Known   bool // whether it is there already
	Wrong   wrongs
	Persons []house.Person
	Doors   []house.Door
}

func (s *Server) showAdviceRule(w http.ResponseWriter, r *http.Request) error {
	book, err := s.ruleBook(r.Context())
	if err != nil {
		return err
	}
	rule := emptyRule()
	if id := r.PathValue("rule"); id != "" {
		if rule, err = book.find(id); err != nil {
			return absent(err, errNoRule)
		}
	} else if len(book.doors) == 1 {
		rule.Door = book.doors[0].ID
	}
	return drawRule(w, r, http.StatusOK, book, ruleFormOf(rule), nil)
}

// drawRule shows the form of the rule that a request is about.
func drawRule(w http.ResponseWriter, r *http.Request, status int, book ruleBook, form ruleForm, wrong wrongs) error {
	view := adviceRuleView{Bar: barOf(r, "Rules", "Suggestions: a rule"), Form: form, Action: "/rules/advice/rules",
		Wrong: wrong, Persons: book.persons, Doors: book.doors}
	if id := r.PathValue("rule"); id != "" {
		view.Action, view.Known = ruleAddress(id), true
	}
	return sendPage(w, r, status, "advice-rule.html", view)
}

// A rulePreview is what the page shows between typing a rule and saving it.
type rulePreview struct {
	Bar       barView
	Says      string
	Before    string // what the rule said before, "" if it is new or says the same
	Never     bool
	Conflicts []string
	Action    string
	Rule      string // as JSON, for saving
}

// submitRule takes the form of a rule and shows what it would say; takes what was
// shown and saves it; or shows the form again.
func (s *Server) submitRule(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	book, err := s.ruleBook(r.Context())
	if err == nil && r.PathValue("rule") != "" {
		_, err = book.find(r.PathValue("rule"))
	}
	if err != nil {
		return absent(err, errNoRule)
	}
	form, rule, wrong := readRuleForm(posted.Values), house.DoorRule{}, wrongs(nil)
	shown := posted.Has("rule")
	if shown {
		if err := posted.json("rule", &rule); err != nil {
			return err
		}
		rule.ID = r.PathValue("rule")
		form, wrong = ruleFormOf(rule), make(wrongs)
	} else {
		rule, wrong = form.rule(r.PathValue("rule"))
	}
	if shown && !posted.Has("save") {
		return drawRule(w, r, http.StatusOK, book, form, nil)
	}
	if len(wrong) == 0 {
		field, err := book.check(rule)
		wrong.add(field, err)
	}
	switch {
	case len(wrong) > 0:
		return drawRule(w, r, http.StatusUnprocessableEntity, book, form, wrong)
	case shown:
		return s.saveRule(w, r, rule)
	default:
		return s.drawRulePreview(w, r, book, rule)
	}
}

func (s *Server) saveRule(w http.ResponseWriter, r *http.Request, rule house.DoorRule) error {
	if _, err := s.Archive.SetDoorRule(r.Context(), rule); err != nil {
		return absent(err, errNoRule)
	}
	return redirect(w, r, "/rules/advice?saved")
}

func (s *Server) drawRulePreview(w http.ResponseWriter, r *http.Request, book ruleBook, rule house.DoorRule) error {
	raw, err := json.Marshal(rule)
	if err != nil {
		return err
	}
	view := rulePreview{Bar: barOf(r, "Rules", "Before this rule is saved"),
		Says: book.say(policy.Restate(identified(rule))), Never: !rule.Allowed,
		Conflicts: book.conflictsOf(rule), Action: "/rules/advice/rules", Rule: string(raw)}
	if rule.ID != "" {
		view.Action = ruleAddress(rule.ID)
		if old, err := book.find(rule.ID); err == nil {
			view.Before = book.say(policy.Restate(old))
		}
	}
	if view.Before == view.Says {
		view.Before = ""
	}
	return sendPage(w, r, http.StatusOK, "advice-rule-preview.html", view)
}

// conflictsOf says how a rule gets into the way of others.
func (b ruleBook) conflictsOf(rule house.DoorRule) (says []string) {
	rule = identified(rule)
	for _, c := range policy.Conflicts(b.with(rule)) {
		if c.Rules[0] == rule.ID || c.Rules[1] == rule.ID {
			says = append(says, b.say(c.Why))
		}
	}
	return says
}

func (s *Server) showRemoveRule(w http.ResponseWriter, r *http.Request) error {
	book, err := s.ruleBook(r.Context())
	if err != nil {
		return err
	}
	rule, err := book.find(r.PathValue("rule"))
	if err != nil {
		return absent(err, errNoRule)
	}
	view := confirmView{Bar: barOf(r, "Rules", "Remove a rule"), Back: "/rules/advice", Action: ruleAddress(rule.ID) +
		"/remove", Button: "Remove this rule",
		Says: []string{"This would hold no more:", book.say(policy.Restate(rule))}}
	if !rule.Allowed {
		view.Says = append(view.Says, "Whatever other rules allow would then count at those times too.")
	}
	return sendPage(w, r, http.StatusOK, "confirm.html", view)
}

func (s *Server) submitRemoveRule(w http.ResponseWriter, r *http.Request) error {
	return afterRemoval(w, r, s.Archive.RemoveDoorRule(r.Context(), r.PathValue("rule")), "/rules/advice?saved")
}

// A suggestingLine is what the screen Rules says of suggestions.
type suggestingLine struct {
	Paused bool
	Words  string
}

func (s *Server) suggestingLine(ctx context.Context, now time.Time) (line suggestingLine, err error) {
	house, err := s.Archive.AdviceRules(ctx)
	if err != nil {
		return line, err
	}
	rules, err := s.Archive.DoorRules(ctx)
	if err != nil {
		return line, err
	}
	line = suggestingLine{house.Paused, fmt.Sprintf("Lintel may suggest to open, by %s.", counted(len(rules), "rule"))}
	switch {
	case house.Paused:
		line.Words = "All suggestions are paused."
	case house.AwayUntil.After(now):
		line.Words = "The household is away: nobody is suggested."
	case len(rules) == 0:
		line.Words = "Nobody is suggested: there is no rule that allows it."
	}
	return line, nil
}
