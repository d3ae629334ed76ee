package broker

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
	"golang.org/x/time/rate"

	"lintel/internal/house"
	"lintel/pipeline/advice/evidence"
)

// The tests here run in bubbles of package synctest, over pipes: time goes by
// at once, and a bubble fails the test if a goroutine is left when it ends.

// A pipes is a listener that tests dial.
type pipes struct {
	conns chan net.Conn
	ended chan struct{}
	once  sync.Once
}

func newPipes() *pipes { return &pipes{conns: make(chan net.Conn), ended: make(chan struct{})} }

func (p *pipes) Accept() (net.Conn, error) {
	select {
	case c := <-p.conns:
		return c, nil
	case <-p.ended:
		return nil, net.ErrClosed
	}
}

func (p *pipes) Close() error {
	p.once.Do(func() { close(p.ended) })
	return nil
}

func (p *pipes) Addr() net.Addr { return &net.UnixAddr{Name: "pipes", Net: "unix"} }

func (p *pipes) dial() net.Conn {
	near, far := net.Pipe()
	p.conns <- far
	return near
}

// few is an archive with a source and two receivers.
type few struct{}

const source, receiver, receiver2 = "SOURCE", "RECEIVER", "RECEIVER2"

func (few) SourceOf(_ context.Context, token string) (house.Source, error) {
	if token != "SOURCETOKEN" {
		return house.Source{}, house.ErrNotFound
	}
	return house.Source{ID: source, Kind: house.Reader}, nil
}

func (few) CheckBell(context.Context, string, string) (bool, error) { return false, nil }

func (few) CheckReceiver(_ context.Context, id, token string) (bool, error) {
	return (id == receiver || id == receiver2) && token == "TOKEN", nil
}

func (few) Sources(context.Context) ([]house.Source, error) {
	return []house.Source{{ID: source}}, nil
}

func (few) Receivers(context.Context) ([]house.Receiver, error) {
	return []house.Receiver{{ID: receiver}, {ID: receiver2}}, nil
}

func (few) ProgramOf(context.Context, string) (house.Program, error) {
	return house.Program{}, house.ErrNotFound
}

func (few) UseProgram(context.Context, house.Program) error { return nil }

func (few) Programs(context.Context) ([]house.Program, error) { return nil, nil }

// A tray is an inbox that keeps what it is given.
type tray struct {
	mu  sync.Mutex
	got []string
}

func (d *tray) Message(_ context.Context, s house.Source, about string, text []byte) (evidence.Receipt, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.got = append(d.got, s.ID+" "+about+" "+string(text))
	return evidence.Receipt{}, nil
}

// run runs a broker for a test in a bubble.
func run(t *testing.T) (*Broker, *pipes, *tray, *journal) {
	t.Helper()
	log, inbox, listener := new(journal), new(tray), newPipes()
	b, err := New(Config{Archive: few{}, Inbox: inbox, Log: slog.New(slog.NewTextHandler(log, nil)), Now: time.Now})
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	served := make(chan error, 1)
	go func() { served <- b.Serve(ctx, listener) }()
	t.Cleanup(func() {
		stop()
		if err := <-served; err != nil {
			t.Error(err)
		}
		waiting := b.waiting.Here() + b.kept.Here()
		if len(b.links)+len(b.seated)+waiting != 0 || b.server.Clients.Len() != 1 {
			t.Errorf("left: %d links, %d seated, %d waiting, %d clients besides Lintel itself",
				len(b.links), len(b.seated), waiting, b.server.Clients.Len()-1)
		}
	})
	return b, listener, inbox, log
}

// greeting is a CONNECT.
func greeting(name, token string, keepAlive uint16) packets.ControlPacket {
	p := packets.NewControlPacket(packets.Connect).(*packets.ConnectPacket)
	p.ProtocolName, p.ProtocolVersion, p.ClientIdentifier, p.CleanSession, p.Keepalive = "MQTT", 4, "it", true, keepAlive
	p.UsernameFlag, p.Username, p.PasswordFlag, p.Password = true, name, true, []byte(token)
	return p
}

