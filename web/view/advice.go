package view

import (
	"cmp"
	"net/url"
	"slices"
	"strings"
	"time"

	"lintel/internal/house"
	"lintel/internal/words"
	"lintel/pipeline/advice/policy"
	"lintel/pipeline/liveness"
	"lintel/pipeline/review"
)

// An AdviceCard is the advice on a visit as Now and the visit's page show it.
type AdviceCard struct {
	Address  string // of the visit
	OnPage   bool   // that of the visit, rather than Now
	Advice   []Advice
	Resident bool // who confirms without a PIN
	Answers  bool // who may answer
	// Who are those recognised, of whom a resident's word may be given, and Coders
	// those of whom a one-time code; empty where none would count any more. Closes
	// is until when one does.
	Who, Coders []house.Match
	Closes      Clock
	Told        string // what came of a factor just given
	// Hands are residents who may confirm here by a PIN; none where nobody has to.
	Hands    []house.Resident
	OneStill bool // whether only a bell that sends more stills could make a difference
}

// A Clock is a moment, and how many milliseconds are left until it: a tablet's
// own clock may be wrong.
type Clock struct {
	Time, DateTime string
	Left           int64
}

// Advice is advice at one door.
type Advice struct {
	ID       string
	State    house.AdviceState
	Headline string
	Line     string // the same of what is withheld with what it waits for, or why
	Until    Clock  // of a suggestion
	Became   string // what became of a suggestion that is open no more
	Missing  string // what does not hold, in short
	Lacks    bool   // whether a factor may make the difference
	Waits    bool   // whether a receiver waits for somebody to confirm it
	Sent     string // what receivers heard, "" where there are none, or nothing
	Reasons  []Reason
	NotAsked string // which conditions were no question, "" for none
}

// A Reason is a condition, whether it is met, and why.
type Reason struct {
	Met  bool
	Says string
}

// Address is where the forms of an advice go.
func (v Advice) Address() string { return "/advice/" + url.PathEscape(v.ID) }

// adviceCard returns nil for a visit that no advice was given on, and none at which a
// rule could apply. What is withheld while some of its stills were not looked at yet may
// be suggested in a moment, and is not told.
func (t Presenter) adviceCard(v house.Visit) *AdviceCard {
	early := v.Pending()
	all := slices.DeleteFunc(slices.Clone(t.Advice[v.ID]), func(d house.Advice) bool {
		return moot(d) || early && d.State == house.Withheld
	})
	if len(all) == 0 {
		return nil
	}
	card := &AdviceCard{Address: VisitAddress(v.ID), Resident: t.Resident, Answers: t.Answers}
	for _, d := range all {
		advice := t.AdviceView(d)
		card.Advice = append(card.Advice, advice)
		if advice.Waits && t.Answers && !t.Resident {
			card.Hands = t.Hands
		}
		card.OneStill = card.OneStill || hasOneStill(d)
	}
	if closes := v.ReceivedAt.Add(policy.MaxAge); t.Answers && t.Now.Before(closes) {
		card.Closes = t.clock(closes)
		card.Who, card.Coders = t.whoGives(v, all)
	}
	return card
}

// whoGives are those recognised on a visit of whom a resident's word would count at
// one of its doors, or a one-time code.
func (t Presenter) whoGives(v house.Visit, all []house.Advice) (word, code []house.Match) {
	for _, m := range Recognised(v) {
		asks := func(kind house.FactorKind) bool {
			return slices.ContainsFunc(all, func(d house.Advice) bool { return asksFor(d, m.Person, kind) })
		}
		if asks(house.FactorResident) {
			word = append(word, m)
		}
		if t.Codes[m.Person] && asks(house.FactorCode) {
			code = append(code, m)
		}
	}
	return word, code
}

// moot reports whether nothing could have been suggested, whatever was given or
// awaited: no rule lets anybody be suggested who can be seen, and no parcel is awaited.
func moot(d house.Advice) bool {
	return d.State == house.Withheld && d.Parcel == "" && slices.ContainsFunc(d.Conditions,
		func(c house.Condition) bool { return c.Code == policy.Allowed && (c.NotAsked || !c.Met) })
}

// lacksFactor reports whether a factor may make the difference: whether one is asked
// for, by a rule of the person's at this door.
func lacksFactor(d house.Advice) bool {
	if d.State != house.Withheld || slices.Contains(d.NotAsked(), policy.Factors) {
		return false
	}
	unmet := d.Unmet()
	return slices.Contains(unmet, policy.Factors) || slices.Contains(unmet, policy.Alike)
}

