package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"runtime"
	"sync"
	"time"

	"lintel/internal/house"
	"lintel/models"
	"lintel/pipeline/folder"
	"lintel/store"
	"lintel/store/seal"
	"lintel/web/allow"
	"lintel/web/certificate"
)

type serveCmd struct {
	Listen  string `help:"The address to listen on." default:"127.0.0.1:8420" placeholder:"ADDR"`
	TLSCert string `name:"tls-cert" help:"${serve_tls_cert}" type:"existingfile" placeholder:"FILE"`
	TLSKey  string `name:"tls-key" help:"A file with its key, in PEM." type:"existingfile" placeholder:"FILE"`

	MQTTListen string `name:"mqtt-listen" help:"${serve_mqtt_listen}" placeholder:"ADDR"`
	MQTTPrefix string `name:"mqtt-prefix" help:"What begins the broker's topics." default:"lintel" placeholder:"PREFIX"`

	watchFlags

	sockets handed
}

// workers is how many stills are examined at once: one a core, but no more
// than a busy door needs, since each worker holds the models in memory.
func workers() int { return min(runtime.NumCPU(), 4) }

// stopTime bounds how long a stop waits for what was accepted.
const stopTime = 20 * time.Second

func (c *serveCmd) Run(g *globals) error {
	watched, err := c.check(g)
	if err != nil {
		return err
	}
	if c.sockets, err = passedSockets(); err != nil {
		return err
	}
	limitMemory()
	s, err := c.assemble(g, slog.New(slog.NewTextHandler(g.stderr, nil)), machineClock(), false)
	if err != nil {
		return err
	}
	defer s.close()
	if err := c.greet(g, s); err != nil {
		return err
	}
	folders := watchers(watched, s.archive, s.intake, s.pages, s.log)
	notify, err := newNotifier(s)
	if err != nil {
		return err
	}
	return s.serve(g.ctx, func(ctx context.Context, running *sync.WaitGroup) {
		c.watch(ctx, folders, s.log, running)
		running.Go(func() { notify.Run(ctx) })
	})
}

// check looks at the flags and the models, before anything is opened.
func (c *serveCmd) check(g *globals) ([]folder.Watch, error) {
	if (c.TLSCert == "") != (c.TLSKey == "") {
		return nil, misused("serve-tls")
	}
	watched, err := c.watches()
	if err != nil {
		return nil, err
	}
	return watched, models.Present(g.Models)
}

func listen(address string) (net.Listener, error) {
	l, err := net.Listen("tcp", address)
	if err != nil {
		return nil, failed(err, "serve-listen", "Address", address, "Error", err)
	}
	return allow.Listen(l), nil
}

// open listens for pages and programs, by TLS where there is a certificate.
func (c *serveCmd) open(ctx context.Context, archive *store.Archive) (net.Listener, *certificate.Keeper, error) {
	keeper, err := c.certificates(ctx, archive)
	if err != nil {
		return nil, nil, err
	}
	l, err := c.sockets.listen(pagesSocket, c.Listen)
	if err == nil && keeper != nil {
		l = certificate.Listen(l, keeper.Config())
	}
	return l, keeper, err
}

// certificates returns what keeps the server's certificate: the household's own, the
// house's, or nil where there is neither, and so no TLS.
func (c *serveCmd) certificates(ctx context.Context, archive *store.Archive) (*certificate.Keeper, error) {
	if c.TLSCert != "" {
		if err := seal.CheckPrivate(c.TLSKey); err != nil {
			return nil, fmt.Errorf("reading the certificate's key: %w", err)
		}
		own, err := certificate.NewOwn(c.TLSCert, c.TLSKey)
		if err != nil {
			return nil, failed(err, "serve-certificate", "Error", err)
		}
		return own, nil
	}
	_, err := archive.Certificates(ctx)
	if errors.Is(err, house.ErrNotFound) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	return certificate.NewKeeper(archive, certificate.Found, time.Now), nil
}

// stateOf is what pages are told of certificates, nil without TLS.
func stateOf(keeper *certificate.Keeper) func(context.Context) (certificate.State, error) {
	if keeper == nil {
		return nil
	}
	return keeper.State
}

// greet says where the server and its broker are, how to begin, and what is
// wrong with where they listen.
func (c *serveCmd) greet(g *globals, s *server) error {
	addr, secure := s.listener.Addr(), s.keeper != nil
	if tcp, _ := addr.(*net.TCPAddr); tcp != nil && !tcp.IP.IsLoopback() && !secure {
		s.log.Warn("listening beyond this machine without TLS: anybody on the network can read stills and passwords on "+
			"their way; `lintel certificate` makes a certificate", "listen", addr)
	}
	base := s.address()
	tell(g.stdout, "serving", "Address", base)
	ctx := context.WithoutCancel(g.ctx) // who ends the server already ends it rightly, after this
	token, needed, err := s.pages.SetUpToken(ctx)
	if err != nil {
		return err
	}
	if needed {
		tell(g.stdout, "serve-set-up", "Link", base+"/set-up?token="+token)
	}
	if err := offerDemo(ctx, g.stdout, s.archive); err != nil {
		return err
	}
	if s.broker != nil {
		greetMQTT(g, s.log, s.broker.listener.Addr(), secure)
	}
	return nil
}

// offerDemo tells of the demo, where nobody is enrolled and nobody rang.
func offerDemo(ctx context.Context, out io.Writer, a *store.Archive) error {
	persons, err := a.Persons(ctx)
	if err != nil || len(persons) > 0 {
		return err
	}
	visits, err := a.LatestVisits(ctx, 1)
	if err == nil && len(visits) == 0 {
		tell(out, "serve-offer")
	}
	return err
}

// greetMQTT says where the broker is, and what is wrong with that.
func greetMQTT(g *globals, log *slog.Logger, addr net.Addr, secure bool) {
	if tcp, _ := addr.(*net.TCPAddr); tcp != nil && !tcp.IP.IsLoopback() && !secure {
		log.Warn("being an MQTT broker beyond this machine without TLS: anybody on the network can read tokens, where "+
			"phones are and advice on their way; `lintel certificate` makes a certificate", "listen", addr)
	}
	tell(g.stdout, "serving-mqtt", "Address", addr)
}
