package broker

import (
	"context"
	"errors"
	"sync"
	"testing"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"

	"lintel/internal/house"
	"lintel/pipeline/advice/evidence"
	"lintel/store"
)

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
	c.Publish("lintel/factors/"+h.ada, 1, false, `{"token":"copper"}`) // which is another's
	wait(t, c.lost, "the connection to end")
	h.waitForLog(0, errNotKept.Error())
}

type uncounting struct{ *store.Archive }
