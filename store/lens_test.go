package store

import (
	"bytes"
	"math"
	"path/filepath"
	"strings"
	"testing"
)

func TestLens(t *testing.T) {
	a, _ := newArchive(t)
	ctx := t.Context()
	wantLens := func(a *Archive, bell string, want Lens, wantKnown bool) {
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

	wantLens(a, "gate", Lens{}, false)
	wide := Lens{Angle: 161.25, Projection: Equidistant, Height: 1.375, Tilt: -7.5}
	wantError(t, a.SetLens(ctx, "nowhere", wide), ErrNotFound)
	wantError(t, a.ClearLens(ctx, "nowhere"), ErrNotFound)
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
	wantLens(a, "nowhere", Lens{}, false)
	wantTrail("changed lens of bell " + a.bellID("gate"))
	if raw := rawBytes(t, a); bytes.Contains(raw, []byte("161.25")) || bytes.Contains(raw, []byte("equidistant")) {
		t.Error("the lens can be read without the key")
	}

	narrow := Lens{Angle: 60, Projection: Straight, Height: 2, Tilt: 20}
	if err := a.SetLens(ctx, "gate", narrow); err != nil {
		t.Fatal(err)
	}
	wantLens(a, "gate", narrow, true)
	wantError(t, a.SetLens(ctx, "gate", Lens{}), ErrBadLens)
	wantLens(a, "gate", narrow, true)

	// A backup has it, and so has what is restored of it.
	dir, into := t.TempDir(), filepath.Join(t.TempDir(), "restored")
	mustBackup(t, a, dir, BackupOptions{})
	if err := a.ClearLens(ctx, "gate"); err != nil {
		t.Fatal(err)
	}
	wantLens(a, "gate", Lens{}, false)
	wantTrail("removed lens of bell " + a.bellID("gate"))
	if r := mustBackup(t, a, dir, BackupOptions{}); r.Unchanged {
		t.Error("the backup did not notice that the lens is gone")
	}
	if _, err := Restore(ctx, dir, into, RestoreOptions{Key: keyOf(testKey), Snapshot: firstSnapshot(t, dir)}); err != nil {
		t.Fatal(err)
	}
	wantLens(openArchive(t, into, newClock()), "gate", narrow, true)

	if err := a.RemoveBell(ctx, "gate"); err != nil {
		t.Fatal(err)
	}
	wantError(t, a.SetLens(ctx, "gate", wide), ErrNotFound)
	wantError(t, a.ClearLens(ctx, "gate"), ErrNotFound)
}

func firstSnapshot(t *testing.T, dir string) string {
	t.Helper()
	names := entries(t, filepath.Join(dir, snapshotsDir))
	if len(names) == 0 {
		t.Fatal("no snapshot")
	}
	return names[0]
}

// The limits are those of the task: from a long lens to one that sees behind
// itself, from a child's reach to a lintel.
func TestCheckLens(t *testing.T) {
	right := Lens{Angle: 100, Projection: Straight, Height: 1.4, Tilt: 5}
	with := func(change func(*Lens)) Lens {
		l := right
		change(&l)
		return l
	}
	nan, inf := math.NaN(), math.Inf(1)
	angles := func(p Projection, angles ...float64) (all []Lens) {
		for _, angle := range angles {
			all = append(all, with(func(l *Lens) { l.Projection, l.Angle = p, angle }))
		}
		return all
	}
	heights := func(heights ...float64) (all []Lens) {
		for _, height := range heights {
			all = append(all, with(func(l *Lens) { l.Height = height }))
		}
		return all
	}
	tilts := func(tilts ...float64) (all []Lens) {
		for _, tilt := range tilts {
			all = append(all, with(func(l *Lens) { l.Tilt = tilt }))
		}
		return all
	}
	join := func(lists ...[]Lens) (all []Lens) {
		for _, l := range lists {
			all = append(all, l...)
		}
		return all
	}
	for _, l := range join(angles(Straight, 20, 169.9), angles(Equidistant, 20, 170, 200), heights(0.3, 3), tilts(-45, 0, 60)) {
		if err := l.Check(); err != nil {
			t.Errorf("%+v: %v", l, err)
		}
	}
	for _, l := range join(angles(Straight, -100, 0, 19.9, 170, 180, nan, inf, -inf), angles(Equidistant, 19.9, 200.1, nan, inf),
		angles("", 100), angles("round", 100), heights(-1, 0, 0.29, 3.01, nan, inf), tilts(-45.1, 60.1, nan, inf, -inf)) {
		if err := l.Check(); err == nil || !strings.HasPrefix(err.Error(), ErrBadLens.Error()+": ") {
			t.Errorf("%+v: %v", l, err)
		}
		wantError(t, l.Check(), ErrBadLens)
	}
}
