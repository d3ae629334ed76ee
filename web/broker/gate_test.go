package broker

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"maps"
	"math/big"
	"net"
	"strings"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"

	"lintel/internal/house"
	"lintel/pipeline/advice/evidence"
)

// Return codes by MQTT 3.1.1, section 3.2.2.3, table 3.1, as Paho names them.
func TestConnect(t *testing.T) {
	h := newHouse(t)
	gone := h.phone
	gone.name, gone.token, _ = h.archive.AddSource(t.Context(), house.Phone, h.ada, "an old one")
	removed, token, err := h.archive.AddReceiver(t.Context(), h.door, "an old one")
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(h.archive.RemoveSource(t.Context(), gone.name),
		h.archive.RemoveReceiver(t.Context(), removed.ID)); err != nil {
		t.Fatal(err)
	}
	for _, test := range []struct {
		name   string
		login  login
		change func(*paho.ClientOptions)
		err    error
	}{
		{"a phone", h.phone, nil, nil},
		{"a reader", h.reader, nil, nil},
		{"a receiver", h.receiver, nil, nil},
		{"without a client id", h.receiver, func(o *paho.ClientOptions) { o.SetClientID("") }, nil},
		{"nobody", login{}, nil, packets.ErrorRefusedBadUsernameOrPassword},
		{"a name alone", login{h.phone.name, ""}, nil, packets.ErrorRefusedBadUsernameOrPassword},
		{"no name", login{"a/b", h.phone.token}, nil, packets.ErrorRefusedBadUsernameOrPassword},
		{"a name of nobody", login{"ABC", h.phone.token}, nil, packets.ErrorRefusedNotAuthorised},
		{"a wrong token", login{h.phone.name, "ABC"}, nil, packets.ErrorRefusedNotAuthorised},
		{"another phone's token", login{h.phone.name, h.other.token}, nil, packets.ErrorRefusedNotAuthorised},
		{"another receiver's token", login{h.receiver.name, h.another.token}, nil, packets.ErrorRefusedNotAuthorised},
		{"a receiver's token for a phone", login{h.phone.name, h.receiver.token}, nil, packets.ErrorRefusedNotAuthorised},
		{"a token as the name", login{h.phone.token, h.phone.token}, nil, packets.ErrorRefusedNotAuthorised},
		{"a phone that was removed", gone, nil, packets.ErrorRefusedNotAuthorised},
		{"a receiver that was removed", login{removed.ID, token}, nil, packets.ErrorRefusedNotAuthorised},
		{"a will", h.phone, func(o *paho.ClientOptions) { o.SetWill("lintel/factors/"+h.ada, "gone", 0, false) },
			packets.ErrorRefusedNotAuthorised},
		{"a will with QoS 2", h.phone, func(o *paho.ClientOptions) { o.SetWill("x", "gone", 2, false) },
			packets.ErrorRefusedNotAuthorised},
		{"no identifier and a session", h.phone, func(o *paho.ClientOptions) { o.SetClientID("").SetCleanSession(false) },
			packets.ErrorRefusedIDRejected},
		{"a retained will", h.phone, func(o *paho.ClientOptions) { o.SetWill("lintel/factors/"+h.ada, "gone", 1, true) },
			packets.ErrorRefusedNotAuthorised},
		{"MQTT 3.1", h.phone, func(o *paho.ClientOptions) { o.SetProtocolVersion(3) },
			packets.ErrorRefusedBadProtocolVersion},
	} {
		change := test.change
		if change == nil {
			change = func(*paho.ClientOptions) {}
		}
		c, err := h.tryConnect(test.login, change)
		if !errors.Is(err, test.err) {
			t.Errorf("%s: %v, want %v", test.name, err, test.err)
		}
		c.Disconnect(0)
		h.pass(time.Minute) // so that failures are not too many
	}
	log := h.log.String()
	for _, secret := range []string{h.phone.token, h.other.token, h.receiver.token, h.another.token, gone.token, token,
		"ABC", "a/b", "Ada", "Bo "} {
		if strings.Contains(log, secret) {
			t.Errorf("the log has %q", secret)
		}
	}
	if !strings.Contains(log, h.phone.name) || !strings.Contains(log, "(unknown)") {
		t.Errorf("the log is to have ids: %s", log)
	}
}

// MQTT 5 is answered as a server of 3.1.1 answers what it does not know (section
// 3.1.2.2, MQTT-3.1.2-2), byte by byte as section 3.2 has it.
func TestLevel(t *testing.T) {
	h := newHouse(t)
	for level, rest := range map[byte][]byte{5: {0}, 6: nil, 0: nil} {
		body := append([]byte{0, 4, 'M', 'Q', 'T', 'T', level, 2, 0, 10}, rest...)
		body = append(body, 0, 1, 'x')
		conn := h.dial()
		if _, err := conn.Write(append([]byte{0x10, byte(len(body))}, body...)); err != nil {
			t.Fatal(err)
		}
		if got := readAll(t, conn); !bytes.Equal(got, []byte{0x20, 2, 0, 1}) {
			t.Errorf("level %d: answered % x", level, got)
		}
	}
}

