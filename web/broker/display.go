package broker

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"github.com/mochi-mqtt/server/v2/packets"

	"lintel/internal/house"
)

// Bells hear what their display has to show, and say when they show it:
//
//	PREFIX/bells/OWN-ADDRESS/display      subscribed to, QoS 1: a page, as package bell has it
//	PREFIX/bells/OWN-ADDRESS/display/ack  published to: the id of the message that is shown
//
// A bell connects with its address as user name and its secret as password. A page
// that no bell heard is not kept: whoever begins to listen is told to [Displays],
// which has the page published again.

// Displays is who is told by bells of their displays.
type Displays interface {
	// Listening is told of a bell that begins to listen, and returns at once.
	Listening(bell string)
	// Showed notes that a bell shows a message; the error is house.ErrNotFound for
	// one that is not its.
	Showed(ctx context.Context, bell, message string) error
}

func (b *Broker) displayTopic(bell string) string { return b.bellTopic(bell, "display") }
func (b *Broker) ackTopic(bell string) string     { return b.displayTopic(bell) + "/ack" }

// displayOf returns the bell whose display a topic is of, if it is one.
func (b *Broker) displayOf(topic string) (bell string, ok bool) {
	rest, ok := strings.CutPrefix(topic, b.Prefix+"/bells/")
	bell, its := strings.CutSuffix(rest, "/display")
	return bell, ok && its && names.MatchString(bell)
}

// showing says of the displays that somebody began to listen to that they do.
func (g *gate) showing(p packets.Packet, granted []byte) {
	for i, f := range p.Filters {
		if bell, is := g.displayOf(f.Filter); is && g.Displays != nil && granted[i] < 2 { // others are refusals
			g.Displays.Listening(bell)
		}
	}
}

// takeShown takes a bell's word that it shows a message.
func (b *Broker) takeShown(ctx context.Context, bell string, message []byte) error {
	if b.Displays == nil || !words.Match(message) {
		return errNoMessage
	}
	err := b.Displays.Showed(ctx, bell, string(message))
	if errors.Is(err, house.ErrNotFound) {
		return errNoMessage
	}
	return err
}

// PublishPage publishes what a bell's display has to show to the bell, and to the
// household's programs that may hear it, if they listen at this moment, and else
// nothing, without an error.
func (b *Broker) PublishPage(ctx context.Context, bell string, page []byte) error {
	return b.tell(ctx, b.displayTopic(bell), page, 1)
}

// tell publishes a message to all that listen to a topic and still may.
func (b *Broker) tell(ctx context.Context, topic string, message []byte, qos byte) error {
	b.mu.Lock()
	var listening []*link
	for _, l := range b.seated {
		if _, listens := l.client.State.Subscriptions.Get(topic); listens {
			listening = append(listening, l)
		}
	}
	b.mu.Unlock()
	for _, l := range listening {
		_, err := b.account(ctx, l.is.id, l.is.token)
		if errors.Is(err, errNobody) {
			l.end(errRemoved)
		} else if err != nil {
			return fmt.Errorf("sending a message by MQTT: %w", err)
		}
	}
	if len(listening) == 0 {
		return nil
	}
	if err := b.server.Publish(topic, message, false, qos); err != nil {
		return fmt.Errorf("sending a message by MQTT: %w", err)
	}
	return nil
}
