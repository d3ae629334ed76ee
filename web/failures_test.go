package web

import (
	"fmt"
	"net/url"
	"testing"
	"time"

	"lintel/internal/house"
)

// TestFailuresFillNoDisk has 1,000 wrong sign-ins, links and pairings in an hour:
// the trail tells of them in few lines.
func TestFailuresFillNoDisk(t *testing.T) {
	h := newRunning(t)
	in := h.session(h.resident("Odile"))
	before := len(h.trail())
	for i := range 1000 {
		whom := ""
		if i%2 == 0 {
			whom = h.residentID("Odile")
		}
		h.noteFailure(t.Context(), "sign-in", whom)
		h.post("/join", account(fmt.Sprint("guess", i), "Mallory", password)).isProblem(410, "stale-link")
	}
	entries := h.trail()[before:]
	if len(entries) != 4+3+3 { // 1, 10, 100 and 1,000 links, and up to 100 of 500 sign-ins of each
		t.Errorf("%d entries: %+v", len(entries), entries)
	}
	h.get("/upkeep/trail", in).is(200).says("100 failed sign-ins as Odile within an hour").
		says("1000 links that were no good").says("100 failed sign-ins by names that nobody has")
	h.clock.advance(time.Hour)
	h.post("/sign-in", url.Values{"name": {"Nobody"}, "password": {password}}).is(401)
	if last := h.trail(); last[len(last)-1].Subject != "sign-in unknown count 1" {
		t.Errorf("%+v", last[len(last)-1])
	}
}

// trail returns the audit trail, the oldest entry first.
func (h running) trail() (all []house.Entry) {
	h.t.Helper()
	newest, err := h.archive.Trail(h.t.Context(), 0, 1000)
	if err != nil {
		h.t.Fatal(err)
	}
	for i := range newest {
		all = append(all, newest[len(newest)-1-i])
	}
	return all
}
