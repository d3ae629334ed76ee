package broker

import (
	"cmp"
	"context"
	"errors"
	"regexp"
	"slices"
	"strings"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"

	"lintel/pipeline/advice/evidence"
)

// Return codes of CONNACK, by MQTT 3.1.1, section 3.2.2.3.
const (
	badLevel      = 1
	badIdentifier = 2
	unavailable   = 3
	badName       = 4
	notAuthorized = 5
)

// A gate is between the library and the broker: the library asks it about each
// packet. Its own log is the library's, which says nothing.
type gate struct {
	mochi.HookBase
	*Broker
}

// ID names the gate to the library.
func (g *gate) ID() string { return "lintel" }

// Provides says what the library has to ask about.
func (g *gate) Provides(what byte) bool {
	return slices.Contains([]byte{
		mochi.OnPacketRead, mochi.OnConnect, mochi.OnConnectAuthenticate, mochi.OnSessionEstablish,
		mochi.OnACLCheck, mochi.OnSubscribe, mochi.OnSubscribed, mochi.OnPublish,
	}, what)
}

// OnPacketRead refuses what may not be sent, by ending the connection.
func (g *gate) OnPacketRead(cl *mochi.Client, p packets.Packet) (packets.Packet, error) {
	l := cl.Net.Conn.(*link)
	check := g.checkPacket
	if l.client == nil {
		check = g.checkFirst
	}
	if err := check(l, p); err != nil {
		l.end(err)
		return p, packets.ErrRejectPacket
	}
	return p, nil
}

// unread ends a connection for what the library could not read, so that it does not
// end without a reason.
func unread(l *link, err error) {
	switch {
	case errors.Is(err, packets.ErrPacketTooLarge):
		l.end(errTooLarge)
	case errors.As(err, new(packets.Code)) && !errors.Is(err, packets.ErrRejectPacket):
		l.end(errMalformed)
	}
}

// checkFirst looks at the first packet, which the library sees to be a CONNECT,
// for what would be refused whoever it is. The library would give some of it
// codes that 3.1.1 has not.
func (g *gate) checkFirst(l *link, p packets.Packet) error {
	c := p.Connect
	refuse := func(code byte, why error) error {
		answer(l, code)
		l.refused = true
		g.refuse(l, "", why)
		return why
	}
	switch {
	case p.ProtocolVersion != 4 || string(c.ProtocolName) != "MQTT":
		return refuse(badLevel, errLevel)
	case c.ClientIdentifier == "" && !c.Clean: // MQTT-3.1.3-8
		return refuse(badIdentifier, errIdentifier)
	case !names.Match(c.Username) || len(c.Password) == 0:
		return refuse(badName, errNoName)
	case c.WillFlag:
		return refuse(notAuthorized, errWill)
	}
	return nil
}

// answer writes a CONNACK that refuses, by section 3.2.
func answer(l *link, code byte) { l.Write([]byte{0x20, 2, 0, code}) }

// OnConnect finds out who it is, and refuses whoever may not connect.
func (g *gate) OnConnect(cl *mochi.Client, p packets.Packet) error {
	l := cl.Net.Conn.(*link)
	who, code, err := g.admit(l, p.Connect)
	if err != nil {
		answer(l, code)
		l.refused = true
		l.end(err)
		return err
	}
	longest := uint16(MaxKeepAlive.Seconds())
	if cl.State.Keepalive == 0 || cl.State.Keepalive > longest {
		cl.State.Keepalive = longest
	}
	// The client's identifier is not asked: with one of another account it
	// would take over that one's session. Nor is what it wants to be kept.
	cl.ID = who.id + "/" + newName()
	cl.Properties.Clean = true
	l.is, l.client = who, cl
	return nil
}

// admit returns whose name and password it is, or else a return code and why.
func (g *gate) admit(l *link, c packets.ConnectParams) (who account, code byte, err error) {
	name, token := string(c.Username), string(c.Password)
	ctx, cancel := context.WithTimeout(l.ctx, lookTime)
	defer cancel()
	who, err = g.account(ctx, name, token)
	switch {
	case who.kind == bellAccount: // whose right secret is never refused for wrong ones, as by HTTP
		g.bellHeard(l, who)
		return who, 0, nil
	case !g.failures.May(origin{l.from, name}):
		g.tally.count(errOften)
		g.bellRefused(ctx, l, name)
		return account{}, unavailable, errOften
	case errors.Is(err, errNobody):
		g.bellRefused(ctx, l, name)
		if known, err := g.known(ctx, name); err != nil || !known {
			name = "" // it might be anything, a token too
		}
		g.refuse(l, name, errNobody)
		return who, notAuthorized, errNobody
	case err != nil:
		g.Broker.Log.Error("looking up who connects by MQTT", "err", err)
		return who, unavailable, errArchive
	}
	if who.kind == programAccount {
		if err := g.Broker.Archive.UseProgram(ctx, who.program); err != nil {
			g.Broker.Log.Error("noting that a program connected by MQTT", "err", err)
		}
	}
	return who, 0, nil
}

// refuse counts a failed attempt in the name of an account, or in none, and
// writes it into the log, but not a flood of them.
func (g *gate) refuse(l *link, name string, why error) {
	g.tally.count(why)
	if g.failures.Allow(origin{l.from, name}) {
		g.Broker.Log.Warn("refused a connection by MQTT", "who", cmp.Or(name, "(unknown)"), "why", why)
	}
}

// OnConnectAuthenticate lets in whom OnConnect let in.
func (g *gate) OnConnectAuthenticate(cl *mochi.Client, _ packets.Packet) bool {
	return cl.Net.Conn.(*link).client == cl
}

