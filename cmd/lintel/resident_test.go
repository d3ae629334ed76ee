package main

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
)

// TestResident invites, resets and removes by command. Of each link it is seen that
// it is in the archive, which a running server shares.
func TestResident(t *testing.T) {
	h := newHousehold(t)
	a, _ := h.newArchive()
	defer a.Close()
	fails := func(says string, args ...string) {
		t.Helper()
		var out, complaints bytes.Buffer
		if got := run(t.Context(), h.args(args...), &out, &complaints); got != exitFailed ||
			!strings.Contains(complaints.String(), says) {
			t.Errorf("%q: status %d: %s", args, got, complaints.String())
		}
	}
	link := func(args ...string) (token string) {
		t.Helper()
		printed := h.lintel(args...)
		_, token, ok := strings.Cut(printed, "?token=")
		if !ok || strings.ContainsAny(printed, " \n") {
			t.Fatalf("printed %q", printed)
		}
		return token
	}
	for _, name := range []string{"Morgan Vale", "Tamsin Quill"} {
		if _, err := a.Join(t.Context(), link("resident", "invite"), name, "none"); err != nil {
			t.Fatal(err)
		}
	}
	if got := h.lintel("resident", "invite", "--server", "https://door.example:8420/"); !strings.HasPrefix(got,
		"https://door.example:8420/join?token=") {
		t.Errorf("printed %s", got)
	}
	var offered struct {
		Link      string
		ExpiresAt time.Time `json:"expires_at"`
	}
	err := json.Unmarshal([]byte(h.lintel("resident", "reset", "morgan vale", "--json")), &offered)
	if err != nil || !strings.HasPrefix(offered.Link, "http://localhost:8420/reset?token=") ||
		time.Until(offered.ExpiresAt).Round(time.Minute) != house.ResetLasts {
		t.Errorf("%+v, %v", offered, err)
	}
	_, token, _ := strings.Cut(offered.Link, "?token=")
	if _, err := a.ResetPassword(t.Context(), token, "another"); err != nil {
		t.Error(err)
	}
	fails("not found", "resident", "reset", "Odo Fenwright")

	var all []house.Resident
	if err := json.Unmarshal([]byte(h.lintel("resident", "list", "--json")), &all); err != nil || len(all) != 2 {
		t.Fatalf("listed %+v, %v", all, err)
	}
	if list := h.lintel("resident", "list"); !strings.Contains(list, "Tamsin Quill  since ") {
		t.Errorf("listed %s", list)
	}
	h.lintel("resident", "remove", "MORGAN vale")
	fails("not found", "resident", "remove", "Morgan Vale")
	fails("The last resident stays.", "resident", "remove", all[1].ID)
	trail, err := a.Trail(t.Context(), 0, 1)
	if err != nil || trail[0].Actor != house.ByCommand || trail[0].Subject != "resident "+all[0].ID {
		t.Errorf("%+v, %v", trail, err)
	}
}

// A name is one however its accents are written: ë as one character, or as e and a
// diaeresis, as some keyboards and file systems have it (UAX #15, NFC and NFD).
func TestResidentAccents(t *testing.T) {
	h := newHousehold(t)
	a, _ := h.newArchive()
	defer a.Close()
	for _, name := range []string{"Zo\u00eb Quill", "Tamsin Quill"} {
		if _, err := a.AddResident(t.Context(), name, "none"); err != nil {
			t.Fatal(err)
		}
	}
	h.lintel("resident", "remove", "zoe\u0308 quill")
	if all, err := a.Residents(t.Context()); err != nil || len(all) != 1 || all[0].Name != "Tamsin Quill" {
		t.Errorf("there are %+v, %v", all, err)
	}
}
