package main

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/internal/python"
	"lintel/store"
	"lintel/store/seal"
)

// killAfter has the process that this test runs again be killed after a step of a
// rotation: the step, and then the command's flags.
const killAfter = "LINTEL_TEST_ROTATE_KILLED"

// TestRotateProcess is the process that TestRotateKilled kills.
func TestRotateProcess(t *testing.T) {
	told := strings.Split(os.Getenv(killAfter), "\n")
	if len(told) != 3 {
		t.Skip("this is run by TestRotateKilled")
	}
	g := &globals{Data: told[1], keyFlags: keyFlags{Key: told[2]}, ctx: house.By(t.Context(), house.ByCommand),
		stdout: os.Stdout, stderr: os.Stderr}
	c := keyRotateCmd{told: func(step store.RotateStep) {
		if string(step) == told[0] {
			syscall.Kill(os.Getpid(), syscall.SIGKILL)
		}
	}}
	t.Fatalf("it was not killed after %s: %v", told[0], c.Run(g))
}

// rotatedHouse is an archive whose key is to be changed, and what it held before.
type rotatedHouse struct {
	data, key string
	flags     []string
	visits    []string
	person    string
	before    seal.Key
	backups   string
}

func newRotatedHouse(t *testing.T) *rotatedHouse {
	t.Helper()
	data, flags, visits := keptRings(t, 3)
	h := &rotatedHouse{data: data, key: flags[3], flags: flags, visits: visits, backups: filepath.Join(t.TempDir(), "b")}
	for _, args := range [][]string{{"person", "add", "Tamsin Quill"}, {"certificate", "make", "lintel.local"},
		{"resident", "invite"}, {"backup", h.backups, "--plain", "--keep", "9"}} {
		if status, _, said := lintelAt(t, append(args, flags...)...); status != exitRight {
			t.Fatal(args, said)
		}
	}
	a := openedAt(t, data, h.key)
	defer a.Close()
	persons, err := a.Persons(t.Context())
	if err != nil || len(persons) != 1 {
		t.Fatal(persons, err)
	}
	h.person = persons[0].ID
	h.before, err = seal.ReadKey(h.key)
	if err != nil {
		t.Fatal(err)
	}
	return h
}

// check wants the archive to be sound and whole, under a key that is not the old one.
func (h *rotatedHouse) check(t *testing.T) {
	t.Helper()
	after, err := seal.ReadKey(h.key)
	if err != nil || after == h.before {
		t.Errorf("the key was not changed: %v", err)
	}
	if old, err := seal.ReadKey(h.key + ".old"); err != nil || old != h.before {
		t.Errorf("the old key was not kept: %v", err)
	}
	if _, err := store.Open(t.Context(), h.data, h.before, time.Now); !errors.Is(err, store.ErrWrongKey) {
		t.Errorf("with the old key: %v", err)
	}
	for _, name := range []string{h.key + ".new", filepath.Join(h.data, "keys.new"), filepath.Join(h.data, "keys.old")} {
		if _, err := os.Stat(name); !errors.Is(err, os.ErrNotExist) {
			t.Errorf("%s was left", name)
		}
	}
	if status, said, _ := lintelAt(t, append([]string{"verify"}, h.flags...)...); status != exitRight {
		t.Errorf("verify: %s", said)
	}
	a := openedAt(t, h.data, h.key)
	defer a.Close()
	for i, visit := range h.visits {
		if jpeg, err := a.ReadStill(t.Context(), visit, 0); err != nil ||
			string(jpeg) != fmt.Sprintf("the picture of ring %d", i) {
			t.Errorf("still %d: %q, %v", i, jpeg, err)
		}
	}
	if p, err := a.Person(t.Context(), h.person); err != nil || p.Name != "Tamsin Quill" {
		t.Errorf("%+v, %v", p, err)
	}
	if c, err := a.Certificates(t.Context()); err != nil || len(c.Authority.Key) == 0 {
		t.Errorf("the house's authority: %v", err)
	}
	checkTrailEnds(t, h.data, h.key, "rotated")
}

