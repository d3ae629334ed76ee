package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/store"
	"lintel/store/seal"
)

// keptRings makes an archive with a bell and visits of one still, and returns
// its folder, the flags that open it, and the visits.
func keptRings(t *testing.T, rings int) (data string, flags []string, visits []string) {
	t.Helper()
	dir := t.TempDir()
	data, key := filepath.Join(dir, "data"), filepath.Join(dir, "master.key")
	flags = []string{"--data", data, "--key", key}
	if status, _, said := lintelAt(t, append([]string{"bell", "add", "front"}, flags...)...); status != exitRight {
		t.Fatal(said)
	}
	master, err := seal.ReadKey(key)
	if err != nil {
		t.Fatal(err)
	}
	a, err := store.Open(t.Context(), data, master, time.Now)
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	for i := range rings {
		picture := fmt.Appendf(nil, "the picture of ring %d", i)
		visit, _, err := a.Keep(t.Context(), house.NewStill{
			Bell: "front", Ring: fmt.Sprintf("ring-%d", i), SentSHA256: sha256.Sum256(picture),
			JPEG: picture, Width: 640, Height: 480, ReceivedAt: time.Now(),
		})
		if err != nil {
			t.Fatal(err)
		}
		visits = append(visits, visit)
	}
	return data, flags, visits
}

