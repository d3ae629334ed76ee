package web

import (
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"filippo.io/age"

	"lintel/store"
)

// A resident plans backups: the key that opens them is shown once, as text and as a QR code, is
// nowhere in what is kept, and is that to which they are encrypted.
func TestPlanBackups(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	folder := t.TempDir()
	for _, wrong := range []string{"", "backups", folder + "/none", h.archive.Dir(), h.archive.Dir() + "/stills"} {
		h.post("/upkeep/backups", url.Values{"folder": {wrong}, "hour": {"3"}}, in).is(422).
			says("folder has to be a whole path")
	}
	if _, planned, err := h.archive.BackupPlan(t.Context()); planned || err != nil {
		t.Fatalf("planned %v, %v", planned, err)
	}
	a := h.post("/upkeep/backups", url.Values{"folder": {folder}, "hour": {"3"}}, in).is(200).says("this once").
		says(`class="qr"`)
	text := regexp.MustCompile(`AGE-SECRET-KEY-1[0-9A-Z]+`).FindString(string(a.body))
	identity, err := age.ParseX25519Identity(text)
	if err != nil {
		t.Fatal(err)
	}
	plan, planned, err := h.archive.BackupPlan(t.Context())
	if err != nil || !planned || plan.Folder != folder || plan.Hour != 3 ||
		plan.Recipient != identity.Recipient().String() || plan.Trial == text {
		t.Errorf("%+v, %v", plan, err)
	}
	b := h.get("/upkeep/backups", in).is(200).says(plan.Recipient).says(`value="` + folder + `"`)
	if strings.Contains(string(b.body), "AGE-SECRET-KEY") {
		t.Error("a key is shown again")
	}
	h.post("/upkeep/backups", url.Values{"folder": {folder}, "hour": {"4"}}, in).is(303)
	again, _, err := h.archive.BackupPlan(t.Context())
	if err != nil || again.Recipient != plan.Recipient || again.Hour != 4 {
		t.Errorf("%+v, %v", again, err)
	}
	h.post("/upkeep/backups", url.Values{"folder": {folder}, "hour": {"4"}, "key": {"new"}}, in).is(200).says("this once")

	for _, state := range []struct {
		is   store.BackupState
		says string
	}{
		{store.BackupState{TriedAt: h.clock.now(), Failed: store.BackupNoFolder}, "the folder is not there"},
		{store.BackupState{TriedAt: h.clock.now(), Failed: store.BackupDamaged}, "The archive is damaged"},
		{store.BackupState{TriedAt: h.clock.now(), Failed: store.BackupFailed}, "log says why"},
		{store.BackupState{SampleAt: h.clock.now().Add(-time.Hour)}, "for a trial, and opened"},
		{store.BackupState{SampleAt: h.clock.now(), SampleBad: true}, "could not be brought back"},
	} {
		if err := h.archive.SetBackupState(t.Context(), state.is); err != nil {
			t.Fatal(err)
		}
		h.get("/upkeep", in).is(200).says(state.says)
		h.get("/upkeep/backups", in).is(200).says(state.says)
	}
	h.post("/upkeep/backups/end", nil, in).is(303)
	if _, planned, err := h.archive.BackupPlan(t.Context()); planned || err != nil {
		t.Errorf("planned %v, %v", planned, err)
	}
}
