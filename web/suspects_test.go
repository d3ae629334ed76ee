package web

import (
	"crypto/sha256"
	"database/sql"
	"net/http"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
)

// Beside a running server somebody writes to its database who has no master key:
// the session that they make opens nothing, whose password they changed is nobody,
// and Upkeep says what was done.
func TestWrittenBesideTheServer(t *testing.T) {
	var back *house.PutBack
	h := newHouse(t, func(c *Config) {
		c.Suspects = func() []house.Suspicion { return []house.Suspicion{{Table: "faces", Large: true, PutBack: true}} }
		c.PutBack = func() *house.PutBack { return back }
	})
	in, morgan := h.session(h.resident("Odile")), h.session(h.resident("Morgan"))
	db, err := sql.Open("sqlite", filepath.Join(h.archive.Dir(), "archive.db")+"?_pragma=busy_timeout(10000)")
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	exec := func(statement string, args ...any) {
		t.Helper()
		res, err := db.Exec(statement, args...)
		if err != nil {
			t.Fatal(err)
		}
		if n, _ := res.RowsAffected(); n == 0 {
			t.Fatalf("%s: it changed nothing", statement)
		}
	}
	h.get("/people", morgan).is(http.StatusOK)
	token := sha256.Sum256([]byte("made up"))
	exec(`INSERT INTO sessions (token_hash, id, resident, started_at, expires_at, seen_at, voucher)
		SELECT ?, 'made up', resident, started_at, ?, seen_at, voucher FROM sessions LIMIT 1`, token[:],
		h.clock.now().Add(time.Hour).UnixMicro())
	exec(`UPDATE residents SET password_hash = password_hash || 'x' WHERE rowid = 2`)
	for who, session := range map[string]option{"made up": h.session("made up"), "changed": morgan} {
		if a := h.get("/people", session); a.StatusCode != http.StatusUnauthorized {
			t.Errorf("%s: status %d, want to be asked who it is", who, a.StatusCode)
		}
	}
	back = &house.PutBack{Found: h.clock.now(), Had: 20, Has: 12}
	page := string(h.get("/upkeep", in).is(http.StatusOK).body)
	for _, says := range []string{"Sign-ins: added or changed 1", "Residents: added or changed 1",
		"Whose faces were seen: some are as they once were", "changed 20 times, and knows of 12",
		"lintel verify --recount"} {
		if !strings.Contains(page, says) {
			t.Errorf("Upkeep does not say %q", says)
		}
	}
	if _, err := h.archive.Recount(t.Context()); err != nil {
		t.Fatal(err)
	}
	if page := string(h.get("/upkeep", in).is(http.StatusOK).body); strings.Contains(page, "Sign-ins:") {
		t.Error("Upkeep says it once it was counted anew")
	}
}
