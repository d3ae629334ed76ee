package web

import (
	"database/sql"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/store"
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
		says(`<span class="who">Lintel itself</span> added the bell gate`).
		says(`<span class="who">Lintel itself</span> added Ilse &lt;Amberg&gt;`).
		says(`<span class="who">The tablet Hall</span> looked at <a class="inline" href="/visits/` + visit + `">the visit at gate, `).
		says(`<span class="who">Odile</span> changed the rules of keeping`).
		says(`<span class="who">Odile</span> changed the masks of the bell gate`).
		says(`<span class="who">Somebody at the server</span> swept by the rules: ` +
			`1 visit was deleted and the photos of 2 `).
		says(`<span class="who">Somebody at the server</span>: polished the &lt;brass&gt;`)

	// Who is erased has no name any more, only the id.
	if _, err := h.archive.ErasePerson(t.Context(), person.ID, false); err != nil {
		t.Fatal(err)
	}
	a := h.get("/upkeep/trail", in).is(200).says("erased a person who is gone (" + person.ID)
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

// changeSecondEntry changes an entry of the audit trail behind the archive's back.
func (h *household) changeSecondEntry() {
	h.t.Helper()
	db, err := sql.Open("sqlite", filepath.Join(h.dir, "archive.db"))
	if err != nil {
		h.t.Fatal(err)
	}
	defer db.Close()
	for _, statement := range []string{`DROP TRIGGER audit_is_not_changed`,
		`UPDATE audit SET at = at + 1 WHERE seq = 2`} {
		if _, err := db.ExecContext(h.t.Context(), statement); err != nil {
			h.t.Fatal(err)
		}
	}
}

func TestCheckingTheTrail(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	h.post("/upkeep/trail/check", nil, in).is(200).says("The trail is intact: 3 entries")
	h.changeSecondEntry()
	h.post("/upkeep/trail/check", nil, in).is(200).
		says("The audit trail was changed: entry 2 is not as it was written.").says(`role="alert"`)
}

// What the check of the whole trail found is on its page with its date, and on Upkeep if
// the trail was changed; the button goes through what is new.
func TestWholeTrailChecked(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	h.get("/upkeep/trail", in).is(200).says("once a day. It was not yet.")
	if err := h.archive.CheckWholeTrail(t.Context()); err != nil {
		t.Fatal(err)
	}
	h.get("/upkeep/trail", in).is(200).says("once a day. Last Sunday 4 May, 18:30: ").says("3 entries, each as it was written")
	if err := h.archive.Note(t.Context(), "looked", "visit X"); err != nil {
		t.Fatal(err)
	}
	h.post("/upkeep/trail/check", nil, in).is(200).says("it has 1 new entry since it was last gone through")
	h.changeSecondEntry()
	h.get("/upkeep", in).is(200).saysNot("The audit trail was changed")
	if err := h.archive.CheckWholeTrail(t.Context()); !errors.Is(err, store.ErrTampered) {
		t.Fatal(err)
	}
	h.get("/upkeep", in).is(200).says("The audit trail was changed: entry 2 is not as it was written.")
	h.get("/upkeep/trail", in).is(200).says("The audit trail was changed: entry 2 is not as it was written.")
}

func TestEntryWithoutID(t *testing.T) {
	t.Parallel()
	const id, gone = "ABCDEFGHIJKLMNOPQRSTUVWXYZ", "ABCDEFGHIJKLMNOPQRSTUVWXYA"
	at := view.Presenter{Zone: time.UTC, Now: time.Date(2031, 5, 4, 18, 30, 0, 0, time.UTC), Words: speak(language),
		Names: map[string]string{"door " + id: "the <oak> door", "person " + id: "élodie", "resident " + id: "élodie"}}
	for _, test := range []struct{ actor, action, subject, says, visit string }{
		{"resident " + id, "erased", "visit X", "élodie erased visit X", ""},
		{"resident " + gone, "held", "visit X", "A resident who is gone (" + gone + ") placed a hold on visit X", "X"},
		{"itself", "exported", "person " + id, "Lintel itself exported what is held of élodie", ""},
		{"command", "backed-up", "snapshot 20310504", "Somebody at the server made a backup, snapshot 20310504", ""},
		{"itself", "added", "door " + id, "Lintel itself added the door “the <oak> door”", ""},
		{"itself", "removed", "door " + gone, "Lintel itself removed a door that is gone (" + gone + ")", ""},
		{"itself", "changed", "rule " + id, "Lintel itself changed a rule for a door, number " + id, ""},
		{"itself", "added", "parcel " + id, "Lintel itself added an expected parcel, number " + id, ""},
		{"itself", "changed", "rules of advice", "Lintel itself changed the household’s rules for letting in", ""},
		{"itself", "changed", "advice-rules", "Lintel itself changed the household’s rules for letting in", ""},
		{"source " + id, "added", "factor " + id, "The phone or reader " + id + " added a factor, number " + id, ""},
		{"itself", "removed", "source " + id, "Lintel itself removed a phone or reader, number " + id, ""},
		{"itself", "added", "token " + id, "Lintel itself added a token, number " + id, ""},
		{"itself", "added", "receiver " + id, "Lintel itself added a receiver, number " + id, ""},
		{"itself", "suggested", "advice " + id + " on visit X", "Lintel itself made the suggestion " + id + " on visit X",
			"X"},
		{"itself", "suggested", "advice " + id + " visit X", "Lintel itself made the suggestion " + id + " on visit X",
			"X"},
		{"resident " + id, "used", "advice " + id, "élodie let somebody in by the suggestion " + id, ""},
		{"resident " + id, "dismissed", "advice " + id, "élodie dismissed the suggestion " + id, ""},
		{"itself", "expired", "advice " + id, "Lintel itself ended the suggestion " + id + ", whose time was over", ""},
		{"resident " + id, "changed", "one-time codes of person " + id, "élodie changed the one-time codes of élodie", ""},
		{"resident " + id, "changed", "codes " + id, "élodie changed the one-time codes of élodie", ""},
		{"itself", "withdrawn", "advice " + id + " visit X", "Lintel itself withdrew the suggestion " + id + " on visit X",
			"X"},
		{"resident " + id, "confirmed", "advice " + id, "élodie confirmed the suggestion " + id, ""},
		{"resident " + id, "changed", "pin " + id, "élodie changed the PIN of élodie", ""},
		{"tablet " + gone, "missed", "pin", "A tablet that is gone (" + gone + ") counted a failed attempt: a PIN that " +
			"was wrong", ""},
		{"itself", "missed", "code", "Lintel itself counted a failed attempt: a one-time code that was wrong", ""},
		{"command", "masked", "stills " + id, "Somebody at the server made masked places black on the stills kept of " +
			"a bell that is gone (" + id + ")", ""},
		{"itself", "swept", "visits 1 stills 2 smaller 0",
			"Lintel itself swept by the rules: 1 visit was deleted and the " +
				"photos of 2 visits were deleted", ""},
		{"command", "polished", "the brass", "Somebody at the server: polished the brass", ""},
		{"command", "polished", "", "Somebody at the server: polished ", ""},
	} {
		line := at.TrailLine(house.Entry{Actor: test.actor, Action: test.action, Subject: test.subject})
		says := at.Words.Text(line.Key, "Who", line.Who, "What", line.What)
		if says != test.says || line.Visit != test.visit {
			t.Errorf("%+v became %q, %+v", test, says, line)
		}
	}
}

// TestEveryDeedHasWords reads from the archive's code what it notes.
func TestEveryDeedHasWords(t *testing.T) {
	files, err := filepath.Glob("../store/*.go")
	if err != nil || len(files) == 0 {
		t.Fatal(len(files), err)
	}
	noted := regexp.MustCompile(`(?i)(?:note|change|changeIn)\([^"\n]*"([a-z-]+)", "([a-z-]+)`)
	at := view.Presenter{Zone: time.UTC, Words: speak(language)}
	found := 0
	for _, file := range files {
		code, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if strings.HasSuffix(file, "_test.go") {
			continue
		}
		for _, m := range noted.FindAllStringSubmatch(string(code), -1) {
			found++
			line := at.TrailLine(house.Entry{Actor: house.ByCommand, Action: m[1], Subject: m[2] + " X"})
			if line.Key == "did" || line.What == m[2]+" X" && at.Words.Text("entry-"+m[2], "ID", "X") != line.What {
				t.Errorf("%s: nothing says %s %s: %+v", file, m[1], m[2], line)
			}
		}
	}
	if found < 30 {
		t.Errorf("only %d notes found", found)
	}
}

// TestEntriesOfAccounts says who came in, who could not, and who saw to that.
func TestEntriesOfAccounts(t *testing.T) {
	t.Parallel()
	const id, gone = "ABCDEFGHIJKLMNOPQRSTUVWXYZ", "ABCDEFGHIJKLMNOPQRSTUVWXYA"
	at := view.Presenter{Zone: time.UTC, Now: time.Date(2031, 5, 4, 18, 30, 0, 0, time.UTC), Words: speak(language),
		Names: map[string]string{"resident " + id: "élodie"}}
	for _, test := range []struct{ actor, action, subject, says string }{
		{"resident " + id, "changed", "password " + id, "élodie changed their password"},
		{"resident " + id, "reset", "password " + id, "élodie set a new password, by a link"},
		{"command", "offered", "reset " + id, "Somebody at the server made a link that sets the password " +
			"of élodie anew"},
		{"command", "invited", "invitation " + gone, "Somebody at the server made an invitation, number " + gone},
		{"resident " + id, "removed", "invitation " + gone, "élodie withdrew an invitation, number " + gone},
		{"resident " + id, "joined", "resident " + gone, "élodie had invited a resident who is gone (" + gone +
			"), who joined"},
		{"resident " + id, "signed-in", "session " + gone, "élodie signed in"},
		{"resident " + id, "signed-out", "session " + gone + " resident " + id, "élodie signed out"},
		{"resident " + gone, "ended", "session " + gone + " resident " + id, "A resident who is gone (" + gone +
			") ended a session of élodie"},
		{"itself", "missed", "sign-in " + id + " count 1", "Lintel itself counted 1 failed sign-in as élodie " +
			"within an hour"},
		{"itself", "missed", "sign-in unknown count 10",
			"Lintel itself counted 10 failed sign-ins by names that nobody has, within an hour"},
		{"itself", "missed", "pairing unknown count 1", "Lintel itself counted 1 failed pairing within an hour"},
	} {
		line := at.TrailLine(house.Entry{Actor: test.actor, Action: test.action, Subject: test.subject})
		if says := at.Words.Text(line.Key, "Who", line.Who, "What", line.What); says != test.says {
			t.Errorf("%+v became %q", test, says)
		}
	}
}
