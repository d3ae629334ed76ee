package web

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"lintel/internal/house"
	"lintel/pipeline/advice/policy"
)

// TestCountAdvice counts advice that was counted by hand.
func TestCountAdvice(t *testing.T) {
	withheld := func(unmet ...string) house.Advice {
		return house.Advice{State: house.Withheld, Conditions: conditionsBut(unmet...)}
	}
	became := func(s house.AdviceState) house.Advice { return house.Advice{State: s, Conditions: conditionsBut()} }
	m := countAdvice([]house.Advice{
		withheld(policy.Factors), withheld(policy.Factors), withheld(policy.Factors, policy.Home), withheld(policy.Home),
		withheld(policy.Alike, policy.Home, policy.People),
		// One whose visit is gone has the codes that were not met, and no words.
		{State: house.Withheld, Conditions: []house.Condition{{Code: policy.Alike}}},
		became(house.Used), became(house.Used), became(house.Dismissed), became(house.Expired), became(house.Suggested),
	}, func(d house.Advice) house.AdviceState { return d.State })
	want := []unmetCount{{policy.Factors, 3, 2}, {policy.Home, 3, 1}, {policy.Alike, 2, 1}, {policy.People, 1, 0}}
	if m.Given != 5 || m.Open != 1 || m.Used != 2 || m.Dismissed != 1 || m.Expired != 1 || m.Withheld != 6 ||
		m.Lone != 4 || !slices.Equal(m.Unmet, want) {
		t.Errorf("counted %+v", m)
	}
	lines := []string{"Of 6 withheld, 2 for this reason alone: a factor is missing.",
		"Of 6 withheld, 1 for this reason alone: the household is away.",
		"Of 6 withheld, 1 for this reason alone: somebody is easily confused with the person."}
	if got := m.WhatIf(); !slices.Equal(got, lines) {
		t.Errorf("what if: %q", got)
	}
	if got := m.Words(); got != "5 suggested (2 used, 1 dismissed, 1 expired, 1 still open), 6 withheld" {
		t.Errorf("in words: %s", got)
	}
	if got := countAdvice(nil, nil).Words(); got != "0 suggested, 0 withheld" {
		t.Errorf("nothing in words: %s", got)
	}
}

// TestAdviceMonthPage has a month with advice at two doors, of which one goes,
// and a visit that goes.
func TestAdviceMonthPage(t *testing.T) {
	h := newAdviceHouse(t)
	h.get("/upkeep", h.resident).says(`href="/upkeep/advice"`)
	h.get("/upkeep/advice", h.tablet).isProblem(403, "residents-only")
	side := h.household.door("the side door")
	other := h.knownRings("R2") // nobody, kept for 72 hours
	h.advised(house.Advice{Visit: other, Door: side, Person: h.ada, State: house.Withheld,
		Conditions: conditionsBut(policy.Home, policy.Factors)})
	h.suggest()
	page := string(h.get("/upkeep/advice", h.resident).says("The front door").
		says("1 suggested (1 still open), 0 withheld").says("The side door").says("0 suggested, 1 withheld").
		says("The household is away; a factor is missing.").says("None was withheld for one reason alone").body)
	if !strings.Contains(page, "/visits/"+other) {
		t.Errorf("the page is\n%s", page)
	}
	h.clock.advance(73 * time.Hour)
	third := h.knownRings("R3", h.ada)
	h.advised(house.Advice{Visit: third, Door: side, Person: h.ada, State: house.Withheld,
		Conditions: conditionsBut(policy.Factors)})
	if _, err := h.archive.Sweep(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	h.get("/upkeep/advice", h.resident).says("1 suggested (1 expired), 0 withheld").says("on a visit that is gone").
		says("The household is away; a factor is missing.").
		says("Of 2 withheld, 1 for this reason alone: a factor is missing.")
	if err := h.archive.RemoveDoor(t.Context(), side); err != nil {
		t.Fatal(err)
	}
	h.get("/upkeep/advice", h.resident).is(200)
	h.clock.advance((adviceLookedBack + 1) * 24 * time.Hour)
	h.get("/upkeep/advice", newSession(h, "Odile")).says("No advice was given")
}

// TestAdviceMonthOfAnyAlphabet has doors whose first letter is more than a byte.
func TestAdviceMonthOfAnyAlphabet(t *testing.T) {
	h := newAdviceHouse(t)
	for i, name := range []string{"задняя дверь", "écurie"} {
		visit := h.knownRings(fmt.Sprint("R", i+5), h.ada)
		h.advised(house.Advice{Visit: visit, Door: h.household.door(name), Person: h.ada, State: house.Withheld,
			Conditions: conditionsBut(policy.Home)})
	}
	page := h.get("/upkeep/advice", h.resident).says("Задняя дверь").says("Écurie")
	if !utf8.Valid(page.body) {
		t.Error("the page is no UTF-8")
	}
	if got := capital(""); got != "" {
		t.Errorf("nothing became %q", got)
	}
}

// newSession signs a resident in anew.
func newSession(h *adviceHouse, name string) option {
	h.t.Helper()
	return h.session(h.signsIn(name))
}
