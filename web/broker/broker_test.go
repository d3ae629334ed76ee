package broker

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"
	app "github.com/pquerna/otp/totp"

	"lintel/internal/house"
	"lintel/internal/mailbox"
	"lintel/pipeline/advice/message"
	"lintel/pipeline/advice/totp"
)

// The broker is held against a client of others' making, Eclipse Paho, which
// reads and writes MQTT 3.1.1 by itself.

func TestFactor(t *testing.T) {
	h := newHouse(t)
	c := h.connect(h.reader)
	if err := c.done(c.Publish("lintel/factors/"+h.bo, 1, false, `{"token":"copper"}`)); err != nil {
		t.Fatal(err)
	}
	f := h.factors() // there already, as the acknowledgement comes after
	if len(f) != 1 || f[0].Person != h.bo || f[0].Kind != house.FactorToken || f[0].Source != h.reader.name {
		t.Errorf("factors %+v", f)
	}
	secret := totp.New()
	if err := h.archive.SetOneTimeSecret(t.Context(), h.ada, secret.Text(), 0); err != nil {
		t.Fatal(err)
	}
	code, err := app.GenerateCode(secret.Text(), h.now())
	if err != nil {
		t.Fatal(err)
	}
	c = h.connect(h.phone)
	if err := c.done(c.Publish("lintel/factors/"+h.ada, 1, false, `{"code":"`+code+`"}`)); err != nil {
		t.Fatal(err)
	}
	if f := h.factors(); len(f) != 2 || len(h.misses()) != 0 {
		t.Errorf("factors %+v, misses %v", f, h.misses())
	}
	// A client that heard no acknowledgement sends the same again.
	if err := c.done(c.Publish("lintel/factors/"+h.ada, 1, false, `{"code":"`+code+`"}`)); err != nil {
		t.Fatal(err)
	}
	if f := h.factors(); len(f) != 2 || len(h.misses()) != 1 {
		t.Errorf("after the code came again: factors %+v, misses %v", f, h.misses())
	}
	if strings.Contains(h.log.String(), code) || strings.Contains(h.log.String(), "copper") {
		t.Errorf("the log repeats messages: %s", h.log.String())
	}
}

// What the inbox refuses is acknowledged and makes nothing.
func TestRefusedFactors(t *testing.T) {
	h := newHouse(t)
	for _, test := range []struct {
		name  string
		login login
		about string
		text  string
		why   string
		miss  string
	}{
		{"a phone about another", h.phone, h.bo, h.report(10), "not theirs to tell", "person"},
		{"nobody's token", h.reader, h.ada, `{"token":"tin"}`, "nobody's token", ""},
		{"another's token", h.reader, h.ada, `{"token":"copper"}`, "not theirs to tell", "token"},
		{"a reader that arrives", h.reader, h.ada, h.report(10), "not theirs to tell", ""},
		{"no message", h.phone, h.ada, `SECRET`, "no message", ""},
		{"no report", h.phone, h.ada, `{"lat":1,"SECRET":1}`, "why=lon", ""},
		{"of a person who is not there", h.phone, "NOBODY", h.report(10), "not theirs to tell", "person"},
	} {
		before, logged := len(h.misses()), len(h.log.String())
		c := h.connect(test.login)
		if err := c.done(c.Publish("lintel/factors/"+test.about, 1, false, test.text)); err != nil {
			t.Errorf("%s: %v", test.name, err)
		}
		c.Disconnect(0)
		if got := h.misses()[before:]; test.miss == "" && len(got) > 0 || test.miss != "" &&
			(len(got) != 1 || got[0] != test.miss) {
			t.Errorf("%s: counted %v, want %q", test.name, got, test.miss)
		}
		if log := h.log.String()[logged:]; !strings.Contains(log, test.why) || !strings.Contains(log, test.login.name) ||
			strings.Contains(log, "SECRET") {
			t.Errorf("%s: logged %s", test.name, log)
		}
	}
	if f := h.factors(); len(f) > 0 {
		t.Errorf("factors of nothing: %+v", f)
	}
}

