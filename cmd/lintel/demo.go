package main

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"os"
	"os/signal"
	"sync"
	"syscall"
	"time"

	"lintel/internal/fortnight"
	"lintel/models"
	"lintel/store/seal"
	"lintel/web/broker"
)

// demoCmd shows a server with an invented household. Its default port is one that no
// other server here has: what browsers keep goes by that.
type demoCmd struct {
	Listen string  `help:"The address to listen on." default:"127.0.0.1:8422" placeholder:"ADDR"`
	Pace   float64 `help:"${demo_pace}" default:"1" placeholder:"N"`
}

func (c *demoCmd) Help() string {
	return `The household, its street and all who come are inventions, and are drawn. The archive is in a temporary folder,
whatever --data says, and goes with the demo. What a demo left that was killed goes with the next one.`
}

// The slowest and the fastest pace.
const slowest, fastest = 0.1, 20

func (c *demoCmd) Run(g *globals) error {
	if !(c.Pace >= slowest && c.Pace <= fastest) {
		return misused("demo-pace", "Least", slowest, "Most", fastest)
	}
	if err := models.Present(g.Models); err != nil {
		return err
	}
	ctx, stop := signal.NotifyContext(g.ctx, syscall.SIGHUP) // as a terminal's that is closed
	defer stop()
	removeLeft(g, os.TempDir())
	folder, err := newDemoFolder(os.TempDir())
	if err != nil {
		return failed(err, "demo-folder", "Error", err)
	}
	own := *g
	own.ctx, own.stdout, own.Data, own.keyFlags = ctx, &lines{w: g.stdout}, folder.archive(), keyFlags{Key: folder.key()}
	own.Changes = ""
	if err = seal.WriteKey(own.Key, seal.NewKey()); err == nil {
		err = c.show(&own)
	}
	if errors.Is(err, context.Canceled) && ctx.Err() != nil {
		err = nil // whoever ends it may
	}
	return errors.Join(err, folder.remove())
}

// show plays the past, and then serves while what follows happens.
func (c *demoCmd) show(g *globals) error {
	limitMemory()
	level := new(slog.LevelVar)
	level.Set(slog.LevelError) // of the past, screens tell
	log := slog.New(slog.NewTextHandler(g.stderr, &slog.HandlerOptions{Level: level}))
	began := time.Now()
	clock := newPlayedClock(began.AddDate(0, 0, -pastDays))
	serves := serveCmd{Listen: c.Listen, MQTTListen: "127.0.0.1:0", MQTTPrefix: broker.DefaultPrefix}
	s, err := serves.assemble(g, log, clock.clock(), true)
	if err != nil {
		return err
	}
	defer s.close()
	story, err := fortnight.Load(locale(os.Getenv))
	if err != nil {
		return err
	}
	d := newDemo(g, s, clock)
	player := fortnight.Player{Story: story, House: d, Clock: clock}
	if err := d.fill(g.ctx, &player, began); err != nil {
		return err
	}
	clock.letGo()
	level.Set(slog.LevelWarn)
	address := "http://" + s.listener.Addr().String() // a host that no server here is asked by: cookies go by that
	tell(g.stdout, "demo-ready", "Link", address+s.pages.DemoLink(d.resident.ID), "Address", address,
		"Name", d.resident.Name, "Password", d.password)
	defer context.AfterFunc(g.ctx, func() { level.Set(slog.LevelError) })() // devices that go with it are no news
	return s.serve(g.ctx, func(ctx context.Context, running *sync.WaitGroup) {
		d.live(ctx, running, &player, c.Pace)
	})
}

// pastDays is from when on the clock is played: before the story begins.
const pastDays = 20

// A playedClock stands where it was put, until it is let go. From then on it is the
// machine's. What watches whether clocks are set sees none of that.
type playedClock struct {
	began time.Time

	mu    sync.Mutex
	at    time.Time
	going time.Time // since when it goes, zero while it stands
}

func newPlayedClock(at time.Time) *playedClock {
	return &playedClock{began: at.Round(0), at: at.Round(0)}
}

func (c *playedClock) clock() clock { return clock{c.Now, c.elapsed} }

// Set puts it there; it never goes back.
func (c *playedClock) Set(at time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if at = at.Round(0); at.After(c.at) {
		c.at = at
	}
}

func (c *playedClock) letGo() {
	now := time.Now()
	c.Set(now)
	c.mu.Lock()
	defer c.mu.Unlock()
	c.going = now
}

// Now is the time by it.
func (c *playedClock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.going.IsZero() {
		return c.at
	}
	return time.Now()
}

// Wait waits, by the clock that goes.
func (c *playedClock) Wait(ctx context.Context, d time.Duration) error { return pause(ctx, d) }

func (c *playedClock) elapsed() time.Duration {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.going.IsZero() {
		return c.at.Sub(c.began)
	}
	return c.at.Sub(c.began) + time.Since(c.going)
}

// Lines may be written by several goroutines.
type lines struct {
	mu sync.Mutex
	w  io.Writer
}

func (l *lines) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.w.Write(p)
}