// A rotation that is killed after any step leaves an archive that the next run finishes;
// until then either key opens it, or the command says what to do.
func TestRotateKilled(t *testing.T) {
	steps := append([]store.RotateStep{rotateMade}, store.RotateSteps...)
	for i, step := range append(steps, rotateOldKept) {
		t.Run(string(step), func(t *testing.T) {
			h := newRotatedHouse(t)
			killed := exec.CommandContext(t.Context(), os.Args[0], "-test.run=^TestRotateProcess$")
			killed.Env = append(os.Environ(), killAfter+"="+string(step)+"\n"+h.data+"\n"+h.key)
			out, err := killed.CombinedOutput()
			if exit := new(exec.ExitError); !errors.As(err, &exit) ||
				exit.Sys().(syscall.WaitStatus).Signal() != syscall.SIGKILL {
				t.Fatalf("the process ended by %v: %s", err, out)
			}
			status, _, said := lintelAt(t, append([]string{"person", "list"}, h.flags...)...)
			if committed := i > 3; committed != (status != exitRight) || committed && !strings.Contains(said, "finishes it") {
				t.Errorf("killed after %s: status %d, said %q", step, status, said)
			}
			if status, _, said := lintelAt(t, append([]string{"key", "rotate"}, h.flags...)...); status != exitRight {
				t.Fatal(said)
			}
			h.check(t)
		})
	}
}

// After a rotation the archive goes on, backups made before it and after it know each
// other, and each opens with the key of its time alone.
func TestRotate(t *testing.T) {
	h := newRotatedHouse(t)
	status, said, _ := lintelAt(t, append([]string{"key", "rotate"}, h.flags...)...)
	if status != exitRight || !strings.Contains(said, h.key+".old") || !strings.Contains(said, "backups made before") {
		t.Fatal(said)
	}
	h.check(t)
	if put, log := startAt(t, h.data, h.key, true); put {
		t.Errorf("the count takes it for put back: %s", log)
	}
	h.slotsOpen(t)
	snapshots := func() []string {
		t.Helper()
		all, err := os.ReadDir(filepath.Join(h.backups, "snapshots"))
		if err != nil {
			t.Fatal(err)
		}
		var names []string
		for _, s := range all {
			names = append(names, s.Name())
		}
		return names
	}
	first := snapshots()[0]
	// Whom an erasure after the rotation erased does not come back with the old snapshot.
	for _, args := range [][]string{{"erase", h.visits[0]}, {"backup", h.backups, "--plain", "--keep", "9"}} {
		if status, _, said := lintelAt(t, append(args, h.flags...)...); status != exitRight {
			t.Fatal(args, said)
		}
	}
	second := snapshots()[1]
	for _, test := range []struct {
		snapshot, key string
		right         bool
	}{{first, h.key + ".old", true}, {second, h.key, true}, {first, h.key, false}, {second, h.key + ".old", false}} {
		to := filepath.Join(t.TempDir(), "again")
		status, _, said := lintelAt(t, "restore", h.backups, "--snapshot", test.snapshot, "--data", to, "--key", test.key,
			"--archive-lost")
		if test.right != (status == exitRight) {
			t.Errorf("%s with %s: status %d, %s", test.snapshot, test.key, status, said)
		}
		if !test.right {
			continue
		}
		a := openedAt(t, to, test.key)
		if _, err := a.Visit(t.Context(), h.visits[0]); !errors.Is(err, house.ErrNotFound) {
			t.Errorf("what was erased is back: %v", err)
		}
		if _, err := a.ReadStill(t.Context(), h.visits[1], 0); err != nil {
			t.Error(err)
		}
		a.Close()
	}
	// And once more.
	if status, said, _ := lintelAt(t, append([]string{"key", "rotate"}, h.flags...)...); status != exitRight ||
		!strings.Contains(said, h.key+".old2") {
		t.Errorf("again: %s", said)
	}
}

