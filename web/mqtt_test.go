package web

import (
	"context"
	"encoding/json"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"

	"lintel/internal/house"
	"lintel/pipeline/advice/evidence"
	"lintel/pipeline/bell"
	"lintel/pipeline/intake"
	"lintel/store"
	"lintel/web/broker"
)

// mqttPatience is how long a test waits for what has to come.
const mqttPatience = 20 * time.Second

// brokered serves MQTT for a house until the test ends.
func (h *household) brokered(shows broker.Displays) (b *broker.Broker, address string) {
	h.t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		h.t.Fatal(err)
	}
	b, stop := h.brokeredOn(listener, shows)
	h.t.Cleanup(stop)
	return b, "tcp://" + listener.Addr().String()
}

// serveMQTT serves at an address until it is stopped.
func (h *household) serveMQTT(address string) (stop func()) {
	h.t.Helper()
	listener, err := net.Listen("tcp", address)
	if err != nil {
		h.t.Fatal(err)
	}
	_, stop = h.brokeredOn(listener, nil)
	return stop
}

func (h *household) brokeredOn(listener net.Listener, shows broker.Displays) (b *broker.Broker, stop func()) {
	h.t.Helper()
	b, err := broker.New(broker.Config{Archive: h.archive, Inbox: evidence.NewInbox(h.archive, h.clock.now),
		Log: h.Log, Now: h.clock.now, Bells: h.Server, Intake: h.Intake, Secrets: h.Secrets,
		Displays: shows, Visits: h.archive})
	if err != nil {
		h.t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(h.t.Context())
	served := make(chan error, 1)
	go func() { served <- b.Serve(ctx, listener) }()
	return b, func() {
		cancel()
		if err := <-served; err != nil {
			h.t.Error(err)
		}
	}
}

// An mqttClient is Paho's client, an implementation of MQTT 3.1.1 that is not ours.
type mqttClient struct {
	paho.Client
	t    *testing.T
	came chan paho.Message
	lost chan error
}

func callAs(t *testing.T, address, name, password string) *mqttClient {
	t.Helper()
	c := &mqttClient{t: t, came: make(chan paho.Message, 100), lost: make(chan error, 1)}
	c.Client = paho.NewClient(paho.NewClientOptions().AddBroker(address).SetClientID("it").SetUsername(name).
		SetPassword(password).SetProtocolVersion(4).SetAutoReconnect(false).SetConnectRetry(false).
		SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) { c.came <- m }).
		SetConnectionLostHandler(func(_ paho.Client, err error) { c.lost <- err }))
	if token := c.Connect(); !token.WaitTimeout(mqttPatience) || token.Error() != nil {
		t.Fatalf("connecting as %s: %v", name, token.Error())
	}
	t.Cleanup(func() { c.Disconnect(0) })
	return c
}

// listen subscribes, and returns the code of the SUBACK (section 3.9.3).
func (c *mqttClient) listen(filter string) byte {
	c.t.Helper()
	token := c.Subscribe(filter, 1, nil)
	token.WaitTimeout(mqttPatience)
	return token.(*paho.SubscribeToken).Result()[filter]
}

// publish publishes with QoS 1, and returns once that is acknowledged.
func (c *mqttClient) publish(topic string, payload []byte) {
	c.t.Helper()
	if token := c.Publish(topic, 1, false, payload); !token.WaitTimeout(mqttPatience) || token.Error() != nil {
		c.t.Fatalf("%s was not acknowledged: %v", topic, token.Error())
	}
}

// hears returns what comes next.
func (c *mqttClient) hears() paho.Message {
	c.t.Helper()
	select {
	case m := <-c.came:
		return m
	case err := <-c.lost:
		c.t.Fatalf("disconnected: %v", err)
	case <-time.After(mqttPatience):
		c.t.Fatal("nothing came")
	}
	return nil
}

// ends waits until the server ended the connection.
func (c *mqttClient) ends(what string) {
	c.t.Helper()
	select {
	case <-c.lost:
	case <-time.After(mqttPatience):
		c.t.Fatalf("%s: still connected", what)
	}
}

