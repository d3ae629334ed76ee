package main

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/url"
	"runtime"
	"sync"
	"time"

	"lintel/internal/house"
	"lintel/models"
	"lintel/pipeline"
	"lintel/pipeline/advice/advisor"
	"lintel/pipeline/advice/evidence"
	"lintel/pipeline/face"
	"lintel/pipeline/intake"
	"lintel/pipeline/redact"
	"lintel/store"
	"lintel/web"
	"lintel/web/broker"
)

type serveCmd struct {
	Listen  string `help:"The address to listen on." default:"127.0.0.1:8420" placeholder:"ADDR"`
	TLSCert string `name:"tls-cert" help:"${serve_tls_cert}" type:"existingfile" placeholder:"FILE"`
	TLSKey  string `name:"tls-key" help:"A file with its key, in PEM." type:"existingfile" placeholder:"FILE"`

	MQTTListen string `name:"mqtt-listen" help:"${serve_mqtt_listen}" placeholder:"ADDR"`
	MQTTPrefix string `name:"mqtt-prefix" help:"What begins the broker's topics." default:"lintel" placeholder:"PREFIX"`
}

// workers is how many stills are examined at once: one a core, but no more
// than a busy door needs, since each worker holds the models in memory.
func workers() int { return min(runtime.NumCPU(), 4) }

// stopTime bounds how long a stop waits for what was accepted.
const stopTime = 20 * time.Second

func (c *serveCmd) Run(g *globals) error {
	if (c.TLSCert == "") != (c.TLSKey == "") {
		return misused("serve-tls")
	}
	if err := models.Present(g.Models); err != nil {
		return err
	}
	log := slog.New(slog.NewTextHandler(g.stderr, nil))
	archive, err := g.recover(log)
	if err != nil {
		return err
	}
	defer archive.Close()

	listener, err := c.listen(c.Listen)
	if err != nil {
		return err
	}
	defer listener.Close()
	inbox := evidence.NewInbox(archive, time.Now)
	var advice *advisor.Advisor
	broker, err := c.newBroker(archive, inbox, log, func(receiver string) { advice.Listening(receiver) })
	if err != nil {
		return err
	}
	var publisher advisor.Publisher // nil unless there is a broker, as is within
	var within web.Broker
	if broker != nil {
		defer broker.listener.Close()
		publisher, within = broker, broker
	}
	advice = advisor.New(archive, publisher, log, time.Now, advisor.NewClock(time.Now, sinceNow()))
	hours := time.NewTicker(time.Hour)
	defer hours.Stop()
	care := newCaretaker(archive, log, time.Now, hours.C)
	faces := enrolFinder{models: g.Models}
	defer faces.Close()
	pages := web.New(web.Config{
		Archive: archive, Intake: intake.New(archive, time.Now, intake.DefaultLimits), Log: log,
		Now: time.Now, Zone: time.Local, TLS: c.TLSCert != "",
		Erased:    care.Erased,
		LastSweep: care.LastSweep,
		Mask:      redact.Mask,
		Factors:   inbox,
		FindFaces: faces.Find,
		Broker:    within,
		Refused:   advice.Refused,
	})
	if err := c.greet(g, log, pages, listener.Addr(), broker); err != nil {
		return err
	}
	signs, err := g.openExaminer()
	if err != nil {
		return err
	}
	steps := pipeline.New(archive, log, func() (pipeline.Finder, error) { return face.Open(g.Models) }, signs, workers())
	return serve(g.ctx, log, parts{listener, pages, care, steps, advice, broker})
}

// sinceNow counts from now on, by a clock that can't be set.
func sinceNow() func() time.Duration {
	began := time.Now()
	return func() time.Duration { return time.Since(began) }
}

// recover opens the archive for this process alone, and makes good what an earlier stop left undone.
func (g *globals) recover(log *slog.Logger) (*store.Archive, error) {
	archive, err := g.openArchive(true)
	if err != nil {
		return nil, err
	}
	removed, err := 0, archive.Lock()
	if err == nil {
		removed, err = archive.Recover(g.ctx)
	}
	if err != nil {
		archive.Close()
		return nil, err
	}
	if removed > 0 {
		log.Warn("removed stills that an earlier stop left half received; their bells were not answered", "files", removed)
	}
	return archive, nil
}

// An openBroker is one with where it listens.
type openBroker struct {
	*broker.Broker
	listener net.Listener
}

// Address is where it listens.
func (b *openBroker) Address() string { return b.listener.Addr().String() }