// slotsOpen has the wrapped keys opened with the new key and with the old one.
//
// Outside: Python's cryptography derives the key by HKDF and opens AES-GCM.
func (h *rotatedHouse) slotsOpen(t *testing.T) {
	t.Helper()
	now, err := seal.ReadKey(h.key)
	if err != nil {
		t.Fatal(err)
	}
	slots, err := os.ReadFile(filepath.Join(h.data, "keys"))
	if err != nil {
		t.Fatal(err)
	}
	var opened struct{ Taken, Now, Before int }
	python.Ask(t, "cryptography", `
import base64, json, struct, sys
from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF
asked = json.load(sys.stdin)
slots = base64.b64decode(asked["Slots"])
def place(*parts):
    return b"".join(struct.pack(">I", len(p)) + p for p in parts)
def opens(master):
    key = HKDF(SHA256(), 32, None, b"lintel wrapping of data keys 1").derive(base64.b64decode(master))
    opened = 0
    for at in range(0, len(slots), 64):
        mark = struct.unpack(">I", slots[at:at + 4])[0]
        if mark >> 31:
            continue
        number = str(mark << 32 | at // 64).encode()
        try:
            AESGCM(key).decrypt(slots[at + 4:at + 16], slots[at + 16:at + 64], place(b"slot", number))
            opened += 1
        except InvalidTag:
            pass
    return opened
taken = sum(1 for at in range(0, len(slots), 64) if slots[at] < 128)
json.dump({"Taken": taken, "Now": opens(asked["Now"]), "Before": opens(asked["Before"])}, sys.stdout)`,
		map[string][]byte{"Slots": slots, "Now": now[:], "Before": h.before[:]}, &opened)
	if opened.Taken < 6 || opened.Now != opened.Taken || opened.Before != 0 {
		t.Errorf("of %d keys %d open with the new key, %d with the old one", opened.Taken, opened.Now, opened.Before)
	}
}

