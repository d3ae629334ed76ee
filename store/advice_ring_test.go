package store

import (
	"errors"
	"testing"
	"time"

	"lintel/internal/house"
)

// TestRingIsOneOrTheOther holds that a ring is good for persons or for one parcel,
// whoever decides, and that what no receiver heard of can be used again.
func TestRingIsOneOrTheOther(t *testing.T) {
	a, c := newArchive(t)
	ctx := t.Context()
	p, err := a.AddPerson(ctx, "Tamsin Quill")
	if err != nil {
		t.Fatal(err)
	}
	doors, parcels := parcelDoors(t, a, c)
	suggest := func(visit string, door int, parcel string) (string, error) {
		d := house.Advice{Visit: visit, Door: doors[door], State: house.Suggested, At: c.Now(),
			ExpiresAt: c.Now().Add(time.Minute), Parcel: parcel}
		if parcel == "" {
			d.Person = p.ID
		}
		return a.AddAdvice(ctx, d)
	}
	family := keep(t, a, stillOf("r1", 0))
	for _, door := range []int{2, 3} { // a person may be let in at two doors
		if _, err := suggest(family, door, ""); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := suggest(family, 0, parcels[0]); !errors.Is(err, house.ErrTaken) {
		t.Errorf("a parcel on a ring of the family's: %v", err)
	}
	courier := keep(t, a, stillOf("r2", 0))
	id, err := suggest(courier, 0, parcels[0])
	if err != nil {
		t.Fatal(err)
	}
	if _, err := suggest(courier, 1, parcels[1]); !errors.Is(err, house.ErrTaken) {
		t.Errorf("a second parcel on the ring: %v", err)
	}
	if _, err := suggest(courier, 2, ""); !errors.Is(err, house.ErrTaken) {
		t.Errorf("a person on a ring with a parcel: %v", err)
	}
	used := func() string { return usedBy(t, a, parcels[0]) }
	if used() != id {
		t.Errorf("the parcel is used by %q", used())
	}
	if err := a.WithdrawAdvice(ctx, house.Advice{ID: id}); err != nil || used() != "" {
		t.Errorf("withdrawn: %v, and the parcel is used by %q", err, used())
	}
	third := keep(t, a, stillOf("r3", 0))
	if id, err = suggest(third, 0, parcels[0]); err != nil {
		t.Fatal(err)
	}
	if err := a.ConfirmAdvice(ctx, id); err != nil {
		t.Fatal(err)
	}
	if err := a.WithdrawAdvice(ctx, house.Advice{ID: id}); err != nil || used() != id {
		t.Errorf("withdrawn once receivers heard of it: %v, and the parcel is used by %q", err, used())
	}
}

// parcelDoors adds four doors: the first two are for parcels, with a rule for one
// each.
func parcelDoors(t *testing.T, a *Archive, c *clock) (doors, parcels []string) {
	t.Helper()
	for _, name := range []string{"Porch", "Garage", "House", "Side"} {
		door, err := a.SetDoor(t.Context(), house.Door{Name: name, Bell: "gate", Parcel: len(doors) < 2})
		if err != nil {
			t.Fatal(err)
		}
		doors = append(doors, door)
		if len(doors) > 2 {
			continue
		}
		parcel, err := a.AddParcelRule(t.Context(), house.ParcelRule{Door: door, From: c.Now(), To: c.Now().Add(time.Hour)})
		if err != nil {
			t.Fatal(err)
		}
		parcels = append(parcels, parcel)
	}
	return doors, parcels
}

// usedBy is the advice that a parcel was used for.
func usedBy(t *testing.T, a *Archive, parcel string) (advice string) {
	t.Helper()
	all, err := a.ParcelRules(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range all {
		if r.ID == parcel {
			advice = r.UsedBy
		}
	}
	return advice
}
