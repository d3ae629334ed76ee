package store

import (
	"testing"
	"time"

	"lintel/internal/house"
)

// accounts are a resident with two sessions, and two tablets.
type accounts struct {
	a                        *Archive
	c                        *clock
	quill                    house.Resident
	mine, other, hall, attic string
}

func newAccounts(t *testing.T) *accounts {
	t.Helper()
	x := new(accounts)
	x.a, x.c = newArchive(t)
	ctx := t.Context()
	var err error
	if x.quill, err = x.a.AddResident(ctx, " Tamsin ", "$argon2id$invented"); err != nil {
		t.Fatal(err)
	}
	start := func(token string, err error) string {
		t.Helper()
		must(t, err)
		return token
	}
	x.mine, x.other = start(x.a.StartResidentSession(ctx, x.quill.ID)), start(x.a.StartResidentSession(ctx, x.quill.ID))
	x.hall, x.attic = start(x.a.PairTablet(ctx, "hall", x.quill.ID)), start(x.a.PairTablet(ctx, "attic", x.quill.ID))
	return x
}

// wantSession compares whose session a token is.
func (x *accounts) wantSession(t *testing.T, token string, want house.Session, wantErr error) {
	t.Helper()
	got, err := x.a.Session(t.Context(), token)
	if got != want {
		t.Errorf("%+v, want %+v", got, want)
	}
	wantError(t, err, wantErr)
}

func TestResidents(t *testing.T) {
	x := newAccounts(t)
	a, ctx := x.a, t.Context()
	_, err := a.AddResident(ctx, "TAMSIN", "other")
	wantError(t, err, house.ErrExists)
	if got, err := a.Resident(ctx, "tamsin"); err != nil || got != x.quill {
		t.Errorf("%+v, want %+v; %v", got, x.quill, err)
	}
	_, err = a.Resident(ctx, "Odo")
	wantError(t, err, house.ErrNotFound)
	if rs, err := a.Residents(ctx); err != nil || len(rs) != 1 || rs[0] != x.quill {
		t.Errorf("residents %v, %v", rs, err)
	}
	if _, err := a.StartResidentSession(ctx, "nobody"); err == nil {
		t.Error("nobody has a session")
	}
	if _, err := a.PairTablet(ctx, "stray", "nobody"); err == nil {
		t.Error("nobody paired a tablet")
	}
	wantUntold(t, a, string(hashOf(x.mine)), x.mine, x.other, x.hall, x.attic)
}

func TestSessions(t *testing.T) {
	x := newAccounts(t)
	a, c, ctx := x.a, x.c, t.Context()
	tablets, err := a.Tablets(ctx)
	if err != nil || len(tablets) != 2 || tablets[0].Name != "attic" || tablets[0].PairedBy != "Tamsin" ||
		!tablets[0].PairedAt.Equal(c.Now()) {
		t.Fatalf("tablets %+v, %v", tablets, err)
	}
	residents := house.Session{Resident: x.quill.ID, Name: "Tamsin", ExpiresAt: c.Now().Add(house.ResidentSession)}
	halls := house.Session{Tablet: tablets[1].ID, Name: "hall", ExpiresAt: c.Now().Add(house.TabletSession)}
	nobody := house.Session{}
	x.wantSession(t, x.mine, residents, nil)
	x.wantSession(t, x.other, residents, nil)
	x.wantSession(t, x.hall, halls, nil)
	x.wantSession(t, "", nobody, house.ErrNotFound)
	x.wantSession(t, x.mine+"x", nobody, house.ErrNotFound)

	must(t, a.EndSession(ctx, x.other))
	x.wantSession(t, x.other, nobody, house.ErrNotFound)
	x.wantSession(t, x.mine, residents, nil)
	must(t, a.UnpairTablet(ctx, tablets[0].ID))
	x.wantSession(t, x.attic, nobody, house.ErrNotFound)
	x.wantSession(t, x.hall, halls, nil)
	wantError(t, a.UnpairTablet(ctx, tablets[0].ID), house.ErrNotFound)

	c.Advance(house.ResidentSession - time.Microsecond)
	x.wantSession(t, x.mine, residents, nil)
	c.Advance(time.Microsecond)
	x.wantSession(t, x.mine, nobody, house.ErrNotFound)
	x.wantSession(t, x.hall, halls, nil)
	must(t, a.EndSession(ctx, "nobody's")) // clears expired ones away
	var sessions int
	if err := a.read.QueryRowContext(ctx, `SELECT count(*) FROM sessions`).Scan(&sessions); err != nil || sessions != 1 {
		t.Errorf("%d sessions are kept, want the tablet's; %v", sessions, err)
	}
	c.Advance(house.TabletSession)
	x.wantSession(t, x.hall, nobody, house.ErrNotFound)
}
