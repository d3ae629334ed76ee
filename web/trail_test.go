package web

import (
	"database/sql"
	"fmt"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/web/view"
)

func TestTrail(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	tablet := h.session(h.tablet("Hall", "Odile"))
	visit := h.found("R1", true)
	person := h.enrolled("Ilse <Amberg>")
	h.get("/api/v1/visits/"+visit+"/stills/0", tablet).is(200)
	h.ask("PUT", "/api/v1/rules", strings.NewReader(sentRules), in).is(200)
	h.ask("PUT", "/api/v1/bells/gate/masks", strings.NewReader(quarterJSON), in).is(200)
	ctx := house.By(t.Context(), house.ByCommand)
	if err := h.archive.Note(ctx, "swept", "visits 1, stills of 2, smaller 0"); err != nil {
		t.Fatal(err)
	}
	if err := h.archive.Note(ctx, "polished", "the <brass>"); err != nil {
		t.Fatal(err)
	}
	h.get("/upkeep/trail", in).is(200).
		says("<strong>Lintel itself</strong> added the bell gate").
		says("<strong>Lintel itself</strong> added Ilse &lt;Amberg&gt;").
		says(`<strong>The tablet Hall</strong> <a href="/visits/` + visit + `">looked at visit `).
		says("<strong>Odile</strong> changed the rules").
		says("<strong>Odile</strong> changed the masks of the bell gate").
		says("<strong>Somebody at the server</strong> swept by the rules: 1 visit went whole, the stills of 2 visits went").
		says("<strong>Somebody at the server</strong> polished the &lt;brass&gt;")

	// Who is erased has no name any more, only the id.
	if _, err := h.archive.ErasePerson(t.Context(), person.ID, false); err != nil {
		t.Fatal(err)
	}
	a := h.get("/upkeep/trail", in).is(200).says("erased person " + person.ID)
	if strings.Contains(string(a.body), "Amberg") {
		t.Error("the trail still names who was erased")
	}
}

// TestTrailPages goes through the whole trail, on the page and by the API.
func TestTrailPages(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	for range 2*entriesShown + 10 {
		if err := h.archive.Note(t.Context(), "looked", "visit X"); err != nil {
			t.Fatal(err)
		}
	}
	newest, err := h.archive.Trail(t.Context(), 0, 1)
	if err != nil {
		t.Fatal(err)
	}
	shown, pages := 0, 0
	earlier := regexp.MustCompile(`href="(/upkeep/trail\?before=[0-9]+)"`)
	for address := "/upkeep/trail"; address != ""; pages++ {
		a := h.get(address, in).is(200)
		shown += strings.Count(string(a.body), "<time ")
		address = ""
		if m := earlier.FindSubmatch(a.body); m != nil {
			address = string(m[1])
		}
	}
	if int64(shown) != newest[0].Seq || pages != 3 {
		t.Errorf("%d entries on %d pages, there are %d", shown, pages, newest[0].Seq)
	}
	next := newest[0].Seq
	for before := int64(0); next > 0; {
		var page struct{ Entries []entryJSON }
		h.get(fmt.Sprint("/api/v1/trail?before=", before), in).is(200).into(&page)
		if len(page.Entries) == 0 {
			t.Fatalf("nothing before %d", before)
		}
		for _, e := range page.Entries {
			if e.Seq != next {
				t.Fatalf("entry %d, want %d", e.Seq, next)
			}
			next, before = next-1, e.Seq
		}
	}
	for _, bad := range []string{"x", "-1", "1.5"} {
		h.get("/upkeep/trail?before="+bad, in).isProblem(400, "bad-query")
		h.get("/api/v1/trail?before="+bad, in).isProblem(400, "bad-query")
	}
}

// TestTrailHash makes an entry's hash with sha256sum(1) of GNU coreutils, from
// what the API tells and its document says.
func TestTrailHash(t *testing.T) {
	if _, err := exec.LookPath("sha256sum"); err != nil {
		t.Skip("SKIPPED: no sha256sum")
	}
	h := newHouse(t)
	h.enrolled("Ilse Amberg")
	var page struct{ Entries []entryJSON }
	h.get("/api/v1/trail", h.session(h.resident("Odile"))).is(200).into(&page)
	if len(page.Entries) < 3 || page.Entries[len(page.Entries)-1].Before != strings.Repeat("0", 64) {
		t.Fatalf("entries %+v", page.Entries)
	}
	for i, e := range page.Entries {
		sum := exec.CommandContext(t.Context(), "sha256sum")
		sum.Stdin = strings.NewReader(fmt.Sprintf("%s\t%d\t%s\t%s\t%s\t%s\n", e.Before, e.Seq,
			e.At.Format("2006-01-02T15:04:05.000000Z"), e.Actor, e.Action, e.Subject))
		out, err := sum.Output()
		if err != nil || !strings.HasPrefix(string(out), e.Hash+" ") {
			t.Errorf("entry %d: sha256sum says %s, the entry %s (%v)", e.Seq, out, e.Hash, err)
		}
		if i > 0 && page.Entries[i-1].Before != e.Hash {
			t.Errorf("entry %d is not followed by its hash", e.Seq)
		}
	}
}