// A still that is acknowledged is safe: the archive has it, and the same that comes
// again is here already.
//
// Outside: Paho's client; PUBACK by MQTT 3.1.1, section 4.3.2.
func TestStillByMQTT(t *testing.T) {
	h := newHouse(t)
	_, address := h.brokered(nil)
	c := callAs(t, address, "gate", h.bell)
	for _, topic := range []string{"r-1/0", "r-1/1/2031-05-04T18:29:59Z", "r-1/0", "r-1/1"} {
		number := uint8(1)
		if strings.Contains(topic, "/1") {
			number = 2
		}
		c.publish("lintel/bells/gate/stills/"+topic, still(t, number))
	}
	h.keeps(2)
	visits, err := h.archive.LatestVisits(t.Context(), 10)
	if err != nil || len(visits) != 1 || len(visits[0].Stills) != 2 {
		t.Fatalf("%+v, %v", visits, err)
	}
	if at := visits[0].Stills[1].TakenAt; !at.Equal(h.clock.now().Add(-time.Second)) {
		t.Errorf("taken at %v", at)
	}
	h.ring("r-1", 0, still(t, 1)).is(200) // by HTTP it is the same still
	h.keeps(2)
}

// What is of no use to send again is acknowledged, and told by the kind that HTTP
// answers with. The connection goes on.
func TestRefusedByMQTT(t *testing.T) {
	h := newHouse(t)
	_, address := h.brokered(nil)
	c := callAs(t, address, "gate", h.bell)
	if code := c.listen("lintel/bells/gate/refused"); code != 1 {
		t.Fatalf("listening: %#x", code)
	}
	stills := "lintel/bells/gate/stills/"
	c.publish(stills+"first/0", still(t, 1))
	for _, test := range []struct {
		topic   string
		qos     byte
		retain  bool
		payload []byte
		why     string
	}{
		{stills + "first/0", 1, false, still(t, 2), "other-bytes"},
		{stills + "a/16", 1, false, still(t, 1), "bad-frame"},
		{stills + "a/x", 1, false, still(t, 1), "bad-frame"},
		{stills + "ä/0", 1, false, still(t, 1), "bad-ring"},
		{stills + "a/0/yesterday", 1, false, still(t, 1), "bad-time"},
		{stills + "a/0", 1, false, nil, "empty"},
		{stills + "a/0", 1, false, []byte("no picture"), "not-a-picture"},
		{stills + "a/0", 1, false, make([]byte, intake.MaxBytes+1), "too-large"},
		{stills + "a/0", 1, false, make([]byte, 20_000_000), "too-large"},
		{stills + "a/0", 0, false, still(t, 1), "qos"},
		{stills + "a/0", 1, true, still(t, 1), "retained"},
		{"lintel/bells/gate/heartbeat", 1, false, []byte("{"), "bad-heartbeat"},
		{"lintel/bells/gate/heartbeat", 1, false, []byte(`{"signal_dbm":9}`), "bad-signal"},
		{"lintel/bells/gate/heartbeat", 1, true, []byte(`{}`), "retained"},
		{"lintel/bells/gate/display/ack", 1, false, []byte("NOSUCH"), "unknown-message"},
	} {
		token := c.Publish(test.topic, test.qos, test.retain, test.payload)
		if !token.WaitTimeout(mqttPatience) || token.Error() != nil {
			t.Fatalf("%s: not acknowledged: %v", test.topic, token.Error())
		}
		var told struct{ Topic, Why string }
		if err := json.Unmarshal(c.hears().Payload(), &told); err != nil || told.Topic != test.topic || told.Why != test.why {
			t.Errorf("%s: told %+v, want %s; %v", test.topic, told, test.why, err)
		}
	}
	h.keeps(1)
	c.publish(stills+"second/0", still(t, 3))
	h.keeps(2)
}

// What a bell may not send, or hear.
func TestBellMayNot(t *testing.T) {
	h := newHouse(t)
	if _, err := h.archive.AddBell(t.Context(), "shed"); err != nil {
		t.Fatal(err)
	}
	_, address := h.brokered(nil)
	for _, topic := range []string{
		"lintel/bells/shed/stills/r/0", "lintel/bells/gate/stills/r", "lintel/bells/gate/stills/r/0/x/y",
		"lintel/bells/gate/display", "lintel/bells/gate/refused", "lintel/factors/X", "lintel/visits",
		"other/bells/gate/stills/r/0", "$SYS/x",
	} {
		c := callAs(t, address, "gate", h.bell)
		c.Publish(topic, 1, false, still(t, 1))
		c.ends(topic)
	}
	c := callAs(t, address, "gate", h.bell)
	for filter, code := range map[string]byte{ // section 3.9.3
		"lintel/bells/gate/display": 1, "lintel/bells/gate/refused": 1, "lintel/bells/shed/display": 0x80,
		"lintel/bells/+/display": 0x80, "lintel/bells/gate/#": 0x80, "#": 0x80, "lintel/visits": 0x80,
		"lintel/visits/named": 0x80, "lintel/bells/gate/stills/r/0": 0x80, "$SYS/#": 0x80,
	} {
		if got := c.listen(filter); got != code {
			t.Errorf("%s: %#x, want %#x", filter, got, code)
		}
	}
	c.Publish("lintel/bells/gate/stills/r/0", 2, false, still(t, 1))
	c.ends("QoS 2")
	h.keeps(0)
}

