package web

import (
	"context"
	"encoding/json"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"testing"
	"time"

	"lintel/internal/house"
)

// Outside: Debian's mosquitto, a broker of MQTT 3.1.1 that is not ours, with the file
// of docs/mosquitto, and its clients.

// An outer is the household's own broker.
type outer struct {
	t    *testing.T
	conf string
	port string
	run  *exec.Cmd
}

// freePort is one that nobody listens on now.
func freePort(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	_, port, _ := net.SplitHostPort(l.Addr().String())
	return port
}

func newOuter(t *testing.T, inner string, h *household) *outer {
	t.Helper()
	for _, name := range []string{"mosquitto", "mosquitto_pub"} {
		if _, err := lookUp(name); err != nil {
			t.Skipf("SKIPPED: no %s here, so the bridge was not tried", name)
		}
	}
	p, token := h.hearer("Our broker", house.HearVisits)
	bridge := strings.NewReplacer("HOST:PORT", "127.0.0.1:"+inner, "BELL", "gate", "SECRET", h.bell, "PROGRAM", p.ID,
		"TOKEN", token).Replace(string(readFile(t, "../docs/mosquitto/bridge.conf")))
	o := &outer{t: t, port: freePort(t), conf: filepath.Join(t.TempDir(), "mosquitto.conf")}
	own := fmt.Sprintf("listener %s 127.0.0.1\nallow_anonymous true\npersistence true\npersistence_location %s/\nuser root\n",
		o.port, filepath.Dir(o.conf))
	if err := os.WriteFile(o.conf, []byte(own+bridge), 0o600); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(o.stop)
	return o
}

// lookUp finds a program, also where only root looks by itself.
func lookUp(name string) (string, error) {
	path, err := exec.LookPath(name)
	if err != nil {
		return exec.LookPath("/usr/sbin/" + name)
	}
	return path, nil
}

// start runs it until it is stopped, and waits until it answers.
func (o *outer) start() {
	o.t.Helper()
	path, err := lookUp("mosquitto")
	if err != nil {
		o.t.Fatal(err)
	}
	o.run = exec.Command(path, "-c", o.conf)
	if err := o.run.Start(); err != nil {
		o.t.Fatal(err)
	}
	o.publish("x", "hello")
}

// stop has it save what it holds, and end.
func (o *outer) stop() {
	if o.run != nil {
		o.run.Process.Signal(syscall.SIGTERM)
		o.run.Wait()
		o.run = nil
	}
}

func (o *outer) client(name string, args ...string) *exec.Cmd {
	ctx, cancel := context.WithTimeout(o.t.Context(), 2*mqttPatience)
	o.t.Cleanup(cancel)
	return exec.CommandContext(ctx, name, append([]string{"-h", "127.0.0.1", "-p", o.port, "-q", "1"}, args...)...)
}

// publish has mosquitto_pub publish, as soon as it is let in.
func (o *outer) publish(topic, text string, args ...string) {
	o.t.Helper()
	cmd := o.client("mosquitto_pub", append([]string{"-t", topic, "-s", "--repeat", "1"}, args...)...)
	for began := time.Now(); ; {
		cmd.Stdin = strings.NewReader(text)
		says, err := cmd.CombinedOutput()
		if err == nil {
			return
		}
		if time.Since(began) > mqttPatience {
			o.t.Fatalf("mosquitto_pub: %v: %s", err, says)
		}
		cmd = exec.CommandContext(o.t.Context(), cmd.Path, cmd.Args[1:]...)
	}
}

// comes waits until the archive has so many stills.
func (h *household) comes(stills int) {
	h.t.Helper()
	changed, stop := h.archive.Watch()
	defer stop()
	late := time.After(3 * mqttPatience)
	for {
		visits, err := h.archive.LatestVisits(h.t.Context(), 100)
		if err != nil {
			h.t.Fatal(err)
		}
		n := 0
		for _, v := range visits {
			n += len(v.Stills)
		}
		if n >= stills {
			return
		}
		select {
		case <-changed:
		case <-late:
			h.t.Fatalf("%d stills came, not %d", n, stills)
		}
	}
}

// A still that is published at the household's own broker arrives, also where either
// was down meanwhile; its visit comes out there; and nothing goes round.
func TestBridge(t *testing.T) {
	h := newHouse(t)
	inner := freePort(t)
	o := newOuter(t, inner, h)
	stop := h.serveMQTT("127.0.0.1:" + inner)
	o.start()
	listens := callAs(t, "tcp://127.0.0.1:"+o.port, "", "")
	if code := listens.listen("lintel/#"); code != 1 {
		t.Fatalf("listening at the household's own broker: %#x", code)
	}
	h.connected(2)
	o.publish("lintel/bells/gate/stills/r1/0", string(still(t, 1)))
	h.comes(1)
	told := struct{ Visit, Bell string }{}
	first, second := listens.hears(), listens.hears()
	if first.Topic() != "lintel/bells/gate/stills/r1/0" || second.Topic() != "lintel/visits" ||
		json.Unmarshal(second.Payload(), &told) != nil || told.Bell != "gate" {
		t.Errorf("heard at the household's own broker: %s, %s %s", first.Topic(), second.Topic(), second.Payload())
	}
	listens.Disconnect(0)

	stop() // Lintel is down
	o.publish("lintel/bells/gate/stills/r2/0", string(still(t, 2)))
	stop = h.serveMQTT("127.0.0.1:" + inner)
	h.comes(2)

	stop() // both are
	o.publish("lintel/bells/gate/stills/r3/0", string(still(t, 3)))
	o.stop()
	stop = h.serveMQTT("127.0.0.1:" + inner)
	defer stop()
	o.start()
	h.comes(3)
	h.keeps(3)
	if log := h.log.String(); strings.Contains(log, "msg=\"refused") {
		t.Errorf("something was refused:\n%s", log)
	}
}

// connected waits until so many accounts said who they are by MQTT.
func (h *household) connected(accounts int) {
	h.t.Helper()
	for began := time.Now(); strings.Count(h.log.String(), "connected by MQTT") < accounts; runtime.Gosched() {
		if time.Since(began) > mqttPatience {
			h.t.Fatalf("the bridge does not connect:\n%s", h.log)
		}
	}
}
