package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"syscall"

	"lintel/internal/house"
)

// On a disk that can only be read the archive opens all the same, to be looked at,
// verified and backed up. SQLite can't read a database with a log there, since it needs
// to write beside it (https://www.sqlite.org/wal.html#readonly): a log that was left is
// brought into a copy of the database, in a folder of temporary files that goes with
// the archive. One without is read where it is, as immutable.

// ReadOnly reports whether the archive's disk can only be read, so that nothing can be
// kept or erased. Who tries is told house.ErrNoSpace.
func (a *Archive) ReadOnly() bool { return a.immutable != "" }

// errReadOnly is what changes fail with then.
var errReadOnly = fmt.Errorf("%w: the archive's disk can only be read", house.ErrNoSpace)

// openReadOnly opens the archive where its disk can only be read, and reports whether
// that is so.
func (a *Archive) openReadOnly(ctx context.Context) (bool, error) {
	f, err := os.OpenFile(a.databasePath(), os.O_RDWR, 0)
	if err == nil {
		return false, f.Close()
	}
	if !errors.Is(err, syscall.EROFS) {
		return false, nil // or it is not there yet
	}
	if a.immutable = a.dir; exists(a.databasePath() + "-wal") {
		if err := a.copyWithLog(ctx); err != nil {
			return true, fmt.Errorf("reading an archive that can't be written: %w", err)
		}
	}
	if err := a.openPools(); err != nil {
		return true, err
	}
	names, version, err := a.guard(ctx)
	if err == nil {
		err = a.checkKey(ctx)
	}
	if err == nil && version < len(names) {
		err = fmt.Errorf("%w, and an earlier Lintel wrote it", errReadOnly)
	}
	if err != nil {
		return true, errors.Join(unchanged(err), a.Close())
	}
	return true, nil
}

// copyWithLog copies the database with its log, and brings the log in.
func (a *Archive) copyWithLog(ctx context.Context) (err error) {
	if a.immutable, err = os.MkdirTemp("", "lintel-reading-"); err != nil {
		return err
	}
	for _, suffix := range []string{"", "-wal"} {
		if err := copyFile(a.databasePath()+suffix, filepath.Join(a.immutable, "archive.db"+suffix)); err != nil {
			return errors.Join(err, a.dropCopy())
		}
	}
	db, err := openPool(a.immutable, "rw", "deferred")
	if err == nil {
		db.SetMaxOpenConns(1)
		_, err = db.ExecContext(ctx, `PRAGMA wal_checkpoint(TRUNCATE)`)
		err = errors.Join(err, db.Close())
	}
	if err != nil {
		return errors.Join(damage(err), a.dropCopy())
	}
	return nil
}

// dropCopy removes the copy of the database, where there is one.
func (a *Archive) dropCopy() error {
	if a.immutable == "" || a.immutable == a.dir {
		return nil
	}
	return os.RemoveAll(a.immutable)
}

func copyFile(from, to string) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := os.OpenFile(to, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	_, err = io.Copy(out, in)
	return errors.Join(err, out.Close())
}

// pool opens the archive's database without guards, to be read where it can only be.
func (a *Archive) pool(mode, txlock string) (*sql.DB, error) {
	if a.ReadOnly() {
		return openPool(a.immutable, immutableMode, txlock)
	}
	return openPool(a.dir, mode, txlock)
}

// immutableMode is for a database that nobody changes while it is open.
const immutableMode = "immutable"
