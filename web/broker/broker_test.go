package broker

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"log/slog"
	"math/big"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"
	app "github.com/pquerna/otp/totp"

	"lintel/internal/house"
	"lintel/internal/mailbox"
	"lintel/pipeline/advice/advisor"
	"lintel/pipeline/advice/evidence"
	"lintel/pipeline/advice/message"
	"lintel/pipeline/advice/totp"
	"lintel/store"
	"lintel/store/seal"
)

// The broker is held against a client of others' making, Eclipse Paho, which
// reads and writes MQTT 3.1.1 by itself.

// patience is how long a test waits for what has to come.
const patience = 20 * time.Second

// A household is a broker on a real archive and inbox, with two persons, their
// phones, a reader and two receivers, and a clock that the test sets.
type household struct {
	t                 *testing.T
	archive           *store.Archive
	broker            *Broker
	address           string
	log               journal
	ada, bo           string
	phone, other      login // Ada's and Bo's
	reader            login
	receiver, another login
	key               message.Key // the receiver's
	door, bell        string

	mu sync.Mutex
	at time.Time
}

// A login is what a client connects with.
type login struct{ name, token string }

// A journal is a log that is written and read at once.
type journal struct {
	mu   sync.Mutex
	text bytes.Buffer
	grew chan struct{} // closed when it does
}

func (j *journal) Write(p []byte) (int, error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	if j.grew != nil {
		close(j.grew)
		j.grew = nil
	}
	return j.text.Write(p)
}

func (j *journal) String() string {
	text, _ := j.look()
	return text
}

// look returns what is there, and a channel that is closed when there is more.
func (j *journal) look() (text string, grew <-chan struct{}) {
	j.mu.Lock()
	defer j.mu.Unlock()
	if j.grew == nil {
		j.grew = make(chan struct{})
	}
	return j.text.String(), j.grew
}

func (h *household) now() time.Time {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.at
}

func (h *household) pass(d time.Duration) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.at = h.at.Add(d)
}

// change lets a test put something between the broker and the archive or inbox.
type change func(*Config)

func newHouse(t *testing.T, changes ...change) *household {
	t.Helper()
	h := &household{t: t, at: time.Date(2031, 5, 6, 7, 8, 9, 0, time.UTC), bell: "gate"}
	h.fill()
	c := Config{Archive: h.archive, Inbox: evidence.NewInbox(h.archive, h.now),
		Log: slog.New(slog.NewTextHandler(&h.log, nil)), Now: h.now}
	for _, change := range changes {
		change(&c)
	}
	var err error
	if h.broker, err = New(c); err != nil {
		t.Fatal(err)
	}
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	h.address = "tcp://" + listener.Addr().String()
	h.serve(listener)
	return h
}

// serve serves until the test ends.
func (h *household) serve(listener net.Listener) {
	ctx, stop := context.WithCancel(h.t.Context())
	served := make(chan error, 1)
	broker := h.broker
	go func() { served <- broker.Serve(ctx, listener) }()
	h.t.Cleanup(func() {
		stop()
		if err := wait(h.t, served, "the broker to end"); err != nil {
			h.t.Error(err)
		}
	})
}

func (h *household) fill() {
	h.t.Helper()
	ctx := h.t.Context()
	check := func(err error) {
		h.t.Helper()
		if err != nil {
			h.t.Fatal(err)
		}
	}
	var err error
	h.archive, err = store.Open(ctx, h.t.TempDir(), seal.Key{1}, h.now)
	check(err)
	h.t.Cleanup(func() { h.archive.Close() })
	person := func(name, label string) string {
		p, err := h.archive.AddPerson(ctx, name)
		check(err)
		_, err = h.archive.AddToken(ctx, p.ID, label)
		check(err)
		return p.ID
	}
	h.ada, h.bo = person("Ada Quill", "brass"), person("Bo Tansy", "copper")
	source := func(kind house.SourceKind, person string) login {
		id, token, err := h.archive.AddSource(ctx, kind, person, "a source")
		check(err)
		return login{id, token}
	}
	h.phone, h.other, h.reader = source(house.Phone, h.ada), source(house.Phone, h.bo), source(house.Reader, "")
	_, err = h.archive.AddBell(ctx, h.bell)
	check(err)
	h.door, err = h.archive.SetDoor(ctx, house.Door{Name: "Front door", Bell: h.bell})
	check(err)
	receiver := func() (login, message.Key) {
		r, token, err := h.archive.AddReceiver(ctx, h.door, "a receiver")
		check(err)
		return login{r.ID, token}, message.Key(r.Key)
	}
	h.receiver, h.key = receiver()
	h.another, _ = receiver()
	rules := house.DefaultAdviceRules()
	rules.Home = &house.Home{Latitude: 10, Longitude: 20, Radius: 100}
	check(h.archive.SetAdviceRules(ctx, rules))
}

