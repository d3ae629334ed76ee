package main

import (
	"context"
	"errors"
	"fmt"
	"image"
	"log/slog"
	"net"
	"net/http"
	"net/url"
	"sync"
	"time"

	"lintel/internal/house"
	"lintel/models"
	"lintel/pipeline"
	"lintel/pipeline/advice/advisor"
	"lintel/pipeline/advice/evidence"
	"lintel/pipeline/bell"
	"lintel/pipeline/face"
	"lintel/pipeline/intake"
	"lintel/pipeline/redact"
	"lintel/store"
	"lintel/web"
	"lintel/web/certificate"
)

// A server is the parts of Lintel that run together, on one archive.
type server struct {
	log      *slog.Logger
	archive  *store.Archive
	count    *count
	listener net.Listener
	keeper   *certificate.Keeper // nil without TLS
	inbox    *evidence.Inbox
	broker   *openBroker // nil without one
	advice   *advisor.Advisor
	porter   *bell.Porter
	care     *caretaker
	backer   *backer
	faces    enrolFinder
	steps    *pipeline.Pipeline
	bells    *bell.Watch
	intake   *intake.Intake
	pages    *web.Server

	hours, minutes, looks, seldom *time.Ticker
}

// A clock is what a server goes by.
type clock struct {
	now     func() time.Time
	elapsed func() time.Duration // since any moment, and never set
}

// machineClock is the machine's.
func machineClock() clock {
	began := time.Now()
	return clock{time.Now, func() time.Duration { return time.Since(began) }}
}

// assemble opens the archive and what the flags ask for, and puts the parts together.
// The server has to be closed.
func (c *serveCmd) assemble(g *globals, log *slog.Logger, by clock, demo bool) (s *server, err error) {
	s = &server{log: log, faces: enrolFinder{models: g.Models}, hours: time.NewTicker(time.Hour),
		minutes: time.NewTicker(time.Minute), looks: time.NewTicker(time.Minute),
		seldom: time.NewTicker(time.Minute)}
	defer func() {
		if err != nil {
			s.close()
		}
	}()
	if s.archive, s.count, err = g.recover(log, by.now); err != nil {
		return s, err
	}
	if !demo { // whose clock is played
		if err = s.archive.WatchClock(g.ctx, timekeeping(by)); err != nil {
			return s, err
		}
	}
	if s.listener, s.keeper, err = c.open(g.ctx, s.archive); err != nil {
		return s, err
	}
	s.inbox = evidence.NewInbox(s.archive, by.now)
	shown := &displays{archive: s.archive}
	if s.broker, err = c.newBroker(s, by, shown); err != nil {
		return s, err
	}
	publisher, within := s.broker.roles()
	s.advice = advisor.New(s.archive, publisher, log, by.now, advisor.NewClock(by.now, by.elapsed))
	s.porter = newPorter(s.archive, s.broker, log, by)
	shown.porter = s.porter
	s.care = newCaretaker(s.archive, s.keeper, log, by.now, s.hours.C, s.looks.C)
	if !demo { // whose archive is invented
		s.backer = &backer{archive: s.archive, key: g.masterKey, zone: time.Local, log: log, now: by.now}
	}
	if s.steps, err = g.newPipeline(s.archive, log); err != nil {
		return s, err
	}
	s.bells = bell.NewWatch(s.archive, log, by.now, by.elapsed)
	s.intake = intake.New(s.archive, by.now, intake.DefaultLimits)
	s.pages = web.New(web.Config{
		Archive: s.archive, Intake: s.intake, Log: log,
		Now: by.now, Zone: time.Local, TLS: s.keeper != nil, Certificates: stateOf(s.keeper),
		Erased: s.care.Erased, LastSweep: s.care.LastSweep, Suspects: s.care.Suspects, PutBack: s.count.PutBack,
		Mask: redact.Mask, Factors: s.inbox, FindFaces: s.faces.Find, Secrets: s.advice,
		Broker: within, Unkept: s.porter.Unkept, Bells: s.bells, Checks: g.checks(s.steps), Demo: demo,
	})
	s.steps.Examined, s.steps.Idle = s.examined, s.intake.Idle
	s.broker.takesFor(s.pages, s.intake, s.advice)
	return s, nil
}

// close frees what was opened. It comes after serve.
func (s *server) close() {
	s.hours.Stop()
	s.minutes.Stop()
	s.looks.Stop()
	s.seldom.Stop()
	s.faces.Close()
	s.broker.close()
	if s.listener != nil {
		s.listener.Close()
	}
	if s.archive != nil {
		s.archive.Close()
	}
}

// address is where browsers on this machine find the server.
func (s *server) address() string {
	base := url.URL{Scheme: "http", Host: s.listener.Addr().String()}
	if s.keeper != nil {
		base.Scheme = "https"
	}
	if tcp, ok := s.listener.Addr().(*net.TCPAddr); ok && (tcp.IP.IsLoopback() || tcp.IP.IsUnspecified()) {
		base.Host = fmt.Sprintf("localhost:%d", tcp.Port)
	}
	return base.String()
}

