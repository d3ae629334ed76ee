package main

import (
	"bytes"
	"context"
	"io"
	mathrand "math/rand/v2"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/store"
)

// TestRingStays has `lintel ring` be a whole bell against a server, by HTTP and by MQTT:
// it rings, says how it is, shows what it is told to and says so, and stops for good
// with a wrong secret.
func TestRingStays(t *testing.T) {
	h := newBellHouse(t)
	h.opens()
	defer func() { h.stop() }()
	for name, line := range map[string]wire{
		"HTTP": &httpLine{server: h.url, bell: "front", secret: h.secret},
		"MQTT": &mqttLine{broker: "mqtt://" + h.mqtt, prefix: "lintel", bell: "front", secret: h.secret, listens: true},
	} {
		t.Run(name, func(t *testing.T) {
			defer line.Close()
			h.staysBy(t, line, name)
		})
	}
	for name, args := range map[string][]string{"HTTP": {"--server", h.url}, "MQTT": {"--mqtt", "mqtt://" + h.mqtt}} {
		status, out, complaint := lintelAt(t, append([]string{"ring", aVisitorsFile(t), "--secret", "wrong"}, args...)...)
		if status != exitFailed || out != "" || !strings.Contains(complaint, "The server answered") {
			t.Errorf("%s with a wrong secret: %d %q %q", name, status, out, complaint)
		}
	}
}

func (h *bellHouse) staysBy(t *testing.T, line wire, ring string) {
	file := aVisitorsFile(t)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	r, w := io.Pipe()
	var errs bytes.Buffer
	ended := make(chan error, 1)
	command := ringCmd{Files: []string{file, file}, Bell: "front", Ring: ring,
		Patience: time.Minute, Stay: time.Hour}
	go func() {
		ended <- command.at(&globals{ctx: ctx, stdout: w, stderr: &errs}, line, patience{now: time.Now, pause: pause,
			random: mathrand.Float64, waits: func(error, time.Duration) {}})
		w.Close()
	}()
	said := make([]byte, 4096)
	reads := func(want string) {
		t.Helper()
		var all []byte
		for !strings.Contains(string(all), want) {
			n, err := r.Read(said)
			if all = append(all, said[:n]...); err != nil {
				t.Fatalf("it said %q, not %q: %v; %s", all, want, err, &errs)
			}
		}
	}
	reads("rang as front, ring " + ring + ": 2 kept")
	h.says("Hello " + ring)
	reads("|     Hello " + ring + "     |")
	h.awaits(t, func(a *store.Archive) bool {
		m, _, err := a.CurrentMessage(t.Context(), "front")
		return err == nil && m.Text == "Hello "+ring && !m.ShownAt.IsZero()
	})
	cancel()
	if err := <-ended; err != nil {
		t.Errorf("it ended with %v", err)
	}
	if errs.Len() > 0 {
		t.Errorf("it complained: %s", &errs)
	}
	health := h.health(t)
	if health.Last == nil || health.Last.Firmware != "lintel-ring" || health.Last.Ahead == nil {
		t.Errorf("the heartbeat is %+v", health.Last)
	}
}

// awaits waits until the archive is as it should be.
func (h *bellHouse) awaits(t *testing.T, is func(*store.Archive) bool) {
	t.Helper()
	err := h.archive(func(a *store.Archive) error {
		over := time.NewTimer(time.Minute)
		defer over.Stop()
		again := time.NewTicker(20 * time.Millisecond) // another process's changes are not told of
		defer again.Stop()
		for !is(a) {
			select {
			case <-again.C:
			case <-over.C:
				t.Fatal("it never was")
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

func (h *bellHouse) health(t *testing.T) (health house.Health) {
	t.Helper()
	err := h.archive(func(a *store.Archive) error {
		all, err := a.BellHealths(t.Context())
		health = all["front"]
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return health
}
