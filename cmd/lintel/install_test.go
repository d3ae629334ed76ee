package main

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"lintel/setup/service"
	"lintel/store/seal"
)

// What install would do is what it does, step by step, and saying so does nothing.
func TestInstallDryRun(t *testing.T) {
	root := t.TempDir()
	status, would, says := lintelAt(t, "install", "--dry-run", "--root", root, "--prefix", "/usr")
	if entries, err := os.ReadDir(root); status != exitRight || err != nil || len(entries) > 0 {
		t.Fatalf("status %d: %s; it made %v, %v", status, says, entries, err)
	}
	status, did, says := lintelAt(t, "install", "--root", root, "--prefix", "/usr")
	if status != exitRight || did != would {
		t.Errorf("status %d: %s; it did %s, it said %s", status, says, did, would)
	}
	for _, line := range []string{"Put /usr/bin/lintel there\n    install -D -m 755 ", " " + root + "/usr/bin/lintel\n",
		"Put settings there to change, /etc/lintel/lintel.conf"} {
		if !strings.Contains(did, line) {
			t.Errorf("it lacks %q: %s", line, did)
		}
	}
	if strings.Contains(did, "systemctl") || strings.Contains(did, "master.key") {
		t.Errorf("a package holds what only a machine can: %s", did)
	}
	info, err := os.Stat(filepath.Join(root, "usr/bin/lintel"))
	if err != nil || info.Mode().Perm() != 0o755 {
		t.Errorf("the program is %v, %v", info, err)
	}
	status, again, _ := lintelAt(t, "install", "--root", root, "--prefix", "/usr")
	if status != exitRight || strings.Count(again, "nothing to do") != strings.Count(did, "install -D") {
		t.Errorf("the second time: status %d: %s", status, again)
	}
	if status, _, says = lintelAt(t, "uninstall", "--root", root, "--prefix", "/usr"); status != exitRight {
		t.Errorf("uninstall: status %d: %s", status, says)
	}
	left, err := os.ReadFile(filepath.Join(root, "etc/lintel/lintel.conf"))
	if _, gone := os.Stat(filepath.Join(root, "usr/bin/lintel")); err != nil || len(left) == 0 || gone == nil {
		t.Errorf("it left %q, %v; the program: %v", left, err, gone)
	}
}

// A program that a package brought leaves the package's files alone.
func TestInstallSettles(t *testing.T) {
	for _, c := range []struct {
		program    string
		said, want installFlags
	}{
		{"/usr/bin/lintel", installFlags{}, installFlags{Prefix: "/usr", Packaged: true}},
		{"/usr/bin/lintel", installFlags{Root: "/tmp/x"}, installFlags{Root: "/tmp/x", Prefix: "/usr/local"}},
		{"/usr/bin/lintel", installFlags{Prefix: "/opt"}, installFlags{Prefix: "/opt"}},
		{"/usr/local/bin/lintel", installFlags{}, installFlags{Prefix: "/usr/local"}},
		{"/home/ada/lintel/build/lintel", installFlags{}, installFlags{Prefix: "/usr/local"}},
	} {
		if c.said.settle(c.program); c.said != c.want {
			t.Errorf("%s: %+v, want %+v", c.program, c.said, c.want)
		}
	}
}

// A wrong choice is refused before anything is done.
func TestInstallWrongly(t *testing.T) {
	root := t.TempDir()
	for _, args := range [][]string{{"--listen", "pi.local"}, {"--backup", "/mnt"}, {"--recipient", "age1x"}} {
		status, _, says := lintelAt(t, append([]string{"install", "--root", root}, args...)...)
		if status != exitUsage || !strings.Contains(says, "Nothing was done") {
			t.Errorf("%v: status %d: %s", args, status, says)
		}
	}
	if entries, err := os.ReadDir(root); err != nil || len(entries) > 0 {
		t.Errorf("it made %v, %v", entries, err)
	}
}

// borrower is set in a process that becomes another user, to the path of a key.
const borrower = "LINTEL_TEST_BORROWER"

// nobody is a user with no rights (65534 is Debian's nobody, Debian Policy 9.2.2).
const nobody = 65534

// TestBorrowerProcess is that process, and passes in any other. It tells the key's
// path, whether that can be read, and whether the file that it is of still can be.
func TestBorrowerProcess(t *testing.T) {
	path := os.Getenv(borrower)
	if path == "" {
		return
	}
	lent, err := lend(path, nobody)
	if err == nil {
		err = become(nobody, nobody)
	}
	if err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command("id", "-u").Output()
	if id := strings.TrimSpace(string(out)); err != nil || id != strconv.Itoa(nobody) {
		t.Errorf("became %s, %v", id, err)
	}
	if _, err := os.ReadFile(path); err == nil {
		t.Error("the file itself can be read")
	}
	if key, err := seal.ReadKey(lent); err != nil || key != (seal.Key{7}) {
		t.Errorf("the key that was lent: %v", err)
	}
	if syscall.Setuid(0) == nil {
		t.Error("became root again")
	}
}

// A command that runs as the service has the key and no right of root's.
//
// Outside: id of GNU coreutils says who it is.
func TestAsService(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Skip("SKIPPED: only root can become another user")
	}
	path := filepath.Join(t.TempDir(), "master.key")
	if err := seal.WriteKey(path, seal.Key{7}); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(os.Args[0], "-test.run=^TestBorrowerProcess$", "-test.v")
	cmd.Env = append(os.Environ(), borrower+"="+path)
	out, err := cmd.CombinedOutput()
	if err != nil || !bytes.Contains(out, []byte("PASS: TestBorrowerProcess")) {
		t.Errorf("%v: %s", err, out)
	}
}

// A backup names the key that people can make a copy of, not one that was handed to a
// process.
func TestKeyOrigin(t *testing.T) {
	g := &globals{keyFlags: keyFlags{Key: "/proc/self/fd/3"}}
	t.Setenv("LINTEL_KEY_ORIGIN", "")
	if path, err := g.keyOrigin(); err != nil || path != g.Key {
		t.Errorf("%s, %v", path, err)
	}
	t.Setenv("LINTEL_KEY_ORIGIN", service.Key)
	if path, err := g.keyOrigin(); err != nil || path != "/etc/lintel/master.key" {
		t.Errorf("%s, %v", path, err)
	}
	unit := installed(t, "lib/systemd/system/lintel-backup.service")
	if !strings.Contains(unit, "\nEnvironment=LINTEL_KEY_ORIGIN="+service.Key+"\n") {
		t.Errorf("the unit is %s", unit)
	}
}
