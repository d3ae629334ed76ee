package web

import (
	"fmt"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"lintel/internal/house"
	"lintel/pipeline/advice/policy"
)

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
	h.get("/upkeep/advice", h.resident).says("1 suggested (1 expired), 0 withheld").says("(the visit is gone)").
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
}

// newSession signs a resident in anew.
func newSession(h *adviceHouse, name string) option {
	h.t.Helper()
	r, err := h.archive.Resident(h.t.Context(), name)
	if err != nil {
		h.t.Fatal(err)
	}
	token, err := h.archive.StartResidentSession(h.t.Context(), r.ID)
	if err != nil {
		h.t.Fatal(err)
	}
	return h.session(h.household.secret(token))
}
