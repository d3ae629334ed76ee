// Package broker is the broker within: where bells bring stills, sources bring factors,
// receivers hear advice and programs hear of visits, by MQTT 3.1.1 (OASIS Standard, 29
// October 2014).
//
// Lintel makes no connection to anything, ever, so it is no client of a broker
// somewhere. It is one, for its own topics only, and off unless the household
// asks for it. What comes in are messages of sources, which go to package
// evidence's inbox, and stills and heartbeats of bells, which go where they go by
// HTTP. What goes out are the messages of package message, each to the one receiver it
// is for, what bells' displays have to show, and that somebody rang.
//
// # Who may connect
//
// A source with its id as user name and its token as password, a receiver or a program
// likewise, or a bell with its address and its secret. Nobody else, nobody without a
// name, and each only once at a time: a second connection of the same account ends the first, whatever client
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
// its own address, and a bell's right secret never. Guessing is hopeless in any case, as a token has 130 random
// bits.
//
// A connection has to say who it is within [ConnectTime]. Until then it has one of a
// few places, of which each network may have some; where all are taken, the network
// with the most loses the one that was silent for longest. Networks from which an
// account connected before have places of their own. So silent connections keep out
// nobody who speaks.
//
// # Who may do what
//
//	a source    publish to PREFIX/factors/PERSON    the person by id, whom it is about
//	a receiver  subscribe to PREFIX/advice/OWN-ID   that filter and no other, so no wildcards
//	a bell      publish to PREFIX/bells/OWN-ADDRESS/stills/RING/FRAME, or with /TAKEN-AT after it,
//	            …/heartbeat and …/display/ack; subscribe to …/display and …/refused
//	a program   subscribe to PREFIX/visits, PREFIX/visits/named and PREFIX/bells/BELL/display, as
//	            its scopes hear-visits, hear-names and hear-displays say
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
// A bell's still is a picture as it is, with QoS 1; TAKEN-AT is a time of RFC 3339. It is
// acknowledged once it is safe on the disk, and one that comes again is here already.
// What is of no use to send again is acknowledged as well, and told before that on
// …/refused, as {"topic":"…","why":"…"}, where why is the type that HTTP answers with;
// so are stills with QoS 0, of which nobody would know that they were lost ("qos"), and
// what is retained, which might be of long ago ("retained"). A bell that sends too often
// is read more slowly. A still for which there is no room is not acknowledged, and the
// connection ends: the bell connects and sends it again. Of a still of more than
// [intake.MaxBytes] no byte is kept in memory, and all stills together have a bound.
//
// A program hears of a ring at once, again when something else is to be told of it, for
// a quarter of an hour, and when a visit is erased ({"visit":"…","gone":true}).
//
// QoS 1 says that a message came, and makes a client send again what was not
// acknowledged. A phone's report that comes twice is refused the second time, and
// so is a code, which then counts as a failed attempt. What a reader signed counts once
// (package evidence). A token that is told of twice without a signature was seen
// twice, and counts half. Whoever can record it on the network could record the
// source's token there as well, which TLS prevents.
//
// Whatever is refused, or ends a connection, is in the log with why, and counted
// ([Broker.Refusals]).
//
// # Nothing is kept here
//
// A message is published with QoS 0, what a bell shows with QoS 1, and neither is
// retained. Whoever does not listen at that moment does not get it: that a receiver begins to listen is told
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
	"sync/atomic"
	"time"

	"github.com/hashicorp/golang-lru/v2/simplelru"
	mochi "github.com/mochi-mqtt/server/v2"
	"golang.org/x/sync/semaphore"

	"lintel/internal/house"
	"lintel/pipeline/advice/evidence"
	"lintel/web/allow"
)

const (
	// DefaultPrefix begins every topic, unless the household wants another.
	DefaultPrefix = "lintel"
	// MaxKeepAlive is the longest keep alive time: a longer one, or none, counts
	// as this (section 3.1.2.10 lets a server end a silent connection at any
	// time). The connection ends after one and a half of it.
	MaxKeepAlive = 10 * time.Minute
	// ConnectTime is how long a connection may take until it said who it is.
	ConnectTime = 5 * time.Second

	mostClients  = 256 // connected at once
	mostWaiting  = 64  // that have not said who they are, of all,
	keptWaiting  = 16  // besides them, of networks from which an account connected before,
	waitingEach  = 8   // and of one network
	mostKnown    = 256 // such networks, those that came last
	mostInflight = 16  // messages of a client in work at once, and messages to it not written yet

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
	CheckBell(ctx context.Context, name, secret string) (bool, error)
	ProgramOf(ctx context.Context, token string) (house.Program, error)
	UseProgram(context.Context, house.Program) error
	Programs(context.Context) ([]house.Program, error)
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

	// Displays, if set, is told by bells of their displays.
	Displays Displays
	// Bells and Intake take what else bells send, and Secrets hears of their secrets.
	// They may be set until the broker serves.
	Bells   Bells
	Intake  Intake
	Secrets Secrets
	// Visits, if set, are told of to programs that may hear of them.
	Visits Book
}

// A Broker serves sources, receivers, bells and programs.
type Broker struct {
	Config
	server   *mochi.Server
	failures *allow.Rates[origin]
	waiting  *allow.Crowd // who did not say yet who they are,
	kept     *allow.Crowd // and those of networks that are known
	tally    *tally
	stills   *semaphore.Weighted // bytes in memory

	mu       sync.Mutex
	ended    bool
	links    map[*link]bool   // all of them
	seated   map[string]*link // those that said who they are, by account
	familiar *simplelru.LRU[allow.Network, bool]
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
		Config: c, failures: allow.NewRates[origin](c.Now, failureTime, failuresAtOnce),
		waiting: allow.NewCrowd(waitingEach, mostWaiting), kept: allow.NewCrowd(waitingEach, keptWaiting),
		tally:  &tally{now: c.Now, of: make(map[string]Refusal)},
		stills: semaphore.NewWeighted(mostStills),
		links:  make(map[*link]bool), seated: make(map[string]*link),
	}
	var err error
	if b.familiar, err = simplelru.NewLRU[allow.Network, bool](mostKnown, nil); err != nil {
		return nil, fmt.Errorf("preparing the broker: %w", err)
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
	if b.Visits != nil {
		all.Go(func() { b.cry(ctx) })
	}
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

// Connections counts the clients that are connected now.
func (b *Broker) Connections() int { return int(atomic.LoadInt64(&b.server.Info.ClientsConnected)) }

func (b *Broker) adviceTopic(receiver string) string { return b.Prefix + "/advice/" + receiver }
