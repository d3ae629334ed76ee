package web

import (
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"lintel/internal/house"
)

// steps returns the first steps as the page has them, done or not.
func (h *household) steps(key string) (state string) {
	h.t.Helper()
	page := string(h.get("/start", h.session(key)).is(http.StatusOK).body)
	found := regexp.MustCompile(`data-state="([01]+)"`).FindStringSubmatch(page)
	if len(found) != 2 {
		h.t.Fatalf("the page has no state:\n%s", page)
	}
	return found[1]
}

// TestFirstSteps goes through them as a newcomer does, leaving in between: each step
// shows as done from when it is, and Now leads to the next until somebody says that
// this is all.
func TestFirstSteps(t *testing.T) {
	h := newHouse(t)
	key := h.resident("Odile")
	if err := h.archive.RemoveBell(t.Context(), "gate"); err != nil {
		t.Fatal(err)
	}
	asResident := h.session(key)
	if got := h.steps(key); got != "000000" {
		t.Errorf("at first: %s", got)
	}
	h.get("/", asResident).says("First steps: 0 of 6 are done.")

	h.post("/start/zone", url.Values{"zone": {"Atlantis/Deep"}}, asResident).is(http.StatusUnprocessableEntity).
		says(`value="Atlantis/Deep"`).says(`aria-invalid="true"`)
	h.post("/start/zone", url.Values{"zone": {"Pacific/Chatham"}}, asResident).is(http.StatusSeeOther)
	rules, err := h.archive.Rules(t.Context())
	if err != nil || rules.Zone != "Pacific/Chatham" {
		t.Errorf("the zone is %q, %v", rules.Zone, err)
	}

	page := string(h.post("/upkeep/bells", url.Values{"name": {"Front door"}}, asResident).is(http.StatusOK).
		says("front-door").says("/start").body)
	secret := regexp.MustCompile(`[A-Z2-7]{26}`).FindString(page)
	if right, err := h.archive.CheckBell(t.Context(), "front-door", secret); err != nil || !right {
		t.Errorf("the secret that is shown is not the bell's: %t, %v", right, err)
	}
	if got := h.steps(key); got != "1100000" {
		t.Errorf("with a zone and a bell: %s", got)
	}
	lens := house.Lens{Angle: 120, Projection: house.Straight, Height: 1.4}
	if err := h.archive.SetLens(t.Context(), "front-door", lens); err != nil {
		t.Fatal(err)
	}
	h.enrolledAs("Ilse Amberg", 1)
	h.tablet("Hall", "Odile")
	h.post("/start/certificate", nil, asResident).is(http.StatusSeeOther)
	if got := h.steps(key); got != "1111110" {
		t.Errorf("at the end: %s", got)
	}
	if page := string(h.get("/", asResident).body); strings.Contains(page, "First steps") {
		t.Error("Now leads to steps that are all done")
	}
}

// Whoever puts the first steps away is not asked again, and finds them on Upkeep.
func TestFirstStepsPutAway(t *testing.T) {
	h := newHouse(t)
	asResident := h.session(h.resident("Odile"))
	h.get("/", asResident).says("First steps")
	h.post("/start/done", nil, asResident).is(http.StatusSeeOther)
	if page := string(h.get("/", asResident).body); strings.Contains(page, "First steps") {
		t.Error("Now still leads to them")
	}
	h.get("/upkeep", asResident).says("/start")
}

// A pairing code of the first steps pairs, and the address beside it is that of this
// server as another device reaches it.
func TestFirstStepsPair(t *testing.T) {
	h := newHouse(t)
	page := string(h.post("/start/tablet", nil, h.session(h.resident("Odile"))).is(http.StatusOK).says("/pair").body)
	code := regexp.MustCompile(`\d{4} \d{4}`).FindString(page)
	h.post("/pair", url.Values{"code": {code}, "name": {"Hall"}}).is(http.StatusSeeOther)
	if strings.Contains(page, "http://localhost") {
		t.Error("a tablet is led to itself")
	}
}

// Another secret takes the place of the one that was lost, at once.
func TestBellSecretAnew(t *testing.T) {
	h := newHouse(t)
	asResident := h.session(h.resident("Odile"))
	page := string(h.post("/upkeep/bells/gate/secret", nil, asResident).is(http.StatusOK).body)
	secret := regexp.MustCompile(`[A-Z2-7]{26}`).FindString(page)
	right, err := h.archive.CheckBell(t.Context(), "gate", secret)
	if err != nil || !right {
		t.Errorf("the new secret is not the bell's: %t, %v", right, err)
	}
	h.post("/upkeep/bells/gate/secret", nil, asResident)
	if right, _ := h.archive.CheckBell(t.Context(), "gate", secret); right {
		t.Error("the secret before is good still")
	}
	h.post("/upkeep/bells/cellar/secret", nil, asResident).is(http.StatusNotFound)
	h.get("/upkeep/bells/gate/remove", asResident).says("Its visits stay")
	h.post("/upkeep/bells/gate/remove", nil, asResident).is(http.StatusSeeOther)
	if err := h.archive.HasBell(t.Context(), "gate"); err == nil {
		t.Error("the bell is there still")
	}
}