// A message comes to its receiver, is right, and is worth nothing a second time,
// whoever publishes it.
func TestLetter(t *testing.T) {
	h := newHouse(t)
	c, other := h.connect(h.receiver), h.connect(h.another)
	topic := "lintel/advice/" + h.receiver.name
	if a, b := c.subscribe(topic, 1), other.subscribe("lintel/advice/"+h.another.name, 1); a != 0 || b != 0 {
		t.Fatalf("subscribing: %#x, %#x", a, b)
	}
	text := h.message("V1")
	h.send(h.receiver, text)
	m := wait(t, c.came, "the message")
	if m.Topic() != topic || m.Qos() != 0 || m.Retained() || m.Duplicate() {
		t.Errorf("topic %s, QoS %d, retained %v, duplicate %v", m.Topic(), m.Qos(), m.Retained(), m.Duplicate())
	}
	seen := make(map[string]bool)
	open := func(text []byte) (message.Message, error) {
		return mailbox.Open(text, h.receiver.name, h.key, h.now(), func(nonce string) bool {
			before := seen[nonce]
			seen[nonce] = true
			return before
		})
	}
	if l, err := open(m.Payload()); err != nil || l.Door != h.door || l.Visit != "V1" {
		t.Errorf("opened %+v, %v", l, err)
	}
	// Somebody on the network who took the message down publishes it again, by a
	// broker of their own if need be.
	h.send(h.receiver, m.Payload())
	if _, err := open(wait(t, c.came, "the message again").Payload()); !errors.Is(err, mailbox.ErrSeen) {
		t.Errorf("opened again: %v", err)
	}
	h.pass(time.Minute)
	clear(seen)
	if _, err := open(text); !errors.Is(err, mailbox.ErrTime) {
		t.Errorf("opened after its time: %v", err)
	}
	h.send(h.another, []byte("another's"))
	if m := wait(t, other.came, "another's message"); string(m.Payload()) != "another's" {
		t.Errorf("another heard %q", m.Payload())
	}
}

// The whole way: somebody known rings, a reader sees their token and says so by
// MQTT, and the receiver at the door gets a message by MQTT that is right.
func TestFromFactorToLetter(t *testing.T) {
	h := newHouse(t)
	h.advise()
	r := h.connect(h.receiver)
	if code := r.subscribe("lintel/advice/"+h.receiver.name, 0); code != 0 {
		t.Fatalf("subscribing: %#x", code)
	}
	visit := h.comesHome()
	m := wait(t, r.came, "the message")
	l, err := h.open(m.Payload())
	if err != nil || l.Visit != visit || l.Door != h.door || l.Bell != h.bell || l.Kind != message.Person ||
		l.Action != message.Suggest {
		t.Errorf("%+v, %v", l, err)
	}
}

// TestComesBack has a receiver come back while its suggestion is open, and once
// more after that was withdrawn, and after its time.
func TestComesBack(t *testing.T) {
	h := newHouse(t)
	h.advise()
	visit := h.comesHome()
	h.waitForLog(0, "found nobody")
	listen := func() *client {
		t.Helper()
		c := h.connect(h.receiver)
		if code := c.subscribe("lintel/advice/"+h.receiver.name, 0); code != 0 {
			t.Fatalf("subscribing: %#x", code)
		}
		return c
	}
	c := listen()
	made, err := h.open(wait(t, c.came, "the message").Payload())
	if err != nil || made.Visit != visit || made.Action != message.Suggest {
		t.Errorf("%+v, %v", made, err)
	}
	h.pass(10 * time.Second)
	if _, err := h.archive.SetDoorRule(t.Context(), house.DoorRule{Person: h.ada, Door: h.door,
		Days: [7]bool{true, true, true, true, true, true, true}, To: 24 * 60}); err != nil {
		t.Fatal(err)
	}
	ended, err := h.open(wait(t, c.came, "the withdrawal").Payload())
	if err != nil || ended.Nonce != made.Nonce || ended.Action != message.Withdraw ||
		!ended.ExpiresAt.Equal(made.ExpiresAt) {
		t.Errorf("%+v, %v", ended, err)
	}
	logged := len(h.log.String())
	c.Disconnect(0)
	h.waitForLog(logged, "disconnected from MQTT")
	c = listen()
	if again, err := h.open(wait(t, c.came, "the withdrawal again").Payload()); err != nil || again != ended {
		t.Errorf("%+v, %v", again, err)
	}
	h.pass(time.Minute)
	logged = len(h.log.String())
	c.Disconnect(0)
	h.waitForLog(logged, "disconnected from MQTT")
	c = listen()
	h.send(h.receiver, []byte("the next"))
	if m := wait(t, c.came, "the next"); string(m.Payload()) != "the next" {
		t.Errorf("after its time came %s", m.Payload())
	}
}