// greet connects, and returns the code of the CONNACK.
func greet(t *testing.T, conn net.Conn, name, token string, keepAlive uint16) byte {
	t.Helper()
	if err := greeting(name, token, keepAlive).Write(conn); err != nil {
		t.Fatal(err)
	}
	answer, err := packets.ReadPacket(conn)
	if err != nil {
		t.Fatal(err)
	}
	return answer.(*packets.ConnackPacket).ReturnCode
}

// listen connects a receiver and subscribes.
func listen(t *testing.T, conn net.Conn, name string) {
	t.Helper()
	if code := greet(t, conn, name, "TOKEN", 0); code != 0 {
		t.Fatalf("connecting: %d", code)
	}
	p := packets.NewControlPacket(packets.Subscribe).(*packets.SubscribePacket)
	p.MessageID, p.Topics, p.Qoss = 1, []string{"lintel/advice/" + name}, []byte{1}
	if err := p.Write(conn); err != nil {
		t.Fatal(err)
	}
	if answer, err := packets.ReadPacket(conn); err != nil || answer.(*packets.SubackPacket).ReturnCodes[0] != 0 {
		t.Fatalf("%v, %v", answer, err)
	}
}

// untilClosed returns how long it takes until the other side closes.
func untilClosed(t *testing.T, conn net.Conn) time.Duration {
	t.Helper()
	began := time.Now()
	if n, err := io.Copy(io.Discard, conn); err != nil || n > 0 {
		t.Errorf("%d bytes and %v instead of an end", n, err)
	}
	return time.Since(began)
}

// MQTT 3.1.1, section 3.1.4, lets a server wait a reasonable time for CONNECT,
// and has it close the connection after one and a half times the keep alive
// time (3.1.2.10, MQTT-3.1.2-24).
func TestSilence(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		_, listener, _, _ := run(t)
		if d := untilClosed(t, listener.dial()); d != ConnectTime {
			t.Errorf("without a CONNECT: closed after %v", d)
		}
		conn := listener.dial()
		if _, err := conn.Write([]byte{0x10}); err != nil { // begins one
			t.Fatal(err)
		}
		if d := untilClosed(t, conn); d != ConnectTime {
			t.Errorf("with half a CONNECT: closed after %v", d)
		}
		for keepAlive, after := range map[uint16]time.Duration{
			10: 15 * time.Second, 60: 90 * time.Second, 600: 15 * time.Minute, // as section 3.1.2.10 has it
			// as we do
			0: 15 * time.Minute, 601: 15 * time.Minute, 43690: 15 * time.Minute, 43691: 15 * time.Minute,
			65535: 15 * time.Minute,
		} {
			conn := listener.dial()
			if code := greet(t, conn, source, "SOURCETOKEN", keepAlive); code != 0 {
				t.Fatalf("connecting: %d", code)
			}
			if d := untilClosed(t, conn); d != after {
				t.Errorf("keep alive %d s: closed after %v, want %v", keepAlive, d, after)
			}
		}
	})
}

func TestCrowd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		_, listener, _, _ := run(t)
		seated := listener.dial()
		listen(t, seated, receiver)
		var crowd []net.Conn
		for range waitingEach {
			crowd = append(crowd, listener.dial())
		}
		synctest.Wait()
		if d := untilClosed(t, listener.dial()); d != 0 {
			t.Errorf("one too many: closed after %v", d)
		}
		if code := greet(t, crowd[0], source, "SOURCETOKEN", 0); code != 0 { // one of them says who it is
			t.Errorf("connecting: %d", code)
		}
		crowd = append(crowd, listener.dial())
		synctest.Wait()
		for i, conn := range crowd[1:] {
			if d := untilClosed(t, conn); i == 0 && d != ConnectTime {
				t.Errorf("the crowd: closed after %v", d)
			}
		}
		if err := packets.NewControlPacket(packets.Pingreq).Write(seated); err != nil {
			t.Error(err)
		}
		if p, err := packets.ReadPacket(seated); err != nil {
			t.Errorf("who was there before: %v, %v", p, err)
		}
	})
}

