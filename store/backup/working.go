package backup

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
)

// copyingDir is where in the archive's folder the copy of its database is made, so that what is
// in the folder of backups already is not written there again. It holds no keys.
const copyingDir = "copying"

// makeWork makes an empty folder for the copy of the database: in the archive's own or, where
// there is no room, nothing can be written or another backup is at it, in incoming.
func (b *backup) makeWork() error {
	if b.work != "" {
		return empty(b.work)
	}
	b.work = filepath.Join(b.a.Dir(), copyingDir)
	if b.hasRoom() && b.lockWork() {
		return nil
	}
	b.work = b.folder.incoming("copy")
	return errors.Join(os.RemoveAll(b.work), os.Mkdir(b.work, 0o700))
}

// hasRoom reports whether the archive's disk takes another database, and as much again for
// what goes on meanwhile.
func (b *backup) hasRoom() bool {
	info, err := os.Stat(filepath.Join(b.a.Dir(), databaseFile))
	var disk syscall.Statfs_t
	err = errors.Join(err, syscall.Statfs(b.a.Dir(), &disk))
	return err == nil && uint64(info.Size())*2+64<<20 < disk.Bavail*uint64(disk.Bsize)
}

// lockWork makes the folder and holds its lock. What a backup that was killed left is removed.
func (b *backup) lockWork() bool {
	if err := os.Mkdir(b.work, 0o700); err != nil && !errors.Is(err, fs.ErrExist) {
		return false
	}
	f, err := os.Open(b.work)
	if err != nil {
		return false
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		f.Close()
		return false
	}
	b.working = f
	return empty(b.work) == nil
}

// empty removes what is in a folder.
func empty(dir string) error {
	left, err := os.ReadDir(dir)
	for _, e := range left {
		err = errors.Join(err, os.RemoveAll(filepath.Join(dir, e.Name())))
	}
	return err
}

// leaveWork removes the copy.
func (b *backup) leaveWork() error {
	if b.work == "" {
		return nil
	}
	err := os.RemoveAll(b.work)
	if b.working != nil {
		err = errors.Join(err, syscall.Flock(int(b.working.Fd()), syscall.LOCK_UN), b.working.Close())
	}
	return err
}
