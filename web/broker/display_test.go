package broker

import (
	"bytes"
	"context"
	"os"
	"slices"
	"testing"
	"time"

	"lintel/internal/house"
)

// said is what bells said of their displays.
type said struct {
	archive interface {
		ShowedMessage(ctx context.Context, bell, id string) error
	}
	listens chan string
}

func (s *said) Listening(bell string) { s.listens <- bell }
func (s *said) Showed(ctx context.Context, bell, message string) error {
	return s.archive.ShowedMessage(ctx, bell, message)
}

// withDisplay is a house with a second bell that has a display, which shows a message.
func withDisplay(t *testing.T) (h *household, s *said, yard login, message string) {
	t.Helper()
	s = &said{listens: make(chan string, 10)}
	h = newHouse(t, func(c *Config) { c.Displays = s })
	s.archive = h.archive
	ctx := t.Context()
	secret, err := h.archive.AddBell(ctx, "yard-2.b")
	if err == nil {
		err = h.archive.RenameBell(ctx, "yard-2.b", "Yard, by the pump") // it is known by its address all the same
	}
	if err == nil {
		err = h.archive.SetDisplay(ctx, "yard-2.b", house.UsualDisplay)
	}
	if err == nil {
		message, err = h.archive.AddMessage(ctx, house.Message{Bell: "yard-2.b", Text: "Coming",
			Until: h.now().Add(time.Minute)})
	}
	if err != nil {
		t.Fatal(err)
	}
	return h, s, login{"yard-2.b", secret}, message
}

func (h *household) shownAt(bell string) time.Time {
	h.t.Helper()
	m, _, err := h.archive.CurrentMessage(h.t.Context(), bell)
	if err != nil {
		h.t.Fatal(err)
	}
	return m.ShownAt
}

// TestDisplay tells a bell what to show, with QoS 1, and takes its word that it does.
//
// Outside: Eclipse Paho as the bell; that a PUBLISH with QoS 1 is acknowledged is
// MQTT 3.1.1, section 4.3.2.
func TestDisplay(t *testing.T) {
	h, s, yard, message := withDisplay(t)
	c := h.connect(yard)
	page := []byte(`{"lines":["Coming"]}`)
	publish := func() {
		t.Helper()
		if err := h.broker.PublishPage(t.Context(), yard.name, page); err != nil {
			t.Fatal(err)
		}
	}
	publish() // nobody listens yet
	if code := c.subscribe("lintel/bells/yard-2.b/display", 1); code != 1 {
		t.Fatalf("granted %d", code)
	}
	if got := wait(t, s.listens, "to be told that the bell listens"); got != yard.name {
		t.Errorf("%q listens", got)
	}
	publish()
	if m := wait(t, c.came, "the page"); !bytes.Equal(m.Payload(), page) || m.Qos() != 1 || m.Retained() {
		t.Errorf("%q with QoS %d", m.Payload(), m.Qos())
	}
	const ack = "lintel/bells/yard-2.b/display/ack"
	for _, wrong := range []string{"NOSUCH", "", "not an id"} {
		if err := c.done(c.Publish(ack, 1, false, wrong)); err != nil {
			t.Errorf("%q: %v", wrong, err)
		}
	}
	if at := h.shownAt(yard.name); !at.IsZero() {
		t.Errorf("shown at %v by what is no message of it", at)
	}
	if err := c.done(c.Publish(ack, 1, false, message)); err != nil {
		t.Fatal(err)
	}
	if at := h.shownAt(yard.name); !at.Equal(h.now()) {
		t.Errorf("shown at %v", at)
	}
	publish()
	wait(t, c.came, "a page after others were acknowledged")
	if err := h.archive.RemoveBell(t.Context(), yard.name); err != nil {
		t.Fatal(err)
	}
	publish()
	wait(t, c.lost, "the bell that was removed to be disconnected")
}

// TestDisplayDoors lets a bell hear and say nothing but of its own display, and
// nobody else hear or say that.
func TestDisplayDoors(t *testing.T) {
	h, _, yard, message := withDisplay(t)
	for name, l := range map[string]login{
		"another's secret": {h.bell, yard.token}, "no such bell": {"attic", yard.token},
		"a token": {yard.name, h.phone.token},
	} {
		if _, err := h.tryConnect(l); err == nil {
			t.Errorf("%s: connected", name)
		}
	}
	c := h.connect(yard)
	for _, filter := range []string{"lintel/bells/gate/display", "lintel/bells/+/display", "lintel/bells/#", "#",
		"lintel/advice/" + h.receiver.name, "lintel/bells/yard-2.b/display/ack"} {
		if code := c.subscribe(filter, 1); code != 0x80 {
			t.Errorf("%s: granted %d", filter, code)
		}
	}
	for _, topic := range []string{"lintel/bells/gate/display/ack", "lintel/bells/yard-2.b/display",
		"lintel/factors/" + h.ada} {
		c := h.connect(yard)
		c.Publish(topic, 1, false, message)
		wait(t, c.lost, "the connection to end for "+topic)
	}
	for _, other := range []login{h.receiver, h.phone} {
		c := h.connect(other)
		if code := c.subscribe("lintel/bells/yard-2.b/display", 1); code != 0x80 {
			t.Errorf("granted %d to another", code)
		}
		c.Publish("lintel/bells/yard-2.b/display/ack", 1, false, message)
		wait(t, c.lost, "the connection of another to end")
	}
	if at := h.shownAt(yard.name); !at.IsZero() {
		t.Errorf("shown at %v", at)
	}
	if r := h.broker.Refusals(); !slices.ContainsFunc(r, func(r Refusal) bool { return r.Why == "filter" }) {
		t.Errorf("refusals %+v", r)
	}
}

// TestMosquittoShows has mosquitto's clients be the bell.
func TestMosquittoShows(t *testing.T) {
	sub, pub := tool(t, "mosquitto_sub"), tool(t, "mosquitto_pub")
	h, s, yard, message := withDisplay(t)
	listens := h.program(sub, yard, "-t", "lintel/bells/yard-2.b/display", "-q", "1", "-C", "1")
	var out bytes.Buffer
	listens.Stdout, listens.Stderr = &out, os.Stderr
	if err := listens.Start(); err != nil {
		t.Fatal(err)
	}
	wait(t, s.listens, "the bell to listen")
	if err := h.broker.PublishPage(t.Context(), yard.name, []byte("a page")); err != nil {
		t.Fatal(err)
	}
	if err := listens.Wait(); err != nil || out.String() != "a page\n" {
		t.Fatalf("it heard %q, %v", &out, err)
	}
	says := h.program(pub, yard, "-t", "lintel/bells/yard-2.b/display/ack", "-q", "1", "-m", message)
	if text, err := says.CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, text)
	}
	if h.shownAt(yard.name).IsZero() {
		t.Error("its word was not taken")
	}
}
