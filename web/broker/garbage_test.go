package broker

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"io"
	"log/slog"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
	"golang.org/x/time/rate"

	"lintel/internal/house"
	"lintel/pipeline/bell"
	"lintel/pipeline/intake"
)

// oneBell is an archive with a bell besides.
type oneBell struct{ few }

func (oneBell) CheckBell(_ context.Context, name, secret string) (bool, error) {
	if name != "gate" {
		return false, house.ErrNotFound
	}
	return secret == "SECRET", nil
}

// A doorstep keeps what bells bring, and lets any number in.
type doorstep struct {
	mu     sync.Mutex
	stills []intake.Delivery
	beats  int
	on     int // stills on their way
}

func (d *doorstep) Allow(string, int64) (func(), time.Duration, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.on++
	return func() {
		d.mu.Lock()
		defer d.mu.Unlock()
		d.on--
	}, 0, nil
}

func (d *doorstep) Receive(_ context.Context, still intake.Delivery) (intake.Receipt, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.stills = append(d.stills, still)
	return intake.Receipt{}, nil
}

func (d *doorstep) TakeHeartbeat(context.Context, string, []byte) (bell.Answer, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.beats++
	return bell.Answer{}, nil
}

func (*doorstep) NoteRefused(string, error)            {}
func (*doorstep) Kind(error) (kind string, final bool) { return "unfit", true }

// A script is a connection on which all was sent that ever is.
type script struct {
	net.Conn
	in  io.Reader
	mu  sync.Mutex
	out bytes.Buffer
}

func (s *script) Read(p []byte) (int, error) { return s.in.Read(p) }

func (s *script) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.out.Write(p)
}

// feed has a broker read bytes of one connection, and returns what came of them.
func feed(t *testing.T, sent []byte) (d *doorstep, answers []byte) {
	t.Helper()
	log := new(journal)
	d = new(doorstep)
	b, err := New(Config{Archive: oneBell{}, Inbox: new(tray), Log: slog.New(slog.NewTextHandler(log, nil)),
		Now: time.Now, Bells: d, Intake: d})
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	near, far := net.Pipe()
	defer near.Close()
	conn := &script{Conn: far, in: bytes.NewReader(sent)}
	l := b.newLink(ctx, stop, conn)
	l.rate = rate.NewLimiter(rate.Inf, 0)
	if !b.enter(l) {
		t.Fatal("no room")
	}
	b.read(l)
	b.leave(l)
	l.forget()
	far.Close()
	if strings.Contains(log.String(), "panic") {
		t.Errorf("% x: %s", sent, log)
	}
	for _, s := range d.stills {
		if s.Bell != "gate" || intake.CheckNames(s.Ring, s.Frame) != nil || len(s.Body) > intake.MaxBytes {
			t.Errorf("% x: took %+v", sent, s)
		}
	}
	if d.on != 0 || !b.stills.TryAcquire(mostStills) || b.server.Clients.Len() != 1 {
		t.Errorf("% x: something is left of it", sent)
	}
	conn.mu.Lock()
	defer conn.mu.Unlock()
	return d, conn.out.Bytes()
}

// ringing is what a bell sends: CONNECT, a heartbeat and a still.
func ringing() []byte {
	var b bytes.Buffer
	greeting("gate", "SECRET", 10).Write(&b)
	for topic, text := range map[string]string{"heartbeat": "{}", "stills/r/0": "a picture"} {
		p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
		p.TopicName, p.Payload, p.Qos, p.MessageID = "lintel/bells/gate/"+topic, []byte(text), 1, 7
		p.Write(&b)
	}
	return b.Bytes()
}

// Garbage at each byte of what a bell sends, and an end there, leave nothing behind, and
// nothing is taken that is not the bell's own.
//
// Outside: Paho's packets, as MQTT 3.1.1 has them.
func TestGarbage(t *testing.T) {
	whole := ringing()
	if d, answers := feed(t, whole); len(d.stills) != 1 || string(d.stills[0].Body) != "a picture" || d.beats != 1 ||
		!bytes.HasPrefix(answers, []byte{0x20, 2, 0, 0}) { // CONNACK, section 3.2
		t.Fatalf("untouched: %+v, % x", d, answers)
	}
	for i := range whole {
		if d, _ := feed(t, whole[:i]); len(d.stills)+d.beats > 1 {
			t.Errorf("the first %d bytes: %+v", i, d)
		}
		for _, flip := range []byte{0x01, 0x04, 0x80, 0xff} {
			bad := bytes.Clone(whole)
			bad[i] ^= flip
			feed(t, bad)
		}
	}
}

// Of a packet that says it is larger than it may be no more is kept than where it goes.
func TestPacketBounds(t *testing.T) {
	var hello bytes.Buffer
	greeting("gate", "SECRET", 10).Write(&hello)
	publish := func(topic string, size int) []byte {
		lead := append(binary.BigEndian.AppendUint16(nil, uint16(len(topic))), topic...)
		head := binary.AppendUvarint([]byte{0x32}, uint64(len(lead)+2+size)) // section 2.2.3
		return append(append(append(hello.Bytes()[:hello.Len():hello.Len()], head...), lead...), 0, 7)
	}
	for _, test := range []struct {
		name string
		sent []byte
	}{
		{"a heartbeat of 256 MiB", publish("lintel/bells/gate/heartbeat", 250<<20)},
		{"another's still of 8 MiB", publish("lintel/bells/shed/stills/r/0", 8<<20)},
		{"a topic of 4 KiB", publish(strings.Repeat("x", 4<<10), 1)},
		{"a CONNECT of 64 KiB", []byte{0x10, 0x80, 0x80, 4}},
		{"a length of five bytes", []byte{0x10, 0xff, 0xff, 0xff, 0xff, 1}},
	} {
		near, far := net.Pipe()
		b, err := New(Config{Archive: oneBell{}, Inbox: new(tray), Log: slog.New(slog.DiscardHandler), Now: time.Now,
			Bells: new(doorstep), Intake: new(doorstep)})
		if err != nil {
			t.Fatal(err)
		}
		done := make(chan struct{})
		go func() { b.attend(t.Context(), far); close(done) }()
		go near.Write(test.sent)
		near.SetDeadline(time.Now().Add(patience))
		if _, err := io.Copy(io.Discard, near); err != nil && !errors.Is(err, io.ErrClosedPipe) {
			t.Errorf("%s: %v, not ended", test.name, err)
		}
		<-done
		if r := b.Refusals(); len(r) != 1 || r[0].Why != "too-large" && r[0].Why != "malformed" {
			t.Errorf("%s: %+v", test.name, r)
		}
	}
}

// FuzzBell sends what anybody may in a bell's name.
func FuzzBell(f *testing.F) {
	whole := ringing()
	f.Add(whole)
	f.Add(whole[:len(whole)-3])
	f.Add(append(whole[:len(whole):len(whole)], 0x32, 0xff, 0xff, 0xff, 0x7f))
	f.Fuzz(func(t *testing.T, sent []byte) { feed(t, sent) })
}
