package store

import (
	"bytes"
	"fmt"
	"slices"
	"testing"
	"time"

	"lintel/internal/house"
)

// A program lives for a while: it is added, asks, is listed, is ended, and its
// name is given to another. The trail names it to the end.
func TestProgram(t *testing.T) {
	a, c := newArchive(t)
	ctx := house.By(t.Context(), "resident R")
	p, token, err := a.AddProgram(ctx, " Porch light ", house.ReadAdvice, house.ReadVisits, house.ReadAdvice)
	if err != nil {
		t.Fatal(err)
	}
	if p.Name != "Porch light" || p.Scopes != "read-visits read-advice" || len(token) != 26 {
		t.Errorf("added %+v with a token of %d characters", p, len(token))
	}
	_, _, err = a.AddProgram(ctx, "porch LIGHT", house.ReadVisits)
	wantError(t, err, house.ErrExists)
	for _, scopes := range [][]house.Scope{nil, {"rules"}, {house.ReadVisits, "read-visits read-advice"}} {
		_, _, err := a.AddProgram(ctx, "Another", scopes...)
		wantError(t, err, house.ErrBadScope)
	}

	got, err := a.ProgramOf(ctx, token)
	if err != nil || got != p {
		t.Errorf("the token is of %+v, %v; want %+v", got, err, p)
	}
	for _, wrong := range []string{"", p.ID, token[:25], token + "A"} {
		_, err := a.ProgramOf(ctx, wrong)
		wantError(t, err, house.ErrNotFound)
	}
	useProgram(t, a, c)
	endProgram(t, a, p, token)
}

// useProgram has the one program ask again and again: that is noted once a minute.
func useProgram(t *testing.T, a *Archive, c *clock) {
	t.Helper()
	used := func() time.Time {
		t.Helper()
		all, err := a.Programs(t.Context())
		if err != nil || len(all) != 1 {
			t.Fatalf("programs %+v, %v", all, err)
		}
		if err := a.UseProgram(t.Context(), all[0]); err != nil {
			t.Fatal(err)
		}
		all, _ = a.Programs(t.Context())
		return all[0].UsedAt
	}
	first := used()
	c.Advance(usedEvery - time.Second)
	if again := used(); !again.Equal(first) || !first.Equal(c.Now().Add(time.Second-usedEvery)) {
		t.Errorf("used at %v, then at %v", first, again)
	}
	c.Advance(time.Second)
	if later := used(); !later.Equal(c.Now()) {
		t.Errorf("used a minute later, and known to be at %v", later)
	}
}

// endProgram ends the program: its token is worth nothing, its name is free, and
// the trail still names it.
func endProgram(t *testing.T, a *Archive, p house.Program, token string) {
	t.Helper()
	ctx := house.By(t.Context(), "resident R")
	if err := a.EndProgram(ctx, p.ID); err != nil {
		t.Fatal(err)
	}
	wantError(t, a.EndProgram(ctx, p.ID), house.ErrNotFound)
	_, err := a.ProgramOf(ctx, token)
	wantError(t, err, house.ErrNotFound)
	if all, err := a.Programs(ctx); err != nil || len(all) != 0 {
		t.Errorf("after the end: %+v, %v", all, err)
	}
	if _, _, err := a.AddProgram(ctx, "Porch light", house.ManageSources); err != nil {
		t.Errorf("the name is not free again: %v", err)
	}
	names, err := a.Names(ctx)
	if err != nil || names["program "+p.ID] != "Porch light" {
		t.Errorf("names %v, %v", names, err)
	}
	trail, err := a.Trail(ctx, 0, 10)
	if err != nil {
		t.Fatal(err)
	}
	var deeds []string
	for _, e := range trail {
		if e.Subject == "program "+p.ID {
			deeds = append(deeds, e.Actor+" "+e.Action)
		}
	}
	if !slices.Equal(deeds, []string{"resident R removed", "resident R added"}) {
		t.Errorf("the trail has %q", deeds)
	}
}

// Whoever reads the folder learns neither the token nor the name, and whoever
// writes to the database can't give a program more than it was given.
func TestProgramIsSealed(t *testing.T) {
	a, _ := newArchive(t)
	p, token, err := a.AddProgram(t.Context(), "Porch light", house.ReadVisits)
	if err != nil {
		t.Fatal(err)
	}
	other, _, err := a.AddProgram(t.Context(), "Mat", house.ReadVisits, house.ManageSources)
	if err != nil {
		t.Fatal(err)
	}
	raw := rawBytes(t, a)
	for _, secret := range []string{token, "Porch", "porch", "read-visits"} {
		if bytes.Contains(raw, []byte(secret)) {
			t.Errorf("the database holds %q", secret)
		}
	}
	report, err := a.Verify(t.Context(), false, nil)
	if err != nil || len(report.Problems) > 0 {
		t.Errorf("verify: %+v, %v", report.Problems, err)
	}
	if _, err := a.write.ExecContext(t.Context(), `UPDATE programs SET sealed = (SELECT sealed FROM programs WHERE id = ?)
		WHERE id = ?`, other.ID, p.ID); err != nil {
		t.Fatal(err)
	}
	if got, err := a.ProgramOf(t.Context(), token); err == nil {
		t.Errorf("another's scopes were taken over: %+v", got)
	}
}

// A list of advice is read page by page, with several given at one moment, and
// every one comes once whatever the pages' size.
func TestAdvicePage(t *testing.T) {
	a, c := newArchive(t)
	ctx := t.Context()
	p, err := a.AddPerson(ctx, "Tamsin Quill")
	if err != nil {
		t.Fatal(err)
	}
	door := advised(t, a, p.ID, 1)
	before, err := a.AdviceSince(ctx, time.Time{})
	if err != nil {
		t.Fatal(err)
	}
	for i := range 7 {
		if i%3 == 0 {
			c.Advance(time.Minute)
		}
		visit := keep(t, a, stillOf(fmt.Sprint("ring-", i), 0))
		if _, err := a.AddAdvice(ctx, house.Advice{Visit: visit, Door: door, State: house.Withheld,
			At: c.Now()}); err != nil {
			t.Fatal(err)
		}
	}
	for _, size := range []int{1, 2, 3, 7, 100} {
		var all []house.Advice
		for from := (Cursor{}); ; {
			page, next, err := a.AdvicePage(ctx, from, size)
			if err != nil || len(page) > size {
				t.Fatalf("%d on a page of %d: %v", len(page), size, err)
			}
			all = append(all, page...)
			if next == (Cursor{}) {
				break
			}
			if from, err = ParseCursor(next.String()); err != nil {
				t.Fatal(err)
			}
		}
		seen := make(map[string]bool)
		for i, d := range all {
			if seen[d.ID] || i > 0 && d.At.After(all[i-1].At) {
				t.Errorf("pages of %d: %s comes twice or too late", size, d.ID)
			}
			seen[d.ID] = true
		}
		if len(all) != 7+len(before) {
			t.Errorf("pages of %d: %d in all, want %d", size, len(all), 7+len(before))
		}
	}
}
