package view

import (
	"slices"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/internal/words"
	"lintel/pipeline/advice/policy"
)

// TestCountAdvice counts advice that was counted by hand.
func TestCountAdvice(t *testing.T) {
	now := time.Date(2031, 5, 4, 18, 30, 0, 0, time.UTC)
	withheld := func(unmet ...string) (d house.Advice) {
		d.State = house.Withheld
		for _, code := range []string{policy.On, policy.Home, policy.People, policy.Alike, policy.Factors} {
			d.Conditions = append(d.Conditions, house.Condition{Code: code, Met: !slices.Contains(unmet, code)})
		}
		return d
	}
	all := []house.Advice{
		withheld(policy.Factors), withheld(policy.Factors), withheld(policy.Factors, policy.Home), withheld(policy.Home),
		withheld(policy.Alike, policy.Home, policy.People),
		// One whose visit is gone has the codes that were not met, and no words.
		{State: house.Withheld, Conditions: []house.Condition{{Code: policy.Alike}}},
		// What was not asked might not have held either.
		{State: house.Withheld, Conditions: []house.Condition{{Code: policy.People},
			{Code: policy.Factors, NotAsked: true}}},
		{State: house.Withdrawn}, {State: house.Used}, {State: house.Used}, {State: house.Dismissed},
		{State: house.Expired},
		{State: house.Suggested, ExpiresAt: now.Add(time.Second)}, {State: house.Suggested, ExpiresAt: now},
	}
	p := Presenter{Now: now, Words: words.For("en")}
	m := p.CountAdvice(all)
	want := []Unmet{{policy.Factors, 3, 2}, {policy.Home, 3, 1}, {policy.Alike, 2, 1}, {policy.People, 2, 0}}
	if m.Given != 7 || m.Withdrawn != 1 || m.Open != 1 || m.Used != 2 || m.Dismissed != 1 || m.Expired != 2 ||
		m.Withheld != 7 || !slices.Equal(m.Unmet, want) {
		t.Errorf("counted %+v", m)
	}
	lines := []string{"Of 7 withheld, 2 for this reason alone: a factor is missing.",
		"Of 7 withheld, 1 for this reason alone: the household is away.",
		"Of 7 withheld, 1 for this reason alone: somebody is easily confused with the person."}
	if got := m.Alone(); !slices.Equal(got, lines) {
		t.Errorf("alone: %q", got)
	}
	if got := m.Says(); got != "7 suggested (2 used, 1 dismissed, 2 expired, 1 withdrawn, 1 still open), 7 withheld" {
		t.Errorf("in words: %s", got)
	}
	if got := p.CountAdvice(nil).Says(); got != "0 suggested, 0 withheld" {
		t.Errorf("nothing in words: %s", got)
	}
}
