package store

import (
	"bytes"
	"errors"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
)

func TestBells(t *testing.T) {
	a, c := newArchive(t)
	ctx := t.Context()
	check := func(name, secret string, want bool, wantErr error) {
		t.Helper()
		got, err := a.CheckBell(ctx, name, secret)
		if got != want {
			t.Errorf("CheckBell(%q) is %v, want %v", name, got, want)
		}
		wantError(t, err, wantErr)
	}
	first, err := a.AddBell(ctx, "front-door")
	if err != nil {
		t.Fatal(err)
	}
	// RFC 4648 base32 has 5 bits a character: 26 of them are 130 bits.
	if len(first) < 26 {
		t.Errorf("a secret of %d characters", len(first))
	}
	check("front-door", first, true, nil)
	check("front-door", first+"x", false, nil)
	check("front-door", "", false, nil)
	check("gate", first, false, nil)
	check("Front-Door", first, false, house.ErrNotFound)
	_, err = a.AddBell(ctx, "front-door")
	wantError(t, err, house.ErrExists)
	check("front-door", first, true, nil) // the second AddBell changed nothing
	visit := keep(t, a, house.NewStill{Bell: "front-door", Ring: "r1", JPEG: []byte("still"), ReceivedAt: c.Now()})

	must(t, a.RemoveBell(ctx, "front-door"))
	check("front-door", first, false, house.ErrNotFound)
	check("front-door", "", false, house.ErrNotFound)
	wantError(t, a.RemoveBell(ctx, "front-door"), house.ErrNotFound)
	wantError(t, a.RemoveBell(ctx, "never-there"), house.ErrNotFound)
	if bells, err := a.Bells(ctx); err != nil || len(bells) != 1 || bells[0].Name != "gate" {
		t.Errorf("bells %v, %v", bells, err)
	}
	if v, err := a.Visit(ctx, visit); err != nil || v.Bell != "front-door" {
		t.Errorf("the removed bell's visit: %v, %v", v, err)
	}

	c.Advance(time.Hour)
	second, err := a.AddBell(ctx, "front-door")
	if err != nil {
		t.Fatal(err)
	}
	check("front-door", first, false, nil)
	check("front-door", second, true, nil)
	bells, err := a.Bells(ctx)
	if err != nil || len(bells) != 2 || !bells[0].AddedAt.Equal(c.Now()) || !bells[0].HeardAt.IsZero() {
		t.Errorf("bells %v, %v", bells, err)
	}

	wantUntold(t, a, a.bellID("front-door"), first, second, "front-door")
}

// wantUntold wants something to be in the raw bytes, and secrets not to be.
func wantUntold(t *testing.T, a *Archive, there string, secrets ...string) {
	t.Helper()
	raw := rawBytes(t, a)
	if !bytes.Contains(raw, []byte(there)) {
		t.Fatal("the raw bytes lack what must be in them")
	}
	for _, secret := range secrets {
		if bytes.Contains(raw, []byte(secret)) {
			t.Errorf("%q is in the raw bytes", secret)
		}
	}
}

