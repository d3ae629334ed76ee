package store

import (
	"bytes"
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

func TestBellNames(t *testing.T) {
	a, _ := newArchive(t)
	for name, want := range map[string]error{
		"a":                     nil,
		"Garden_gate-2.north":   nil,
		strings.Repeat("b", 64): nil,
		strings.Repeat("b", 65): house.ErrBadName,
		"":                      house.ErrBadName,
		".":                     house.ErrBadName,
		"..":                    house.ErrBadName,
		".hidden":               house.ErrBadName,
		"../x":                  house.ErrBadName,
		"a/b":                   house.ErrBadName,
		`a\b`:                   house.ErrBadName,
		"a b":                   house.ErrBadName,
		"a\n":                   house.ErrBadName,
		"a\x00":                 house.ErrBadName,
		"+":                     house.ErrBadName, // a wildcard of MQTT
		"#":                     house.ErrBadName,
		"türe":                  house.ErrBadName,
	} {
		_, err := a.AddBell(t.Context(), name)
		if want == nil && err != nil {
			t.Errorf("%q: %v", name, err)
		} else if want != nil {
			wantError(t, err, want)
		}
	}
}
