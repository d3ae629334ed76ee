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
	"lintel/pipeline/match"
	"lintel/pipeline/review"
)

// An AdviceCard is the advice on a visit as Now and the visit's page show it.
type AdviceCard struct {
	Address  string // of the visit
	OnPage   bool   // that of the visit, rather than Now
	Advice   []Advice
	Resident bool // who may answer
	// Who are those recognised, of whom a factor may be given; empty where none
	// would count any more. Closes is until when one does.
	Who    []house.Match
	Closes Clock
	Told   string // what came of a factor just given
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
	Until    Clock  // of a suggestion
	Became   string // what became of a suggestion that is open no more
	Missing  string // what does not hold, in short
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

// adviceCard returns nil for a visit that no advice was given on.
func (t Presenter) adviceCard(v house.Visit) *AdviceCard {
	all := t.Advice[v.ID]
	if len(all) == 0 {
		return nil
	}
	card := &AdviceCard{Address: VisitAddress(v.ID), Resident: t.Resident}
	for _, d := range all {
		advice := t.AdviceView(d)
		card.Advice = append(card.Advice, advice)
		if advice.Waits && !t.Resident {
			card.Hands = t.Hands
		}
		card.OneStill = card.OneStill || hasOneStill(d)
	}
	if closes := v.ReceivedAt.Add(policy.MaxAge); t.Now.Before(closes) && slices.ContainsFunc(all, lacksFactor) {
		card.Closes, card.Who = t.clock(closes), Recognised(v)
	}
	return card
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
func Recognised(v house.Visit) []house.Match {
	persons, _ := review.WhoRang(v)
	return slices.DeleteFunc(persons, func(m house.Match) bool { return m.Person == "" || m.Band == string(match.None) })
}

func (t Presenter) clock(at time.Time) Clock {
	return Clock{t.second(at), at.In(t.Zone).Format(time.RFC3339), max(0, at.Sub(t.Now).Milliseconds())}
}

// second is a time of day to the second.
func (t Presenter) second(at time.Time) string { return at.In(t.Zone).Format(time.TimeOnly) }

// AdviceView is advice as pages show it.
func (t Presenter) AdviceView(d house.Advice) Advice {
	advice := Advice{ID: d.ID, State: t.AdviceState(d), Headline: t.AdviceHeadline(d)}
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
	advice.Waits, advice.Sent = t.Waits(d), t.sent(d)
	advice.Missing = t.missing(told)
	return advice
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