// What is a name of a bell, and what its address is. That é is e with an accent, and
// that ß folds to ss, is Unicode's (UAX #15, and CaseFolding.txt).
func TestBellNames(t *testing.T) {
	a, _ := newArchive(t) // with the bell gate
	for _, test := range []struct {
		name, address string
		want          error
	}{
		{"a", "a", nil},
		{"Garden_gate-2.north", "Garden_gate-2.north", nil}, // as earlier versions had it
		{strings.Repeat("b", 64), strings.Repeat("b", 64), nil},
		{"Front door", "front-door", nil},
		{" Back door ", "back-door", nil},
		{"Türe zur Straße", "ture-zur-strasse", nil},
		{"Cafe\u0301 (1st floor)", "cafe-1st-floor", nil},
		{"玄関", "bell", nil},
		{"裏口", "bell-2", nil},
		{"Front door!", "front-door-2", nil}, // another name with the same word
		{"a/b", "a-b", nil},
		{"+", "bell-3", nil}, // a wildcard of MQTT
		{strings.Repeat("long ", 12) + "name", strings.Repeat("long-", 12)[:59], nil},
		{".hidden", "hidden", nil},

		{"front DOOR", "", house.ErrExists},
		{"front-door", "", house.ErrExists}, // an address that is another's
		{"GATE", "", house.ErrExists},
		{strings.Repeat("b", 65), "", house.ErrBadName},
		{"", "", house.ErrBadName},
		{" ", "", house.ErrBadName},
		{"a\nb", "", house.ErrNameUnseen},
		{"a\x00", "", house.ErrNameUnseen},
		{"Front  door", "", house.ErrNameUnseen}, // drawn as the first
		{"gate\u202e", "", house.ErrNameUnseen},
	} {
		secret, err := a.AddBell(t.Context(), test.name)
		if !errors.Is(err, test.want) || (test.want == nil) != (err == nil) {
			t.Errorf("%q: %v, want %v", test.name, err, test.want)
		}
		if test.want != nil {
			continue
		}
		if ok, err := a.CheckBell(t.Context(), test.address, secret); err != nil || !ok {
			t.Errorf("%q is not at %q: %v", test.name, test.address, err)
		}
		bell, err := a.Bell(t.Context(), strings.TrimSpace(test.name))
		if err != nil || bell.Address != test.address || !bellAddress.MatchString(bell.Address) {
			t.Errorf("%q is %+v, %v", test.name, bell, err)
		}
	}
}

// A bell that is called otherwise keeps its address, its secret and its visits.
func TestRenameBell(t *testing.T) {
	a, c := newArchive(t) // with the bell gate
	ctx := t.Context()
	secret, err := a.AddBell(ctx, "Front door")
	if err != nil {
		t.Fatal(err)
	}
	visit := keep(t, a, house.NewStill{Bell: "front-door", Ring: "r1", JPEG: []byte("still"), ReceivedAt: c.Now()})
	must(t, a.RenameBell(ctx, "front-door", "Ivy porch"))
	if ok, err := a.CheckBell(ctx, "front-door", secret); err != nil || !ok {
		t.Errorf("the secret: %t, %v", ok, err)
	}
	if v, err := a.Visit(ctx, visit); err != nil || v.Bell != "front-door" {
		t.Errorf("its visit: %+v, %v", v, err)
	}
	for _, asked := range []string{"front-door", "ivy PORCH"} {
		if b, err := a.Bell(ctx, asked); err != nil || b.Name != "Ivy porch" || b.Address != "front-door" {
			t.Errorf("%q is %+v, %v", asked, b, err)
		}
	}
	if names, err := a.Names(ctx); err != nil || names["bell "+a.bellID("front-door")] != "Ivy porch" {
		t.Errorf("the trail calls it %v, %v", names, err)
	}
	must(t, a.RenameBell(ctx, "front-door", "IVY porch")) // its own, in other letters
	wantError(t, a.RenameBell(ctx, "front-door", "Gate"), house.ErrExists)
	wantError(t, a.RenameBell(ctx, "front-door", "x\u202e"), house.ErrNameUnseen)
	wantError(t, a.RenameBell(ctx, "nowhere", "x"), house.ErrNotFound)
	must(t, a.RenameBell(ctx, "front-door", "front-door"))
	wantUntold(t, a, a.bellID("front-door"), "Ivy porch", "Front door")

	// Once it is removed, another name that makes the same word is another bell, and
	// its own name brings it back.
	must(t, a.RenameBell(ctx, "front-door", "Front door"))
	must(t, a.RemoveBell(ctx, "front-door"))
	for _, name := range []string{"Front door!", "Front door"} {
		if _, err := a.AddBell(ctx, name); err != nil {
			t.Fatal(err)
		}
	}
	other, err := a.Bell(ctx, "Front door!")
	again, err2 := a.Bell(ctx, "Front door")
	if err != nil || err2 != nil || other.Address != "front-door-2" || again.Address != "front-door" {
		t.Errorf("%+v, %v; %+v, %v", other, err, again, err2)
	}
}
