// Package broker is the broker within: where sources bring factors and receivers
// hear advice, by MQTT 3.1.1 (OASIS Standard, 29 October 2014).
//
// Lintel makes no connection to anything, ever, so it is no client of a broker
// somewhere. It is one, for its own topics only, and off unless the household
// asks for it. What comes in are messages of sources, which go to package
// evidence's inbox. What goes out are the messages of package message, each to the
// one receiver it is for.
//
// # Who may connect
//
// A source with its id as user name and its token as password, or a receiver
// likewise. Nobody else, nobody without a name, and each only once at a time: a
// second connection of the same account ends the first, whatever client
// identifiers they give. The CONNACK says, as section 3.2.2.3 has it:
//
//	0  welcome
//	1  this is not MQTT 3.1.1
//	2  a client without an identifier wanted a session kept
//	3  the server can't look right now, or there were too many failed attempts
//	   in this name from this address: come again in half a minute
//	4  the user name or the password is missing, or can't be one
//	5  wrong token, removed, or a will: none may be left
//
// Failed attempts are counted by address and name, so whoever fails keeps nobody
// else out: a right token is refused only after failures in its own name from
// its own address. Guessing is hopeless in any case, as a token has 130 random
// bits.
//
// # Who may do what
//
//	a source    publish to PREFIX/factors/PERSON    the person by id, whom it is about
//	a receiver  subscribe to PREFIX/advice/OWN-ID   that filter and no other, so no wildcards
//
// Each receiver has a topic of its own so that no other hears its messages. A
// filter that a receiver may not have is refused in the SUBACK (0x80, section
// 3.9.3). MQTT 3.1.1 has no answer that refuses a PUBLISH: a server either
// acknowledges it or closes the connection (section 3.3.5, MQTT-3.3.5-2). So
//
//   - what a source may never send ends its connection: another topic, a
//     retained message, QoS 2, more than [evidence.LargestMessage] bytes;
//   - what the inbox refuses is acknowledged like what it takes, and so is a
//     phone's message about somebody else, which counts as a failed attempt.
//     Whoever wants to know what came of a message sends it by HTTP;
//   - what could not be kept, by a full disk perhaps, is not acknowledged, and
//     the connection ends.
//
// QoS 1 says that a message came, and makes a client send again what was not
// acknowledged. A phone's report that comes twice is refused the second time, and
// so is a code, which then counts as a failed attempt. A token that is told of
// twice was seen twice: such a message has no time in it. Whoever can record it
// on the network could record the source's token there as well, which TLS
// prevents.
//
// Whatever is refused, or ends a connection, is in the log with why, and counted
// ([Broker.Refusals]).
//
// # Nothing is kept here
//
// A message is published with QoS 0 and not retained. Whoever does not
// listen at that moment does not get it: that a receiver begins to listen is told
// ([Config]), and whoever publishes may publish again. No session outlives its connection,
// whatever CONNECT asks for (so Session Present is always 0, and a receiver
// subscribes again each time it connects), there are no retained messages and
// no wills, and nothing under $SYS.
//
// # Who is removed
//
// An account is looked up again at each packet it sends, a ping included, and
// before each message to it. When it is not there any more, its connection ends
// there. A client that sends nothing has to ping within its keep alive time,
// and the longest that is taken is [MaxKeepAlive].
package broker

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"regexp"
	"sync"
	"time"

	mochi "github.com/mochi-mqtt/server/v2"

	"lintel/internal/house"
	"lintel/pipeline/advice/evidence"
)

const (
	// DefaultPrefix begins every topic, unless the household wants another.
	DefaultPrefix = "lintel"
	// MaxKeepAlive is the longest keep alive time: a longer one, or none, counts
	// as this (section 3.1.2.10 lets a server end a silent connection at any
	// time). The connection ends after one and a half of it.
	MaxKeepAlive = 10 * time.Minute
	// ConnectTime is how long a connection may take until it said who it is.
	ConnectTime = 10 * time.Second

	mostClients  = 256  // connected at once
	mostWaiting  = 64   // that have not said who they are, of all,
	waitingEach  = 8    // and of one network address
	mostInflight = 16   // messages of a client in work at once, and messages to it not written yet
	room         = 1024 // bytes of a packet besides the message: topic, names, lengths

	// packetsAtOnce and packetTime bound what an account sends. Beyond it, it is
	// read more slowly, and nothing is lost.
	packetsAtOnce = 20
	packetTime    = 500 * time.Millisecond

	// lookTime bounds how long the archive is asked, and keepTime how long a
	// message may take to be kept.
	lookTime, keepTime = 10 * time.Second, 30 * time.Second
)

// ErrPrefix says that something can't begin topics.
var ErrPrefix = errors.New("a prefix of topics is made of letters, digits, '.', '_', '-' and single '/' between " +
	"them, " +
	"64 characters at most")

// An Archive knows the accounts.
type Archive interface {
	SourceOf(ctx context.Context, token string) (house.Source, error)
	Sources(context.Context) ([]house.Source, error)
	CheckReceiver(ctx context.Context, id, token string) (bool, error)
	Receivers(context.Context) ([]house.Receiver, error)
}

// An Inbox takes in the messages of sources.
type Inbox interface {
	Message(ctx context.Context, s house.Source, about string, text []byte) (evidence.Receipt, error)
}

// Config is what a Broker needs.
type Config struct {
	Archive Archive
	Inbox   Inbox
	Log     *slog.Logger
	Now     func() time.Time
	Prefix  string // of all topics; empty for DefaultPrefix
	// Listening, if set, is told of a receiver that begins to listen.
	Listening func(receiver string)
}

