package broker

import (
	"context"
	"net"
	"net/netip"
	"sync"
	"time"

	mochi "github.com/mochi-mqtt/server/v2"
	"golang.org/x/time/rate"
)

// A link is a connection, with whose it is. The library hands it to the gate
// with every packet, as the connection that it was given.
type link struct {
	net.Conn
	ctx  context.Context // done when it ended, or Serve has to; the library's hooks are given none
	stop context.CancelFunc
	from network
	rate *rate.Limiter

	// These are written before the link is seated, and never after.
	is     account
	client *mochi.Client

	seated  bool // by the broker's mu
	refused bool // that it was refused is counted, before it is seated

	mu  sync.Mutex
	why error // that it ended for, the first; nil if by the other side
}

// end closes the connection, for a reason of ours.
func (l *link) end(why error) {
	l.mu.Lock()
	if l.why == nil {
		l.why = why
	}
	l.mu.Unlock()
	l.stop()
	l.Conn.Close()
}

func (l *link) endedFor() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.why
}

// attend serves a connection until it ends.
func (b *Broker) attend(ctx context.Context, conn net.Conn) {
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	defer conn.Close()
	l := &link{Conn: conn, ctx: ctx, stop: stop, from: networkOf(conn),
		rate: rate.NewLimiter(rate.Every(packetTime), packetsAtOnce)}
	if b.enter(l) {
		defer b.leave(l)
		b.read(l)
	}
}

// read has the library read what comes, and write what goes.
func (b *Broker) read(l *link) {
	// It decodes what anybody may send, and a panic would end the whole server.
	defer func() {
		if p := recover(); p != nil {
			b.Log.Error("an MQTT connection ended by a panic", "who", l.is.id, "panic", p)
		}
	}()
	l.SetDeadline(time.Now().Add(ConnectTime))
	// Whose error is in l.why by now, or is about what could not be read, or says that the other side went.
	unread(l, b.server.EstablishConnection("mqtt", l))
	if why := l.endedFor(); !l.refused {
		b.tally.count(why)
	}
}

// enter counts a connection in, unless there are too many.
func (b *Broker) enter(l *link) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.ended || b.waitingInAll >= mostWaiting || b.waiting[l.from] >= waitingEach {
		return false
	}
	b.links[l] = true
	b.waiting[l.from]++
	b.waitingInAll++
	return true
}

// seat makes a link the one of its account, and ends the one before.
func (b *Broker) seat(l *link) {
	b.mu.Lock()
	before := b.seated[l.is.id]
	b.seated[l.is.id] = l
	l.seated = true
	b.waitsNoMore(l)
	b.mu.Unlock()
	if before != nil {
		before.end(errAgain)
	}
	b.Log.Info("connected by MQTT", "who", l.is.id, "as", string(l.is.kind))
}

// leave forgets a link, and what the library may have kept of it.
func (b *Broker) leave(l *link) {
	b.mu.Lock()
	delete(b.links, l)
	if !l.seated {
		b.waitsNoMore(l)
	} else if b.seated[l.is.id] == l {
		delete(b.seated, l.is.id)
	}
	b.mu.Unlock()
	if !l.seated {
		return
	}
	l.client.Stop(nil)
	b.server.UnsubscribeClient(l.client)
	b.server.Clients.Delete(l.client.ID)
	if why := l.endedFor(); why != nil {
		b.Log.Warn("ended an MQTT connection", "who", l.is.id, "why", why)
	} else {
		b.Log.Info("disconnected from MQTT", "who", l.is.id)
	}
}

func (b *Broker) waitsNoMore(l *link) {
	b.waitingInAll--
	if b.waiting[l.from]--; b.waiting[l.from] == 0 {
		delete(b.waiting, l.from)
	}
}

// endAll ends every link there is, and lets no more in.
func (b *Broker) endAll() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.ended = true
	for l := range b.links {
		l.end(errStopping)
	}
}

// A network is where a connection comes from: an address of IPv4, or what a
// household has of IPv6, where one device has as many addresses as it likes.
type network netip.Prefix

func networkOf(conn net.Conn) network {
	tcp, ok := conn.RemoteAddr().(*net.TCPAddr)
	if !ok {
		return network{}
	}
	a := tcp.AddrPort().Addr().Unmap()
	bits := 64
	if a.Is4() {
		bits = 32
	}
	p, _ := a.WithZone("").Prefix(bits)
	return network(p)
}
