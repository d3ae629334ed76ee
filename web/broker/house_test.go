package broker

import (
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"lintel/internal/house"
	"lintel/pipeline/advice/evidence"
	"lintel/pipeline/advice/message"
	"lintel/store"
	"lintel/store/seal"
)

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
	readerKey         []byte
	counter           int // of the reader's messages
	door, bell        string
	listening         atomic.Value // func(receiver string), once there is one

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
		Log: slog.New(slog.NewTextHandler(&h.log, nil)), Now: h.now, Listening: func(receiver string) {
			if told, ok := h.listening.Load().(func(string)); ok {
				told(receiver)
			}
		}}
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
	h.door, err = h.archive.SetDoor(ctx, house.Door{Name: "Front door", Bell: h.bell, Tell: house.TellAtOnce})
	check(err)
	receiver := func() (login, message.Key) {
		r, token, err := h.archive.AddReceiver(ctx, h.door, "a receiver")
		check(err)
		return login{r.ID, token}, message.Key(r.Key)
	}
	h.readerKey, err = h.archive.GiveKey(ctx, h.reader.name)
	check(err)
	h.receiver, h.key = receiver()
	h.another, _ = receiver()
	rules := house.DefaultAdviceRules()
	rules.Home = &house.Home{Latitude: 10, Longitude: 20, Radius: 100}
	check(h.archive.SetAdviceRules(ctx, rules))
}

// signed is the next message of the reader that it saw a token, signed as docs/sources.md
// says.
//
// Outside: HMAC-SHA-256 of Go's standard library (RFC 2104).
func (h *household) signed(label string) string {
	h.counter++
	mac := hmac.New(sha256.New, h.readerKey)
	fmt.Fprintf(mac, "lintel-reader-1\n%s\n%s\ncounter %d\n", h.reader.name, label, h.counter)
	return fmt.Sprintf(`{"token":%q,"counter":%d,"mac":"%x"}`, label, h.counter, mac.Sum(nil))
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
	return fmt.Sprintf(`{"lat":%g,"lon":20,"accuracy":10,"time":"%s"}`, latitude, h.now().Format(time.RFC3339))
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