func (g *globals) newPipeline(archive *store.Archive, log *slog.Logger) (*pipeline.Pipeline, error) {
	signs, err := g.openExaminer()
	if err != nil {
		return nil, err
	}
	again, err := archive.TryGivenUp(g.ctx, version())
	if err != nil {
		return nil, err
	}
	if again > 0 {
		log.Info("examining again what another version gave up", "stills", again)
	}
	open := func() (pipeline.Finder, error) { return face.Open(g.Models) }
	return pipeline.New(archive, log, open, signs, workers()), nil
}

// checks are what has to be well for the server to be ready, besides the archive.
func (g *globals) checks(steps *pipeline.Pipeline) []web.Check {
	return []web.Check{
		{Name: "pipeline", Fine: func(context.Context) error {
			if !steps.Running() {
				return errNotRunning
			}
			return nil
		}},
		{Name: "models", Fine: func(context.Context) error { return models.Present(g.Models) }},
	}
}

var errNotRunning = errors.New("stills are not examined")

// examined has figures told of a still that was examined, its small pictures made, and
// its bell's view compared with what it usually sees.
func (s *server) examined(ctx context.Context, still house.Still, img image.Image, faces []house.Face,
	took time.Duration) {
	s.pages.Examined(took)
	if err := s.pages.MakePictures(ctx, still, img); err != nil {
		s.log.Error("making small pictures", "visit", still.Visit, "err", err)
	}
	if err := s.bells.Saw(ctx, still, img, faces); err != nil {
		s.log.Error("looking at a bell's view", "visit", still.Visit, "err", err)
	}
}

// recover opens the archive for this process alone, makes good what an earlier stop left
// undone, and finds out whether it was put back as it once was.
func (g *globals) recover(log *slog.Logger, now func() time.Time) (*store.Archive, *count, error) {
	archive, err := g.openArchiveBy(now, true)
	if err != nil {
		return nil, nil, err
	}
	var r store.Recovered
	if err = archive.Lock(); err == nil {
		r, err = archive.Recover(g.ctx)
	}
	var c *count
	if err == nil {
		c, err = g.newCount(archive, log, now)
	}
	if err != nil {
		archive.Close()
		return nil, nil, err
	}
	if r != (store.Recovered{}) {
		log.Warn("made good what an earlier stop left", "removed", r.Removed, "kept_aside", r.Aside, "taken_in_again", r.Back)
	}
	return archive, c, nil
}

// serve runs the server with all its parts, and those that more begins, until the
// context is done or one of them fails; then all finish what they accepted.
func (s *server) serve(ctx context.Context, more func(ctx context.Context, running *sync.WaitGroup)) error {
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	pages := &http.Server{
		Handler:           s.pages,
		ConnContext:       certificate.Context,
		ReadHeaderTimeout: 5 * time.Second,
		ReadTimeout:       time.Minute, // 8 MiB over bad Wi-Fi
		WriteTimeout:      time.Minute,
		IdleTimeout:       2 * time.Minute,
		MaxHeaderBytes:    16 << 10,
		ErrorLog:          slog.NewLogLogger(s.log.Handler(), slog.LevelWarn),
	}
	var looking sync.WaitGroup
	looking.Go(func() { s.care.Run(house.By(ctx, house.ByItself)) })
	looking.Go(func() { s.advice.Run(ctx) })
	looking.Go(func() { s.porter.Run(ctx) })
	looking.Go(func() { s.pages.Follow(ctx) })
	minutes := time.NewTicker(bell.LookEvery)
	defer minutes.Stop()
	looking.Go(func() { s.bells.Run(house.By(ctx, house.ByItself), minutes.C) })
	looking.Go(func() { s.backer.Run(house.By(ctx, house.ByItself)) })
	looking.Go(func() { s.pages.KeepStrangers(house.By(ctx, house.ByItself), s.seldom.C) })
	more(ctx, &looking)
	looking.Go(func() { s.count.run(s.minutes.C)(ctx) })
	examined, served, brokered := make(chan error, 1), make(chan error, 1), make(chan error, 1)
	go func() {
		defer stop()
		examined <- s.steps.Run(ctx)
	}()
	go func() {
		defer stop()
		err := pages.Serve(s.listener)
		if errors.Is(err, http.ErrServerClosed) {
			err = nil
		}
		served <- err
	}()
	if s.broker == nil {
		close(brokered)
	} else {
		go func() {
			defer stop()
			brokered <- s.broker.Serve(ctx, s.broker.listener)
		}()
	}
	<-ctx.Done()

	s.log.Info("stopping: finishing what was accepted")
	finish, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopTime)
	defer cancel()
	err := errors.Join(s.pages.Drain(finish), pages.Shutdown(finish), <-served, <-brokered, <-examined)
	looking.Wait()
	if err != nil {
		return fmt.Errorf("serving: %w", err)
	}
	s.log.Info("stopped")
	return nil
}
