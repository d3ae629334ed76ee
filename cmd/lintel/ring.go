package main

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	mathrand "math/rand/v2"
	"os"
	"time"

	"lintel/pipeline/bell"
)

type ringCmd struct {
	Files    []string      `arg:"" optional:"" name:"file" help:"${ring_files}" type:"path"`
	Frames   int           `help:"${ring_frames}" default:"3" placeholder:"N"`
	Bell     string        `help:"The address to ring as." default:"front" env:"LINTEL_BELL" placeholder:"BELL"`
	Secret   string        `help:"${ring_secret}" env:"LINTEL_BELL_SECRET" required:"" placeholder:"SECRET"`
	Server   string        `help:"The server." default:"http://localhost:8420" env:"LINTEL_SERVER" placeholder:"URL"`
	MQTT     string        `name:"mqtt" help:"${ring_mqtt}" placeholder:"URL"`
	Prefix   string        `name:"mqtt-prefix" help:"What begins the topics." default:"lintel" placeholder:"PREFIX"`
	Ring     string        `help:"The ring's id; a new one if not said." placeholder:"ID"`
	Patience time.Duration `help:"${ring_patience}" default:"1m" placeholder:"TIME"`
	Stay     time.Duration `help:"${ring_stay}" placeholder:"TIME"`
	JSON     bool          `name:"json" help:"Print JSON."`
}

// A wire is how a bell reaches the server: by HTTP or by MQTT. Errors are refusals,
// or what else went wrong here.
type wire interface {
	// Still sends a frame of a ring, and returns when the server has it safe.
	Still(ctx context.Context, ring string, number int, f frame, picture []byte) (receipt json.RawMessage, err error)
	// Heartbeat says how the bell is, and returns when it should again.
	Heartbeat(ctx context.Context, beat []byte) (next time.Duration, err error)
	// Display waits so long for something else to show, and says whether there is.
	Display(ctx context.Context, wait time.Duration) (page bell.Page, changed bool, err error)
	// Shown says that the display shows a message.
	Shown(ctx context.Context, message string) error
	Close()
}

func (c *ringCmd) Run(g *globals) error {
	var l wire = &httpLine{server: c.Server, bell: c.Bell, secret: c.Secret}
	if c.MQTT != "" {
		l = &mqttLine{broker: c.MQTT, prefix: c.Prefix, bell: c.Bell, secret: c.Secret, listens: c.Stay > 0}
	}
	defer l.Close()
	return c.at(g, l, patience{now: time.Now, pause: pause, random: mathrand.Float64,
		waits: func(why error, wait time.Duration) {
			tell(g.stderr, "ring-again", "Error", why, "Wait", wait.Seconds())
		}})
}

// at rings, and stays.
func (c *ringCmd) at(g *globals, l wire, p patience) error {
	if len(c.Files) == 0 && c.Stay <= 0 {
		return misused("ring-nothing")
	}
	if len(c.Files) > 0 {
		if err := c.rings(g, l, p); err != nil {
			return err
		}
	}
	return c.stays(g, l, p)
}

// rings sends all frames of one ring. Its id stays the same however often one is sent,
// so the server knows what it has already.
func (c *ringCmd) rings(g *globals, l wire, p patience) error {
	frames, err := c.frames(p.now())
	if err != nil {
		return err
	}
	ring := c.Ring
	if ring == "" {
		ring = p.now().UTC().Format("20060102T150405Z-") + rand.Text()[:6]
	}
	var receipts []json.RawMessage
	var first error // that a frame was refused by
	again := false  // whether one was refused that may be taken later
	for n, f := range frames {
		if n > 0 && f.paced {
			if err := p.pause(g.ctx, burstApart); err != nil {
				return err
			}
		}
		receipt, err := c.sends(g.ctx, l, p, ring, n, f)
		if err != nil && first == nil {
			first = failed(err, "ring-frame", "File", f.path, "Error", err)
		}
		if err == nil {
			receipts = append(receipts, receipt)
			continue
		}
		var r refusal
		refused := errors.As(err, &r)
		again = again || !refused || r.does == sendAgain
		if r.does != passOver {
			break
		}
	}
	if first != nil && again {
		return failed(first, "ring-broke-off", "Error", first, "Kept", len(receipts), "Of", len(frames), "Ring", ring)
	}
	if first != nil {
		return failed(first, "ring-of-no-use", "Error", first, "Kept", len(receipts), "Of", len(frames), "Ring", ring)
	}
	return g.print(c.JSON, receipts, func(w io.Writer) {
		tell(w, "rang", "Bell", c.Bell, "Ring", ring, "Kept", len(receipts))
	})
}

// sends sends one frame until it is safe. A bell whose clock was never set says no time.
func (c *ringCmd) sends(ctx context.Context, l wire, p patience, ring string, n int, f frame) (receipt json.RawMessage,
	err error) {
	picture, err := os.ReadFile(f.path)
	if err != nil {
		return nil, fmt.Errorf("reading: %w", err)
	}
	if f.takenAt.IsZero() {
		f.takenAt = p.now()
	}
	if f.takenAt.Before(clockSet) {
		f.takenAt = time.Time{}
	}
	err = p.insist(ctx, p.now().Add(c.Patience), func() error {
		receipt, err = l.Still(ctx, ring, n, f, picture)
		return err
	})
	return receipt, err
}

// clockSet is before any time that a clock shows that somebody set: machines without
// a battery begin at 1970, or 2000.
var clockSet = time.Date(2024, 1, 1, 0, 0, 0, 0, time.UTC)
