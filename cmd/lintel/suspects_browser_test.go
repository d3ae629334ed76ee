package main

import (
	"context"
	"database/sql"
	"path/filepath"
	"testing"

	"github.com/chromedp/chromedp"
	_ "modernc.org/sqlite"
)

// TestSuspectsInBrowser looks at what Upkeep says once somebody who has no master
// key wrote to the database of a running server.
func TestSuspectsInBrowser(t *testing.T) {
	h := newHousehold(t)
	h.fillWithDoor()
	h.serve()
	defer h.stop()
	wide, narrow := h.browsers("Ada Quill")
	db, err := sql.Open("sqlite", filepath.Join(h.data, "archive.db")+"?_pragma=busy_timeout(10000)")
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	for _, statement := range []string{
		`INSERT INTO sessions (token_hash, id, resident, started_at, expires_at, seen_at, voucher)
			SELECT x'01', 'made up', resident, started_at, expires_at, seen_at, voucher FROM sessions LIMIT 1`,
		`DELETE FROM gallery WHERE rowid = (SELECT max(rowid) FROM gallery)`,
		`UPDATE doors SET sealed = x'00'`,
	} {
		if _, err := db.Exec(statement); err != nil {
			t.Fatalf("%s: %v", statement, err)
		}
	}
	for width, browser := range map[string]context.Context{"1280": wide, "400": narrow} {
		do(t, browser, chromedp.Navigate(h.url+"/upkeep"))
		see(t, browser, "main", "without the master key.*Sign-ins: added or changed 1.*Doors: added or changed.*"+
			"lintel verify --recount")
		do(t, browser, chromedp.Poll[bool](`document.readyState === "complete"`)) // with its style
		whole(t, browser, "suspects-"+width)
	}
}