// What must not be done is refused, and changes nothing.
func TestRotateRefused(t *testing.T) {
	h := newRotatedHouse(t)
	refused := func(want string, args ...string) {
		t.Helper()
		status, _, said := lintelAt(t, append([]string{"key", "rotate"}, args...)...)
		if status == exitRight || !strings.Contains(said, want) {
			t.Errorf("status %d, said %q, want %q", status, said, want)
		}
		if now, err := seal.ReadKey(h.key); err != nil || now != h.before {
			t.Errorf("the key was changed: %v", err)
		}
	}
	a := openedAt(t, h.data, h.key)
	refused("Another command", h.flags...)
	if err := a.Lock(); err != nil {
		t.Fatal(err)
	}
	refused("A server is using", h.flags...)
	a.Close()
	other := filepath.Join(t.TempDir(), "other")
	if status, _, said := lintelAt(t, "bell", "add", "x", "--data", other, "--key", h.key); status != exitRight {
		t.Fatal(said)
	}
	startAt(t, other, h.key, false)
	refused("opens other archives too", h.flags...)
	if err := os.RemoveAll(other); err != nil {
		t.Fatal(err)
	}
	strange := filepath.Join(t.TempDir(), "strange.key")
	if err := seal.WriteKey(strange, seal.NewKey()); err != nil {
		t.Fatal(err)
	}
	refused("not the archive's", "--data", h.data, "--key", strange)
	if _, err := os.Stat(strange + ".new"); err == nil {
		t.Error("a key was made beside one that is not the archive's")
	}
	passphrase := filepath.Join(t.TempDir(), "passphrase")
	if err := os.WriteFile(passphrase, []byte("eleven quiet lanterns\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	refused("comes from a passphrase", "--data", h.data, "--passphrase-file", passphrase)
	// A key that was not written to its end is nobody's.
	if err := os.WriteFile(h.key+".new", []byte("lintel-mas"), 0o600); err != nil {
		t.Fatal(err)
	}
	if status, _, said := lintelAt(t, append([]string{"key", "rotate"}, h.flags...)...); status != exitRight {
		t.Fatal(said)
	}
	h.check(t)
}

// The copy on paper is read by the eye and by a reader of QR codes, and is checked.
//
// Outside: zbar, by Python's pyzbar, reads the terminal's code and the sheet's.
func TestKeyCopy(t *testing.T) {
	h := newRotatedHouse(t)
	status, printed, said := lintelAt(t, append([]string{"key", "copy"}, h.flags...)...)
	if status != exitRight || !strings.Contains(said, "drawer") {
		t.Fatal(said)
	}
	lines := strings.SplitAfterN(printed, "\n", 6)
	check := func(typed, want string, right bool) {
		t.Helper()
		var out bytes.Buffer
		g := &globals{Data: h.data, keyFlags: keyFlags{Key: h.key}, ctx: t.Context(), stdout: &out, stderr: &out}
		err := (&keyCheckCmd{typed: strings.NewReader(typed)}).Run(g)
		if says := fmt.Sprint(out.String(), err); right != (err == nil) || !strings.Contains(says, want) {
			t.Errorf("typed %q: %s, want %q", typed, says, want)
		}
	}
	text := strings.Join(lines[:5], "")
	check(text, "This copy is right", true)
	check(h.before.Text(), "This copy is right", true)
	wrong := []byte(text)
	wrong[20] ^= 1
	check(string(wrong), "mistake in line 2", false)
	check(strings.Join(seal.NewKey().Lines(), "\n"), "another archive", false)
	check(lines[0]+lines[1], "mistake in line 3", false)

	sheet := filepath.Join(t.TempDir(), "key.svg")
	if status, _, said := lintelAt(t, append([]string{"key", "copy", "--svg", sheet}, h.flags...)...); status != exitRight {
		t.Fatal(said)
	}
	svg, err := os.ReadFile(sheet)
	if err != nil {
		t.Fatal(err)
	}
	if info, err := os.Stat(sheet); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("%v, %v", info, err)
	}
	for _, line := range strings.Split(strings.TrimSpace(text), "\n") {
		if !strings.Contains(string(svg), ">"+line+"<") {
			t.Errorf("the sheet has no line %q", line)
		}
	}
	if status, _, said := lintelAt(t, append([]string{"key", "copy", "--svg", sheet}, h.flags...)...); status == exitRight {
		t.Errorf("the sheet was written over: %s", said)
	}
	code := regexp.MustCompile(`\x1b\[[0-9;]*m`).ReplaceAllString(lines[5], "")
	for name, read := range map[string]string{"terminal": readCode(t, drawnLines(code)),
		"sheet": readCode(t, drawnPath(svg))} {
		if read != h.before.Text() {
			t.Errorf("the %s's code is read as %q", name, read)
		}
		check(read, "This copy is right", true)
	}

	if status, _, said := lintelAt(t, append([]string{"key", "rotate"}, h.flags...)...); status != exitRight {
		t.Fatal(said)
	}
	check(text, "an earlier master key, "+h.key+".old", false)
}

// drawnLines are the modules of a code as a terminal shows them, dark ones true.
func drawnLines(code string) (modules [][]bool) {
	for line := range strings.Lines(strings.TrimRight(code, "\n")) {
		var upper, lower []bool
		for _, c := range strings.TrimRight(line, "\n") {
			upper, lower = append(upper, c == '█' || c == '▀'), append(lower, c == '█' || c == '▄')
		}
		modules = append(modules, upper, lower)
	}
	return modules
}

// drawnPath are those of the path of a sheet.
func drawnPath(svg []byte) [][]bool {
	modules := make([][]bool, 80)
	for i := range modules {
		modules[i] = make([]bool, 80)
	}
	for _, run := range regexp.MustCompile(`M(\d+) (\d+)h(\d+)v1`).FindAllSubmatch(svg, -1) {
		var x, y, n int
		fmt.Sscan(string(run[1])+" "+string(run[2])+" "+string(run[3]), &x, &y, &n)
		for i := range n {
			modules[y][x+i] = true
		}
	}
	return modules
}

func readCode(t *testing.T, modules [][]bool) string {
	t.Helper()
	var found []string
	python.Ask(t, "pyzbar.pyzbar", `
import json, sys
from pyzbar.pyzbar import decode, ZBarSymbol
scale, rows = 4, []
for row in json.load(sys.stdin):
    rows += [b"".join(b"\x00" * scale if dark else b"\xff" * scale for dark in row)] * scale
found = decode((b"".join(rows), len(rows[0]), len(rows)), symbols=[ZBarSymbol.QRCODE])
json.dump([f.data.decode() for f in found], sys.stdout)`, modules, &found)
	if len(found) != 1 {
		t.Fatalf("%d codes were read", len(found))
	}
	return found[0]
}
