package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"filippo.io/age"

	"lintel/internal/house"
	"lintel/store"
	"lintel/store/backup"
	"lintel/store/seal"
)

// ringBell keeps one still as intake would; the store looks at no picture.
func ringBell(t *testing.T, data, key, ring string) (visit string) {
	t.Helper()
	master, err := seal.ReadKey(key)
	if err != nil {
		t.Fatal(err)
	}
	a, err := store.Open(t.Context(), data, master, time.Now)
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	visit, _, err = a.Keep(t.Context(), house.NewStill{
		Bell: "front", Ring: ring, JPEG: []byte("a picture of " + ring), Width: 640, Height: 480,
		ReceivedAt: time.Date(2031, 5, 4, 18, 30, 0, 0, time.UTC),
	})
	if err != nil {
		t.Fatal(err)
	}
	return visit
}

func TestBackupAndRestore(t *testing.T) {
	dir := t.TempDir()
	t.Setenv("XDG_CONFIG_HOME", filepath.Join(dir, "config"))
	t.Setenv("CREDENTIALS_DIRECTORY", "")
	in := func(name string) string { return filepath.Join(dir, name) }
	data, key := in("data"), filepath.Join(dir, "config", "lintel", "master.key")
	me, err := age.GenerateX25519Identity()
	if err != nil {
		t.Fatal(err)
	}
	identity := in("identity.txt")
	if err := os.WriteFile(identity, []byte("# a test's\n"+me.String()+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	passphrase := in("passphrase")
	if err := os.WriteFile(passphrase, []byte("eleven quiet lanterns\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{
		{"bell", "add", "front", "--data", data},
		{"bell", "add", "front", "--data", in("neighbour")}, // with the same key, another household all the same
		{"person", "add", "Ada Quill", "--data", in("phrase"), "--passphrase-file", passphrase},
	} {
		if status, _, said := lintelAt(t, args...); status != exitRight {
			t.Fatal(said)
		}
	}
	if _, err := os.Stat(filepath.Join(in("phrase"), "passphrase.salt")); err != nil {
		t.Fatal(err)
	}
	first := ringBell(t, data, key, "r1")
	sealed := "--recipient=" + me.Recipient().String()

	for _, c := range []struct {
		args   []string
		status int
		said   string // on either output
	}{
		{[]string{"backup", in("b"), "--data", data}, exitUsage, "reads when somebody rang"},
		{[]string{"backup", in("b"), "--data", data, "--plain", sealed}, exitUsage, "--recipient"},
		{[]string{"backup", in("b"), "--data", in("nothing"), "--plain"}, exitFailed, "no archive"},
		{[]string{"backup", "--data", data}, exitUsage, "<dir>"},
		{[]string{"backup", in("b"), "--data", data, "--keep=-1"}, exitUsage, "1 or more"},
		{[]string{"backup", in("b"), "--data", data, "--recipient=nobody"}, exitUsage, "no age recipient"},
		{[]string{"backup", data, "--data", data, "--plain"}, exitFailed, "lie in one another"},
		{[]string{"backup", in("b"), "--data", data, sealed}, exitRight, "1 copied"},
		{[]string{"backup", in("b"), "--data", data, sealed}, exitRight, "Nothing changed"},
		{[]string{"backup", in("b"), "--data", in("neighbour"), "--plain"}, exitFailed, "another household's"},
		{[]string{"backup", in("b"), "--data", data, sealed}, exitRight, key}, // says where the key is
		{[]string{"restore", in("b"), "--data", in("new")}, exitFailed, "none was given"},
		{[]string{"restore", in("b"), "--data", in("new"), "--identity", passphrase}, exitFailed,
			"reading the age identity"},
		{[]string{"restore", in("b"), "--data", in("new"), "--identity", in("none")}, exitUsage, "none"},
		{[]string{"restore", in("b"), "--data", in("new"), "--identity", identity, "--key", in("none")}, exitFailed,
			"The master key is missing"},
		{[]string{"restore", in("b"), "--data", in("new"), "--identity", identity, "--household", "ANOTHER"}, exitFailed,
			"another household's"},
		{[]string{"restore", in("b"), "--data", in("new"), "--identity", identity, "--snapshot", "yesterday"}, exitFailed,
			"no such snapshot"},
		{[]string{"restore", in("b"), "--data", in("new"), "--identity", identity, "--erasures-of", in("neighbour")},
			exitFailed, "another household's"},
		{[]string{"restore", in("b"), "--data", data, "--identity", identity}, exitFailed, "not empty"},
		{[]string{"restore", in("b"), "--data", in("new"), "--identity", identity}, exitRight, "1 stills"},
		{[]string{"bell", "list", "--data", in("new")}, exitRight, "front"},
		{[]string{"erase", first, "--data", data}, exitRight, "erased: 1"},
		{[]string{"restore", in("b"), "--data", in("new2"), "--identity", identity, "--erasures-of", data}, exitRight,
			"Erased since, and so not in it: 1"},
		{[]string{"backup", in("b"), "--data", data, sealed, "--keep=2"}, exitRight, "0 stills"},
		{[]string{"backup", in("p"), "--plain", "--data", in("phrase"), "--passphrase-file", passphrase}, exitRight,
			"The passphrase is not in the backup"},
		{[]string{"restore", in("p"), "--data", in("phrase2"), "--passphrase-file", identity}, exitFailed,
			"not the archive's"},
		{[]string{"restore", in("p"), "--data", in("phrase2"), "--passphrase-file", passphrase}, exitRight, "Restored"},
		{[]string{"person", "list", "--data", in("phrase2"), "--passphrase-file", passphrase}, exitRight, "Ada Quill"},
	} {
		status, out, said := lintelAt(t, c.args...)
		if status != c.status || !strings.Contains(out+said, c.said) {
			t.Errorf("%q: status %d, want %d; said %q %q, want %q", c.args, status, c.status, out, said, c.said)
		}
		if strings.Contains(said, "\r") {
			t.Errorf("%q: progress on what is no terminal: %q", c.args, said)
		}
		if _, err := os.Stat(in("none")); err == nil {
			t.Fatalf("%q made a key", c.args)
		}
	}
	if left, err := filepath.Glob(filepath.Join(in("new2"), "stills", "*", "*")); err != nil || len(left) > 0 {
		t.Errorf("the erased still came back: %q, %v", left, err)
	}

	// The snapshot before the erasure, whose still is gone from the backup.
	snapshots, err := os.ReadDir(filepath.Join(in("b"), "snapshots"))
	if err != nil || len(snapshots) != 2 {
		t.Fatalf("snapshots %v, %v", snapshots, err)
	}
	old := []string{"restore", in("b"), "--identity", identity, "--snapshot", snapshots[0].Name(), "--data", in("old")}
	if status, out, said := lintelAt(t, append(old, "--json")...); status != exitRight {
		t.Error(said)
	} else if r := (backup.Restored{}); json.Unmarshal([]byte(out), &r) != nil || r.Erased != 1 ||
		r.Snapshot != snapshots[0].Name() {
		t.Errorf("the report: %s", out)
	}
}

func TestBackupReportsLostStills(t *testing.T) {
	dir := t.TempDir()
	t.Setenv("XDG_CONFIG_HOME", filepath.Join(dir, "config"))
	t.Setenv("CREDENTIALS_DIRECTORY", "")
	data := filepath.Join(dir, "data")
	if status, _, said := lintelAt(t, "bell", "add", "front", "--data", data); status != exitRight {
		t.Fatal(said)
	}
	visit := ringBell(t, data, filepath.Join(dir, "config", "lintel", "master.key"), "r1")
	ringBell(t, data, filepath.Join(dir, "config", "lintel", "master.key"), "r2")
	files, err := filepath.Glob(filepath.Join(data, "stills", "*", "*.still"))
	if err != nil || len(files) != 2 {
		t.Fatalf("files %q, %v", files, err)
	}
	if err := os.Remove(files[0]); err != nil {
		t.Fatal(err)
	}
	status, out, said := lintelAt(t, "backup", filepath.Join(dir, "b"), "--plain", "--data", data, "--json")
	var r backup.Report
	if err := json.Unmarshal([]byte(out), &r); err != nil {
		t.Fatalf("%v in %s", err, out)
	}
	if status != exitFailed || r.Lost != 1 || r.Copied != 1 || len(r.LostStills) != 1 ||
		!strings.Contains(said, "1 still is missing or changed") {
		t.Errorf("status %d, said %q, reported %+v", status, said, r)
	}
	if r.LostStills[0].Visit != visit && !strings.HasSuffix(files[0], r.LostStills[0].File+".still") {
		t.Errorf("the lost still: %+v", r.LostStills[0])
	}
	if status, out, _ := lintelAt(t, "restore", filepath.Join(dir, "b"), "--data",
		filepath.Join(dir, "new")); status != exitRight || !strings.Contains(out, "had lost before the backup: 1") {
		t.Errorf("restored with status %d: %q", status, out)
	}
}

// What was erased after the last backup is known to the archive alone. So a restore takes it from
// there, and without the archive it asks; on what is no terminal, for a flag.
func TestRestoreAsksForTheArchive(t *testing.T) {
	dir := t.TempDir()
	t.Setenv("XDG_CONFIG_HOME", filepath.Join(dir, "config"))
	t.Setenv("CREDENTIALS_DIRECTORY", "")
	in := func(name string) string { return filepath.Join(dir, name) }
	key := filepath.Join(dir, "config", "lintel", "master.key")
	if status, _, said := lintelAt(t, "bell", "add", "front", "--data", in("data")); status != exitRight {
		t.Fatal(said)
	}
	erased := ringBell(t, in("data"), key, "r1")
	ringBell(t, in("data"), key, "r2")
	run := func(want int, says string, args ...string) {
		t.Helper()
		status, out, said := lintelAt(t, args...)
		if status != want || !strings.Contains(out+said, says) {
			t.Errorf("%q: status %d, want %d; said %q %q, want %q", args, status, want, out, said, says)
		}
	}
	run(exitRight, "2 stills", "backup", in("b"), "--plain", "--data", in("data"))
	run(exitRight, "erased: 1", "erase", erased, "--data", in("data"))
	run(exitRight, "Erased since, and so not in it: 1 ", "restore", in("b"), "--data", in("one"))
	if err := os.Rename(in("data"), in("moved")); err != nil {
		t.Fatal(err)
	}
	run(exitFailed, "--archive-lost if it is gone", "restore", in("b"), "--data", in("data"))
	run(exitRight, "Erased since, and so not in it: 1 ", "restore", in("b"), "--data", in("two"), "--erasures-of",
		in("moved"))
	run(exitRight, "2 stills", "restore", in("b"), "--data", in("data"), "--archive-lost")

	stills, err := filepath.Glob(filepath.Join(in("b"), "stills", "*", "*"))
	if err != nil || len(stills) != 2 {
		t.Fatal(stills, err)
	}
	if err := os.Truncate(stills[0], 5); err != nil {
		t.Fatal(err)
	}
	run(exitFailed, "The rest is restored. 1 item", "restore", in("b"), "--data", in("three"), "--archive-lost")
}
