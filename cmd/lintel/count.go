package main

import (
	"context"
	"encoding/json"
	"errors"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"sync"
	"time"

	"lintel/internal/house"
	"lintel/store"
)

// A count tells of an archive whose whole folder was put back as it once was, or whose
// audit trail was, with its head, which nothing within it can. Beside the master key is
// written how far the archive has come, and which entry was the trail's last; one that
// has not come as far was put back, and a trail without that entry was cut. A restore
// on purpose is further than all before it.
//
// The archive's changes are on the disk before the count is, so that after a
// crash the count is behind, never the archive. What is put back within a minute
// of a change may be missed.
type count struct {
	path    string // of the file, "" where the key lies where nothing can be kept
	archive *store.Archive
	log     *slog.Logger
	now     func() time.Time

	mu   sync.Mutex
	kept counted
	own  string // the archive's household
}

// counted is what the file holds: of each household whose key is beside it how
// far its archive had come, and which is in which folder.
type counted struct {
	Households map[string]*known `json:"households"`
	Folders    map[string]string `json:"folders"`
}

type known struct {
	store.Standing
	// PutBack is there from when it was found until somebody who has the master
	// key restores a backup or counts anew.
	PutBack *house.PutBack `json:"put_back,omitempty"`
}

// newCount reads the count of an archive, and compares the archive with it.
func (g *globals) newCount(archive *store.Archive, log *slog.Logger, now func() time.Time) (*count, error) {
	path, err := g.countPath()
	if err != nil {
		return nil, err
	}
	c := &count{path: path, archive: archive, log: log, now: now}
	c.own, err = archive.Household(g.ctx)
	if errors.Is(err, house.ErrUnvouched) || errors.Is(err, house.ErrNoSpace) {
		log.Warn("whether this archive's folder was put back as it once was can't be told", "err", err)
		return &count{archive: archive, log: log, now: now}, nil
	}
	if err != nil {
		return nil, err
	}
	if err := c.read(); err != nil {
		log.Warn("the count of changes beside the master key can't be read, and begins anew", "file", path, "err", err)
	}
	has, err := archive.Standing(g.ctx)
	if errors.Is(err, store.ErrUncounted) {
		return c, nil // Upkeep says so
	}
	if err != nil {
		return nil, err
	}
	if err := c.compare(g.ctx, has, g.folder()); err != nil {
		return nil, err
	}
	if err := c.write(); err != nil {
		log.Warn("whether this archive's folder was put back as it once was can't be told: nothing can be kept beside the "+
			"master key", "file", path, "err", err)
		c.path = ""
	}
	return c, nil
}

// countSuffix is what the count's file is called after the key's.
const countSuffix = ".changes"

// countPath is what was said, or beside the master key, or beside the passphrase.
func (g *globals) countPath() (path string, err error) {
	if g.Changes != "" {
		return g.Changes, nil
	}
	if path = g.PassphraseFile; path == "" {
		path, err = g.keyPath()
	}
	return path + countSuffix, err
}

// folder names the archive's folder, whatever the way there.
func (g *globals) folder() string {
	if path, err := filepath.Abs(g.Data); err == nil {
		return resolved(path)
	}
	return g.Data
}

func (c *count) read() error {
	c.kept = counted{}
	data, err := os.ReadFile(c.path)
	if err == nil {
		err = json.Unmarshal(data, &c.kept)
	}
	if c.kept.Households == nil {
		c.kept.Households = make(map[string]*known)
	}
	if c.kept.Folders == nil {
		c.kept.Folders = make(map[string]string)
	}
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return err
}

// compare finds out whether the archive in the folder is what it once was: it has
// not come as far as is known, or is another than was there.
func (c *count) compare(ctx context.Context, has store.Standing, folder string) error {
	was := c.kept.Households[c.own]
	if was == nil {
		was = &known{Standing: has}
		c.kept.Households[c.own] = was
		before := c.kept.Households[c.kept.Folders[folder]]
		if before != nil { // one from before it had its id, or somebody else's
			was.PutBack = &house.PutBack{Found: c.now(), Had: before.Changes, Has: has.Changes}
		}
	}
	c.kept.Folders[folder] = c.own
	if err := c.advance(ctx, was, has); err != nil {
		return err
	}
	c.tell(was.PutBack)
	return nil
}

