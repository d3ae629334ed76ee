package store

import (
	"bytes"
	"testing"
	"time"

	"lintel/internal/house"
)

func TestAccounts(t *testing.T) {
	a, c := newArchive(t)
	ctx := t.Context()
	quill, err := a.AddResident(ctx, " Tamsin ", "$argon2id$invented")
	if err != nil {
		t.Fatal(err)
	}
	_, err = a.AddResident(ctx, "TAMSIN", "other")
	wantError(t, err, house.ErrExists)
	if got, err := a.Resident(ctx, "tamsin"); err != nil || got != quill {
		t.Errorf("%+v, want %+v; %v", got, quill, err)
	}
	_, err = a.Resident(ctx, "Odo")
	wantError(t, err, house.ErrNotFound)
	if rs, err := a.Residents(ctx); err != nil || len(rs) != 1 || rs[0] != quill {
		t.Errorf("residents %v, %v", rs, err)
	}

	start := func(f func() (string, error)) string {
		t.Helper()
		token, err := f()
		if err != nil {
			t.Fatal(err)
		}
		return token
	}
	mine := start(func() (string, error) { return a.StartResidentSession(ctx, quill.ID) })
	ended := start(func() (string, error) { return a.StartResidentSession(ctx, quill.ID) })
	hall := start(func() (string, error) { return a.PairTablet(ctx, "hall", quill.ID) })
	attic := start(func() (string, error) { return a.PairTablet(ctx, "attic", quill.ID) })
	if _, err := a.StartResidentSession(ctx, "nobody"); err == nil {
		t.Error("nobody has a session")
	}
	if _, err := a.PairTablet(ctx, "stray", "nobody"); err == nil {
		t.Error("nobody paired a tablet")
	}

	tablets, err := a.Tablets(ctx)
	if err != nil || len(tablets) != 2 || tablets[0].Name != "attic" || tablets[0].PairedBy != "Tamsin" ||
		!tablets[0].PairedAt.Equal(c.Now()) {
		t.Fatalf("tablets %+v, %v", tablets, err)
	}
	session := func(token string, want house.Session, wantErr error) {
		t.Helper()
		got, err := a.Session(ctx, token)
		if got != want {
			t.Errorf("%+v, want %+v", got, want)
		}
		wantError(t, err, wantErr)
	}
	residents := house.Session{Resident: quill.ID, Name: "Tamsin", ExpiresAt: c.Now().Add(house.ResidentSession)}
	halls := house.Session{Tablet: tablets[1].ID, Name: "hall", ExpiresAt: c.Now().Add(house.TabletSession)}
	session(mine, residents, nil)
	session(ended, residents, nil)
	session(hall, halls, nil)
	session("", house.Session{}, house.ErrNotFound)
	session(mine+"x", house.Session{}, house.ErrNotFound)

	if err := a.EndSession(ctx, ended); err != nil {
		t.Fatal(err)
	}
	session(ended, house.Session{}, house.ErrNotFound)
	session(mine, residents, nil)
	if err := a.UnpairTablet(ctx, tablets[0].ID); err != nil {
		t.Fatal(err)
	}
	session(attic, house.Session{}, house.ErrNotFound)
	session(hall, halls, nil)
	wantError(t, a.UnpairTablet(ctx, tablets[0].ID), house.ErrNotFound)

	raw := rawBytes(t, a)
	if !bytes.Contains(raw, hashOf(mine)) {
		t.Fatal("the raw bytes lack what must be in them")
	}
	for _, token := range []string{mine, ended, hall, attic} {
		if bytes.Contains(raw, []byte(token)) {
			t.Error("a token is in the raw bytes")
		}
	}

	c.Advance(house.ResidentSession - time.Microsecond)
	session(mine, residents, nil)
	c.Advance(time.Microsecond)
	session(mine, house.Session{}, house.ErrNotFound)
	session(hall, halls, nil)
	if err := a.EndSession(ctx, "nobody's"); err != nil { // clears expired ones away
		t.Fatal(err)
	}
	var sessions int
	if err := a.read.QueryRowContext(ctx, `SELECT count(*) FROM sessions`).Scan(&sessions); err != nil || sessions != 1 {
		t.Errorf("%d sessions are kept, want the tablet's; %v", sessions, err)
	}
	c.Advance(house.TabletSession)
	session(hall, house.Session{}, house.ErrNotFound)
}
