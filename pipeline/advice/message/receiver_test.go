package message

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/internal/python"
)

const receiverDir = "../../../docs/receiver"

// A station is the example of a receiver with its files, and a clock that says
// noon.
type station struct {
	id, door  string
	key, seen string // files
	parcels   bool
	now       time.Time
	largest   int // file that can be written, in bytes
}

func newStation(t *testing.T) station {
	t.Helper()
	if _, err := exec.LookPath("python3"); err != nil {
		t.Skip("SKIPPED: no python3 here, so the example of a receiver was not run")
	}
	dir := t.TempDir()
	s := station{id: "gate", door: "DOOR2", key: filepath.Join(dir, "key"), seen: filepath.Join(dir, "seen"), now: noon,
		largest: 1 << 20}
	write(t, s.key, key.Text()+"\n")
	write(t, s.seen, "")
	return s
}

func write(t *testing.T, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

// takes hands a message to the program, and returns its status and what it says.
func (s station) takes(t *testing.T, message []byte) (status int, would, complaint string) {
	t.Helper()
	// -B: it leaves no compiled file in docs.
	args := []string{"-B", "-c", `
import resource, sys
sys.path.insert(0, sys.argv[1])
import receiver
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[3]),) * 2)
sys.exit(receiver.main(sys.argv[4:], sys.stdin.buffer, lambda: float(sys.argv[2])))`,
		receiverDir, strconv.FormatInt(s.now.Unix(), 10), strconv.Itoa(s.largest)}
	return s.run(t, message, args...)
}

func (s station) run(t *testing.T, message []byte, args ...string) (status int, would, complaint string) {
	t.Helper()
	args = append(args, "--id", s.id, "--door", s.door, "--key", s.key, "--seen", s.seen)
	if s.parcels {
		args = append(args, "--parcels")
	}
	cmd := exec.CommandContext(t.Context(), "python3", args...)
	var out, errs bytes.Buffer
	cmd.Stdin, cmd.Stdout, cmd.Stderr = bytes.NewReader(message), &out, &errs
	if err := cmd.Run(); cmd.ProcessState == nil {
		t.Fatal(err)
	}
	return cmd.ProcessState.ExitCode(), out.String(), errs.String()
}

func TestReceiverActsOnce(t *testing.T) {
	s := newStation(t)
	message := sealed(t, suggested())
	status, would, complaint := s.takes(t, message)
	if want := "would let somebody in: door DOOR2, visit VISIT567, until 2026-11-25T12:01:00Z\n"; status != 0 ||
		would != want || complaint != "" {
		t.Fatalf("%d, %q, %q, want %q", status, would, complaint, want)
	}
	for range 2 {
		if status, would,
			complaint := s.takes(t, message); status != 1 || would != "" || !strings.Contains(complaint, "came before") {
			t.Errorf("replayed: %d, %q, %q", status, would, complaint)
		}
	}
	other := suggested()
	other.ID = "ADVICE235"
	if status, _, complaint := s.takes(t, sealed(t, other)); status != 0 {
		t.Errorf("another message: %d, %q", status, complaint)
	}
	if kept,
		err := os.ReadFile(s.seen); err != nil || string(kept) != nonce("ADVICE234", key)+"\n"+nonce("ADVICE235", key)+
		"\n" {
		t.Errorf("it remembers %q, %v", kept, err)
	}
}

// TestReceiverWithdraws has a suggestion withdrawn after it came, and before.
func TestReceiverWithdraws(t *testing.T) {
	a := suggested()
	message := sealed(t, a)
	a.State, a.EndedAt = house.Withdrawn, noon.Add(time.Second)
	withdrawal, want := sealed(t, a), "would stop: what the message "+nonce("ADVICE234", key)+" began, for door DOOR2\n"
	for _, c := range []struct {
		name   string
		first  []byte
		status int
	}{{"after", message, 0}, {"before", withdrawal, 3}} {
		s := newStation(t)
		if status, _, complaint := s.takes(t, c.first); status != c.status {
			t.Fatalf("%s: %d, %q", c.name, status, complaint)
		}
		if status, would, complaint := s.takes(t, withdrawal); status != 3 || would != want || complaint != "" {
			t.Errorf("%s: %d, %q, %q", c.name, status, would, complaint)
		}
		if status, would, complaint := s.takes(t, message); status != 1 || would != "" ||
			!strings.Contains(complaint, "came before") {
			t.Errorf("%s, and then the message: %d, %q, %q", c.name, status, would, complaint)
		}
	}
}

// TestReceiverLineEnds takes a message as a client of MQTT writes it: with a line
// end, and no more than one.
func TestReceiverLineEnds(t *testing.T) {
	s := newStation(t)
	message := sealed(t, suggested())
	if status, _, complaint := s.takes(t, append(bytes.Clone(message), "\n\n"...)); status != 1 {
		t.Errorf("with two line ends: %d, %q", status, complaint)
	}
	if status, would, complaint := s.takes(t, append(bytes.Clone(message), '\n')); status != 0 || would == "" {
		t.Errorf("with a line end: %d, %q, %q", status, would, complaint)
	}
}

func TestReceiverTest(t *testing.T) {
	s := newStation(t)
	text, err := SignTest(house.Receiver{ID: "gate", Door: "DOOR2", Key: key[:]}, noon)
	if err != nil {
		t.Fatal(err)
	}
	if status, would, complaint := s.takes(t, text); status != 1 || would != "" ||
		!strings.Contains(complaint, "a test message, and right") {
		t.Errorf("%d, %q, %q", status, would, complaint)
	}
}

// The same by the machine's clock and as a program by itself.
func TestReceiverAsAProgram(t *testing.T) {
	s := newStation(t)
	a := suggested()
	a.At = time.Now() // the program has no other clock
	a.ExpiresAt = a.At.Add(time.Minute)
	program := filepath.Join(receiverDir, "receiver.py")
	if status, would, complaint := s.run(t, sealed(t, a), program); status != 0 ||
		!strings.HasPrefix(would, "would let somebody in: door DOOR2,") {
		t.Errorf("%d, %q, %q", status, would, complaint)
	}
	if status, would, _ := s.run(t, sealed(t, suggested()), program); status != 1 || would != "" {
		t.Errorf("a message of another day: %d, %q", status, would)
	}
}

func TestReceiverParcels(t *testing.T) {
	s := newStation(t)
	a := suggested()
	a.Person, a.Parcel = "", "PARCEL9"
	if status, would, _ := s.takes(t, sealed(t, a)); status != 1 || would != "" {
		t.Errorf("a parcel at a door for persons: %d, %q", status, would)
	}
	s.parcels = true
	if status, would,
		complaint := s.takes(t, sealed(t, a)); status != 0 || !strings.HasPrefix(would, "would let a parcel be left:") {
		t.Errorf("a parcel: %d, %q, %q", status, would, complaint)
	}
}

func TestReceiverFailsClosed(t *testing.T) {
	good := sealed(t, suggested())
	with := func(old, new string) []byte { return enclose([]byte(strings.Replace(fields, old, new, 1)), key) }
	inverted := bytes.Clone(good)
	inverted[len(inverted)-5] ^= 1
	elsewhere, err := Sign(suggested(), "garden", "garage", key)
	if err != nil {
		t.Fatal(err)
	}
	stranger, err := Sign(suggested(), "garden", "gate", Key{1})
	if err != nil {
		t.Fatal(err)
	}
	type change = func(*testing.T, *station)
	for _, c := range []struct {
		name    string
		message []byte
		change  change
		says    string
	}{
		{"expired", good, func(_ *testing.T, s *station) { s.now = noon.Add(time.Minute) }, "expired"},
		{"from the future", good, func(_ *testing.T, s *station) { s.now = noon.Add(-31 * time.Second) }, "future"},
		{"altered", inverted, nil, "altered"},
		{"other receiver", elsewhere, nil, "another receiver"},
		{"other key", stranger, nil, "another key"},
		{"other door", good, func(_ *testing.T, s *station) { s.door = "DOOR3" }, "another door"},
		{"version 2", with(`"version":1`, `"version":2`), nil, "another version"},
		{"version true", with(`"version":1`, `"version":true`), nil, "another version"},
		{"another field", with(`"kind"`, `"loud":true,"kind"`), nil, "other fields"},
		{"a field twice", with(`"kind"`, `"kind":"parcel","kind"`), nil, "spelled otherwise"},
		{"another action", with("suggest", "open"), nil, "its action"},
		{"a line after the receiver", with(`"gate"`, `"gate\n"`), nil, "its receiver"},
		{"another kind", with("person", "animal"), nil, "its kind"},
		{"a test of a person", with(`"suggest"`, `"test"`), nil, "its kind"},
		{"a suggestion of a test", with("person", "test"), nil, "its kind"},
		{"a field less", with(`"action":"suggest",`, ``), nil, "other fields"},
		{"a blank", with(`,"kind"`, `, "kind"`), nil, "spelled otherwise"},
		{"a short nonce", with("00112233", ""), nil, "its nonce"},
		{"another zone", with("12:00:00Z", "13:00:00+01:00"), nil, ""},
		{"it ends before it begins", with("12:01:00Z", "11:59:00Z"), nil, ""},
		{"it holds too long", with("12:01:00Z", "12:05:01Z"), nil, "too long"},
		{"no such day", with("11-25T12:01", "11-31T12:01"), nil, "wrong"},
		{"not JSON within", enclose([]byte("open"), key), nil, "wrong"},
		{"a list within", enclose([]byte("[]"), key), nil, "no message"},
		{"nothing", nil, nil, "wrong"},
		{"null", []byte("null"), nil, "no message"},
		{"an empty object", []byte("{}"), nil, "no message"},
		{"numbers", []byte(`{"payload":1,"mac":2}`), nil, "no message"},
		{"lists deep in each other", []byte(strings.Repeat("[", 2000)), nil, "wrong"},
		{"a number of 2000 digits", []byte(strings.Repeat("9", 2000)), nil, "no message"},
		{"not text", []byte("\xff\x00\xfe"), nil, "wrong"},
		{"letters of another script", []byte(`{"payload":"\u00e9","mac":""}`), nil, "wrong"},
		{"a megabyte", bytes.Repeat([]byte("a"), 1<<20), nil, "too long"},
		{"two messages", append(bytes.Clone(good), good...), nil, "wrong"},
		{"no key", good, func(_ *testing.T, s *station) { s.key += "x" }, "wrong"},
		{"an empty key", good, func(t *testing.T, s *station) { write(t, s.key, "") }, "no key"},
		{"a key of zeros", enclose([]byte(fields), Key{}), func(t *testing.T, s *station) { write(t, s.key, Key{}.Text()) },
			"no key"},
		{"half a key", good, func(t *testing.T, s *station) { write(t, s.key, key.Text()[:44]) }, ""},
		{"a key that others may read", good, func(t *testing.T, s *station) {
			if err := os.Chmod(s.key, 0o644); err != nil {
				t.Fatal(err)
			}
		}, "others may read"},
		{"nothing to remember in", good, func(_ *testing.T, s *station) { s.seen += "x" }, "wrong"},
		{"a folder to remember in", good, func(t *testing.T, s *station) { s.seen = t.TempDir() }, "wrong"},
		{"a device to remember in", good, func(_ *testing.T, s *station) { s.seen = "/dev/zero" }, "no file"},
		{"damaged memory", good, func(t *testing.T, s *station) { write(t, s.seen, "0011") }, "damaged"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := newStation(t)
			if c.change != nil {
				c.change(t, &s)
			}
			before, _ := os.ReadFile(filepath.Join(filepath.Dir(s.key), "seen"))
			status, would, complaint := s.takes(t, c.message)
			if status != 1 || would != "" || !strings.HasPrefix(complaint, "would do nothing: ") ||
				!strings.Contains(complaint, c.says) {
				t.Errorf("%d, %q, %q, want status 1 and %q", status, would, complaint, c.says)
			}
			if after, _ := os.ReadFile(filepath.Join(filepath.Dir(s.key), "seen")); !bytes.Equal(before, after) {
				t.Errorf("it remembers %q", after)
			}
		})
	}
}