// A Broker serves sources and receivers.
type Broker struct {
	Config
	server   *mochi.Server
	failures *failures
	tally    *tally

	mu      sync.Mutex
	ended   bool
	links   map[*link]bool   // all of them
	seated  map[string]*link // those that said who they are, by account
	waiting map[network]int  // how many did not yet, by where they come from

	waitingInAll int
}

var prefixes = regexp.MustCompile(`^[A-Za-z0-9._-]+(/[A-Za-z0-9._-]+)*$`)

// New returns a broker. The error is ErrPrefix.
func New(c Config) (*Broker, error) {
	if c.Prefix == "" {
		c.Prefix = DefaultPrefix
	}
	if len(c.Prefix) > 64 || !prefixes.MatchString(c.Prefix) {
		return nil, ErrPrefix
	}
	b := &Broker{
		Config: c, failures: newFailures(c.Now), tally: &tally{now: c.Now, of: make(map[string]Refusal)},
		links: make(map[*link]bool), seated: make(map[string]*link), waiting: make(map[network]int),
	}
	limits := mochi.NewDefaultServerCapabilities()
	limits.MaximumClients = mostClients
	limits.MaximumClientWritesPending = mostInflight
	limits.MaximumPacketSize = evidence.LargestMessage + room
	limits.ReceiveMaximum = mostInflight
	limits.MaximumInflight = mostInflight
	limits.MaximumQos = 1
	limits.RetainAvailable, limits.WildcardSubAvailable, limits.SharedSubAvailable, limits.SubIDAvailable = 0, 0, 0, 0
	limits.TopicAliasMaximum, limits.MaximumSessionExpiryInterval = 0, 0
	// Its own log would write messages out, and what has to be said is said here.
	// With a buffer of a byte it writes each packet by itself, so that no more
	// messages than that many wait for a receiver that does not read.
	b.server = mochi.New(&mochi.Options{
		Capabilities: limits, InlineClient: true, Logger: slog.New(slog.DiscardHandler), ClientNetWriteBufferSize: 1,
	})
	if err := b.server.AddHook(&gate{Broker: b}, nil); err != nil {
		return nil, fmt.Errorf("preparing the broker: %w", err)
	}
	return b, nil
}

// Serve serves whoever connects, until the context is done or the listener
// fails, and returns when all connections have ended. It closes the listener.
// A broker serves once.
//
// The library's own loop is not started: it publishes what is under $SYS, and
// lets go of what sessions, retained messages and wills leave, of which there
// is nothing.
func (b *Broker) Serve(ctx context.Context, listener net.Listener) error {
	ctx, stop := context.WithCancel(ctx)
	var all sync.WaitGroup
	defer all.Wait()
	defer stop()
	all.Go(func() {
		<-ctx.Done()
		listener.Close()
		b.endAll()
	})
	for {
		conn, err := accept(ctx, listener)
		if ctx.Err() != nil {
			if err == nil {
				conn.Close()
			}
			return nil
		}
		if err != nil {
			return fmt.Errorf("accepting MQTT connections: %w", err)
		}
		all.Go(func() { b.attend(ctx, conn) })
	}
}

// accept returns the next connection. Where there is none for want of files or
// memory it tries again, lest a flood of connections ends the server.
func accept(ctx context.Context, listener net.Listener) (net.Conn, error) {
	for {
		conn, err := listener.Accept()
		if err == nil || errors.Is(err, net.ErrClosed) {
			return conn, err
		}
		pause := time.NewTimer(100 * time.Millisecond)
		select {
		case <-ctx.Done():
			pause.Stop()
			return nil, ctx.Err()
		case <-pause.C:
		}
	}
}

// Publish publishes a message to a receiver, if it listens at this moment, and else
// nothing, without an error. It may be called whether the broker serves or not.
// An error says that whether the receiver still is one could not be found out,
// and that nothing was sent.
func (b *Broker) Publish(ctx context.Context, receiver string, message []byte) error {
	b.mu.Lock()
	l := b.seated[receiver]
	b.mu.Unlock()
	if l == nil || l.is.kind != receiverAccount {
		b.Log.Info("a message found nobody: the receiver is not connected", "receiver", receiver)
		return nil
	}
	still, err := b.Archive.CheckReceiver(ctx, receiver, l.is.token)
	if err != nil {
		return fmt.Errorf("sending a message by MQTT: %w", err)
	}
	if !still {
		l.end(errRemoved)
		return nil
	}
	topic := b.adviceTopic(receiver)
	if _, listens := l.client.State.Subscriptions.Get(topic); !listens {
		b.Log.Info("a message found nobody: the receiver has not subscribed", "receiver", receiver)
		return nil
	}
	if err := b.server.Publish(topic, message, false, 0); err != nil {
		return fmt.Errorf("sending a message by MQTT: %w", err)
	}
	return nil
}

// Listens reports whether a receiver would get a message now.
func (b *Broker) Listens(receiver string) bool {
	b.mu.Lock()
	l := b.seated[receiver]
	b.mu.Unlock()
	if l == nil || l.is.kind != receiverAccount {
		return false
	}
	_, listens := l.client.State.Subscriptions.Get(b.adviceTopic(receiver))
	return listens
}

// Topics returns what begins all topics.
func (b *Broker) Topics() (prefix string) { return b.Prefix }

func (b *Broker) adviceTopic(receiver string) string { return b.Prefix + "/advice/" + receiver }
