package main

import (
	"context"
	"crypto/tls"
	"errors"
	"log/slog"
	"net"
	"time"

	"lintel/pipeline/advice/advisor"
	"lintel/pipeline/bell"
	"lintel/pipeline/intake"
	"lintel/store"
	"lintel/web"
	"lintel/web/broker"
)

// An openBroker is one with where it listens.
type openBroker struct {
	*broker.Broker
	listener net.Listener
}

// Address is where it listens.
func (b *openBroker) Address() string { return b.listener.Addr().String() }

// What follows does nothing without a broker.

func (b *openBroker) close() {
	if b != nil {
		b.listener.Close()
	}
}

// roles are what the broker is to those who publish by it and show how it does, nil
// without one.
func (b *openBroker) roles() (advisor.Publisher, web.Broker) {
	if b == nil {
		return nil, nil
	}
	return b, b
}

// takesFor has the broker hand on what bells send.
func (b *openBroker) takesFor(pages *web.Server, in *intake.Intake, secrets *advisor.Advisor) {
	if b != nil {
		b.Bells, b.Intake, b.Secrets = pages, in, secrets
	}
}

// newBroker returns a broker for the server s, nil where none is asked for.
func (c *serveCmd) newBroker(s *server, by clock, shown *displays) (*openBroker, error) {
	if c.MQTTListen == "" && c.sockets[brokerSocket] == nil {
		return nil, nil
	}
	b, err := broker.New(broker.Config{Archive: s.archive, Inbox: s.inbox, Log: s.log, Now: by.now, Prefix: c.MQTTPrefix,
		Listening: func(receiver string) { s.advice.Listening(receiver) }, Displays: shown, Visits: s.archive})
	if errors.Is(err, broker.ErrPrefix) {
		return nil, misused("serve-prefix", "Error", err)
	}
	if err != nil {
		return nil, err
	}
	l, err := c.sockets.listen(brokerSocket, c.MQTTListen)
	if err != nil {
		return nil, err
	}
	if s.keeper != nil {
		l = tls.NewListener(l, s.keeper.Config())
	}
	return &openBroker{b, l}, nil
}

// newPorter returns a porter who publishes by the broker, if there is one.
func newPorter(archive *store.Archive, b *openBroker, log *slog.Logger, by clock) *bell.Porter {
	if b == nil {
		return bell.NewPorter(archive, nil, log, by.now, time.Local)
	}
	return bell.NewPorter(archive, b, log, by.now, time.Local)
}

// displays are who the broker tells of bells' displays.
type displays struct {
	archive *store.Archive
	porter  *bell.Porter // set before the broker serves
}

func (d *displays) Listening(bell string) { d.porter.Listening(bell) }

func (d *displays) Showed(ctx context.Context, bell, message string) error {
	return d.archive.ShowedMessage(ctx, bell, message)
}
