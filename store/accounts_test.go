package store

import (
	"errors"
	"fmt"
	"strings"
	"sync"
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
	x.mine, x.other = x.signsIn(t, x.quill, ""), x.signsIn(t, x.quill, "")
	x.hall, x.attic = x.pairs(t, "hall", x.quill), x.pairs(t, "attic", x.quill)
	return x
}

func (x *accounts) signsIn(t *testing.T, r house.Resident, tablet string) (token string) {
	t.Helper()
	token, err := x.a.SignIn(t.Context(), r, tablet)
	must(t, err)
	return token
}

func (x *accounts) pairs(t *testing.T, name string, by house.Resident) (token string) {
	t.Helper()
	token, err := x.a.PairTablet(t.Context(), name, by.ID)
	must(t, err)
	return token
}

func (x *accounts) adds(t *testing.T, name string) house.Resident {
	t.Helper()
	r, err := x.a.AddResident(t.Context(), name, "$argon2id$of "+name)
	must(t, err)
	return r
}

// isOver checks whose tokens open nothing, and whose still do.
func (x *accounts) isOver(t *testing.T, over map[string]bool) {
	t.Helper()
	for token, want := range over {
		s, err := x.a.Session(t.Context(), token)
		if errors.Is(err, house.ErrNotFound) != want {
			t.Errorf("%+v, %v; over %t", s, err, want)
		}
	}
}

// whose compares whose session a token is.
func (x *accounts) whose(t *testing.T, token string, want house.Session, wantErr error) {
	t.Helper()
	got, err := x.a.Session(t.Context(), token)
	got.ID, got.SeenAt, got.StartedAt = "", time.Time{}, time.Time{}
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
	_, err = a.PairTablet(ctx, "stray", "nobody")
	wantError(t, err, house.ErrNotFound)
	if tablets, err := a.Tablets(ctx); err != nil || len(tablets) != 2 {
		t.Errorf("tablets %v, %v", tablets, err)
	}
	wantUntold(t, a, string(hashOf(x.mine)), x.mine, x.other, x.hall, x.attic)
}

// TestSignInStale has what somebody signs in by change while the password is
// checked: the old password opens nothing then.
func TestSignInStale(t *testing.T) {
	x := newAccounts(t)
	stale := x.quill
	must(t, x.a.SetPassword(t.Context(), x.quill.ID, "$argon2id$another"))
	for what, r := range map[string]house.Resident{"old password": stale, "nobody": {ID: "nobody"}} {
		_, err := x.a.SignIn(t.Context(), r, "")
		if !errors.Is(err, house.ErrNotFound) {
			t.Errorf("%s: %v", what, err)
		}
	}
	stale.PasswordHash = "$argon2id$another"
	_, err := x.a.SignIn(t.Context(), stale, "no such tablet")
	wantError(t, err, house.ErrNotFound)
	x.isOver(t, map[string]bool{x.mine: true, x.other: true, x.hall: false, x.signsIn(t, stale, ""): false})
}

