package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"io"
	"strings"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"
)

// serveMQTT serves with a broker, and returns where it is, and what stops the
// server and returns its log.
func (h *household) serveMQTT(args ...string) (address string, stop func() (log string)) {
	h.t.Helper()
	ctx, cancel := context.WithCancel(h.t.Context())
	r, w := io.Pipe()
	var log bytes.Buffer // read when the server has ended
	ended := make(chan int, 1)
	go func() {
		ended <- run(ctx, h.args(append([]string{"serve", "--listen", "127.0.0.1:0"}, args...)...), w, &log)
		w.Close()
	}()
	found := make(chan string, 1)
	go func() {
		for lines := bufio.NewScanner(r); lines.Scan(); {
			if a, ok := strings.CutPrefix(lines.Text(), "MQTT broker on "); ok {
				found <- a
			}
		}
		close(found)
	}()
	address = <-found
	stop = func() string {
		h.t.Helper()
		cancel()
		if status := <-ended; status != exitRight {
			h.t.Errorf("status %d", status)
		}
		return log.String()
	}
	if address == "" {
		h.t.Fatalf("no broker: %s", stop())
	}
	return address, stop
}

// The server is a broker where it is asked to be, for the accounts that the
// commands add, and stops with the rest of it.
func TestServeMQTT(t *testing.T) {
	h := newHousehold(t)
	h.lintel("bell", "add", "gate") // makes the archive
	var person struct{ ID string }
	var reader struct{ ID, Token string }
	for into, command := range map[any][]string{
		&person: {"person", "add", "Ada Quill", "--consent-by", "Ada Quill", "--json"},
		&reader: {"source", "add", "reader", "Shelf", "--json"},
	} {
		if err := json.Unmarshal([]byte(h.lintel(command...)), into); err != nil {
			t.Fatal(err)
		}
	}
	at, stop := h.serveMQTT("--mqtt-listen", "127.0.0.1:0", "--mqtt-prefix", "house")
	connect := func(token string) (paho.Client, error) {
		c := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + at).SetProtocolVersion(4).SetAutoReconnect(false).
			SetUsername(reader.ID).SetPassword(token))
		connected := c.Connect()
		connected.WaitTimeout(10 * time.Second)
		return c, connected.Error()
	}
	if _, err := connect("wrong"); err != packets.ErrorRefusedNotAuthorised {
		t.Errorf("with a wrong token: %v", err)
	}
	c, err := connect(reader.Token)
	if err != nil {
		t.Fatal(err)
	}
	sent := c.Publish("house/factors/"+person.ID, 1, false, `{"token":"TIN"}`)
	if !sent.WaitTimeout(10*time.Second) || sent.Error() != nil {
		t.Errorf("publishing: %v", sent.Error())
	}
	log := stop() // with the client connected
	if !strings.Contains(log, `refused a message by MQTT" source=`+reader.ID) || strings.Contains(log, reader.Token) ||
		strings.Contains(log, "TIN") ||
		strings.Contains(log, "level=ERROR") || strings.Contains(log, "without TLS") {
		t.Errorf("log: %s", log)
	}
}

func TestServeMQTTBeyondThisMachine(t *testing.T) {
	h := newHousehold(t)
	_, stop := h.serveMQTT("--mqtt-listen", "0.0.0.0:0")
	if log := stop(); !strings.Contains(log, "MQTT broker beyond this machine without TLS") {
		t.Errorf("no warning: %s", log)
	}
}

func TestServeMQTTWrongly(t *testing.T) {
	h := newHousehold(t)
	for address, prefix := range map[string]string{"127.0.0.1:0": "a/#", "127.0.0.1:99999": "lintel"} {
		want, says := exitUsage, "--mqtt-prefix"
		if prefix == "lintel" {
			want, says = exitFailed, address
		}
		status, out, complaint := lintelAt(t, h.args("serve", "--listen", "127.0.0.1:0", "--mqtt-listen", address,
			"--mqtt-prefix", prefix)...)
		if status != want || !strings.Contains(complaint, says) || out != "" {
			t.Errorf("%s, %s: status %d, %q %q", address, prefix, status, out, complaint)
		}
	}
}

// A stopper ends what writes to it, with its first word.
type stopper func()

func (s stopper) Write(p []byte) (int, error) {
	s()
	return len(p), nil
}

// TestServeEndedAtOnce ends the server while it says where it serves, which is no failure.
func TestServeEndedAtOnce(t *testing.T) {
	h := newHousehold(t)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	if status := run(ctx, h.args("serve", "--listen", h.listen), stopper(cancel), t.Output()); status != exitRight {
		t.Errorf("status %d", status)
	}
}