// advance takes how far the archive has come for what is known from now on, but for
// the end of a trail that lacks the entry which was known. That one stays missed until
// a backup is restored or the archive counted anew.
func (c *count) advance(ctx context.Context, was *known, has store.Standing) error {
	if has.Settled > was.Settled {
		was.PutBack, was.Trail = nil, store.TrailEnd{}
	}
	if has.Before(was.Standing) && was.PutBack == nil {
		was.PutBack = &house.PutBack{Found: c.now(), Had: was.Changes, Has: has.Changes}
	}
	there, err := c.archive.TrailHas(ctx, was.Trail)
	if err != nil {
		return err
	}
	if !there && was.PutBack == nil {
		was.PutBack = &house.PutBack{Found: c.now(), Had: was.Trail.Entry, Has: has.Trail.Entry, Trail: true}
	}
	if !there || has.Trail.Entry == 0 { // or its head is lost
		has.Trail = was.Trail
	}
	was.Standing = has
	c.archive.ExpectTrail(was.Trail)
	return nil
}

func (c *count) tell(back *house.PutBack) {
	if back == nil {
		return
	}
	if back.Trail {
		c.log.Error("the end of the audit trail is gone, with what was its last entry, by somebody who did not use lintel restore",
			"has", back.Has, "known", back.Had)
		return
	}
	c.log.Error("the archive's folder was put back as it once was, by somebody who did not use lintel restore",
		"has", back.Has, "known", back.Had)
}

// expectTrail has an archive's checks miss the entry of its trail that is known beside
// the master key. One that was restored meanwhile has a trail of its own.
func (g *globals) expectTrail(archive *store.Archive) error {
	path, err := g.countPath()
	if err != nil {
		return err
	}
	c := &count{path: path, archive: archive}
	if c.own, err = archive.Household(g.ctx); err != nil {
		return err
	}
	if err := c.read(); err != nil {
		return nil // the server says so, and begins anew
	}
	was := c.kept.Households[c.own]
	has, err := archive.Standing(g.ctx)
	if errors.Is(err, store.ErrUncounted) || was == nil || has.Settled > was.Settled {
		return nil
	}
	archive.ExpectTrail(was.Trail)
	return err
}

// write replaces the file, whole or not at all.
func (c *count) write() (err error) {
	data, err := json.MarshalIndent(c.kept, "", "  ")
	if err != nil {
		return err
	}
	f, err := os.CreateTemp(filepath.Dir(c.path), filepath.Base(c.path)+".*") // readable by its owner only
	if err != nil {
		return err
	}
	_, err = f.Write(append(data, '\n'))
	if err = errors.Join(err, f.Sync(), f.Close()); err == nil {
		err = os.Rename(f.Name(), c.path)
	}
	if err != nil {
		os.Remove(f.Name())
	}
	return err
}

// PutBack says that the archive was put back as it once was, nil if it was not or
// that can't be told.
func (c *count) PutBack() *house.PutBack {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.path == "" || c.read() != nil { // a command may have said meanwhile that it is right
		return nil
	}
	if was := c.kept.Households[c.own]; was != nil {
		return was.PutBack
	}
	return nil
}

// keep writes down how far the archive has come by now, if that is further than is
// known.
func (c *count) keep(ctx context.Context) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.path == "" || c.read() != nil || c.kept.Households[c.own] == nil {
		return
	}
	was := c.kept.Households[c.own]
	before := *was
	has, err := c.archive.Standing(ctx) // committed, and on the disk
	if err == nil && !has.Before(was.Standing) {
		err = c.advance(ctx, was, has)
	}
	if before.PutBack == nil {
		c.tell(was.PutBack)
	}
	if err == nil && before != *was {
		err = c.write()
	}
	if err != nil && ctx.Err() == nil {
		c.log.Error("writing down how often the archive has changed", "err", err)
	}
}

// run keeps the count at each tick, and once more when it is told to stop.
func (c *count) run(minutes <-chan time.Time) func(context.Context) {
	return func(ctx context.Context) {
		for {
			select {
			case <-ctx.Done():
				c.keep(context.WithoutCancel(ctx))
				return
			case <-minutes:
				c.keep(ctx)
			}
		}
	}
}
