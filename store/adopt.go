package store

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"

	"lintel/internal/house"
	"lintel/store/internal/durable"
	"lintel/store/seal"
)

// TakeAsideIn takes in again what is kept aside: what a row names, and what says itself
// whose it is, under its ring and to be examined. It returns how many files that was. What
// stays is of before files had labels, of a bell that is not there, or has a key that is
// lost; what was erased has none.
func (a *Archive) TakeAsideIn(ctx context.Context) (taken int, err error) {
	if taken, err = a.returnNamed(ctx); err == nil {
		var adopted int
		adopted, err = a.adoptAside(ctx)
		taken += adopted
	}
	if err == nil {
		err = a.clearHeld(ctx)
	}
	if err != nil {
		return taken, fmt.Errorf("taking in what is kept aside: %w", spaceError(err))
	}
	return taken, nil
}

// adoptAside makes rows of files that are kept aside, by their labels, and returns of how
// many.
func (a *Archive) adoptAside(ctx context.Context) (adopted int, err error) {
	aside, err := a.Aside()
	if err != nil || aside.Files == 0 || !a.slotted {
		return 0, err
	}
	keys, err := a.heldKeys(ctx)
	if err != nil {
		return 0, err
	}
	release, err := a.holdIncoming(syscall.LOCK_SH)
	if err != nil {
		return 0, err
	}
	defer release()
	err = a.eachAside(func(file string, _ fs.FileInfo) error {
		data, err := os.ReadFile(a.asidePath(file))
		if err != nil {
			return err
		}
		for slot, key := range keys {
			l, err := a.readLabel(key, data)
			if errors.Is(err, seal.ErrOpen) {
				continue
			}
			if err == nil {
				err = a.adopt(ctx, file, l, slot, data)
			}
			if err == nil {
				adopted++
			}
			if errors.Is(err, errStays) {
				err = nil
			}
			return err
		}
		return nil
	})
	if err == nil && adopted > 0 {
		a.signal()
		err = a.Note(ctx, "added", fmt.Sprintf("aside %d", adopted))
	}
	return adopted, err
}

// heldKeys returns the keys that no row names, by their slots.
func (a *Archive) heldKeys(ctx context.Context) (map[int64]seal.Key, error) {
	rows, err := a.read.QueryContext(ctx, `SELECT slot FROM held_slots`)
	slots, err := scanAll(rows, err, func(n *int64) error { return rows.Scan(n) })
	keys := make(map[int64]seal.Key, len(slots))
	for _, slot := range slots {
		key, failed := a.keyIn(slot)
		if errors.Is(failed, seal.ErrOpen) {
			continue // half written, or overwritten meanwhile
		}
		err = errors.Join(err, failed)
		keys[slot] = key
	}
	if err != nil {
		return nil, fmt.Errorf("reading keys that no row names: %w", err)
	}
	return keys, nil
}

// errStays says that a file stays aside.
var errStays = errors.New("it stays aside")

// adopt makes a row of a file. It is incoming meanwhile, so that a crash leaves nothing
// that [Archive.Recover] does not know. A frame that came again, with the same bytes, is
// not taken twice: the file is dropped.
func (a *Archive) adopt(ctx context.Context, file string, l label, slot int64, data []byte) error {
	ctx = context.WithoutCancel(ctx)
	visit := a.visitID(l.Bell, l.Ring)
	err := os.Rename(a.asidePath(file), a.incomingPath(file))
	if err == nil {
		err = durable.SyncFolder(filepath.Join(a.dir, "incoming"))
	}
	again := false
	if err == nil {
		err = a.update(ctx, func(tx *sql.Tx) error {
			var there bool
			if again, there, err = a.cameAgain(ctx, tx, visit, l); err != nil {
				return err
			}
			var bell, held bool
			err := tx.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM bells WHERE id = ?),
				EXISTS (SELECT 1 FROM held_slots WHERE slot = ?)`, a.bellID(l.Bell), slot).Scan(&bell, &held)
			if err != nil || !bell || !held || there {
				return errors.Join(err, errStays)
			}
			its := func() (int64, error) { return slot, nil }
			if _, err := a.insertStill(ctx, tx, file, l, doubtOf(l), its, data); err != nil {
				return err
			}
			if _, err := tx.ExecContext(ctx, `DELETE FROM held_slots WHERE slot = ?`, slot); err != nil {
				return err
			}
			return a.settle(ctx, tx, visit)
		})
	}
	switch {
	case err == nil:
		return a.shelve(file)
	case errors.Is(err, house.ErrErased) || errors.Is(err, errStays) && again:
		return errors.Join(errStays, removed(a.incomingPath(file)))
	}
	return errors.Join(err, os.Rename(a.incomingPath(file), a.asidePath(file)))
}

// cameAgain reports whether a row of a frame is there, and whether it has the same still,
// whole.
func (a *Archive) cameAgain(ctx context.Context, tx *sql.Tx, visit string, l label) (again, there bool, err error) {
	var sent []byte
	var file string
	err = tx.QueryRowContext(ctx, `SELECT sent_mac, coalesce(file, '') FROM stills WHERE visit = ? AND frame = ?`, visit,
		l.Frame).Scan(&sent, &file)
	if errors.Is(err, sql.ErrNoRows) {
		return false, false, nil
	}
	if err == nil && file != "" && bytes.Equal(sent, l.Sent) {
		_, missing := a.openStill(file)
		again = missing == nil
	}
	return again, true, err
}

// doubtOf is the mark of a visit's time that will never be known better.
func doubtOf(l label) sql.NullString { return sql.NullString{Valid: l.Doubted} }