func TestCheckingTheTrail(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	h.post("/upkeep/trail/check", nil, in).is(200).says("The trail is intact: 2 entries")
	db, err := sql.Open("sqlite", filepath.Join(h.dir, "archive.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	for _, statement := range []string{`DROP TRIGGER audit_is_not_changed`, `UPDATE audit SET at = at + 1 WHERE seq = 2`} {
		if _, err := db.ExecContext(t.Context(), statement); err != nil {
			t.Fatal(err)
		}
	}
	h.post("/upkeep/trail/check", nil, in).is(200).
		says("The audit trail has been changed: entry 2 is not as it was written.").says(`role="alert"`)
}

func TestEntryWithoutID(t *testing.T) {
	t.Parallel()
	at := presenter{view.Presenter{Zone: time.UTC, Now: time.Date(2031, 5, 4, 18, 30, 0, 0, time.UTC)}}
	const id = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
	names := map[string]string{"door ABCDEFGHIJKLMNOPQRSTUVWXYZ": "the <oak> door",
		"person ABCDEFGHIJKLMNOPQRSTUVWXYZ": "élodie", "resident ABCDEFGHIJKLMNOPQRSTUVWXYZ": "élodie"}
	for _, test := range []struct{ actor, action, subject, who, did, visit string }{
		{"resident ABCDEFGHIJKLMNOPQRSTUVWXYZ", "erased", "visit X", "élodie", "erased visit X", ""},
		{"resident ABCDEFGHIJKLMNOPQRSTUVWXYA", "held", "visit X", "Resident ABCDEFGHIJKLMNOPQRSTUVWXYA",
			"placed a hold on visit X", "/visits/X"},
		{"itself", "exported", "person ABCDEFGHIJKLMNOPQRSTUVWXYZ", "Lintel itself", "exported élodie", ""},
		{"command", "backed-up", "snapshot 20310504", "Somebody at the server", "made a backup, snapshot 20310504", ""},
		{"itself", "added", "door " + id, "Lintel itself", "added the door “the <oak> door”", ""},
		{"itself", "removed", "door ABCDEFGHIJKLMNOPQRSTUVWXYA", "Lintel itself",
			"removed door ABCDEFGHIJKLMNOPQRSTUVWXYA", ""},
		{"itself", "changed", "rule " + id, "Lintel itself", "changed a rule for a door, number " + id, ""},
		{"itself", "added", "parcel " + id, "Lintel itself", "added an expected parcel, number " + id, ""},
		{"itself", "changed", "rules of advice", "Lintel itself", "changed the household’s rules for suggestions", ""},
		{"source " + id, "added", "factor " + id, "The phone or reader " + id, "added a factor, number " + id, ""},
		{"itself", "removed", "source " + id, "Lintel itself",
			"removed a phone or reader that gives factors, number " + id, ""},
		{"itself", "added", "token " + id, "Lintel itself", "added a token, number " + id, ""},
		{"itself", "added", "receiver " + id, "Lintel itself", "added a receiver of suggestions, number " + id, ""},
		{"itself", "suggested", "advice " + id + " on visit X", "Lintel itself",
			"made the suggestion " + id + " on visit X", "/visits/X"},
		{"resident " + id, "used", "advice " + id, "élodie", "let somebody in by the suggestion " + id, ""},
		{"resident " + id, "dismissed", "advice " + id, "élodie", "dismissed the suggestion " + id, ""},
		{"itself", "expired", "advice " + id, "Lintel itself", "let expire the suggestion " + id, ""},
		{"resident " + id, "changed", "one-time codes of person " + id, "élodie", "changed the one-time codes of élodie", ""},
		{"itself", "missed", "code", "Lintel itself", "counted a failed attempt: a one-time code that was wrong", ""},
		{"command", "masked", "stills of bell X", "Somebody at the server",
			"made masked places black on the stills kept of bell X", ""},
	} {
		line := at.trailLine(house.Entry{Actor: test.actor, Action: test.action, Subject: test.subject}, names)
		if line.Who != test.who || line.Did != test.did || line.Visit != test.visit {
			t.Errorf("%+v became %+v", test, line)
		}
	}
}
