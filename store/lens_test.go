package store

import (
	"bytes"
	"testing"

	"lintel/internal/house"
)

func TestLens(t *testing.T) {
	a, _ := newArchive(t)
	ctx := t.Context()
	wantLens := func(a *Archive, bell string, want house.Lens, wantKnown bool) {
		t.Helper()
		if l, known, err := a.Lens(ctx, bell); err != nil || l != want || known != wantKnown {
			t.Errorf("the lens of %s is %+v, %t, %v", bell, l, known, err)
		}
	}
	wantTrail := func(want string) {
		t.Helper()
		if e, err := a.Trail(ctx, 0, 1); err != nil || e[0].Action+" "+e[0].Subject != want {
			t.Errorf("the trail ends with %+v, %v, want %q", e, err, want)
		}
	}
	changed, stop := a.Watch()
	defer stop()
	wantSignal := func() {
		t.Helper()
		select {
		case <-changed:
		default:
			t.Error("nobody is told")
		}
	}

	wantLens(a, "gate", house.Lens{}, false)
	wide := house.Lens{Angle: 161.25, Projection: house.Equidistant, Height: 1.375, Tilt: -7.5}
	wantError(t, a.SetLens(ctx, "nowhere", wide), house.ErrNotFound)
	wantError(t, a.ClearLens(ctx, "nowhere"), house.ErrNotFound)
	if err := a.ClearLens(ctx, "gate"); err != nil { // nothing is known
		t.Error(err)
	}
	wantTrail("added bell " + a.bellID("gate"))
	for len(changed) > 0 {
		<-changed
	}

	if err := a.SetLens(ctx, "gate", wide); err != nil {
		t.Fatal(err)
	}
	wantSignal()
	wantLens(a, "gate", wide, true)
	wantLens(a, "nowhere", house.Lens{}, false)
	wantTrail("changed lens " + a.bellID("gate"))
	if raw := rawBytes(t, a); bytes.Contains(raw, []byte("161.25")) || bytes.Contains(raw, []byte("equidistant")) {
		t.Error("the lens can be read without the key")
	}

	narrow := house.Lens{Angle: 60, Projection: house.Straight, Height: 2, Tilt: 20}
	if err := a.SetLens(ctx, "gate", narrow); err != nil {
		t.Fatal(err)
	}
	wantLens(a, "gate", narrow, true)
	wantError(t, a.SetLens(ctx, "gate", house.Lens{}), house.ErrBadLens)
	wantLens(a, "gate", narrow, true)

	if err := a.ClearLens(ctx, "gate"); err != nil {
		t.Fatal(err)
	}
	wantLens(a, "gate", house.Lens{}, false)
	wantTrail("removed lens " + a.bellID("gate"))
	if err := a.RemoveBell(ctx, "gate"); err != nil {
		t.Fatal(err)
	}
	wantError(t, a.SetLens(ctx, "gate", wide), house.ErrNotFound)
	wantError(t, a.ClearLens(ctx, "gate"), house.ErrNotFound)
}