func TestSessions(t *testing.T) {
	x := newAccounts(t)
	a, c, ctx := x.a, x.c, t.Context()
	tablets, err := a.Tablets(ctx)
	if err != nil || len(tablets) != 2 || tablets[0].Name != "attic" || tablets[0].PairedBy != "Tamsin" ||
		!tablets[0].PairedAt.Equal(c.Now()) || !tablets[0].SeenAt.Equal(c.Now()) {
		t.Fatalf("tablets %+v, %v", tablets, err)
	}
	residents := house.Session{Resident: x.quill.ID, Name: "Tamsin", ExpiresAt: c.Now().Add(house.ResidentSession)}
	halls := house.Session{Tablet: tablets[1].ID, Name: "hall", Rules: everyTablet,
		ExpiresAt: c.Now().Add(house.TabletSession)}
	nobody := house.Session{}
	x.whose(t, x.mine, residents, nil)
	x.whose(t, x.other, residents, nil)
	x.whose(t, x.hall, halls, nil)
	x.whose(t, "", nobody, house.ErrNotFound)
	x.whose(t, x.mine+"x", nobody, house.ErrNotFound)

	must(t, a.SignOut(ctx, x.other))
	must(t, a.SignOut(ctx, x.other)) // it is over, as was wanted
	x.whose(t, x.other, nobody, house.ErrNotFound)
	x.whose(t, x.mine, residents, nil)

	// A resident who signs in at a tablet is out with it.
	at := x.signsIn(t, x.quill, tablets[0].ID)
	residents.At = tablets[0].ID
	x.whose(t, at, residents, nil)
	must(t, a.UnpairTablet(ctx, tablets[0].ID))
	x.isOver(t, map[string]bool{x.attic: true, at: true, x.hall: false, x.mine: false})
	wantError(t, a.UnpairTablet(ctx, tablets[0].ID), house.ErrNotFound)

	// By its id any session of a resident is ended, and no tablet's.
	all, err := a.ResidentSessions(ctx)
	if err != nil || len(all) != 1 {
		t.Fatalf("sessions %+v, %v", all, err)
	}
	hall, err := a.Session(ctx, x.hall)
	must(t, err)
	wantError(t, a.EndSession(ctx, hall.ID), house.ErrNotFound)
	must(t, a.EndSession(ctx, all[0].ID))
	wantError(t, a.EndSession(ctx, all[0].ID), house.ErrNotFound)
	x.isOver(t, map[string]bool{x.mine: true, x.hall: false})
}

// TestSessionsGrowOld has sessions end by themselves: unused, and in all. How long
// is Lintel's own choice; NIST SP 800-63B-4, 2.1.3, allows 30 days in all at its
// lowest level, and leaves longer to whoever weighs the risk.
func TestSessionsGrowOld(t *testing.T) {
	x := newAccounts(t)
	a, c, ctx := x.a, x.c, t.Context()
	tablets, err := a.Tablets(ctx)
	must(t, err)
	at := x.signsIn(t, x.quill, tablets[0].ID)
	uses := func(token string) {
		t.Helper()
		s, err := a.Session(ctx, token)
		must(t, err)
		must(t, a.UseSession(ctx, s, house.Browser{Name: "Firefox", System: "Linux"}))
	}
	for range 4 { // for longer than one half hour
		c.Advance(house.AtTabletIdle - house.SeenEvery)
		uses(at)
	}
	c.Advance(house.AtTabletIdle)
	x.isOver(t, map[string]bool{at: true, x.mine: false, x.attic: false})

	uses(x.mine)
	uses(x.hall)
	c.Advance(house.ResidentIdle - time.Microsecond)
	x.isOver(t, map[string]bool{x.mine: false, x.hall: false, x.other: true})
	uses(x.mine)
	c.Advance(house.ResidentIdle - time.Microsecond)
	x.isOver(t, map[string]bool{x.mine: false})
	c.Advance(time.Microsecond)
	x.isOver(t, map[string]bool{x.mine: true, x.hall: false})

	lasting := x.signsIn(t, x.quill, "")
	for began := c.Now(); c.Now().Sub(began) < house.ResidentSession-24*time.Hour; c.Advance(24 * time.Hour) {
		uses(lasting)
	}
	c.Advance(24*time.Hour - time.Microsecond)
	x.isOver(t, map[string]bool{lasting: false})
	c.Advance(time.Microsecond)
	x.isOver(t, map[string]bool{lasting: true, x.hall: false})

	x.signsIn(t, x.quill, "") // clears those away
	var kept int
	if err := a.read.QueryRowContext(ctx, `SELECT count(*) FROM sessions`).Scan(&kept); err != nil || kept != 3 {
		t.Errorf("%d sessions are kept, want two tablets' and the new one; %v", kept, err)
	}
	c.Advance(house.TabletSession)
	x.isOver(t, map[string]bool{x.hall: true})
}

// TestUseSession counts how often the last use is written: at the first, which
// tells of the browser, and then each five minutes.
func TestUseSession(t *testing.T) {
	x := newAccounts(t)
	browser := house.Browser{Name: "Firefox", System: "Android"}
	writes, last := 0, time.Time{}
	for range 60 {
		s, err := x.a.Session(t.Context(), x.hall)
		must(t, err)
		if s.Browser == browser && s.SeenAt != last {
			writes, last = writes+1, s.SeenAt
		}
		must(t, x.a.UseSession(t.Context(), s, browser))
		x.c.Advance(time.Minute)
	}
	if writes != 12 {
		t.Errorf("written %d times in an hour, want 12", writes)
	}
	tablets, err := x.a.Tablets(t.Context())
	if err != nil || tablets[1].Browser != browser || tablets[1].SeenAt != last {
		t.Errorf("tablets %+v, %v", tablets, err)
	}
	wantUntold(t, x.a, string(hashOf(x.hall)), "Firefox", "Android")
}

