package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
)

// A demoFolder is a demo's own, in the folder of temporary files. A file in it is
// locked for as long as the demo runs, whatever ends it; so the next one finds those
// whose demo was killed.
type demoFolder struct {
	path string
	lock *os.File
}

const (
	demoPrefix = "lintel-demo-"
	demoLock   = "demo.lock"
)

func (f *demoFolder) archive() string { return filepath.Join(f.path, "archive") }
func (f *demoFolder) key() string     { return filepath.Join(f.path, "master.key") }

// newDemoFolder makes a folder that its owner alone may look into.
func newDemoFolder(in string) (*demoFolder, error) {
	for try := 0; ; try++ {
		path, err := os.MkdirTemp(in, demoPrefix)
		if err != nil {
			return nil, err
		}
		f := &demoFolder{path: path}
		if f.lock, err = lockDemo(path, os.O_CREATE); err == nil {
			return f, nil
		}
		if try == 2 { // each time another demo took it for one that was left
			return nil, err
		}
	}
}

var errDemoRuns = errors.New("its demo runs")

// lockDemo locks a demo's folder. The error is errDemoRuns while another does, and
// fs.ErrNotExist where there is no lock, or none any more.
func lockDemo(path string, create int) (*os.File, error) {
	name := filepath.Join(path, demoLock)
	lock, err := os.OpenFile(name, os.O_RDWR|syscall.O_NOFOLLOW|create, 0o600)
	if err != nil {
		return nil, err
	}
	err = syscall.Flock(int(lock.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
	if errors.Is(err, syscall.EWOULDBLOCK) {
		err = errDemoRuns
	}
	var locked, named fs.FileInfo
	if err == nil {
		locked, err = lock.Stat()
	}
	if err == nil {
		named, err = os.Lstat(name)
	}
	if err == nil && !os.SameFile(locked, named) {
		err = fs.ErrNotExist
	}
	if err != nil {
		lock.Close()
		return nil, fmt.Errorf("locking %s: %w", name, err)
	}
	return lock, nil
}

// remove removes the folder, the lock last: what a kill leaves meanwhile is found.
func (f *demoFolder) remove() error {
	defer f.lock.Close()
	entries, err := os.ReadDir(f.path)
	for _, e := range entries {
		if e.Name() != demoLock {
			err = errors.Join(err, os.RemoveAll(filepath.Join(f.path, e.Name())))
		}
	}
	if err == nil {
		err = errors.Join(os.Remove(f.lock.Name()), os.Remove(f.path))
	}
	if err != nil {
		return fmt.Errorf("removing the demo's folder: %w", err)
	}
	return nil
}

// removeLeft removes what demos left that were killed, and tells of it.
func removeLeft(g *globals, in string) {
	entries, err := os.ReadDir(in)
	if err != nil {
		return // the demo's own folder can't be made there either, which is told
	}
	for _, e := range entries {
		info, err := e.Info()
		if err != nil || !strings.HasPrefix(e.Name(), demoPrefix) || !ownFolder(info) {
			continue
		}
		path := filepath.Join(in, e.Name())
		lock, err := lockDemo(path, 0)
		if errors.Is(err, fs.ErrNotExist) {
			os.Remove(path) // only if it is empty: killed before it had a lock
		}
		if err != nil {
			continue // its demo runs, or it is none's
		}
		if err := (&demoFolder{path, lock}).remove(); err != nil {
			tell(g.stderr, "demo-not-left", "Error", err)
		} else {
			tell(g.stderr, "demo-left", "Folder", path)
		}
	}
}

// ownFolder reports whether something is a folder of whoever runs this, as a demo
// makes it: others may have put there what only looks like one.
func ownFolder(info fs.FileInfo) bool {
	stat, ok := info.Sys().(*syscall.Stat_t)
	return ok && info.Mode() == fs.ModeDir|0o700 && int(stat.Uid) == os.Getuid()
}
