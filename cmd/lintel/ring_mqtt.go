package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"

	"lintel/pipeline/bell"
)

// An mqttLine is how a bell reaches the server by MQTT 3.1.1: its address is the user
// name, its secret the password.
type mqttLine struct {
	broker, prefix, bell, secret string
	listens                      bool // for the display

	client paho.Client // nil until it connected,
	pages  chan []byte // what that one heard,
	bad    chan noted  // and what of what it sent was of no use
	shows  string      // the page that is shown, as it came
}

// noted is what a bell is told that was refused of what it sent.
type noted struct {
	Topic string `json:"topic"`
	Why   string `json:"why"`
}

// Still publishes a frame with QoS 1. The acknowledgement comes when it is safe; what is
// of no use is acknowledged too, and told before.
func (l *mqttLine) Still(ctx context.Context, ring string, number int, f frame, picture []byte) (json.RawMessage,
	error) {
	topic := fmt.Sprintf("stills/%s/%d", ring, number)
	if !f.takenAt.IsZero() {
		topic += "/" + f.takenAt.UTC().Format(time.RFC3339Nano)
	}
	if err := l.publish(ctx, topic, picture); err != nil {
		return nil, err
	}
	return json.Marshal(map[string]any{"ring": ring, "frame": number})
}

// Heartbeat publishes a heartbeat, to which MQTT has no answer.
func (l *mqttLine) Heartbeat(ctx context.Context, beat []byte) (next time.Duration, err error) {
	return 0, l.publish(ctx, "heartbeat", beat)
}

func (l *mqttLine) Shown(ctx context.Context, message string) error {
	return l.publish(ctx, "display/ack", []byte(message))
}

// Display waits for a page that the server publishes.
func (l *mqttLine) Display(ctx context.Context, wait time.Duration) (page bell.Page, changed bool, err error) {
	if err := l.connect(ctx); err != nil {
		return page, false, err
	}
	over := time.NewTicker(min(wait, time.Second)) // to see that the connection is there
	defer over.Stop()
	for end := time.Now().Add(wait); ; {
		select {
		case text := <-l.pages:
			if string(text) == l.shows {
				continue
			}
			if err := json.Unmarshal(text, &page); err != nil {
				return page, false, fmt.Errorf("reading what to show: %w", err)
			}
			l.shows = string(text)
			return page, true, nil
		case <-ctx.Done():
			return page, false, ctx.Err()
		case <-over.C:
			if !l.client.IsConnectionOpen() {
				return page, false, l.unsent(paho.ErrNotConnected)
			}
			if !time.Now().Before(end) {
				return page, false, nil
			}
		}
	}
}

func (l *mqttLine) Close() {
	if l.client != nil {
		l.client.Disconnect(250)
		l.client = nil
	}
}

func (l *mqttLine) topic(what string) string { return l.prefix + "/bells/" + l.bell + "/" + what }

// publish publishes with QoS 1 and waits for the acknowledgement.
func (l *mqttLine) publish(ctx context.Context, what string, payload []byte) error {
	if err := l.connect(ctx); err != nil {
		return err
	}
	if err := l.done(ctx, l.client.Publish(l.topic(what), 1, false, payload)); err != nil {
		return err
	}
	for {
		select {
		case bad := <-l.bad:
			if bad.Topic == l.topic(what) {
				return refusal{error: failed(nil, "ring-refused", "Status", "MQTT", "Problem", bad.Why), does: passOver}
			}
		default:
			return nil
		}
	}
}

// done waits for what was asked of the broker. Where nothing comes the connection is
// of no use any more.
func (l *mqttLine) done(ctx context.Context, t paho.Token) error {
	over := time.NewTimer(answerTime)
	defer over.Stop()
	err := context.DeadlineExceeded
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-over.C:
	case <-t.Done():
		err = t.Error()
	}
	if err == nil {
		return nil
	}
	return l.unsent(err)
}

// unsent ends a connection that failed. Whoever has a wrong name or secret has it the
// next time too.
func (l *mqttLine) unsent(err error) error {
	l.Close()
	if errors.Is(err, packets.ErrorRefusedNotAuthorised) || errors.Is(err, packets.ErrorRefusedBadUsernameOrPassword) {
		return refusal{error: failed(err, "ring-refused", "Status", "MQTT", "Problem", err), does: giveUp}
	}
	return refusal{error: failed(err, "ring-unsent", "Error", err)}
}

// connect connects, unless it is connected, and listens.
func (l *mqttLine) connect(ctx context.Context) error {
	if l.client != nil && l.client.IsConnectionOpen() {
		return nil
	}
	l.Close()
	l.pages, l.bad = make(chan []byte, 16), make(chan noted, 16)
	client := paho.NewClient(paho.NewClientOptions().AddBroker(l.broker).SetClientID(l.bell).SetProtocolVersion(4).
		SetUsername(l.bell).SetPassword(l.secret).SetAutoReconnect(false).SetConnectTimeout(10 * time.Second).
		SetOrderMatters(true))
	l.client = client
	if err := l.done(ctx, client.Connect()); err != nil {
		return err
	}
	// A server that does not tell of refusals has nothing to say there.
	client.Subscribe(l.topic("refused"), 0, l.noteRefused(l.bad)).WaitTimeout(answerTime)
	if !l.listens {
		return nil
	}
	pages := l.pages
	return l.done(ctx, client.Subscribe(l.topic("display"), 1, func(_ paho.Client, m paho.Message) {
		select {
		case pages <- m.Payload():
		default: // the next one stands for it
		}
	}))
}

func (l *mqttLine) noteRefused(bad chan noted) paho.MessageHandler {
	return func(_ paho.Client, m paho.Message) {
		var n noted
		if json.Unmarshal(m.Payload(), &n) != nil || !strings.HasPrefix(n.Topic, l.topic("")) {
			return
		}
		select {
		case bad <- n:
		default:
		}
	}
}