// household of two: Tamsin's, and whatever Odo can come in by.
func (x *accounts) withOdo(t *testing.T) (odo house.Resident, tokens map[string]string) {
	t.Helper()
	odo = x.adds(t, "Odo")
	ctx := house.By(t.Context(), "resident "+odo.ID)
	_, invitation, err := x.a.Invite(ctx, odo.ID)
	must(t, err)
	_, reset, err := x.a.OfferReset(house.By(t.Context(), house.ByCommand), odo.ID)
	must(t, err)
	_, program, err := x.a.AddProgram(ctx, "Porch light", house.ReadVisits)
	must(t, err)
	den := x.pairs(t, "den", odo)
	tablet, err := x.a.Session(t.Context(), den)
	must(t, err)
	return odo, map[string]string{"invitation": invitation, "reset": reset, "program": program, "den": den,
		"session": x.signsIn(t, odo, ""), "Tamsin at den": x.signsIn(t, x.quill, tablet.Tablet)}
}

// TestRemoveResident removes a resident, and tries all that they had.
func TestRemoveResident(t *testing.T) {
	x := newAccounts(t)
	a, ctx := x.a, house.By(t.Context(), "resident "+x.quill.ID)
	wantError(t, a.RemoveResident(ctx, x.quill.ID, x.quill.ID), house.ErrLastResident)
	wantError(t, a.RemoveResident(ctx, "nobody", x.quill.ID), house.ErrNotFound)
	odo, of := x.withOdo(t)
	wantError(t, a.RemoveResident(ctx, odo.ID, "nobody"), ErrSignedOut)
	x.isOver(t, map[string]bool{of["session"]: false, of["den"]: false, of["Tamsin at den"]: false})
	changed, stop := a.Watch()
	defer stop()

	before := len(trailOf(t, a))
	must(t, a.RemoveResident(ctx, odo.ID, x.quill.ID))
	select {
	case <-changed:
	default:
		t.Error("who hears live events is not woken")
	}
	x.isOver(t, map[string]bool{of["session"]: true, of["den"]: true, of["Tamsin at den"]: true, x.mine: false,
		x.hall: false})
	_, err := a.ProgramOf(ctx, of["program"])
	wantError(t, err, house.ErrNotFound)
	_, err = a.Join(ctx, of["invitation"], "Ivo", "h")
	wantError(t, err, house.ErrNotFound)
	_, err = a.ResetPassword(ctx, of["reset"], "h")
	wantError(t, err, house.ErrNotFound)
	_, err = a.SignIn(ctx, odo, "")
	wantError(t, err, house.ErrNotFound)
	_, _, err = a.Invite(ctx, odo.ID)
	wantError(t, err, house.ErrNotFound)
	_, err = a.PairTablet(ctx, "loft", odo.ID)
	wantError(t, err, house.ErrNotFound)
	wantError(t, a.SetPassword(ctx, odo.ID, "h"), house.ErrNotFound)
	wantError(t, a.SetPIN(ctx, odo.ID, "h"), house.ErrNotFound)
	wantError(t, a.RemoveResident(ctx, odo.ID, x.quill.ID), house.ErrNotFound)
	var noted []string
	for _, e := range trailOf(t, a)[before:] {
		if e.Actor != "resident "+x.quill.ID {
			t.Errorf("%+v", e)
		}
		noted = append(noted, e.Action+" "+strings.Fields(e.Subject)[0])
	}
	if got := fmt.Sprint(noted); got != "[removed program unpaired tablet removed resident]" {
		t.Errorf("noted %s", got)
	}
	x.adds(t, "Odo") // the name is free again
}