func TestTooManyFailures(t *testing.T) {
	h := newHouse(t)
	wrong := login{h.phone.name, "WRONG"}
	for i := range failuresAtOnce {
		if _, err := h.tryConnect(wrong); !errors.Is(err, packets.ErrorRefusedNotAuthorised) {
			t.Fatalf("attempt %d: %v", i, err)
		}
	}
	for range 20 { // in no account's name
		if _, err := h.tryConnect(login{"NOBODY", "WRONG"}); !errors.Is(err, packets.ErrorRefusedNotAuthorised) {
			t.Fatal(err)
		}
	}
	if _, err := h.tryConnect(h.phone); !errors.Is(err, packets.ErrorRefusedServerUnavailable) {
		t.Errorf("one more: %v", err)
	}
	for range 2 * failuresAtOnce { // successes are not counted
		h.connect(h.receiver).Disconnect(0)
		h.connect(h.other).Disconnect(0)
	}
	h.pass(failureTime)
	h.connect(h.phone)
	if n := strings.Count(h.log.String(), errNobody.Error()); n != 2*failuresAtOnce {
		t.Errorf("%d lines in the log, want %d for the account and as many for all others", n, failuresAtOnce)
	}
}

// What may never be sent ends the connection.
func TestMayPublish(t *testing.T) {
	h := newHouse(t)
	own, token := "lintel/factors/"+h.ada, `{"token":"brass"}`
	for _, test := range []struct {
		name   string
		login  login
		topic  string
		qos    byte
		retain bool
		text   string
		why    error
	}{
		{"retained", h.reader, own, 0, true, token, errRetained},
		{"retained, QoS 1", h.reader, own, 1, true, token, errRetained},
		{"QoS 2", h.reader, own, 2, false, token, errQoS},
		{"too large", h.reader, own, 0, false, strings.Repeat("x", evidence.LargestMessage+1), errTooLarge},
		{"far too large", h.reader, own, 0, false, strings.Repeat("x", 100_000), errTooLarge},
		{"no person", h.reader, "lintel/factors", 0, false, token, errTopic},
		{"an empty person", h.reader, "lintel/factors/", 1, false, token, errTopic},
		{"more than a person", h.reader, own + "/x", 1, false, token, errTopic},
		{"another prefix", h.reader, "house/factors/" + h.ada, 1, false, token, errTopic},
		{"a message of its own making", h.reader, "lintel/advice/" + h.receiver.name, 0, false, token, errTopic},
		{"what is the server's", h.reader, "$SYS/broker/version", 0, false, token, errTopic},
		{"a receiver that gives factors", h.receiver, own, 1, false, token, errTopic},
		{"a receiver that writes to itself", h.receiver, "lintel/advice/" + h.receiver.name, 0, false, token, errTopic},
	} {
		logged := len(h.log.String())
		listens := h.connect(h.another)
		if code := listens.subscribe("lintel/advice/"+h.another.name, 0); code != 0 {
			t.Fatalf("subscribing: %#x", code)
		}
		c := h.connect(test.login)
		c.Publish(test.topic, test.qos, test.retain, test.text)
		wait(t, c.lost, test.name+" to end the connection")
		h.send(h.another, []byte("last"))
		if m := wait(t, listens.came, "the last"); string(m.Payload()) != "last" {
			t.Errorf("%s: somebody heard %q on %s", test.name, m.Payload(), m.Topic())
		}
		h.waitForLog(logged, test.why.Error())
	}
	if f := h.factors(); len(f) > 0 {
		t.Errorf("factors: %+v", f)
	}
}

// TestRefusals counts what is refused by why, each once.
func TestRefusals(t *testing.T) {
	h := newHouse(t)
	own, token := "lintel/factors/"+h.ada, `{"token":"brass"}`
	h.tryConnect(h.phone, func(o *paho.ClientOptions) { o.SetWill("x", "gone", 0, false) })
	h.tryConnect(h.phone, func(o *paho.ClientOptions) { o.SetProtocolVersion(3) })
	h.tryConnect(login{h.phone.name, "WRONG"})
	publish := func(topic string, qos byte, retain bool, text string, why error) {
		t.Helper()
		logged := len(h.log.String())
		c := h.connect(h.reader)
		c.Publish(topic, qos, retain, text)
		wait(t, c.lost, "the connection to end")
		h.waitForLog(logged, why.Error()) // a client may notice the end before the broker says why
	}
	publish(own, 0, true, token, errRetained)
	publish(own, 2, false, token, errQoS)
	publish("lintel/x", 0, false, token, errTopic)
	publish(own, 0, false, strings.Repeat("x", 100_000), errTooLarge)
	if code := h.connect(h.receiver).subscribe("#", 0); code != 0x80 {
		t.Errorf("subscribing: %#x", code)
	}
	times := make(map[string]int)
	for _, r := range h.broker.Refusals() {
		times[r.Why] = r.Times
		if !r.Last.Equal(h.now()) {
			t.Errorf("%s at %v", r.Why, r.Last)
		}
	}
	want := map[string]int{"will": 1, "level": 1, "nobody": 1, "retained": 1, "qos": 1, "topic": 1, "too-large": 1,
		"filter": 1}
	if !maps.Equal(times, want) {
		t.Errorf("counted %v, want %v", times, want)
	}
}