// stillsIn lists the files of stills in an archive's folder.
func stillsIn(t *testing.T, data string) (paths []string) {
	t.Helper()
	err := filepath.WalkDir(filepath.Join(data, "stills"), func(path string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			paths = append(paths, path)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return paths
}

func TestVerifyCommand(t *testing.T) {
	data, flags, _ := keptRings(t, 3)
	verify := func(want int, words string, args ...string) (stdout string) {
		t.Helper()
		status, stdout, stderr := lintelAt(t, append(append([]string{"verify"}, flags...), args...)...)
		if status != want || !strings.Contains(stdout+stderr, words) {
			t.Errorf("verify %q ended with %d, want %d: %q %q, want %q", args, status, want, stdout, stderr, words)
		}
		return stdout
	}
	report := func(stdout string) (r store.Report) {
		t.Helper()
		if err := json.Unmarshal([]byte(stdout), &r); err != nil {
			t.Errorf("%v in %s", err, stdout)
		}
		return r
	}
	verify(exitRight, "The archive is sound.")
	if r := report(verify(exitRight, "", "--json")); r.Stills != 3 || r.Left != 0 || r.Problems == nil {
		t.Errorf("%+v", r)
	}
	lost, stray := stillsIn(t, data)[1], filepath.Join(data, "stills", "AA", "AAAAAAAAAAAAAAAAAAAAAAAAAA.still")
	sealed, err := os.ReadFile(lost)
	if err != nil {
		t.Fatal(err)
	}
	sealed[7] ^= 2
	if err := errors.Join(os.MkdirAll(filepath.Dir(stray), 0o700), os.WriteFile(stray, sealed, 0o600),
		os.WriteFile(lost, sealed, 0o600)); err != nil {
		t.Fatal(err)
	}
	verify(exitFailed, "problems: 2. Nothing was changed")
	if r := report(verify(exitFailed, "", "--json")); r.Left != 2 || len(r.Problems) != 2 {
		t.Errorf("%+v", r)
	}
	if len(stillsIn(t, data)) != 4 {
		t.Error("a verify without --repair removed something")
	}
	if said := verify(exitRight, "(mended)", "--repair"); !strings.Contains(said, "marked as lost") ||
		!strings.Contains(said, "known as lost: 1") {
		t.Errorf("said %s", said)
	}
	verify(exitRight, "known as lost: 1")
	if left := stillsIn(t, data); len(left) != 2 {
		t.Errorf("left %q", left)
	}

	breakTrail(t, data)
	verify(exitFailed, "entry 1 is not as it was written")
	verify(exitFailed, "problems that can't be mended here: 1", "--repair")
}

// breakTrail changes an entry of the audit trail, which can't be mended: it stays a
// problem, with the status that says so.
func breakTrail(t *testing.T, data string) {
	t.Helper()
	db, err := sql.Open("sqlite", filepath.Join(data, "archive.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	for _, statement := range []string{`DROP TRIGGER audit_is_not_changed`,
		`UPDATE audit SET actor = 'itself' WHERE seq = 1`} {
		if _, err := db.ExecContext(t.Context(), statement); err != nil {
			t.Fatal(err)
		}
	}
}

func TestVerifyErasedCommand(t *testing.T) {
	_, flags, visits := keptRings(t, 2)
	lintel := func(want int, words string, args ...string) (stdout string) {
		t.Helper()
		status, stdout, stderr := lintelAt(t, append(args, flags...)...)
		if status != want || !strings.Contains(stdout+stderr, words) {
			t.Errorf("%q ended with %d, want %d: %q %q, want %q", args, status, want, stdout, stderr, words)
		}
		return stdout
	}
	lintel(exitFailed, "is in the archive", "verify", "--erased", visits[0])
	lintel(exitFailed, "knows no visit, person or file", "verify", "--erased", "nobody")
	keysBefore, err := os.ReadFile(filepath.Join(flags[1], "keys"))
	if err != nil {
		t.Fatal(err)
	}
	lintel(exitRight, "", "erase", visits[0])
	if said := lintel(exitRight, "nothing of it is left", "verify", "--erased", visits[0]); strings.Count(
		said, "✓") != 4 {
		t.Errorf("said %s", said)
	}
	lintel(exitFailed, "is in the archive", "verify", "--erased", visits[1])
	for id, want := range map[string]bool{visits[0]: true, visits[1]: false} {
		var p proven
		status := exitFailed
		if want {
			status = exitRight
		}
		if err := json.Unmarshal([]byte(lintel(status, "", "verify", "--json", "--erased", id)), &p); err != nil ||
			p.Proven != want || p.ID != id || (p.Reason == "") != want {
			t.Errorf("%+v, %v", p, err)
		}
	}

	// No disk has its keys any more; one with a copy of them from before would.
	keys := filepath.Join(flags[1], "keys")
	now, err := os.ReadFile(keys)
	if err != nil {
		t.Fatal(err)
	}
	lintel(exitRight, "None was found.", "verify", "--raw", keys)
	before := filepath.Join(t.TempDir(), "image")
	if err := os.WriteFile(before, slices.Concat(make([]byte, 4096), keysBefore, now), 0o600); err != nil {
		t.Fatal(err)
	}
	lintel(exitFailed, "open what was erased", "verify", "--raw", before)
	var r store.DiskReport
	if err := json.Unmarshal([]byte(lintel(exitFailed, "", "verify", "--json", "--raw", before)), &r); err != nil ||
		len(r.Found) != 2 || r.Found[0].At != 4096 || // the ring's name and the still's key
		r.Found[1].At != 4096+64 || r.Bytes != int64(4096+2*len(now)) {
		t.Errorf("%+v, %v", r, err)
	}

	// A database that could not be written anew when keys left it, as where the disk was full,
	// is at the next start.
	lintel(exitRight, "", "erase", visits[1])
	db, err := sql.Open("sqlite", filepath.Join(flags[1], "archive.db"))
	if err == nil {
		_, err = db.ExecContext(t.Context(), `UPDATE counters SET value = 1 WHERE name = 'uncleaned'`)
		err = errors.Join(err, db.Close())
	}
	if err != nil {
		t.Fatal(err)
	}
	lintel(exitRight, "nothing of it is left", "verify", "--erased", visits[1])
	lintel(exitRight, "The archive is sound.", "verify")
}

// openAt opens the archive that the flags name.
func openAt(t *testing.T, flags []string) *store.Archive {
	t.Helper()
	master, err := seal.ReadKey(flags[3])
	if err != nil {
		t.Fatal(err)
	}
	a, err := store.Open(context.WithoutCancel(t.Context()), flags[1], master, time.Now)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// A damaged database stops every command, with words for people, and nothing
// in the folder changes.
func TestDamagedDatabaseCommands(t *testing.T) {
	data, flags, visits := keptRings(t, 2)
	file := filepath.Join(data, "archive.db")
	whole, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	commands := [][]string{{"verify"}, {"verify", "--repair"}, {"verify", "--erased", visits[0]}, {"bell", "list"},
		{"sweep"}, {"erase", visits[0]}}
	if models := os.Getenv("LINTEL_MODELS"); models != "" {
		commands = append(commands, []string{"serve", "--listen", "127.0.0.1:0", "--models", models})
	} else {
		t.Log("SKIPPED for `lintel serve`: LINTEL_MODELS does not name the folder of model files")
	}
	for name, damaged := range map[string][]byte{
		"empty":       nil,
		"cut":         whole[:len(whole)/2],
		"cut in page": whole[:len(whole)-100],
		"overwritten": bytes.Repeat([]byte("minutes of a meeting\n"), 1000),
	} {
		if err := os.WriteFile(file, damaged, 0o600); err != nil {
			t.Fatal(err)
		}
		before := folderOf(t, data)
		for _, command := range commands {
			status, stdout, stderr := lintelAt(t, append(command, flags...)...)
			if status != exitFailed || stdout != "" || !strings.Contains(stderr, "is damaged") ||
				!strings.Contains(stderr, "nothing was changed") ||
				!strings.Contains(stderr, "restore a backup into another one") {
				t.Errorf("%s: %q ended with %d: %q %q", name, command, status, stdout, stderr)
			}
			if after := folderOf(t, data); after != before {
				t.Errorf("%s: %q changed the folder from %s to %s", name, command, before, after)
			}
			if now, err := os.ReadFile(file); err != nil || !bytes.Equal(now, damaged) {
				t.Errorf("%s: %q changed the database, %v", name, command, err)
			}
		}
	}
	// A page in the middle, which only verify finds.
	broken := bytes.Clone(whole)
	copy(broken[3*4096:], bytes.Repeat([]byte("x"), 4096))
	if err := os.WriteFile(file, broken, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, command := range [][]string{{"verify"}, {"verify", "--repair"}} {
		status, stdout, stderr := lintelAt(t, append(command, flags...)...)
		if status != exitFailed || !strings.Contains(stdout+stderr, "restore a backup into another one") {
			t.Errorf("%q ended with %d: %q %q", command, status, stdout, stderr)
		}
		if now, err := os.ReadFile(file); err != nil || !bytes.Equal(now, broken) {
			t.Errorf("%q changed the database, %v", command, err)
		}
	}
	if err := os.WriteFile(file, whole, 0o600); err != nil {
		t.Fatal(err)
	}
	if status, stdout, stderr := lintelAt(t, append([]string{"verify"}, flags...)...); status != exitRight {
		t.Errorf("the whole one ended with %d: %q %q", status, stdout, stderr)
	}
}