// asksFor reports whether a factor of a kind, given of a person, may make the
// difference. Where the reasons are kept no more, a code or a resident's word may.
func asksFor(d house.Advice, person string, kind house.FactorKind) bool {
	if !lacksFactor(d) {
		return false
	}
	settles := kind == house.FactorCode || kind == house.FactorResident
	rules, known := lacking(d, person)
	return settles && (!known || slices.Contains(d.Unmet(), policy.Alike)) || slices.ContainsFunc(rules,
		func(r house.DoorRule) bool { return slices.Contains(r.Factors, kind) })
}

// lacking returns the rules of which a person lacks factors, and whether anything is
// known of what is lacking of anybody.
func lacking(d house.Advice, person string) (rules []house.DoorRule, known bool) {
	for _, c := range d.Conditions {
		for _, r := range c.Reasons {
			if c.Code == policy.Factors && len(r.Rules) > 0 {
				known = true
				if r.Person == person {
					rules = append(rules, r.Rules...)
				}
			}
		}
	}
	return rules, known
}

// hasOneStill reports whether it speaks against a suggestion that there is only
// one still.
func hasOneStill(d house.Advice) bool {
	return slices.ContainsFunc(d.Conditions, func(c house.Condition) bool {
		return c.Code == policy.Sign && slices.ContainsFunc(c.Reasons, func(r house.Reason) bool {
			return slices.Contains(r.Why, liveness.OneFrame)
		})
	})
}

// Recognised are the persons on a visit that a factor may be given of.
func Recognised(v house.Visit) (found []house.Match) {
	persons, _ := review.WhoRang(v)
	for _, p := range persons {
		if p.Band != "" { // whom a resident named and no face told is no match
			found = append(found, p.Match)
		}
	}
	return found
}

func (t Presenter) clock(at time.Time) Clock {
	return Clock{t.second(at), at.In(t.Zone).Format(time.RFC3339), max(0, at.Sub(t.Now).Milliseconds())}
}

// second is a time of day to the second.
func (t Presenter) second(at time.Time) string { return at.In(t.Zone).Format(time.TimeOnly) }

// AdviceView is advice as pages show it.
func (t Presenter) AdviceView(d house.Advice) Advice {
	advice := Advice{ID: d.ID, State: t.AdviceState(d), Headline: t.AdviceHeadline(d)}
	advice.Line = advice.Headline
	if d.State == house.Withheld {
		advice.Line = t.withheld(d)
	}
	if d.State != house.Withheld {
		advice.Until = t.clock(d.ExpiresAt)
		advice.Became = t.became(d)
	}
	told := policy.Told(d.Conditions)
	for _, c := range told {
		if !c.NotAsked {
			advice.Reasons = append(advice.Reasons, Reason{c.Met, t.Condition(c)})
		}
	}
	advice.NotAsked = t.notAsked(d)
	advice.Waits, advice.Sent, advice.Lacks = t.Waits(d), t.sent(d), lacksFactor(d)
	advice.Missing = t.missing(told)
	return advice
}

// withheld says in one line what nothing being suggested waits for, or why it is so. A
// tablet is not told what a rule asks for.
func (t Presenter) withheld(d house.Advice) string {
	unmet := d.Unmet()
	lacks := len(unmet) == 1 && unmet[0] == policy.Factors
	name := t.Names["person "+d.Person]
	switch rules, known := lacking(d, d.Person); {
	case lacks && name != "" && t.Resident && known && len(rules) > 0:
		return t.waits(name, rules[0])
	case lacks && name != "":
		return t.Words.Text("advice-waits-more", "Name", name)
	case len(unmet) > 0:
		return t.Words.Text("advice-nothing-since", "Door", t.DoorName(d),
			"Unmet", t.Words.Short(house.Condition{Code: unmet[0]}))
	}
	return t.AdviceHeadline(d)
}

// waits says what a rule waits for.
func (t Presenter) waits(name string, r house.DoorRule) string {
	var things []string
	for _, kind := range []house.FactorKind{house.FactorCode, house.FactorArrival, house.FactorToken} {
		if slices.Contains(r.Factors, kind) {
			things = append(things, t.Words.Text("waits-"+string(kind)))
		}
	}
	key, listed := "advice-waits", t.Words.Either(things)
	all := r.Need > 1 && r.Need == len(r.Factors)
	if all {
		listed = t.Words.List(things)
	}
	if slices.Contains(r.Factors, house.FactorResident) {
		switch {
		case len(things) == 0:
			key = "advice-waits-resident"
		case all:
			key = "advice-waits-both"
		default:
			key = "advice-waits-either"
		}
	}
	return t.Words.Text(key, "Name", name, "Things", listed)
}

// AdviceState is what became of advice by now. That a time has run out is
// written down only a moment later.
func (t Presenter) AdviceState(d house.Advice) house.AdviceState {
	if d.State == house.Suggested && !t.Now.Before(d.ExpiresAt) {
		return house.Expired
	}
	return d.State
}