// Who sends too much is read slowly, and nothing is lost.
func TestFlood(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		_, listener, inbox, _ := run(t)
		conn := listener.dial()
		if code := greet(t, conn, source, "SOURCETOKEN", 600); code != 0 {
			t.Fatalf("connecting: %d", code)
		}
		began := time.Now()
		const n = 10 * packetsAtOnce
		for i := range n {
			p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
			p.TopicName, p.Payload, p.Qos, p.MessageID = "lintel/factors/ADA", fmt.Append(nil, i), 1, 1
			if err := p.Write(conn); err != nil {
				t.Fatal(err)
			}
			if _, err := packets.ReadPacket(conn); err != nil {
				t.Fatal(err)
			}
		}
		if d := time.Since(began); d != (n-packetsAtOnce)*packetTime {
			t.Errorf("%d packets took %v", n, d)
		}
		if len(inbox.got) != n || inbox.got[n-1] != fmt.Sprintf("SOURCE ADA %d", n-1) {
			t.Errorf("%d messages came", len(inbox.got))
		}
		conn.Close()
	})
}

// A receiver that does not read holds up nobody.
func TestDeafReceiver(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, listener, _, _ := run(t)
		deaf, other := listener.dial(), listener.dial()
		listen(t, deaf, receiver)
		listen(t, other, receiver2)
		began := time.Now()
		for range 100 {
			if err := b.Publish(t.Context(), receiver, []byte("a message")); err != nil {
				t.Fatal(err)
			}
		}
		if err := b.Publish(t.Context(), receiver2, []byte("another")); err != nil {
			t.Fatal(err)
		}
		p, err := packets.ReadPacket(other)
		if err != nil || string(p.(*packets.PublishPacket).Payload) != "another" {
			t.Errorf("the other heard %v, %v", p, err)
		}
		if d := time.Since(began); d != 0 {
			t.Errorf("it took %v", d)
		}
		synctest.Wait()
		n := 0
		for deaf.SetReadDeadline(time.Now().Add(time.Second)); ; n++ {
			if _, err := packets.ReadPacket(deaf); err != nil {
				break
			}
		}
		if n == 0 || n > mostInflight+1 {
			t.Errorf("%d messages were waiting", n)
		}
	})
}

// What a server of 3.1.1 may not be sent, or has no reason to be, ends the
// connection: among it a second CONNECT (section 3.1, MQTT-3.1.0-2).
func TestOutOfPlace(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		_, listener, _, _ := run(t)
		for _, kind := range []byte{
			packets.Connack, packets.Puback, packets.Pubrec, packets.Pubrel, packets.Pubcomp, packets.Suback,
			packets.Unsuback,
			packets.Pingresp,
		} {
			conn := listener.dial()
			if code := greet(t, conn, source, "SOURCETOKEN", 0); code != 0 {
				t.Fatalf("connecting: %d", code)
			}
			if err := packets.NewControlPacket(kind).Write(conn); err != nil {
				t.Fatal(err)
			}
			if d := untilClosed(t, conn); d != 0 {
				t.Errorf("%s: closed after %v", packets.PacketNames[kind], d)
			}
		}
		conn := listener.dial()
		if code := greet(t, conn, source, "SOURCETOKEN", 0); code != 0 {
			t.Fatalf("connecting: %d", code)
		}
		if err := greeting(source, "SOURCETOKEN", 0).Write(conn); err != nil {
			t.Fatal(err)
		}
		if d := untilClosed(t, conn); d != 0 {
			t.Errorf("a second CONNECT: closed after %v", d)
		}
	})
}

// A panic ends the connection it is of, and nothing else.
type panicking struct{}

func (panicking) Message(context.Context, house.Source, string, []byte) (evidence.Receipt, error) {
	panic("a bug")
}

func TestPanic(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, listener, _, log := run(t)
		b.Inbox = panicking{}
		conn, other := listener.dial(), listener.dial()
		listen(t, other, receiver)
		if code := greet(t, conn, source, "SOURCETOKEN", 0); code != 0 {
			t.Fatalf("connecting: %d", code)
		}
		p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
		p.TopicName, p.Payload = "lintel/factors/ADA", []byte("x")
		if err := p.Write(conn); err != nil {
			t.Fatal(err)
		}
		if d := untilClosed(t, conn); d != 0 {
			t.Errorf("closed after %v", d)
		}
		synctest.Wait() // until the log has it, too
		if !strings.Contains(log.String(), "a bug") {
			t.Errorf("log: %s", log.String())
		}
		if err := b.Publish(t.Context(), receiver, []byte("a message")); err != nil {
			t.Error(err)
		}
		if _, err := packets.ReadPacket(other); err != nil {
			t.Error(err)
		}
	})
}