// Whoever does not listen at the moment never gets it, whatever session it asks
// for.
func TestNothingOld(t *testing.T) {
	h := newHouse(t)
	topic := "lintel/advice/" + h.receiver.name
	only := func(c *client, want string) {
		t.Helper()
		h.send(h.receiver, []byte(want))
		if m := wait(t, c.came, want); string(m.Payload()) != want {
			t.Errorf("came %q, want %q", m.Payload(), want)
		}
	}
	persistent := func(o *paho.ClientOptions) { o.SetCleanSession(false) }
	h.send(h.receiver, []byte("before anybody came"))
	for i, change := range []func(*paho.ClientOptions){func(*paho.ClientOptions) {}, persistent, persistent} {
		c := h.connect(h.receiver, change)
		h.send(h.receiver, []byte("before it subscribed"))
		if code := c.subscribe(topic, 1); code != 0 {
			t.Fatalf("subscribing: %#x", code)
		}
		only(c, fmt.Sprint("message ", i))
		logged := len(h.log.String())
		c.Disconnect(0)
		h.waitForLog(logged, "disconnected from MQTT")
		h.send(h.receiver, []byte("while it is away"))
	}
	c := h.connect(h.receiver, persistent) // comes again, and relies on its session
	h.send(h.receiver, []byte("without a subscription"))
	if code := c.subscribe(topic, 1); code != 0 {
		t.Fatalf("subscribing: %#x", code)
	}
	only(c, "the last")
	if n := len(c.came); n > 0 {
		t.Errorf("%d more came", n)
	}
}

// A report of a phone that somebody took down and publishes again makes no
// arrival, neither at once, nor when the phone went away again.
func TestReplayedArrival(t *testing.T) {
	h := newHouse(t)
	c := h.connect(h.phone)
	tell := func(text string) {
		t.Helper()
		if err := c.done(c.Publish("lintel/factors/"+h.ada, 1, false, text)); err != nil {
			t.Fatal(err)
		}
	}
	away := func() {
		t.Helper()
		for range 4 {
			tell(h.report(10.02))
			h.pass(3 * time.Minute)
		}
	}
	away()
	captured := h.report(10)
	tell(captured)
	if f := h.factors(); len(f) != 1 || f[0].Kind != house.FactorArrival || f[0].Person != h.ada {
		t.Fatalf("factors %+v", f)
	}
	logged := len(h.log.String())
	tell(captured)
	h.waitForLog(logged, "not later than the one before")
	h.pass(10 * time.Minute) // the arrival counts no more
	away()
	logged = len(h.log.String())
	tell(captured)
	h.waitForLog(logged, "not later than the one before")
	if f := h.factors(); len(f) != 0 {
		t.Errorf("factors of a replay: %+v", f)
	}
	if n := len(h.misses()); n != 0 {
		t.Errorf("%d misses", n)
	}
}

func TestRemoved(t *testing.T) {
	h := newHouse(t)
	c, r, pings := h.connect(h.reader), h.connect(h.receiver), h.connect(h.another, func(o *paho.ClientOptions) {
		o.SetKeepAlive(time.Second)
	})
	if code := r.subscribe("lintel/advice/"+h.receiver.name, 0); code != 0 {
		t.Fatalf("subscribing: %#x", code)
	}
	if err := errors.Join(
		h.archive.RemoveSource(t.Context(), h.reader.name),
		h.archive.RemoveReceiver(t.Context(), h.receiver.name),
		h.archive.RemoveReceiver(t.Context(), h.another.name),
	); err != nil {
		t.Fatal(err)
	}
	c.Publish("lintel/factors/"+h.ada, 1, false, `{"token":"brass"}`)
	wait(t, c.lost, "the source's connection to end")
	if f := h.factors(); len(f) > 0 {
		t.Errorf("factors %+v", f)
	}
	h.send(h.receiver, []byte("a message"))
	wait(t, r.lost, "the receiver's connection to end")
	if len(r.came) > 0 {
		t.Errorf("it heard %q", (<-r.came).Payload())
	}
	wait(t, pings.lost, "the connection of who only pings to end")
	if n := strings.Count(h.log.String(), errRemoved.Error()); n < 2 {
		t.Errorf("the log says %d times that somebody was removed: %s", n, h.log.String())
	}
	if _, err := h.tryConnect(h.reader); !errors.Is(err, packets.ErrorRefusedNotAuthorised) {
		t.Errorf("connecting again: %v", err)
	}
}

// One account has one connection, and no other account's, whatever they call
// themselves: all clients here have the same client identifier.
func TestConnectsAgain(t *testing.T) {
	h := newHouse(t)
	other := h.connect(h.another)
	first := h.connect(h.receiver)
	second := h.connect(h.receiver)
	wait(t, first.lost, "the first connection to end")
	topic := "lintel/advice/" + h.receiver.name
	if code := second.subscribe(topic, 0); code != 0 {
		t.Fatalf("subscribing: %#x", code)
	}
	h.send(h.receiver, []byte("once"))
	wait(t, second.came, "a message")
	if code := other.subscribe("lintel/advice/"+h.another.name, 0); code != 0 {
		t.Errorf("the other: %#x", code)
	}
}

func (uncounting) AddMiss(context.Context, string, string) error { return errDisk }