// TestRemoveEachOther has residents remove each other at the same time, as often
// as it takes to meet: each time one is left, who was not removed before they
// removed.
func TestRemoveEachOther(t *testing.T) {
	x := newAccounts(t)
	for i := range 20 {
		odo := x.adds(t, fmt.Sprint("Odo ", i))
		stays := x.quill
		var both sync.WaitGroup
		var errs [2]error
		both.Go(func() { errs[0] = x.a.RemoveResident(t.Context(), odo.ID, stays.ID) })
		both.Go(func() { errs[1] = x.a.RemoveResident(t.Context(), stays.ID, odo.ID) })
		both.Wait()
		left, err := x.a.Residents(t.Context())
		if err != nil || len(left) != 1 {
			t.Fatalf("%d residents are left, %v; %v", len(left), err, errs)
		}
		lost := errs[0]
		if errs[0] == nil {
			lost = errs[1]
		}
		if !errors.Is(lost, ErrSignedOut) {
			t.Errorf("%v", errs)
		}
		x.quill = left[0]
	}
}

// TestLinks uses links up, and finds those that are none any more.
func TestLinks(t *testing.T) {
	x := newAccounts(t)
	a, c, ctx := x.a, x.c, t.Context()
	l, token, err := a.Invite(ctx, x.quill.ID)
	must(t, err)
	_, command, err := a.Invite(ctx, "")
	must(t, err)
	all, err := a.Invitations(ctx)
	if err != nil || len(all) != 2 || all[0].Maker+all[1].Maker != "Tamsin" {
		t.Errorf("%+v, %v", all, err)
	}
	_, err = a.Join(ctx, token, "TAMSIN", "h")
	wantError(t, err, house.ErrExists)
	_, err = a.ResetPassword(ctx, token, "h") // an invitation is no reset
	wantError(t, err, house.ErrNotFound)
	ivo, err := a.Join(ctx, token, "Ivo", "h")
	must(t, err)
	_, err = a.Join(ctx, token, "Mallory", "h")
	wantError(t, err, house.ErrNotFound)
	wantError(t, a.WithdrawInvitation(ctx, l.ID), house.ErrNotFound)
	left, err := a.Invitations(ctx)
	if err != nil || len(left) != 1 || left[0].MadeBy != "" {
		t.Fatalf("%+v, %v", left, err)
	}
	must(t, a.WithdrawInvitation(ctx, left[0].ID))
	_, err = a.Join(ctx, command, "Mallory", "h")
	wantError(t, err, house.ErrNotFound)

	_, first, err := a.OfferReset(ctx, ivo.ID)
	must(t, err)
	_, second, err := a.OfferReset(ctx, ivo.ID)
	must(t, err)
	_, err = a.ResetPassword(ctx, first, "h") // the second took its place
	wantError(t, err, house.ErrNotFound)
	_, err = a.Join(ctx, second, "Mallory", "h") // a reset is no invitation
	wantError(t, err, house.ErrNotFound)
	c.Advance(house.ResetLasts)
	_, err = a.ResetPassword(ctx, second, "h")
	wantError(t, err, house.ErrNotFound)
	_, _, err = a.OfferReset(ctx, "nobody")
	wantError(t, err, house.ErrNotFound)
	wantUntold(t, a, string(hashOf(second)), second, token)
}

// TestResetPassword has a link set a password: sessions of that resident end, and
// no one else's.
func TestResetPassword(t *testing.T) {
	x := newAccounts(t)
	_, of := x.withOdo(t)
	resident, err := x.a.ResetPassword(t.Context(), of["reset"], "$argon2id$another")
	must(t, err)
	odo, err := x.a.Resident(t.Context(), "Odo")
	if err != nil || odo.ID != resident || odo.PasswordHash != "$argon2id$another" {
		t.Errorf("%+v, %v", odo, err)
	}
	x.isOver(t, map[string]bool{of["session"]: true, of["den"]: false, x.mine: false})
	_, err = x.a.ResetPassword(t.Context(), of["reset"], "$argon2id$again")
	wantError(t, err, house.ErrNotFound)
	trail := trailOf(t, x.a)
	if last := trail[len(trail)-1]; last.Action+" "+last.Subject != "reset password "+resident {
		t.Errorf("noted %+v", last)
	}
}