// A message that could not be remembered is not acted on, then or later.
func TestReceiverWithAFullDisk(t *testing.T) {
	s := newStation(t)
	message := sealed(t, suggested())
	s.largest = 10
	if status, would,
		complaint := s.takes(t, message); status != 1 || would != "" || !strings.Contains(complaint, "went wrong") {
		t.Errorf("%d, %q, %q", status, would, complaint)
	}
	s.largest = 1 << 20
	if status, would,
		complaint := s.takes(t, message); status != 1 || would != "" || !strings.Contains(complaint, "damaged") {
		t.Errorf("with room again: %d, %q, %q", status, would, complaint)
	}
}

// Every bit of a message counts to the receiver, too.
func TestReceiverAltered(t *testing.T) {
	dir, err := filepath.Abs(receiverDir)
	if err != nil {
		t.Fatal(err)
	}
	question := struct {
		Dir, Message string
		Key          []byte
		Now          int64
	}{dir, string(sealed(t, suggested())), key[:], noon.Unix()}
	var answer struct{ Good, Tried, Opened int }
	python.Ask(t, "hmac", `
import base64, json, sys
q = json.load(sys.stdin)
sys.dont_write_bytecode = True
sys.path.insert(0, q["Dir"])
import receiver
key = base64.b64decode(q["Key"])
def opens(message):
    try:
        receiver.verify_message(message, "gate", key, q["Now"])
        return 1
    except Exception:
        return 0
good = q["Message"].encode()
bad = [good[:i] for i in range(len(good))]
for i in range(len(good)):
    for bit in range(8):
        bad.append(good[:i] + bytes([good[i] ^ 1 << bit]) + good[i+1:])
json.dump(dict(Good=opens(good), Tried=len(bad), Opened=sum(map(opens, bad))), sys.stdout)`, question, &answer)
	if n := len(question.Message); answer.Good != 1 || answer.Tried != 9*n || answer.Opened != 0 {
		t.Errorf("%+v, want the good one and none of %d", answer, 9*n)
	}
}
