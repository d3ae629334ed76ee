package folder

import (
	"log/slog"
	"slices"
	"time"

	"github.com/fsnotify/fsnotify"
)

// A Notice tells that something in folders may have changed. It may tell too often,
// and may miss what another machine writes.
type Notice interface {
	// Follow says which folders to tell of. It reports whether one is new: what
	// came there before was not told of.
	Follow(folders []string) (more bool)
	// Changes receives after changes; those that nobody took fold into one.
	Changes() <-chan struct{}
	Close() error
}

// NoNotice tells of nothing: the folder is looked through every so often alone.
type NoNotice struct{}

// Follow does nothing.
func (NoNotice) Follow([]string) (more bool) { return false }

// Changes never receives.
func (NoNotice) Changes() <-chan struct{} { return nil }

// Close does nothing.
func (NoNotice) Close() error { return nil }

// Notify returns a Notice by what the operating system tells; where it tells nothing,
// one that tells nothing.
func Notify(log *slog.Logger) Notice {
	watcher, err := fsnotify.NewWatcher()
	if err != nil {
		log.Warn("the system tells of no changes in folders; looking through them every so often", "err", err)
		return NoNotice{}
	}
	n := &notices{watcher: watcher, changes: make(chan struct{}, 1), ended: make(chan struct{})}
	go n.fold()
	return n
}

type notices struct {
	watcher *fsnotify.Watcher
	changes chan struct{}
	ended   chan struct{} // closed once fold is over
}

// gather is how long what is told folds into one: who writes a file is told of often.
const gather = 100 * time.Millisecond

// fold makes one of many, until the watcher is closed.
func (n *notices) fold() {
	defer close(n.ended)
	var soon <-chan time.Time
	for {
		select {
		case _, ok := <-n.watcher.Events:
			if !ok {
				return
			}
			if soon == nil {
				soon = time.After(gather)
			}
		case _, ok := <-n.watcher.Errors: // too much was told: then there is something
			if !ok {
				return
			}
			if soon == nil {
				soon = time.After(gather)
			}
		case <-soon:
			soon = nil
			select {
			case n.changes <- struct{}{}:
			default:
			}
		}
	}
}

func (n *notices) Follow(folders []string) (more bool) {
	before := n.watcher.WatchList()
	for _, f := range folders {
		// One that went, or one too many, is looked through all the same.
		if n.watcher.Add(f) == nil && !slices.Contains(before, f) {
			more = true
		}
	}
	return more
}

func (n *notices) Changes() <-chan struct{} { return n.changes }

func (n *notices) Close() error {
	err := n.watcher.Close()
	<-n.ended
	return err
}