// A still for which there is no room is not acknowledged: the bell sends it again.
func TestFullDiskByMQTT(t *testing.T) {
	var isFull atomic.Bool
	h := newHouse(t, func(c *Config) {
		c.Intake = intake.New(sometimesFull{c.Archive, &isFull}, c.Now, plenty)
	})
	_, address := h.brokered(nil)
	isFull.Store(true)
	c := callAs(t, address, "gate", h.bell)
	token := c.Publish("lintel/bells/gate/stills/r/0", 1, false, still(t, 1))
	c.ends("a full disk")
	unacknowledged(t, token)
	isFull.Store(false)
	callAs(t, address, "gate", h.bell).publish("lintel/bells/gate/stills/r/0", still(t, 1))
	h.keeps(1)
}

func unacknowledged(t *testing.T, token paho.Token) {
	t.Helper()
	select {
	case <-token.Done():
		if token.Error() == nil {
			t.Error("it was acknowledged")
		}
	default: // Paho would send it again
	}
}

type sometimesFull struct {
	intake.Archive
	full *atomic.Bool
}

func (s sometimesFull) Keep(ctx context.Context, n house.NewStill) (string, bool, error) {
	if s.full.Load() {
		return "", false, house.ErrNoSpace
	}
	return s.Archive.Keep(ctx, n)
}

// shown is what the command lintel has displays told by.
type shown struct {
	*bell.Porter
	archive *store.Archive
}

func (s *shown) Showed(ctx context.Context, bell, message string) error {
	return s.archive.ShowedMessage(ctx, bell, message)
}

// A bell is told what its display has to show, when it begins to listen and when that
// changes, and says that it shows it.
func TestDisplayByMQTT(t *testing.T) {
	c, now := fixed()
	h, _ := withDisplay(t, now, c)
	shows := &shown{archive: h.archive}
	b, address := h.brokered(shows)
	porter := bell.NewPorter(h.archive, b, h.Log, now, time.UTC)
	shows.Porter = porter
	ctx, stop := context.WithCancel(t.Context())
	ran := make(chan struct{})
	go func() { porter.Run(ctx); close(ran) }()
	defer func() { stop(); <-ran }()
	gate := callAs(t, address, "gate", h.bell)
	if code := gate.listen("lintel/bells/gate/display"); code != 1 {
		t.Fatalf("listening: %#x", code)
	}
	page := func() (p bell.Page) {
		t.Helper()
		if err := json.Unmarshal(gate.hears().Payload(), &p); err != nil {
			t.Fatal(err)
		}
		return p
	}
	if p := page(); p.Message != "" {
		t.Errorf("at first: %+v", p)
	}
	id, err := h.archive.AddMessage(t.Context(), house.Message{Bell: "gate", Text: "Coming down",
		Until: now().Add(time.Minute)})
	if err != nil {
		t.Fatal(err)
	}
	p := page()
	for p.Message == "" { // what was told as the porter began, perhaps
		p = page()
	}
	if p.Message != id || text(p) != "Coming down" {
		t.Errorf("then: %+v", p)
	}
	gate.publish("lintel/bells/gate/display/ack", []byte(id))
	if m, _, err := h.archive.CurrentMessage(t.Context(), "gate"); err != nil || m.ShownAt.IsZero() {
		t.Errorf("%+v, %v", m, err)
	}
	gate.publish("lintel/bells/gate/heartbeat", []byte(`{"signal_dbm":-61,"uptime_s":86400}`))
	if health, err := h.archive.BellHealth(t.Context(), "gate"); err != nil || health.Last == nil {
		t.Errorf("%+v, %v", health, err)
	}
}

