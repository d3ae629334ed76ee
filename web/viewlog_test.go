package web

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"
)

// looked lists the audit trail's entries of looks, oldest first.
func (h *household) looked() (entries []string) {
	h.t.Helper()
	trail, err := h.archive.Trail(h.t.Context(), 0, 1000)
	if err != nil {
		h.t.Fatal(err)
	}
	for _, e := range slices.Backward(trail) {
		if e.Action == "looked" {
			who, _, _ := strings.Cut(e.Actor, " ")
			entries = append(entries, who+": "+e.Subject)
		}
	}
	return entries
}

// TestLooksAreNoted has stills seen, again and again, by several.
func TestLooksAreNoted(t *testing.T) {
	h := newHouse(t)
	token := h.resident("Odile")
	first := h.rung("R1", 0, still(t, 1)).Visit
	h.rung("R1", 1, still(t, 2))
	second := h.rung("R2", 0, still(t, 3)).Visit
	resident, tablet := h.session(token), h.session(h.tablet("Hall", "Odile"))
	see := func(visit, frame string, by option) {
		t.Helper()
		h.get("/api/v1/visits/"+visit+"/stills/"+frame, by).is(200)
	}
	for _, page := range []string{"/", "/visits", "/visits/" + first, "/api/v1/visits", "/api/v1/visits/" + first} {
		h.get(page, resident).is(200)
	}
	if got := h.looked(); len(got) != 0 {
		t.Errorf("pages alone are noted: %q", got)
	}
	for range 3 {
		see(first, "0", resident)
		see(first, "1", resident)
	}
	see(second, "0", resident)
	see(first, "0", tablet)
	h.get("/api/v1/visits/"+first+"/stills/9", resident).is(404)
	h.get("/api/v1/visits/NOSUCHVISIT/stills/0", resident).is(404)
	h.get("/api/v1/visits/" + first + "/stills/0").is(401)
	want := []string{"resident: visit " + first, "resident: visit " + second, "tablet: visit " + first}
	if got := h.looked(); !slices.Equal(got, want) {
		t.Errorf("noted %q, want %q", got, want)
	}
	h.clock.advance(time.Hour)
	see(first, "0", resident)
	see(first, "0", resident)
	if got := h.looked(); len(got) != 4 {
		t.Errorf("an hour later noted %q", got)
	}
}

func TestLooksAreBounded(t *testing.T) {
	var l viewLog
	now := time.Date(2031, 5, 4, 18, 30, 0, 0, time.UTC)
	for i := range 3 * maxViewings {
		if !l.first(viewing{visit: fmt.Sprint(i)}, now) {
			t.Fatalf("look %d is not the first", i)
		}
		if len(l.seen) > maxViewings {
			t.Fatalf("%d are remembered", len(l.seen))
		}
	}
	last := viewing{visit: fmt.Sprint(3*maxViewings - 1)}
	if l.first(last, now) {
		t.Error("a look is the first twice")
	}
	l.forget(last)
	if !l.first(last, now) {
		t.Error("a look that was forgotten is not the first")
	}
	if !l.first(viewing{by: "resident A", visit: last.visit}, now) {
		t.Error("another's look is not the first")
	}
}
