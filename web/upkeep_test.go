package web

import (
	"errors"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/store/backup"
)

func TestUpkeepOfTheArchive(t *testing.T) {
	var at time.Time
	var swept house.Swept
	var failed error
	h := newHouse(t, func(c *Config) {
		c.LastSweep = func() (time.Time, house.Swept, error) { return at, swept, failed }
	})
	in := h.session(h.resident("Odile"))
	h.found("R1", true)
	h.found("R2", true)
	h.get("/upkeep", in).is(200).says("<dt>Visits</dt><dd>2</dd>").says("<dt>Stills</dt><dd>2</dd>").
		says("<dt>On disk</dt>").says("<dt>Free of ").
		says("No sweep was made since the server started.").says("There was never a backup.").says("lintel backup")

	at = h.clock.now()
	h.get("/upkeep", in).is(200).says("The last sweep was on Sunday 4 May, 18:30: nothing was due.")
	swept = house.Swept{Visits: 1, Findings: 2, Smaller: 3}
	h.get("/upkeep", in).is(200).
		says("1 visit was deleted, the photos of 2 visits were deleted and the photos of 3 visits were made smaller.")
	failed = errors.New("the file of a still can't be removed")
	a := h.get("/upkeep", in).is(200).says("Something could not be done")
	if strings.Contains(string(a.body), failed.Error()) {
		t.Error("the page tells what only the log should")
	}
}

func TestUpkeepOfBackups(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	h.found("R1", true)
	if _, err := backup.Write(t.Context(), h.archive, t.TempDir(), backup.Options{Keep: 1}); err != nil {
		t.Fatal(err)
	}
	const week = 7 * 24 * time.Hour
	made := "The last backup was made on Sunday 4 May, 18:30, with 1 still."
	h.clock.advance(week)
	if a := h.get("/upkeep", in).is(200).says(made); strings.Contains(string(a.body), "lintel backup") {
		t.Error("Upkeep warns of a backup of this week")
	}
	h.clock.advance(time.Second)
	h.get("/upkeep", in).is(200).says(made).says("lintel backup")
}
