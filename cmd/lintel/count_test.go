package main

import (
	"bytes"
	"crypto/rand"
	"database/sql"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"lintel/store"
	"lintel/store/seal"
)

// A folder that is put back as it once was is found at the next start, and stays
// so until a backup is restored or the archive counted anew.
func TestFolderPutBack(t *testing.T) {
	data, flags, _ := keptRings(t, 1)
	key := flags[3]
	start := func(dir string, change bool) (putBack bool, log string) {
		t.Helper()
		return startAt(t, dir, key, change)
	}
	want := func(what string, want bool) {
		t.Helper()
		if is, log := start(data, false); is != want || strings.Contains(log, "put back") != want {
			t.Errorf("%s: put back %v, log %q", what, is, log)
		}
	}
	start(data, true)
	copied := filepath.Join(t.TempDir(), "copy")
	if err := os.CopyFS(copied, os.DirFS(data)); err != nil {
		t.Fatal(err)
	}
	start(data, true)
	want("as it should be", false)

	replace := func(from string) {
		t.Helper()
		if err := os.RemoveAll(data); err != nil {
			t.Fatal(err)
		}
		if err := os.CopyFS(data, os.DirFS(from)); err != nil {
			t.Fatal(err)
		}
	}
	replace(copied)
	want("put back", true)
	start(data, true)
	start(data, true)
	want("put back, and further by now", true)
	if status, _, said := lintelAt(t, append([]string{"verify", "--recount"}, flags...)...); status != exitRight {
		t.Fatal(said)
	}
	want("counted anew", false)

	backups, again := filepath.Join(t.TempDir(), "b"), filepath.Join(t.TempDir(), "again")
	for _, args := range [][]string{
		append([]string{"backup", backups, "--plain"}, flags...),
		append([]string{"person", "add", "Ines Marlow"}, flags...),
		{"restore", backups, "--data", again, "--key", key},
	} {
		if status, _, said := lintelAt(t, args...); status != exitRight {
			t.Fatal(said)
		}
	}
	start(data, true) // the server of before goes on until it is stopped
	replace(again)
	want("restored on purpose", false)
	if status, _, said := lintelAt(t, append([]string{"verify", "--repair"}, flags...)...); status != exitRight {
		t.Error(said)
	}
	checkTrailEnds(t, data, key, "restored")
}

// startAt does what a server does at its start, in an archive's folder.
func startAt(t *testing.T, dir, key string, change bool) (putBack bool, log string) {
	t.Helper()
	a := openedAt(t, dir, key)
	defer a.Close()
	g := &globals{Data: dir, keyFlags: keyFlags{Key: key}, ctx: t.Context()}
	var said bytes.Buffer
	c, err := g.newCount(a, slog.New(slog.NewTextHandler(&said, nil)), time.Now)
	if err != nil {
		t.Fatal(err)
	}
	if change {
		if _, err := a.AddPerson(t.Context(), "Quill "+rand.Text()); err != nil {
			t.Fatal(err)
		}
		c.keep(t.Context())
	}
	return c.PutBack() != nil, said.String()
}

func openedAt(t *testing.T, dir, path string) *store.Archive {
	t.Helper()
	key, err := seal.ReadKey(path)
	if err != nil {
		t.Fatal(err)
	}
	a, err := store.Open(t.Context(), dir, key, time.Now)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

func checkTrailEnds(t *testing.T, dir, key, action string) {
	t.Helper()
	a := openedAt(t, dir, key)
	defer a.Close()
	if trail, err := a.Trail(t.Context(), 0, 1); err != nil || trail[0].Action != action {
		t.Errorf("the audit trail ends with %+v, %v", trail, err)
	}
}

// Where nothing can be kept beside the key, the log says that nothing will tell.
func TestNothingKeptBesideTheKey(t *testing.T) {
	data, flags, _ := keptRings(t, 1)
	a := openedAt(t, data, flags[3])
	defer a.Close()
	var said bytes.Buffer
	g := &globals{Data: data, keyFlags: keyFlags{Key: filepath.Join(data, "archive.db", "key")}, ctx: t.Context()}
	c, err := g.newCount(a, slog.New(slog.NewTextHandler(&said, nil)), time.Now)
	if err != nil {
		t.Fatal(err)
	}
	c.keep(t.Context())
	if c.PutBack() != nil || !strings.Contains(said.String(), "can't be told") {
		t.Errorf("the log says %q", said.String())
	}
}

// Where the key lies where nothing can be kept, as a credential of the service manager
// does, the count is where --changes says.
func TestCountElsewhere(t *testing.T) {
	dir := t.TempDir()
	g := &globals{Changes: filepath.Join(dir, "changes"), keyFlags: keyFlags{Key: filepath.Join(dir, "key")}}
	if path, err := g.countPath(); err != nil || path != g.Changes {
		t.Errorf("the count is in %s, %v", path, err)
	}
	h := newHousehold(t)
	h.serve("--changes", g.Changes)
	h.stop()
	if data, err := os.ReadFile(g.Changes); err != nil || !bytes.Contains(data, []byte("households")) {
		t.Errorf("it says %s, %v", data, err)
	}
	if _, err := os.Stat(h.key + ".changes"); err == nil {
		t.Error("it is beside the key, too")
	}
}

// A trail that was cut, with a head of its own put back, is found at the next start and
// by verify, until the archive is counted anew.
func TestTrailCut(t *testing.T) {
	data, flags, _ := keptRings(t, 1)
	key := flags[3]
	trail := func(statements ...string) {
		t.Helper()
		db, err := sql.Open("sqlite", filepath.Join(data, "archive.db"))
		if err != nil {
			t.Fatal(err)
		}
		defer db.Close()
		for _, s := range statements {
			if _, err := db.ExecContext(t.Context(), s); err != nil {
				t.Fatalf("%s: %v", s, err)
			}
		}
	}
	start := func(want bool) {
		t.Helper()
		is, log := startAt(t, data, key, false)
		if is != want || strings.Contains(log, "the end of the audit trail") != want {
			t.Errorf("put back %v, want %v; the log says %s", is, want, log)
		}
	}
	trail(`CREATE TABLE elsewhere AS SELECT * FROM audit_head`)
	looks := func(n int) {
		t.Helper()
		a := openedAt(t, data, key)
		defer a.Close()
		for range n {
			if err := a.Note(t.Context(), "looked", "visit X"); err != nil {
				t.Fatal(err)
			}
		}
	}
	looks(2)
	start(false)
	trail(`DROP TRIGGER audit_is_not_cut`, `DROP TRIGGER audit_is_only_added_to`, `DROP TRIGGER audit_is_not_changed`,
		`DELETE FROM audit WHERE seq > (SELECT max(seq) - 2 FROM audit)`,
		`UPDATE audit_head SET head = (SELECT head FROM elsewhere)`)
	verify := func(want string) {
		t.Helper()
		if _, said, _ := lintelAt(t, append([]string{"verify"}, flags...)...); !strings.Contains(said, want) {
			t.Errorf("verify says %q, want %q", said, want)
		}
	}
	verify("are missing at its end")
	start(true)
	looks(5)
	start(true)
	verify("is not as it was written")
	trail(`DROP TABLE elsewhere`)
	if status, _, said := lintelAt(t, append([]string{"verify", "--recount"}, flags...)...); status != exitRight {
		t.Fatal(said)
	}
	start(false)
}
