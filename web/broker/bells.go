package broker

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/netip"
	"time"

	"github.com/mochi-mqtt/server/v2/packets"

	"lintel/internal/house"
	"lintel/pipeline/bell"
	"lintel/pipeline/intake"
)

// Bells take in what bells send, whichever way it comes: package web has them.
type Bells interface {
	Receive(ctx context.Context, d intake.Delivery) (intake.Receipt, error)
	TakeHeartbeat(ctx context.Context, bell string, heartbeat []byte) (bell.Answer, error)
	// NoteRefused notes that a still was not taken, and Kind is what a bell is told of
	// why, as by HTTP. It is final where to send the same again is no use.
	NoteRefused(bell string, err error)
	Kind(err error) (kind string, final bool)
}

// An Intake says when a bell may send a still ([intake.Intake.Allow]).
type Intake interface {
	Allow(bell string, size int64) (done func(), wait time.Duration, err error)
}

// Secrets are told of each secret that comes in a bell's name.
type Secrets interface {
	Heard(bell string, from netip.Prefix)
	Refused(bell string, from netip.Prefix) (times int)
}

// An unfit is why something that a bell sent is of no use: a kind, which the bell is
// told, and the words of the log.
type unfit struct{ kind, says string }

func (u unfit) Error() string { return u.says }

// What bells are told of here alone, by kinds that HTTP has not.
var (
	errTakenAt   = unfit{"bad-time", "its time is not one of RFC 3339"}
	errKept      = unfit{"retained", "it was retained"}
	errNoMessage = unfit{"unknown-message", "it shows no message of its own"}
	errNoPromise = unfit{"qos", "it came with QoS 0, so that nobody would know if it was lost"}
)

// bellTopic is a topic of a bell.
func (b *Broker) bellTopic(bell, what string) string { return b.Prefix + "/bells/" + bell + "/" + what }

// bellSends reports whether a topic is one that a bell publishes to.
func (b *Broker) bellSends(bell, topic string) bool {
	if _, own, _ := b.stillAt(bell, topic); own {
		return true
	}
	return topic == b.bellTopic(bell, "heartbeat") || topic == b.ackTopic(bell)
}

// bellHears reports whether a topic is one that a bell may listen to.
func (b *Broker) bellHears(bell, topic string) bool {
	return topic == b.displayTopic(bell) || topic == b.bellTopic(bell, "refused")
}

// fromBell takes in what a bell published. What is of no use to send again is
// acknowledged, and told to the bell where it listens, before that; what could not be
// kept is not, and the connection ends, so that the bell sends it again.
func (g *gate) fromBell(ctx context.Context, l *link, p packets.Packet) error {
	still := l.upload != nil
	err := g.take(ctx, l, p)
	if err == nil {
		return packets.CodeSuccessIgnore
	}
	kind, final := g.kindOf(err)
	if still && !errors.As(err, new(unfit)) {
		g.Bells.NoteRefused(l.is.id, err)
	}
	if !final && !errors.Is(err, bell.ErrTooOften) {
		g.Broker.Log.Error("keeping what a bell sent by MQTT", "bell", l.is.id, "err", err)
		l.end(errNotKept)
		return packets.ErrRejectPacket // no acknowledgement
	}
	g.Broker.Log.Warn("refused what a bell sent by MQTT", "bell", l.is.id, "still", still, "why", kind)
	why := errMessage
	errors.As(err, &why)
	g.tally.count(why)
	if err := g.tellRefused(l, p.TopicName, kind); err != nil {
		l.end(errNotKept)
		return packets.ErrRejectPacket
	}
	return packets.CodeSuccessIgnore
}

// kindOf is the kind of what is wrong with what a bell sent, and whether it is final.
func (g *gate) kindOf(err error) (kind string, final bool) {
	if own := (unfit{}); errors.As(err, &own) {
		return own.kind, true
	}
	return g.Bells.Kind(err)
}

func (g *gate) take(ctx context.Context, l *link, p packets.Packet) error {
	switch {
	case l.upload != nil:
		return g.takeStill(ctx, l)
	case p.FixedHeader.Retain: // it might be of long ago
		return errKept
	case p.TopicName == g.bellTopic(l.is.id, "heartbeat"):
		_, err := g.Bells.TakeHeartbeat(ctx, l.is.id, p.Payload)
		return err
	}
	return g.takeShown(ctx, l.is.id, p.Payload)
}

// tellRefused tells a bell that listens what was refused of it, and why.
func (g *gate) tellRefused(l *link, topic, kind string) error {
	to := g.bellTopic(l.is.id, "refused")
	if _, listens := l.client.State.Subscriptions.Get(to); !listens {
		return nil
	}
	text, err := json.Marshal(struct {
		Topic string `json:"topic"`
		Why   string `json:"why"`
	}{topic, kind})
	if err != nil {
		return fmt.Errorf("telling a bell what was refused: %w", err)
	}
	return l.client.WritePacket(packets.Packet{
		FixedHeader: packets.FixedHeader{Type: packets.Publish}, TopicName: to, Payload: text,
	})
}

// bellHeard notes a right secret, and bellRefused a wrong one, in a bell's name.
func (g *gate) bellHeard(l *link, who account) {
	if who.kind == bellAccount && g.Secrets != nil {
		g.Secrets.Heard(who.id, netip.Prefix(l.from))
	}
}

func (g *gate) bellRefused(ctx context.Context, l *link, name string) {
	if g.Secrets == nil {
		return
	}
	if _, err := g.Broker.Archive.CheckBell(ctx, name, ""); !errors.Is(err, house.ErrNotFound) {
		g.Secrets.Refused(name, netip.Prefix(l.from))
	}
}