// wait returns what comes from a channel.
func wait[T any](t *testing.T, from <-chan T, what string) (v T) {
	t.Helper()
	select {
	case v = <-from:
	case <-time.After(patience):
		t.Fatalf("waited in vain for %s", what)
	}
	return v
}

// A client is Paho's, with what came and when the connection was lost.
type client struct {
	paho.Client
	t    *testing.T
	came chan paho.Message
	lost chan error
}

// options are those of a client that shows what the broker does, and makes
// nothing good by itself.
func (h *household) options(l login) (*paho.ClientOptions, *client) {
	c := &client{t: h.t, came: make(chan paho.Message, 100), lost: make(chan error, 1)}
	o := paho.NewClientOptions().AddBroker(h.address).SetClientID("it").SetUsername(l.name).SetPassword(l.token).
		SetProtocolVersion(4).SetAutoReconnect(false).SetConnectRetry(false).SetConnectTimeout(patience).
		SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) { c.came <- m }).
		SetConnectionLostHandler(func(_ paho.Client, err error) { c.lost <- err })
	return o, c
}

// connect connects somebody, who is disconnected when the test ends.
func (h *household) connect(l login, change ...func(*paho.ClientOptions)) *client {
	h.t.Helper()
	c, err := h.tryConnect(l, change...)
	if err != nil {
		h.t.Fatalf("connecting: %v", err)
	}
	return c
}

func (h *household) tryConnect(l login, change ...func(*paho.ClientOptions)) (*client, error) {
	h.t.Helper()
	o, c := h.options(l)
	for _, change := range change {
		change(o)
	}
	c.Client = paho.NewClient(o)
	token := c.Connect()
	if !token.WaitTimeout(patience) {
		h.t.Fatal("connecting takes too long")
	}
	if token.(*paho.ConnectToken).SessionPresent() {
		h.t.Error("a session was kept")
	}
	if token.Error() == nil {
		h.t.Cleanup(func() { c.Disconnect(0) })
	}
	return c, token.Error()
}

// done waits for a token.
func (c *client) done(t paho.Token) error {
	c.t.Helper()
	if !t.WaitTimeout(patience) {
		c.t.Fatal("the client waits too long")
	}
	return t.Error()
}

// subscribe returns the code that the SUBACK grants or refuses with.
func (c *client) subscribe(filter string, qos byte) byte {
	c.t.Helper()
	t := c.Subscribe(filter, qos, nil)
	c.done(t) // a refusal is an error of Paho's, too
	for _, code := range t.(*paho.SubscribeToken).Result() {
		return code
	}
	c.t.Fatalf("no answer about %q", filter)
	return 0
}

// factors are those that count now.
func (h *household) factors() []house.Factor {
	h.t.Helper()
	all, err := h.archive.FactorsSince(h.t.Context(), h.now())
	if err != nil {
		h.t.Fatal(err)
	}
	return all
}

func (h *household) misses() (whats []string) {
	h.t.Helper()
	all, err := h.archive.MissesSince(h.t.Context(), h.now().Add(-time.Hour))
	if err != nil {
		h.t.Fatal(err)
	}
	for _, m := range all {
		whats = append(whats, m.What)
	}
	return whats
}

func (h *household) report(latitude float64) string {
	return fmt.Sprintf(`{"arrival":{"latitude_deg":%g,"longitude_deg":20,"accuracy_m":10,"at":"%s"}}`, latitude, h.now().
		Format(time.RFC3339))
}

// message writes one about a suggestion that was never kept.
func (h *household) message(visit string) []byte {
	h.t.Helper()
	text, err := message.Sign(house.Advice{
		ID: "advice" + visit, Visit: visit, Door: h.door, Person: h.ada, State: house.Suggested, At: h.now(),
		ExpiresAt: h.now().Add(time.Minute),
	}, h.bell, h.receiver.name, h.key)
	if err != nil {
		h.t.Fatal(err)
	}
	return text
}

func (h *household) send(to login, text []byte) {
	h.t.Helper()
	if err := h.broker.Publish(h.t.Context(), to.name, text); err != nil {
		h.t.Fatal(err)
	}
}

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

func (h *household) dial() net.Conn {
	h.t.Helper()
	conn, err := net.Dial("tcp", strings.TrimPrefix(h.address, "tcp://"))
	if err != nil {
		h.t.Fatal(err)
	}
	h.t.Cleanup(func() { conn.Close() })
	conn.SetDeadline(time.Now().Add(patience))
	return conn
}