// OnSessionEstablish comes just before the CONNACK that welcomes.
func (g *gate) OnSessionEstablish(cl *mochi.Client, _ packets.Packet) { g.seat(cl.Net.Conn.(*link)) }

// checkPacket returns why a packet of somebody who is connected ends the
// connection. It holds up those who send too much.
func (g *gate) checkPacket(l *link, p packets.Packet) error {
	if p.FixedHeader.Type == packets.Disconnect {
		return nil
	}
	if err := l.rate.Wait(l.ctx); err != nil {
		return errStopping
	}
	ctx, cancel := context.WithTimeout(l.ctx, lookTime)
	defer cancel()
	if _, err := g.account(ctx, l.is.id, l.is.token); errors.Is(err, errNobody) {
		return errRemoved
	} else if err != nil {
		g.Broker.Log.Error("looking up who is connected by MQTT", "who", l.is.id, "err", err)
		return errArchive
	}
	switch p.FixedHeader.Type {
	case packets.Publish:
		return g.checkMessage(l, p)
	case packets.Puback: // of a page
		if l.is.kind == bellAccount {
			return nil
		}
	case packets.Subscribe, packets.Unsubscribe, packets.Pingreq:
		return nil
	}
	return errPacket // acknowledgements too, as nothing here needs one
}

func (g *gate) checkMessage(l *link, p packets.Packet) error {
	if l.is.kind == bellAccount {
		switch {
		case !g.bellSends(l.is.id, p.TopicName):
			return errTopic
		case p.FixedHeader.Qos > 1:
			return errQoS
		}
		return nil
	}
	_, ok := g.about(p.TopicName)
	switch {
	case l.is.kind != sourceAccount || !ok:
		return errTopic
	case p.FixedHeader.Retain:
		return errRetained
	case p.FixedHeader.Qos > 1:
		return errQoS
	case len(p.Payload) > evidence.LargestMessage:
		return errTooLarge
	}
	return nil
}

// words are what ids are made of, and names what those of accounts are: ids, and
// addresses of bells.
var (
	words = regexp.MustCompile(`^[A-Za-z0-9]{1,64}$`)
	names = regexp.MustCompile(`^[A-Za-z0-9_-][A-Za-z0-9._-]{0,63}$`)
)

// about returns the person that a topic is about, by id, and whether it is one
// of factors at all.
func (b *Broker) about(topic string) (person string, ok bool) {
	person, ok = strings.CutPrefix(topic, b.Prefix+"/factors/")
	return person, ok && words.MatchString(person)
}

// OnACLCheck says whether a client may publish to a topic, or subscribe to it
// and hear what is published there.
func (g *gate) OnACLCheck(cl *mochi.Client, topic string, write bool) bool {
	l := cl.Net.Conn.(*link)
	_, factors := g.about(topic)
	switch l.is.kind {
	case sourceAccount:
		return write && factors
	case receiverAccount:
		return !write && topic == g.adviceTopic(l.is.id)
	case bellAccount:
		return write && g.bellSends(l.is.id, topic) || !write && g.bellHears(l.is.id, topic)
	case programAccount:
		return !write && g.programHears(l.is.program.Scopes, topic)
	}
	return false
}

// OnSubscribe grants QoS 0, which messages have, and bells what they ask for. What
// may not be had is refused by OnACLCheck.
func (g *gate) OnSubscribe(cl *mochi.Client, p packets.Packet) packets.Packet {
	for i, f := range p.Filters {
		if cl.Net.Conn.(*link).is.kind != bellAccount {
			p.Filters[i].Qos = 0
		}
		if !g.OnACLCheck(cl, f.Filter, false) {
			g.tally.count(errFilter)
			g.Broker.Log.Warn("refused a subscription by MQTT", "who", cl.Net.Conn.(*link).is.id, "why", errFilter)
		}
	}
	return p
}

// OnSubscribed says of a receiver that it listens now, and of displays that somebody does.
func (g *gate) OnSubscribed(cl *mochi.Client, p packets.Packet, granted []byte) {
	l := cl.Net.Conn.(*link)
	if g.Listening != nil && l.is.kind == receiverAccount && slices.Contains(granted, 0) {
		g.Listening(l.is.id)
	}
	g.showing(p, granted)
}

// OnPublish hands a message to the inbox. Nothing that a client publishes is
// passed on to another: CodeSuccessIgnore has it acknowledged and no more.
func (g *gate) OnPublish(cl *mochi.Client, p packets.Packet) (packets.Packet, error) {
	if cl.Net.Inline {
		return p, nil // a message
	}
	l := cl.Net.Conn.(*link)
	// What came is finished, even if the server stops meanwhile.
	ctx, cancel := context.WithTimeout(context.WithoutCancel(l.ctx), keepTime)
	defer cancel()
	if l.is.kind == bellAccount {
		return p, g.fromBell(ctx, l, p)
	}
	about, _ := g.about(p.TopicName)
	receipt, err := g.Inbox.Message(ctx, l.is.source, about, p.Payload)
	kind, refused := refusal(err)
	switch {
	case err == nil && receipt.Counts:
		g.Broker.Log.Info("took a factor by MQTT", "source", l.is.id, "kind", string(receipt.Kind))
	case err == nil: // most reports of a phone
	case refused:
		g.tally.count(errMessage)
		g.Broker.Log.Warn("refused a message by MQTT", "source", l.is.id, "why", kind)
	default:
		g.Broker.Log.Error("keeping a message by MQTT", "source", l.is.id, "err", err)
		l.end(errNotKept)
		return p, packets.ErrRejectPacket // no acknowledgement
	}
	return p, packets.CodeSuccessIgnore
}