// newBroker returns nil where none is asked for.
func (c *serveCmd) newBroker(archive *store.Archive, inbox *evidence.Inbox, log *slog.Logger,
	listening func(receiver string)) (*openBroker, error) {
	if c.MQTTListen == "" {
		return nil, nil
	}
	b, err := broker.New(broker.Config{Archive: archive, Inbox: inbox, Log: log, Now: time.Now, Prefix: c.MQTTPrefix,
		Listening: listening})
	if errors.Is(err, broker.ErrPrefix) {
		return nil, misused("serve-prefix", "Error", err)
	}
	if err != nil {
		return nil, err
	}
	l, err := c.listen(c.MQTTListen)
	if err != nil {
		return nil, err
	}
	return &openBroker{b, l}, nil
}

func (c *serveCmd) listen(address string) (net.Listener, error) {
	l, err := net.Listen("tcp", address)
	if err != nil {
		return nil, failed(err, "serve-listen", "Address", address, "Error", err)
	}
	if c.TLSCert == "" {
		return l, nil
	}
	cert, err := tls.LoadX509KeyPair(c.TLSCert, c.TLSKey)
	if err != nil {
		l.Close()
		return nil, failed(err, "serve-certificate", "Error", err)
	}
	return tls.NewListener(l, &tls.Config{Certificates: []tls.Certificate{cert}, MinVersion: tls.VersionTLS12}), nil
}

// greet says where the server and its broker are, how to begin, and what is
// wrong with where they listen.
func (c *serveCmd) greet(g *globals, log *slog.Logger, pages *web.Server, addr net.Addr, b *openBroker) error {
	base := url.URL{Scheme: "http", Host: addr.String()}
	if c.TLSCert != "" {
		base.Scheme = "https"
	}
	tcp, _ := addr.(*net.TCPAddr)
	if tcp != nil && (tcp.IP.IsLoopback() || tcp.IP.IsUnspecified()) {
		base.Host = fmt.Sprintf("localhost:%d", tcp.Port)
	}
	if tcp != nil && !tcp.IP.IsLoopback() && c.TLSCert == "" {
		log.Warn("listening beyond this machine without TLS: anybody on the network can read stills and passwords on "+
			"their way; use --tls-cert and --tls-key", "listen", addr)
	}
	tell(g.stdout, "serving", "Address", base.String())
	token, needed, err := pages.SetUpToken(g.ctx)
	if err != nil {
		return err
	}
	if needed {
		tell(g.stdout, "serve-set-up", "Link", base.String()+"/set-up?token="+token)
	}
	if b != nil {
		c.greetMQTT(g, log, b.listener.Addr())
	}
	return nil
}

// greetMQTT says where the broker is, and what is wrong with that.
func (c *serveCmd) greetMQTT(g *globals, log *slog.Logger, addr net.Addr) {
	if tcp, _ := addr.(*net.TCPAddr); tcp != nil && !tcp.IP.IsLoopback() && c.TLSCert == "" {
		log.Warn("being an MQTT broker beyond this machine without TLS: anybody on the network can read tokens, where "+
			"phones are and advice on their way; use --tls-cert and --tls-key", "listen", addr)
	}
	tell(g.stdout, "serving-mqtt", "Address", addr)
}

// parts are what serve runs.
type parts struct {
	listener net.Listener
	pages    *web.Server
	care     *caretaker
	steps    *pipeline.Pipeline
	advice   *advisor.Advisor
	broker   *openBroker // nil without one
}

// serve runs the server with all its parts until the context is done or one of
// them fails; then all finish what they accepted.
func serve(ctx context.Context, log *slog.Logger, p parts) error {
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	server := &http.Server{
		Handler:           p.pages,
		ReadHeaderTimeout: 10 * time.Second,
		ReadTimeout:       time.Minute, // 8 MiB over bad Wi-Fi
		WriteTimeout:      time.Minute,
		IdleTimeout:       2 * time.Minute,
		MaxHeaderBytes:    16 << 10,
		ErrorLog:          slog.NewLogLogger(log.Handler(), slog.LevelWarn),
	}
	var looking sync.WaitGroup
	looking.Go(func() { p.care.Run(house.By(ctx, house.ByItself)) })
	looking.Go(func() { p.advice.Run(ctx) })
	examined, served, brokered := make(chan error, 1), make(chan error, 1), make(chan error, 1)
	go func() {
		defer stop()
		examined <- p.steps.Run(ctx)
	}()
	go func() {
		defer stop()
		err := server.Serve(p.listener)
		if errors.Is(err, http.ErrServerClosed) {
			err = nil
		}
		served <- err
	}()
	if p.broker == nil {
		close(brokered)
	} else {
		go func() {
			defer stop()
			brokered <- p.broker.Serve(ctx, p.broker.listener)
		}()
	}
	<-ctx.Done()

	log.Info("stopping: finishing what was accepted")
	finish, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopTime)
	defer cancel()
	err := errors.Join(p.pages.Drain(finish), server.Shutdown(finish), <-served, <-brokered, <-examined)
	looking.Wait()
	if err != nil {
		return fmt.Errorf("serving: %w", err)
	}
	log.Info("stopped")
	return nil
}
