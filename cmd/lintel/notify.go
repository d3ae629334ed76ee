package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"time"

	"github.com/coreos/go-systemd/v22/daemon"
)

// A notifier tells the service manager how the server is, by the protocol of
// sd_notify(3): that it is ready, that it lives, that it stops. Where no service
// manager asks for it, it does nothing.
//
// That it lives is no timer's word alone: the parts that stills go through are asked
// first, and where one does not answer nothing is told, so that the service manager
// ends this process and starts another. What a new start can't mend, such as a full
// disk, is for /readyz.
type notifier struct {
	log   *slog.Logger
	tell  func(state string) (told bool, err error)
	parts []part
	every time.Duration // how often it is told that the server lives, 0 for never
}

// A part of the server answers while it lives.
type part struct {
	name   string
	answer func(context.Context) error
}

// newNotifier returns a notifier for the service manager that the environment names, nil
// if it names none.
func newNotifier(s *server) (*notifier, error) {
	if os.Getenv("NOTIFY_SOCKET") == "" {
		return nil, nil
	}
	limit, err := daemon.SdWatchdogEnabled(false)
	if err != nil {
		return nil, fmt.Errorf("reading how often the service manager is to be told: %w", err)
	}
	tell := func(state string) (bool, error) { return daemon.SdNotify(false, state) }
	return &notifier{log: s.log, tell: tell, parts: s.parts(), every: limit / 2}, nil
}

// slowestStill is how long one still may take. What takes longer hangs: on two cores a
// still takes a fraction of a second.
const slowestStill = 2 * time.Minute

var errHangs = errors.New("a still has been examined for too long")

// parts are those that a still goes through: intake, archive, pipeline.
func (s *server) parts() []part {
	return []part{
		{"intake", func(context.Context) error {
			s.intake.Idle() // its lock is free
			return nil
		}},
		{"archive", func(ctx context.Context) error {
			_, err := s.archive.Revision(ctx)
			return err
		}},
		{"pipeline", func(ctx context.Context) error {
			took, err := s.steps.Busy(ctx)
			if err == nil && took > slowestStill {
				err = errHangs
			}
			return err
		}},
	}
}

// partTime is how long a part may take to answer.
const partTime = 10 * time.Second

// lives asks each part, and returns what is wrong with the first that does not answer.
// One that never returns leaves its goroutine behind, of a process that soon ends.
func (n *notifier) lives(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, partTime)
	defer cancel()
	for _, p := range n.parts {
		answered := make(chan error, 1)
		go func() { answered <- p.answer(ctx) }()
		var err error
		select {
		case err = <-answered:
		case <-ctx.Done():
			err = ctx.Err()
		}
		if err != nil {
			return fmt.Errorf("%s does not answer: %w", p.name, err)
		}
	}
	return nil
}

// Run tells that the server is ready as soon as every part answers, then, as often as
// it is asked for, that it lives, and at the context's end that it stops.
func (n *notifier) Run(ctx context.Context) {
	if n == nil {
		return
	}
	for err := n.lives(ctx); err != nil && ctx.Err() == nil; err = n.lives(ctx) {
		n.log.Warn("the server is not ready yet", "err", err)
		pause(ctx, time.Second)
	}
	if ctx.Err() == nil && !n.say(daemon.SdNotifyReady) {
		return // nobody asks
	}
	n.live(ctx)
	n.say(daemon.SdNotifyStopping)
}

// live tells that the server lives, until the context is done.
func (n *notifier) live(ctx context.Context) {
	if n.every <= 0 {
		<-ctx.Done()
		return
	}
	ticks := time.NewTicker(n.every)
	defer ticks.Stop()
	for {
		err := n.lives(ctx)
		switch {
		case ctx.Err() != nil:
			return
		case err != nil:
			n.log.Error("the service manager is not told that the server lives", "err", err)
		default:
			n.say(daemon.SdNotifyWatchdog)
		}
		select {
		case <-ctx.Done():
			return
		case <-ticks.C:
		}
	}
}

func (n *notifier) say(state string) (told bool) {
	told, err := n.tell(state)
	if err != nil {
		n.log.Error("telling the service manager", "state", state, "err", err)
	}
	return told
}
