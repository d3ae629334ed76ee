package store

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"lintel/internal/house"
)

// newHousehold returns an archive with something in every table that holds
// sealed values, and its visits. The last visit names the person, and is held.
func newHousehold(t *testing.T) (a *Archive, c *clock, visits []string) {
	t.Helper()
	c = newClock()
	return copyOf(t, &household, c, makeHousehold), c, household.visits
}

// household is made once.
var household fixture

func makeHousehold(t *testing.T, a *Archive, c *clock) (visits []string) {
	t.Helper()
	ctx := t.Context()
	p, _ := enrolled(t, a, rand.New(rand.NewPCG(8, 8)), "Tamsin Quill", 1)
	resident, err := a.AddResident(ctx, "Morgan Vale", "$argon2id$not a real one")
	if err != nil {
		t.Fatal(err)
	}
	token, err := a.PairTablet(ctx, "Pantry tablet", resident.ID)
	must(t, err)
	session, err := a.Session(ctx, token)
	must(t, err)
	must(t, a.UseSession(ctx, session, house.Browser{Name: "Firefox", System: "Android"}))
	for i := range 5 {
		if i == 4 { // the last is one of a trial
			if _, err := a.StartTrial(ctx, "gate", resident.ID); err != nil {
				t.Fatal(err)
			}
		}
		visits = append(visits, keep(t, a, stillOf(fmt.Sprintf("r%d", i), 0)))
	}
	last := visits[len(visits)-1]
	record(t, a, visits[3], faceOf(0.5, nil))
	record(t, a, last, faceOf(0.2, &house.Match{Person: p.ID, Distance: 0.3, FPIR: 1e-4, Band: "strong"}))
	if err := errors.Join(
		a.SetRules(ctx, house.DefaultRules()),
		a.SetMasks(ctx, "gate", []house.Polygon{{{X: 0, Y: 0}, {X: 1, Y: 0}, {X: 1, Y: 0.5}}}),
		a.PlaceHold(ctx, last, "for the insurance", c.Now().Add(time.Hour)),
	); err != nil {
		t.Fatal(err)
	}
	door := advised(t, a, p.ID, 1)
	_, _, err = a.AddReceiver(ctx, door, "Garage winch")
	_, parcelErr := a.AddParcelRule(ctx, house.ParcelRule{Door: door, Note: "lamp oil", From: c.Now(),
		To: c.Now().Add(time.Hour)})
	_, adviceErr := a.AddAdvice(ctx, house.Advice{Visit: last, Door: door, Person: p.ID, State: house.Withheld,
		At: c.Now()})
	_, _, programErr := a.AddProgram(ctx, "Porch light", house.ReadVisits)
	displayErr := a.SetDisplay(ctx, "gate", house.UsualDisplay)
	_, messageErr := a.AddMessage(ctx, house.Message{Bell: "gate", Visit: visits[0], Text: "Coming",
		Until: c.Now().Add(time.Minute)})
	if err := errors.Join(err, parcelErr, adviceErr, programErr, displayErr, messageErr, unwell(t, a)); err != nil {
		t.Fatal(err)
	}
	return visits
}

// unwell has the bell tell how it is.
func unwell(t *testing.T, a *Archive) error {
	ctx := t.Context()
	return errors.Join(a.KeepHeartbeat(ctx, "gate", house.Heartbeat{At: a.now(), Firmware: "porch clock 7"}),
		a.AddBellDay(ctx, "gate", house.BellDay{Day: "2031-05-04", Rings: 5}),
		a.ChangeBellHealth(ctx, "gate", func(h *house.Health) error {
			h.Begin(house.BellMoved, a.now())
			return nil
		}),
		a.KeepBellView(ctx, "gate", []byte("a wall of bricks")))
}

// A fixture is an archive that many tests begin with, each with a copy.
type fixture struct {
	files  map[string][]byte
	visits []string
}

// copyOf opens a copy of a fixture, and makes it first if it is not there yet.
func copyOf(t *testing.T, f *fixture, c *clock, make func(*testing.T, *Archive, *clock) []string) *Archive {
	t.Helper()
	if f.files == nil {
		a, c := newArchive(t)
		f.visits = make(t, a, c)
		if err := a.Close(); err != nil {
			t.Fatal(err)
		}
		f.files = copyFolder(t, a.dir)
	}
	dir := t.TempDir()
	writeFolder(t, dir, f.files)
	return openArchive(t, dir, c)
}
