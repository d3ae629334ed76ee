package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"lintel/store/internal/keyfile"
)

// MendKeys tries every key that a row names, and brings those back that do not open and of
// which there is a good one among the copies that are handed out. It returns the slots it
// mended, and names the rows whose key is lost. One that is gone everywhere was erased.
func (s *Snapshot) MendKeys(ctx context.Context, copies func(keyfile.Number) ([][]byte, error)) (
	mended []int64, lost []string, err error) {
	if !s.copy.slotted {
		return nil, nil, nil
	}
	rows, err := s.copy.read.QueryContext(ctx, s.copy.takenSlots())
	slots, err := scanAll(rows, err, func(n *keyfile.Number) error { return rows.Scan(n) })
	if err != nil {
		return nil, nil, fmt.Errorf("listing keys: %w", damage(err))
	}
	for _, n := range slots {
		_, wrong := s.copy.keyIn(int64(n))
		if wrong == nil {
			continue
		}
		all, err := copies(n)
		if err != nil {
			return mended, lost, err
		}
		if ok, err := s.copy.putBack(n, all); err != nil {
			return mended, lost, err
		} else if ok {
			mended = append(mended, n.Position())
			continue
		}
		if free, err := s.copy.keys.IsFree(n.Position()); err == nil && free && errors.Is(wrong, keyfile.ErrGone) {
			continue
		}
		whose, err := s.copy.whoseSlot(ctx, n)
		if err != nil {
			return mended, lost, fmt.Errorf("finding whose key is lost: %w", damage(err))
		}
		lost = append(lost, whose)
	}
	if len(mended) > 0 {
		err = s.copy.keys.Sync()
	}
	return mended, lost, err
}

// putBack puts the first of the copies into the slot that opens.
func (a *Archive) putBack(n keyfile.Number, copies [][]byte) (ok bool, err error) {
	for _, wrapped := range copies {
		if _, err := a.seals.Unwrap(wrapped, slotPlace(int64(n))...); err == nil {
			return true, a.keys.Put(n, wrapped)
		}
	}
	return false, nil
}

// RememberGone remembers the slots that rows of a restored archive name and that hold no
// key, since what they opened was erased after it was backed up: they are no damage.
func (a *Archive) RememberGone(ctx context.Context) error {
	err := a.update(ctx, func(tx *sql.Tx) error {
		rows, err := tx.QueryContext(ctx, a.takenSlots())
		slots, err := scanAll(rows, err, func(n *keyfile.Number) error { return rows.Scan(n) })
		if err != nil {
			return err
		}
		for _, n := range slots {
			if _, err := a.keys.Get(n); !errors.Is(err, keyfile.ErrGone) {
				continue
			}
			if _, err := tx.ExecContext(ctx, `INSERT OR IGNORE INTO erased_slots (slot) VALUES (?)`, n); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("remembering keys that were erased: %w", spaceError(err))
	}
	return nil
}