// Codes of SUBACK by MQTT 3.1.1, section 3.9.3: 0 grants QoS 0, 0x80 refuses.
func TestMaySubscribe(t *testing.T) {
	h := newHouse(t)
	own := "lintel/advice/" + h.receiver.name
	for _, test := range []struct {
		login  login
		filter string
		qos    byte
		code   byte
	}{
		{h.receiver, own, 0, 0},
		{h.receiver, own, 1, 0}, // messages have QoS 0
		{h.receiver, own, 2, 0},
		{h.receiver, "lintel/advice/" + h.another.name, 0, 0x80},
		{h.receiver, "lintel/advice/+", 0, 0x80},
		{h.receiver, "lintel/advice/#", 0, 0x80},
		{h.receiver, own + "/#", 0, 0x80}, // which is its own, too, by section 4.7.1.2
		{h.receiver, "+/advice/" + h.receiver.name, 0, 0x80},
		{h.receiver, "#", 0, 0x80},
		{h.receiver, "$SYS/#", 0, 0x80},
		{h.receiver, "$share/x/" + own, 0, 0x80},
		{h.receiver, "lintel/factors/" + h.ada, 0, 0x80},
		{h.phone, own, 0, 0x80},
		{h.phone, "lintel/advice/" + h.phone.name, 0, 0x80},
		{h.phone, "lintel/factors/" + h.ada, 0, 0x80},
		{h.reader, "#", 0, 0x80},
	} {
		c := h.connect(test.login)
		if code := c.subscribe(test.filter, test.qos); code != test.code {
			t.Errorf("%q, QoS %d: %#x, want %#x", test.filter, test.qos, code, test.code)
		}
		h.broker.mu.Lock()
		n := h.broker.seated[test.login.name].client.State.Subscriptions.Len()
		h.broker.mu.Unlock()
		if n != 0 && test.code != 0 || n != 1 && test.code == 0 {
			t.Errorf("%q: %d subscriptions are kept", test.filter, n)
		}
		c.Disconnect(0)
	}
}

func TestPrefix(t *testing.T) {
	for _, bad := range []string{"/", "a/", "/a", "a//b", "a/+", "#", "$SYS", "a b", "ü", strings.Repeat("x", 65)} {
		if _, err := New(Config{Prefix: bad}); !errors.Is(err, ErrPrefix) {
			t.Errorf("%q: %v", bad, err)
		}
	}
	h := newHouse(t, func(c *Config) { c.Prefix = "house/2" })
	c, r := h.connect(h.reader), h.connect(h.receiver)
	if err := c.done(c.Publish("house/2/factors/"+h.ada, 1, false, `{"token":"brass"}`)); err != nil ||
		len(h.factors()) != 1 {
		t.Errorf("%v, %+v", err, h.factors())
	}
	if code := r.subscribe("house/2/advice/"+h.receiver.name, 0); code != 0 {
		t.Fatalf("subscribing: %#x", code)
	}
	h.send(h.receiver, []byte("a message"))
	wait(t, r.came, "a message")
}

func TestTLS(t *testing.T) {
	h := newHouse(t)
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	form := &x509.Certificate{SerialNumber: big.NewInt(1), IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		NotAfter: time.Now().Add(time.Hour)}
	der, err := x509.CreateCertificate(rand.Reader, form, form, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	trusted := x509.NewCertPool()
	trusted.AddCert(cert)
	listener, err := tls.Listen("tcp", "127.0.0.1:0",
		&tls.Config{Certificates: []tls.Certificate{{Certificate: [][]byte{der}, PrivateKey: key}}})
	if err != nil {
		t.Fatal(err)
	}
	h.broker, err = New(h.broker.Config)
	if err != nil {
		t.Fatal(err)
	}
	h.address = "ssl://" + listener.Addr().String()
	h.serve(listener)
	c := h.connect(h.reader, func(o *paho.ClientOptions) { o.SetTLSConfig(&tls.Config{RootCAs: trusted}) })
	if err := c.done(c.Publish("lintel/factors/"+h.ada, 1, false, `{"token":"brass"}`)); err != nil ||
		len(h.factors()) != 1 {
		t.Errorf("%v, %+v", err, h.factors())
	}
}