// A listener that fails for a moment, for want of files perhaps, is not given up.
type failing struct {
	*pipes
	failures int
}

func (f *failing) Accept() (net.Conn, error) {
	if f.failures--; f.failures >= 0 {
		return nil, errors.New("too many open files")
	}
	return f.pipes.Accept()
}

func TestListenerFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, err := New(Config{Archive: few{}, Inbox: new(tray), Log: slog.New(slog.DiscardHandler), Now: time.Now})
		if err != nil {
			t.Fatal(err)
		}
		listener := &failing{newPipes(), 3}
		served := make(chan error, 1)
		go func() { served <- b.Serve(t.Context(), listener) }()
		conn := listener.dial()
		if code := greet(t, conn, source, "SOURCETOKEN", 0); code != 0 {
			t.Errorf("connecting: %d", code)
		}
		listener.Close()
		if err := <-served; !errors.Is(err, net.ErrClosed) {
			t.Errorf("closed from outside: %v", err)
		}
		if d := untilClosed(t, conn); d != 0 {
			t.Errorf("closed after %v", d)
		}
	})
}

// Whatever a source sends, nothing panics, and the inbox gets only what came to
// a topic of factors; whatever anybody else sends, it gets nothing.
func FuzzLink(f *testing.F) {
	packet := func(p packets.ControlPacket) []byte {
		var b bytes.Buffer
		p.Write(&b)
		return b.Bytes()
	}
	publish := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
	publish.TopicName, publish.Payload, publish.Qos, publish.MessageID = "lintel/factors/ADA", []byte("x"), 1, 1
	subscribe := packets.NewControlPacket(packets.Subscribe).(*packets.SubscribePacket)
	subscribe.MessageID, subscribe.Topics, subscribe.Qoss = 1, []string{"#", "$share/a/b"}, []byte{1, 2}
	for _, seed := range [][]byte{
		packet(publish), packet(subscribe), packet(greeting(source, "SOURCETOKEN", 1)), packet(greeting("x", "y", 0)),
		{0x30, 0}, {0x82, 5, 0, 1, 0, 0, 0}, {0xF0, 0}, {0x10, 255, 255, 255, 127}, {0x30, 2, 0, 0}, {0x32, 4, 0, 0, 0, 0},
	} {
		f.Add(seed, true)
		f.Add(seed, false)
	}
	hello := packet(greeting(source, "SOURCETOKEN", 0))
	f.Fuzz(func(t *testing.T, sent []byte, known bool) {
		log, inbox := new(journal), new(tray)
		b, err := New(Config{Archive: few{}, Inbox: inbox, Log: slog.New(slog.NewTextHandler(log, nil)), Now: time.Now})
		if err != nil {
			t.Fatal(err)
		}
		ctx, stop := context.WithCancel(t.Context())
		defer stop()
		near, far := net.Pipe()
		l := b.newLink(ctx, stop, far)
		l.rate = rate.NewLimiter(rate.Inf, 0)
		if !b.enter(l) {
			t.Fatal("no room")
		}
		var both sync.WaitGroup
		both.Go(func() {
			b.read(l)
			b.leave(l)
			far.Close()
		})
		both.Go(func() { io.Copy(io.Discard, near) })
		if known {
			near.Write(hello)
		}
		near.Write(sent)
		near.Close()
		both.Wait()
		if strings.Contains(log.String(), "panic") {
			t.Error(log.String())
		}
		for _, got := range inbox.got {
			if _, rest, _ := strings.Cut(got, "SOURCE "); !words.MatchString(strings.SplitN(rest, " ", 2)[0]) {
				t.Errorf("the inbox got %q", got)
			}
		}
		if !known && len(inbox.got) > 0 && !bytes.Contains(sent, []byte("SOURCETOKEN")) {
			t.Errorf("the inbox got %q of nobody", inbox.got)
		}
		if n := b.server.Clients.Len(); n != 1 {
			t.Errorf("%d clients are left", n-1)
		}
	})
}
