package main

import (
	"context"
	"log/slog"
	"maps"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"lintel/pipeline/folder"
	"lintel/pipeline/intake"
	"lintel/store"
	"lintel/web"
)

// watchFlags say which folders are bells'. They are set by whoever starts the server,
// and by no page: a page that names a folder could make the server read any.
type watchFlags struct {
	Watch       map[string]string `help:"${serve_watch}" mapsep:"none" placeholder:"BELL=DIR"`
	WatchNames  map[string]string `help:"${serve_watch_names}" mapsep:"none" placeholder:"BELL=PATTERN"`
	WatchGap    time.Duration     `help:"${serve_watch_gap}" default:"10s" placeholder:"TIME"`
	WatchEvery  time.Duration     `help:"${serve_watch_every}" default:"5s" placeholder:"TIME"`
	WatchPoll   bool              `help:"${serve_watch_poll}"`
	WatchRemove bool              `help:"Remove files of watched folders once they are kept."`
}

// watches checks the flags.
func (c watchFlags) watches() (all []folder.Watch, err error) {
	if c.WatchEvery < 100*time.Millisecond || c.WatchGap <= 0 {
		return nil, misused("watch-every")
	}
	for bell := range c.WatchNames {
		if _, there := c.Watch[bell]; !there {
			return nil, misused("watch-names-alone", "Bell", bell)
		}
	}
	for _, bell := range slices.Sorted(maps.Keys(c.Watch)) {
		names, err := folder.ParseNames(c.WatchNames[bell])
		if err != nil {
			return nil, misused("watch-names", "Error", err)
		}
		dir, err := filepath.Abs(c.Watch[bell])
		if err != nil {
			return nil, misused("watch-folder", "Bell", bell, "Error", err)
		}
		all = append(all, folder.Watch{Bell: bell, Dir: dir, Names: names, Gap: c.WatchGap, Remove: c.WatchRemove})
	}
	return all, nil
}

// A folderIntake takes in stills of folders as those of bells that send them: screens
// are told of what is not kept as well.
type folderIntake struct {
	*intake.Intake
	pages *web.Server
}

// Receive keeps a still, by way of the server.
func (f folderIntake) Receive(ctx context.Context, d intake.Delivery) (intake.Receipt, error) {
	return f.pages.Receive(ctx, d)
}

// watchers makes a watcher of each folder, of which Upkeep tells.
func watchers(all []folder.Watch, a *store.Archive, in *intake.Intake, pages *web.Server,
	log *slog.Logger) (made []*folder.Watcher) {
	for _, w := range all {
		made = append(made, folder.NewWatcher(w, a, folderIntake{in, pages}, log, time.Now))
	}
	pages.Watch(made...)
	return made
}

// watch runs the watchers until the context is done.
func (c watchFlags) watch(ctx context.Context, all []*folder.Watcher, log *slog.Logger, running *sync.WaitGroup) {
	for _, w := range all {
		var notice folder.Notice = folder.NoNotice{}
		if !c.WatchPoll {
			notice = folder.Notify(log)
		}
		running.Go(func() { w.Run(ctx, notice, c.WatchEvery) })
	}
}
