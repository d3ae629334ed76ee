package broker

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/internal/python"
	"lintel/pipeline/advice/message"
)

// Outside: Debian's MQTT clients (mosquitto-clients) and Python's (python3-paho-mqtt),
// used as docs/receiver/README.md says.

// tool returns a program, or skips the test.
func tool(t *testing.T, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		t.Skipf("SKIPPED: no %s here, so it was not tried on the broker", name)
	}
	return path
}

// program prepares a program that is told where the broker is.
func (h *household) program(path string, l login, args ...string) *exec.Cmd {
	h.t.Helper()
	at, err := url.Parse(h.address)
	if err != nil {
		h.t.Fatal(err)
	}
	args = append([]string{"-h", at.Hostname(), "-p", at.Port(), "-u", l.name, "-P", l.token}, args...)
	ctx, cancel := context.WithTimeout(h.t.Context(), patience)
	h.t.Cleanup(cancel)
	return exec.CommandContext(ctx, path, args...)
}

// TestMosquittoHears has mosquitto_sub hear a suggestion, with the commands of
// docs/receiver/README.md, and the example of a receiver take its line.
func TestMosquittoHears(t *testing.T) {
	sub := tool(t, "mosquitto_sub")
	h := newHouse(t)
	h.advise()
	listens := h.program(sub, h.receiver, "-i", h.receiver.name, "-t", "lintel/advice/"+h.receiver.name, "-C", "1")
	var out bytes.Buffer
	listens.Stdout, listens.Stderr = &out, os.Stderr
	if err := listens.Start(); err != nil {
		t.Fatal(err)
	}
	h.waitForLog(0, "connected by MQTT")
	visit := h.comesHome()
	if err := listens.Wait(); err != nil {
		t.Fatal(err)
	}
	if !strings.HasSuffix(out.String(), "}\n") {
		t.Errorf("it wrote %q", &out)
	}
	if m, err := h.open(out.Bytes()); err != nil || m.Visit != visit {
		t.Errorf("%+v, %v", m, err)
	}
	dir := t.TempDir()
	key, seen := filepath.Join(dir, "key"), filepath.Join(dir, "seen")
	if err := errors.Join(os.WriteFile(key, []byte(h.key.Text()+"\n"), 0o600),
		os.WriteFile(seen, nil, 0o600)); err != nil {
		t.Fatal(err)
	}
	acts := exec.CommandContext(t.Context(), tool(t, "python3"), "-B", "-c", `
import sys
sys.path.insert(0, sys.argv[1])
import receiver
sys.exit(receiver.main(sys.argv[3:], sys.stdin.buffer, lambda: float(sys.argv[2])))`,
		"../../docs/receiver", strconv.FormatInt(h.now().Unix(), 10),
		"--id", h.receiver.name, "--door", h.door, "--key", key, "--seen", seen)
	acts.Stdin = bytes.NewReader(out.Bytes())
	says, err := acts.CombinedOutput()
	if err != nil || !strings.HasPrefix(string(says), "would let somebody in: door "+h.door) {
		t.Errorf("the receiver: %v, %s", err, says)
	}
}

// TestMosquittoRefused has mosquitto's clients do what the broker takes, and what it
// does not: each ends with a status of its own, and with a reason in the log.
func TestMosquittoRefused(t *testing.T) {
	pub := tool(t, "mosquitto_pub")
	h := newHouse(t)
	topic, token, signed := "lintel/factors/"+h.ada, `{"token":"brass"}`, h.signed("brass")
	for _, test := range []struct {
		name string
		args []string
		why  error // nil where it is taken
		ends bool  // whether the client itself notices
	}{
		{"a token", []string{"-q", "1"}, nil, false},
		{"one that is signed", []string{"-q", "1", "-m", signed}, nil, false},
		{"the same recorded", []string{"-q", "1", "-m", signed}, errors.New("came before"), false},
		{"a last will", []string{"-q", "1", "--will-topic", "x", "--will-payload", "gone"}, errWill, true},
		{"MQTT 5", []string{"-q", "1", "-V", "mqttv5"}, errLevel, true},
		{"QoS 2", []string{"-q", "2"}, errQoS, true},
		{"retained", []string{"-q", "1", "-r"}, errRetained, true},
	} {
		logged := len(h.log.String())
		args := append([]string{"-t", topic}, test.args...)
		if !slices.Contains(args, "-m") {
			args = append(args, "-m", token)
		}
		ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second) // it would come again and again
		cmd := h.program(pub, h.reader, args...)
		cmd = exec.CommandContext(ctx, cmd.Path, cmd.Args[1:]...)
		says, err := cmd.CombinedOutput()
		cancel()
		if (err != nil) != test.ends {
			t.Errorf("%s: %v, %s", test.name, err, says)
		}
		if test.why != nil {
			h.waitForLog(logged, test.why.Error())
		}
		t.Logf("%s: %v, %s", test.name, err, bytes.TrimSpace(says))
	}
	f := h.factors() // at one moment, and so in any order
	slices.SortFunc(f, func(x, y house.Factor) int { return cmp.Compare(x.Strength, y.Strength) })
	if len(f) != 2 || f[0].Kind != house.FactorToken || !f[0].Weak() || f[1].Weak() {
		t.Errorf("factors: %+v", f)
	}
}

// TestPythonHears has Python's client hear a test message.
func TestPythonHears(t *testing.T) {
	h := newHouse(t)
	at, err := url.Parse(h.address)
	if err != nil {
		t.Fatal(err)
	}
	listens := exec.CommandContext(t.Context(), python.With(t, "paho.mqtt.client"), "-c", `
import sys
import paho.mqtt.client as mqtt
host, port, name, token = sys.argv[1:]
ids = (mqtt.CallbackAPIVersion.VERSION1,) if hasattr(mqtt, "CallbackAPIVersion") else ()
c = mqtt.Client(*ids, client_id=name)
c.username_pw_set(name, token)
c.on_connect = lambda c, u, f, code: c.subscribe("lintel/advice/" + name) if code == 0 else sys.exit(code)
def came(c, u, m):
    print(m.payload.decode(), flush=True)
    c.disconnect()
c.on_message = came
c.connect(host, int(port))
c.loop_forever()`, at.Hostname(), at.Port(), h.receiver.name, h.receiver.token)
	var out bytes.Buffer
	listens.Stdout, listens.Stderr = &out, os.Stderr
	told := make(chan string, 1)
	h.listening.Store(func(receiver string) { told <- receiver })
	if err := listens.Start(); err != nil {
		t.Fatal(err)
	}
	wait(t, told, "the subscription")
	text, err := message.SignTest(house.Receiver{ID: h.receiver.name, Door: h.door, Key: h.key[:]}, h.now())
	if err != nil {
		t.Fatal(err)
	}
	h.send(h.receiver, text)
	if err := listens.Wait(); err != nil {
		t.Fatal(err)
	}
	if m, err := h.open(out.Bytes()); err != nil || m.Action != message.Test {
		t.Errorf("%+v, %v, of %q", m, err, &out)
	}
}
