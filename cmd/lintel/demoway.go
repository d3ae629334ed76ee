package main

import (
	"bytes"
	"context"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"image"
	"io"
	"net/http"
	"sync"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"lintel/internal/fortnight"
	"lintel/internal/house"
	"lintel/pipeline/intake"
	"lintel/web/broker"
)

// goes reports whether the clock was let go.
func (c *playedClock) goes() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return !c.going.IsZero()
}

// examined is the server's, and notes that it is done.
func (d *demo) examined(ctx context.Context, still house.Still, img image.Image, faces []house.Face,
	took time.Duration) {
	d.server.examined(ctx, still, img, faces, took)
	d.mu.Lock()
	d.seen[still.ID] = true
	d.mu.Unlock()
	select {
	case d.saw <- struct{}{}:
	default: // there is one already
	}
}

// Within is the way of what was in the past: through all that takes it in, and without
// a network.
type within struct{ *demo }

func (d within) still(ctx context.Context, bell, ring string, number int, f fortnight.Frame) error {
	if err := d.intake.Authenticate(ctx, bell, d.secrets[bell]); err != nil {
		return err
	}
	_, err := d.pages.Receive(ctx, intake.Delivery{Bell: bell, Ring: ring, Frame: number, TakenAt: f.Taken,
		Body: f.JPEG, Took: usualUpload})
	return err
}

// usualUpload is how long a still takes on its way from a bell (common practice, no source).
const usualUpload = 300 * time.Millisecond

func (d within) beat(ctx context.Context, bell string, text []byte) error {
	_, err := d.bells.Receive(ctx, bell, text)
	return err
}

func (d within) report(ctx context.Context, person string, text []byte) error {
	s, err := d.archive.SourceOf(ctx, d.phones[person])
	if err == nil {
		_, err = d.inbox.Message(ctx, s, "", text)
	}
	return err
}

func (d within) showed(ctx context.Context) error {
	for _, b := range d.household.Bells {
		m, found, err := d.archive.CurrentMessage(ctx, b.Address)
		if err == nil && found && m.ShownAt.IsZero() {
			err = d.archive.ShowedMessage(ctx, b.Address, m.ID)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// live has the story go on, by way of the network, until the context is done.
func (d *demo) live(ctx context.Context, running *sync.WaitGroup, player *fortnight.Player, pace float64) {
	o := outside{d, make(map[string]wire)}
	for _, b := range d.household.Bells {
		o.lines[b.Address] = o.line(b)
		if b.Display != nil {
			running.Go(func() { o.display(ctx, b.Address) })
		}
	}
	d.way = o
	for _, r := range d.receivers {
		running.Go(func() { d.listen(ctx, r) })
	}
	running.Go(func() {
		defer o.close()
		if err := player.Live(ctx, pace); ctx.Err() == nil {
			d.log.Error("playing the demo", "err", err)
		}
	})
}

// Outside is the way of what happens now: over the network, as devices send it. What
// is refused is logged, and what comes next may be taken.
type outside struct {
	*demo
	lines map[string]wire // of bells, by address
}

// line is by HTTP for a bell that has a display, and by MQTT for one that has none.
func (d outside) line(b fortnight.Bell) wire {
	if b.Display != nil {
		return d.http(b.Address)
	}
	return &mqttLine{broker: d.mqtt(), prefix: broker.DefaultPrefix, bell: b.Address, secret: d.secrets[b.Address]}
}

func (d *demo) http(bell string) *httpLine {
	return &httpLine{server: d.address(), bell: bell, secret: d.secrets[bell]}
}

func (d *demo) mqtt() string { return "mqtt://" + d.broker.Address() }

func (d outside) close() {
	for _, l := range d.lines {
		l.Close()
	}
}

func (d outside) still(ctx context.Context, bell, ring string, number int, f fortnight.Frame) error {
	_, err := d.lines[bell].Still(ctx, ring, number, frame{takenAt: f.Taken}, f.JPEG)
	return d.logged(ctx, err)
}

func (d outside) beat(ctx context.Context, bell string, text []byte) error {
	_, err := d.lines[bell].Heartbeat(ctx, text)
	return d.logged(ctx, err)
}

func (d outside) report(ctx context.Context, person string, text []byte) error {
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, d.address()+"/api/v1/factors", bytes.NewReader(text))
	if err != nil {
		return fmt.Errorf("sending a phone's report: %w", err)
	}
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("Authorization", "Bearer "+d.phones[person])
	resp, err := http.DefaultClient.Do(req)
	if err == nil {
		defer resp.Body.Close()
		if resp.StatusCode != http.StatusAccepted {
			says, _ := io.ReadAll(io.LimitReader(resp.Body, 1<<10))
			err = fmt.Errorf("a phone's report was answered %s: %s", resp.Status, says)
		}
	}
	return d.logged(ctx, err)
}

func (d outside) showed(context.Context) error { return nil } // displays say so themselves

func (d outside) logged(ctx context.Context, err error) error {
	if err != nil && ctx.Err() == nil {
		d.log.Warn("a device was not heard", "err", err)
		return nil
	}
	return err
}

// display shows what a bell is told to, and says so, until the context is done.
func (d outside) display(ctx context.Context, bell string) {
	line := d.http(bell)
	for ctx.Err() == nil {
		page, changed, err := line.Display(ctx, longestAsk)
		if err == nil && changed && page.Message != "" {
			err = line.Shown(ctx, page.Message)
		}
		if d.logged(ctx, err); err != nil {
			pause(ctx, firstWait)
		}
	}
}

// A demoReceiver hears advice at a door by MQTT, tells of it, and moves nothing.
type demoReceiver struct{ id, token, door string }

// listen listens until the context is done.
func (d *demo) listen(ctx context.Context, r demoReceiver) {
	topic := broker.DefaultPrefix + "/advice/" + r.id
	client := paho.NewClient(paho.NewClientOptions().AddBroker(d.mqtt()).SetClientID(r.id).SetProtocolVersion(4).
		SetUsername(r.id).SetPassword(r.token).SetConnectRetry(true).SetConnectRetryInterval(firstWait).
		SetOnConnectHandler(func(c paho.Client) { // no session outlives its connection
			c.Subscribe(topic, 0, func(_ paho.Client, m paho.Message) {
				d.told(say.Text("demo-hears", "Door", r.door, "Message", payloadOf(m.Payload()),
					"Time", say.Clock(d.clock.Now().In(time.Local))))
			})
		}))
	client.Connect()
	<-ctx.Done()
	client.Disconnect(0)
}

// payloadOf is what a message to a receiver says. This one acts on nothing, and so
// checks nothing.
func payloadOf(text []byte) string {
	var m struct {
		Payload string `json:"payload"`
	}
	err := json.Unmarshal(text, &m)
	payload, bad := base64.StdEncoding.DecodeString(m.Payload)
	if errors.Join(err, bad) != nil {
		return string(text)
	}
	return string(payload)
}
