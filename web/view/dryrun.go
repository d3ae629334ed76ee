package view

import (
	"slices"
	"time"

	"lintel/internal/house"
)

// Granted says what a trial of rules on past visits takes for granted, as it is
// not known, or as it is now; see package policy's DryRun.
func (t Presenter) Granted() []string {
	return []string{
		t.Words.Text("dry-granted-factors"), t.Words.Text("dry-granted-house"), t.Words.Text("dry-granted-now"),
		t.Words.Text("dry-granted-seconds"), t.Words.Text("dry-granted-gone"), t.Words.Text("dry-granted-parcels"),
	}
}

// A Tried is a past visit, and what rules would have come to on it.
type Tried struct {
	Visit, When, DateTime string
	Suggested             bool
	Outcome               string
	Unmet                 []string // what did not hold, a sentence each
}

// Tried says what rules would have come to, by the names in their book.
func (t Presenter) Tried(v house.Visit, a house.Advice, b RuleBook) Tried {
	tried := Tried{Visit: v.ID, When: t.Moment(v.ReceivedAt), DateTime: v.ReceivedAt.In(t.Zone).Format(time.RFC3339),
		Suggested: a.State == house.Suggested}
	who := b.Name(a.Person)
	switch {
	case tried.Suggested:
		tried.Outcome = t.Words.Text("dry-suggested", "Name", who)
	case who != "":
		tried.Outcome = t.Words.Text("dry-withheld-rang", "Name", who)
	default:
		tried.Outcome = t.Words.Text("dry-withheld")
	}
	said := t.Words.Naming(b.Name)
	for _, c := range a.Conditions {
		// Without anybody known, many say the same.
		if says := said.Condition(c); !c.Met && !c.NotAsked && !slices.Contains(tried.Unmet, says) {
			tried.Unmet = append(tried.Unmet, says)
		}
	}
	return tried
}