// DoorName is what the door of an advice is called.
func (t Presenter) DoorName(d house.Advice) string {
	return cmp.Or(t.Names["door "+d.Door], t.Words.Text("door-gone"))
}

// SortAdvice sorts the advice on a visit: what is suggested before what is
// withheld, each by the door's name.
func (t Presenter) SortAdvice(all []house.Advice) {
	rank := func(d house.Advice) int {
		if d.State == house.Withheld {
			return 1
		}
		return 0
	}
	slices.SortStableFunc(all, func(a, b house.Advice) int {
		return cmp.Or(cmp.Compare(rank(a), rank(b)), strings.Compare(t.DoorName(a), t.DoorName(b)))
	})
}

// Naming are the presenter's words with the names of persons and doors.
func (t Presenter) Naming() words.Words {
	return t.Words.Naming(func(id string) string { return cmp.Or(t.Names["person "+id], t.Names["door "+id]) })
}

// Condition says why a condition is met or not. Who stands before a tablet may be
// a guest, and is told the same few words whatever the house is like: not until
// when it is away, at what hours rules hold, or who looks like whom.
func (t Presenter) Condition(c house.Condition) string {
	if !t.Resident {
		c.Reasons = nil
	}
	return t.Naming().Condition(c)
}

// missing says in short what does not hold, "" if all does. A picture is no
// condition of those counted: it stands against a suggestion, or says nothing.
func (t Presenter) missing(all []house.Condition) string {
	var unmet, says []string
	of := len(all)
	against := ""
	for _, c := range all {
		switch short := t.Words.Short(house.Condition{Code: c.Code}); {
		case c.NotAsked:
			of--
		case c.Code == policy.Sign:
			of--
			against = t.Words.Text("advice-against", "Sign", short)
		case !c.Met:
			unmet = append(unmet, short)
		}
	}
	if len(unmet) > 0 {
		says = append(says, t.Words.Text("advice-missing", "Count", len(unmet), "Of", of, "Unmet",
			strings.Join(unmet, "; ")))
	}
	if against != "" {
		says = append(says, against)
	}
	return strings.Join(says, " ")
}

// AdviceHeadline says what is suggested, or was.
func (t Presenter) AdviceHeadline(d house.Advice) string {
	what := "advice-person"
	switch {
	case d.State == house.Withheld:
		what = "advice-nothing"
	case d.Parcel != "":
		what = "advice-parcel"
	}
	if state := t.AdviceState(d); state != house.Withheld && state != house.Suggested {
		what += "-was"
	}
	return t.Words.Text("headline-"+what, "Door", t.DoorName(d),
		"Name", cmp.Or(t.Names["person "+d.Person], t.Words.Text("person-nameless")))
}

// became says what became of a suggestion, and to residents by whom; "" of one
// that is open.
func (t Presenter) became(d house.Advice) string {
	state, by := t.AdviceState(d), t.Names[d.By]
	switch {
	case state == house.Expired:
		return t.Words.Text("advice-expired", "Time", t.second(d.ExpiresAt))
	case state == house.Withdrawn:
		return t.Words.Text("advice-withdrawn", "Time", t.second(d.EndedAt))
	case state != house.Used && state != house.Dismissed:
		return ""
	case t.Resident && by != "":
		return t.Words.Text("advice-by-"+string(state), "By", by)
	}
	return t.Words.Text("advice-end-" + string(state))
}

// Waits reports whether a receiver waits for somebody to confirm a suggestion.
func (t Presenter) Waits(d house.Advice) bool {
	return t.AdviceState(d) == house.Suggested && !d.Released() && t.Hears[d.Door]
}

// sent says what receivers heard of a suggestion, "" where there are none, and of
// one that they heard of at once.
func (t Presenter) sent(d house.Advice) string {
	by := t.Names[d.ConfirmedBy]
	switch {
	case d.State == house.Withheld || !t.Hears[d.Door]:
		return ""
	case t.Waits(d):
		return t.Words.Text("advice-sent-waits")
	case !d.Released():
		return t.Words.Text("advice-sent-never")
	case d.ConfirmedBy == "":
		return ""
	case t.Resident && by != "":
		return t.Words.Text("advice-confirmed-by", "Time", t.second(d.ReleasedAt), "By", by)
	}
	return t.Words.Text("advice-confirmed", "Time", t.second(d.ReleasedAt))
}

// notAsked says which conditions were no question, "" for none.
func (t Presenter) notAsked(d house.Advice) string {
	var whether []string
	for _, code := range d.NotAsked() {
		whether = append(whether, t.Words.Short(house.Condition{Code: code, Met: true}))
	}
	if len(whether) == 0 {
		return ""
	}
	return t.Words.Text("advice-not-asked", "Conditions", strings.Join(whether, "; "))
}