// A right secret is let in whatever came before, wrong ones are told of as HTTP's
// are, and a bell that was removed is disconnected.
func TestBellSecretsByMQTT(t *testing.T) {
	h := newHouse(t)
	_, address := h.brokered(nil)
	for range 20 {
		c := paho.NewClient(paho.NewClientOptions().AddBroker(address).SetClientID("it").SetUsername("gate").
			SetPassword("WRONG").SetProtocolVersion(4).SetConnectRetry(false))
		if token := c.Connect(); !token.WaitTimeout(mqttPatience) || token.Error() == nil {
			t.Fatal("a wrong secret was let in")
		}
	}
	c := callAs(t, address, "gate", h.bell)
	c.publish("lintel/bells/gate/stills/r/0", still(t, 1))
	tried := h.Secrets.Tried()
	if len(tried) != 1 || tried[0].Bell != "gate" {
		t.Errorf("told of %+v", tried)
	}
	if err := h.archive.RemoveBell(t.Context(), "gate"); err != nil {
		t.Fatal(err)
	}
	token := c.Publish("lintel/bells/gate/stills/r/1", 1, false, still(t, 2))
	c.ends("a bell that was removed")
	unacknowledged(t, token)
	h.keeps(1)
}

// mosquitto_pub rings as a bell, as docs/bell/README.md says. What is of no use to send again is
// acknowledged; a will, and QoS 2, are refused as for everybody.
//
// Outside: Debian's mosquitto-clients; their statuses are in mosquitto_pub(1).
func TestMosquittoRings(t *testing.T) {
	pub, err := lookUp("mosquitto_pub")
	if err != nil {
		t.Skip("SKIPPED: no mosquitto_pub here, so it did not ring")
	}
	h := newHouse(t)
	_, address := h.brokered(nil)
	_, port, _ := strings.Cut(strings.TrimPrefix(address, "tcp://"), ":")
	picture := filepath.Join(t.TempDir(), "still.jpg")
	if err := os.WriteFile(picture, still(t, 1), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, test := range []struct {
		name, args string
		right      bool
		keeps      int
	}{
		{"QoS 0", "-q 0", true, 0},
		{"retained", "-q 1 -r", true, 0},
		{"QoS 2", "-q 2", false, 0},
		{"a will", "-q 1 --will-topic x --will-payload y", false, 0},
		{"MQTT 5", "-q 1 -V mqttv5", false, 0},
		{"a still", "-q 1", true, 1},
		{"the same", "-q 1", true, 1},
		{"a session kept", "-q 1 -c -i gate", true, 1},
	} {
		ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second) // it would come again and again
		args := append([]string{"-h", "127.0.0.1", "-p", port, "-u", "gate", "-P", h.bell, "-f", picture, "-t",
			"lintel/bells/gate/stills/r/0"}, strings.Fields(test.args)...)
		says, err := exec.CommandContext(ctx, pub, args...).CombinedOutput()
		cancel()
		if (err == nil) != test.right {
			t.Errorf("%s: %v, %s", test.name, err, says)
		}
		h.keeps(test.keeps)
	}
}

// A PUBLISH that comes again with DUP is acknowledged again by its id (MQTT 3.1.1,
// sections 3.3.1.1 and 4.3.2), and no session is kept whatever is asked for (3.2.2.2).
//
// Outside: Paho's packets.
func TestAgainByMQTT(t *testing.T) {
	h := newHouse(t)
	_, address := h.brokered(nil)
	hello := packets.NewControlPacket(packets.Connect).(*packets.ConnectPacket)
	hello.ProtocolName, hello.ProtocolVersion, hello.ClientIdentifier, hello.Keepalive = "MQTT", 4, "gate", 10
	hello.UsernameFlag, hello.Username, hello.PasswordFlag, hello.Password = true, "gate", true, []byte(h.bell)
	for range 2 {
		conn, err := net.Dial("tcp", strings.TrimPrefix(address, "tcp://"))
		if err != nil {
			t.Fatal(err)
		}
		defer conn.Close()
		conn.SetDeadline(time.Now().Add(mqttPatience))
		answer := func(p packets.ControlPacket) packets.ControlPacket {
			t.Helper()
			if err := p.Write(conn); err != nil {
				t.Fatal(err)
			}
			a, err := packets.ReadPacket(conn)
			if err != nil {
				t.Fatal(err)
			}
			return a
		}
		if a := answer(hello).(*packets.ConnackPacket); a.ReturnCode != 0 || a.SessionPresent {
			t.Errorf("%+v", a)
		}
		for _, again := range []bool{false, true, true} {
			p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
			p.TopicName, p.Payload, p.Qos, p.MessageID, p.Dup = "lintel/bells/gate/stills/r/0", still(t, 1), 1, 77, again
			if a, is := answer(p).(*packets.PubackPacket); !is || a.MessageID != 77 {
				t.Errorf("%+v", a)
			}
		}
	}
	h.keeps(1)
}
