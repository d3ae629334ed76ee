package broker

import (
	"context"
	"net"
	"sync"
	"time"

	mochi "github.com/mochi-mqtt/server/v2"
	"golang.org/x/time/rate"

	"lintel/web/allow"
)

// A link is a connection, with whose it is. The library hands it to the gate
// with every packet, as the connection that it was given.
type link struct {
	net.Conn
	incoming
	broker *Broker
	upload *upload // the still that came last, until it is taken

	ctx  context.Context // done when it ended, or Serve has to; the library's hooks are given none
	stop context.CancelFunc
	from allow.Network
	rate *rate.Limiter

	// These are written before the link is seated, and never after.
	is     account
	client *mochi.Client

	seated  bool   // by the broker's mu
	spoke   func() // gives its place among those who wait to another
	refused bool   // that it was refused is counted, before it is seated

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
	l := b.newLink(ctx, stop, conn)
	defer l.forget()
	if b.enter(l) {
		defer b.leave(l)
		b.read(l)
	}
}

func (b *Broker) newLink(ctx context.Context, stop context.CancelFunc, conn net.Conn) *link {
	return &link{Conn: conn, incoming: newIncoming(conn), broker: b, ctx: ctx, stop: stop,
		from: allow.NetworkOf(conn.RemoteAddr().String()), rate: rate.NewLimiter(rate.Every(packetTime), packetsAtOnce)}
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
	if b.ended {
		return false
	}
	crowd := b.waiting
	if b.familiar.Contains(l.from) {
		crowd = b.kept
	}
	spoke, ok := crowd.Enter(l.from, func() { l.end(errSilent) })
	if ok {
		l.spoke = spoke
		b.links[l] = true
	}
	return ok
}

// seat makes a link the one of its account, and ends the one before.
func (b *Broker) seat(l *link) {
	b.mu.Lock()
	before := b.seated[l.is.id]
	b.seated[l.is.id] = l
	l.seated = true
	l.spoke()
	b.familiar.Add(l.from, true)
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
		l.spoke()
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

// endAll ends every link there is, and lets no more in.
func (b *Broker) endAll() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.ended = true
	for l := range b.links {
		l.end(errStopping)
	}
}