// readAll reads until the connection is closed by the other side.
func readAll(t *testing.T, conn net.Conn) []byte {
	t.Helper()
	var b bytes.Buffer
	if _, err := b.ReadFrom(conn); errors.Is(err, context.DeadlineExceeded) || isTimeout(err) {
		t.Fatal("the connection was not closed")
	}
	return b.Bytes()
}

func isTimeout(err error) bool {
	var n net.Error
	return errors.As(err, &n) && n.Timeout()
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

func TestFailuresAreFew(t *testing.T) {
	at := time.Date(2031, 5, 6, 7, 8, 9, 0, time.UTC)
	f := newFailures(func() time.Time { return at })
	for i := range 3 * mostOrigins {
		for range failuresAtOnce {
			f.count(network{}, fmt.Sprint(i))
		}
		if f.mayTry(network{}, fmt.Sprint(i)) {
			t.Fatalf("%d may try on", i)
		}
	}
	if len(f.of) != mostOrigins {
		t.Errorf("%d are remembered", len(f.of))
	}
	at = at.Add(time.Hour)
	f.count(network{}, "last")
	if len(f.of) != 1 {
		t.Errorf("%d are remembered after an hour", len(f.of))
	}
}

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
		{"nobody's token", h.reader, h.ada, `{"token":"tin"}`, "nobody's token", "token"},
		{"another's token", h.reader, h.ada, `{"token":"copper"}`, "not theirs to tell", "token"},
		{"a reader that arrives", h.reader, h.ada, h.report(10), "not theirs to tell", ""},
		{"no message", h.phone, h.ada, `SECRET`, "no message", ""},
		{"no report", h.phone, h.ada, `{"arrival":{"SECRET":1}}`, "no report", ""},
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

// waitForLog waits until the log says something, after its first bytes.
func (h *household) waitForLog(after int, text string) {
	h.t.Helper()
	for {
		log, grew := h.log.look()
		if strings.Contains(log[after:], text) {
			return
		}
		wait(h.t, grew, "the log to say "+text)
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
	ctx := t.Context()
	_, err := h.archive.SetDoorRule(ctx, house.DoorRule{
		Person: h.ada, Door: h.door, Allowed: true, Days: [7]bool{true, true, true, true, true, true, true}, To: 24 * 60,
		Factors: []house.FactorKind{house.FactorToken}, Need: 1, Band: "strong", Liveness: house.NoSign,
	})
	err = errors.Join(err,
		h.archive.RecordConsent(ctx, h.ada, house.Consent{GivenBy: "Ada Quill", GivenAt: h.now(), Scope: "being recognised"}),
		h.archive.AddReference(ctx, house.Reference{Person: h.ada, Descriptor: house.Descriptor{0.1}}))
	if err != nil {
		t.Fatal(err)
	}
	c := advisor.New(h.archive, h.broker, h.broker.Log, h.now, advisor.NewClock(h.now, func() time.Duration { return 0 }))
	ended := make(chan bool)
	counselling, stop := context.WithCancel(ctx)
	go func() {
		c.Run(counselling)
		close(ended)
	}()
	defer func() {
		stop()
		<-ended
	}()
	r, s := h.connect(h.receiver), h.connect(h.reader)
	if code := r.subscribe("lintel/advice/"+h.receiver.name, 0); code != 0 {
		t.Fatalf("subscribing: %#x", code)
	}
	face := house.Face{
		Descriptor: house.Descriptor{0.1},
		Quality: &house.Quality{FaceWidth: 180, EyeDistance: 70, PixelsPerMetre: 900, Sharpness: 0.2, Luma: 120,
			Clipped: 0.01, Contrast: 0.2, Yaw: 4, Roll: 2},
		Liveness: &house.Liveness{Level: house.NoSign, Probability: 0.02, Frames: 2},
		Match:    &house.Match{Person: h.ada, Distance: 0.31, FPIR: 2e-6, Band: "strong", Probability: 0.99, Frames: 2},
	}
	var visit string
	for frame := range 2 {
		body := []byte{byte(frame)}
		if visit, _, err = h.archive.Keep(ctx, house.NewStill{
			Bell: h.bell, Ring: "R", Frame: frame, SentSHA256: sha256.Sum256(body), JPEG: body, Width: 640, Height: 480,
			ReceivedAt: h.now(),
		}); err != nil {
			t.Fatal(err)
		}
	}
	v, err := h.archive.Visit(ctx, visit)
	if err != nil {
		t.Fatal(err)
	}
	for _, still := range v.Stills {
		if err := h.archive.Record(ctx, still.ID, house.Done, []house.Face{face}); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.done(s.Publish("lintel/factors/"+h.ada, 1, false, `{"token":"brass"}`)); err != nil {
		t.Fatal(err)
	}
	m := wait(t, r.came, "the message")
	l, err := mailbox.Open(m.Payload(), h.receiver.name, h.key, h.now(), func(string) bool { return false })
	if err != nil || l.Visit != visit || l.Door != h.door || l.Bell != h.bell || l.Kind != message.Person {
		t.Errorf("%+v, %v", l, err)
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
			tell(h.report(10.01))
			h.pass(90 * time.Second)
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
	h.waitForLog(logged, "too old")
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

// A broken archive fails on the side of caution.
type broken struct {
	Archive
	mu  sync.Mutex
	err error
}

var errDisk = errors.New("the disk is gone")

func (b *broken) fail(err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.err = err
}

func (b *broken) failure() error {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.err
}

func (b *broken) SourceOf(ctx context.Context, token string) (house.Source, error) {
	if err := b.failure(); err != nil {
		return house.Source{}, err
	}
	return b.Archive.SourceOf(ctx, token)
}

func (b *broken) CheckReceiver(ctx context.Context, id, token string) (bool, error) {
	if err := b.failure(); err != nil {
		return false, err
	}
	return b.Archive.CheckReceiver(ctx, id, token)
}

// brokenInbox fails once, and then works.
type brokenInbox struct {
	Inbox
	fail sync.Once
	err  error
}

func (d *brokenInbox) Message(ctx context.Context, s house.Source, about string, text []byte) (r evidence.Receipt,
	err error) {
	d.fail.Do(func() { err = d.err })
	if err != nil {
		return r, err
	}
	return d.Inbox.Message(ctx, s, about, text)
}

func TestBrokenArchive(t *testing.T) {
	b := &broken{}
	h := newHouse(t, func(c *Config) { b.Archive, c.Archive = c.Archive, b })
	r, s := h.connect(h.receiver), h.connect(h.reader)
	if code := r.subscribe("lintel/advice/"+h.receiver.name, 0); code != 0 {
		t.Fatalf("subscribing: %#x", code)
	}
	b.fail(errDisk)
	if _, err := h.tryConnect(h.phone); !errors.Is(err, packets.ErrorRefusedServerUnavailable) {
		t.Errorf("connecting: %v", err)
	}
	if err := h.broker.Publish(t.Context(), h.receiver.name, []byte("a message")); !errors.Is(err, errDisk) {
		t.Errorf("sending: %v", err)
	}
	s.Publish("lintel/factors/"+h.ada, 1, false, `{"token":"brass"}`)
	wait(t, s.lost, "the connection to end")
	if f := h.factors(); len(f) > 0 {
		t.Errorf("factors %+v", f)
	}
	b.fail(nil)
	h.send(h.receiver, []byte("later"))
	if m := wait(t, r.came, "a message"); string(m.Payload()) != "later" {
		t.Errorf("came %q", m.Payload())
	}
}

// What was not kept is not acknowledged, and comes again.
func TestBrokenInbox(t *testing.T) {
	h := newHouse(t, func(c *Config) { c.Inbox = &brokenInbox{Inbox: c.Inbox, err: errDisk} })
	// with what the client has to send
	again := func(o *paho.ClientOptions) { o.SetCleanSession(false).SetStore(paho.NewMemoryStore()) }
	o, c := h.options(h.reader)
	again(o)
	c.Client = paho.NewClient(o)
	if err := c.done(c.Connect()); err != nil {
		t.Fatal(err)
	}
	c.Publish("lintel/factors/"+h.ada, 1, false, `{"token":"brass"}`)
	wait(t, c.lost, "the connection to end")
	if f := h.factors(); len(f) > 0 {
		t.Errorf("factors %+v", f)
	}
	changed, stop := h.archive.Watch()
	defer stop()
	if err := c.done(c.Connect()); err != nil {
		t.Fatal(err)
	}
	defer c.Disconnect(0)
	for len(h.factors()) == 0 {
		wait(t, changed, "a factor")
	}
}

// A failed attempt that could not be counted is not answered as if it was.
func TestUncountedMiss(t *testing.T) {
	h := newHouse(t, func(c *Config) { c.Inbox = evidence.NewInbox(uncounting{c.Archive.(*store.Archive)}, c.Now) })
	c := h.connect(h.reader)
	c.Publish("lintel/factors/"+h.ada, 1, false, `{"token":"tin"}`)
	wait(t, c.lost, "the connection to end")
	h.waitForLog(0, errNotKept.Error())
}

type uncounting struct{ *store.Archive }

func (uncounting) AddMiss(context.Context, string, string) error { return errDisk }

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
