package store

import (
	"context"
	"database/sql"
	"fmt"

	"lintel/store/internal/keyfile"
)

// checkKeys looks at who has each slot of the file of keys: one row, or nobody, and
// then it holds no key. Whether the keys that rows name open, the checks of stills and
// of sealed values say.
func (v *verification) checkKeys(ctx context.Context) error {
	if err := v.checkCleaned(ctx); err != nil {
		return err
	}
	tx, err := v.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return err
	}
	defer tx.Rollback()
	shares, err := v.slotShares(ctx, tx)
	if v.Keys = shares.rows; err != nil || shares.right() {
		return err
	}
	_, err = v.transact(ctx, func(tx *sql.Tx) error { // again, while nobody can be taking a slot
		if shares, err = v.slotShares(ctx, tx); err != nil {
			return err
		}
		v.wrongSlots(ctx, tx, shares.twice, "has the key of more than one row", nil)
		v.wrongSlots(ctx, tx, shares.alsoFree, "has the key of a row, and counts as free", takeBack)
		v.wrongSlots(ctx, tx, shares.nobodys, "has no row and does not count as free", v.freeSlot)
		v.wrongSlots(ctx, tx, shares.dirty, "is free, and holds a key that came to nothing", v.freeSlot)
		return nil
	})
	return err
}

// checkCleaned looks whether what lay in the database before keys had slots may be left.
func (v *verification) checkCleaned(ctx context.Context) error {
	due, err := counts(ctx, v.read, "uncleaned")
	if err != nil || !due {
		return err
	}
	err = v.mend(func() error { return v.clean(ctx) })
	left, failed := counts(ctx, v.read, "uncleaned")
	if failed != nil {
		return failed
	}
	v.found(WithKey, "archive.db", !left, "keys and names that lay among rows before may be left in its unused parts%s",
		failure(err))
	return nil
}

func (v *verification) wrongSlots(ctx context.Context, tx *sql.Tx, slots []int64, words string,
	mend func(context.Context, *sql.Tx, int64) error) {
	for _, position := range slots {
		var err error
		if mend != nil {
			err = v.mend(func() error { return mend(ctx, tx, position) })
		}
		v.found(WithKey, keyFile, mend != nil && v.mended(err), "slot %d %s%s", position, words, failure(err))
	}
}

// slotShares are the positions of slots by what is wrong with whose they are.
type slotShares struct {
	rows                            int // that have one
	twice, alsoFree, nobodys, dirty []int64
}

func (s slotShares) right() bool {
	return len(s.twice)+len(s.alsoFree)+len(s.nobodys)+len(s.dirty) == 0
}

// goingSlots are those that are to be overwritten, now or once nothing is kept aside.
const goingSlots = `SELECT slot FROM freed_slots UNION ALL SELECT slot FROM held_slots`

func (v *verification) slotShares(ctx context.Context, tx *sql.Tx) (s slotShares, err error) {
	var end int64
	if err := tx.QueryRowContext(ctx, `SELECT value FROM counters WHERE name = 'slots'`).Scan(&end); err != nil {
		return s, err
	}
	whose := make([]byte, end) // of these, added up
	const byRow, isFree, isFreed = 1, 2, 4
	for _, from := range []struct {
		query string
		mark  byte
	}{{v.takenSlots(), byRow}, {`SELECT position FROM free_slots`, isFree}, {goingSlots, isFreed}} {
		rows, err := tx.QueryContext(ctx, from.query)
		all, err := scanAll(rows, err, func(n *keyfile.Number) error { return rows.Scan(n) })
		if err != nil {
			return s, err
		}
		for _, n := range all {
			switch p := n.Position(); {
			case n < 0 || p >= end: // of a row that was changed; its key does not open
			case from.mark == byRow && whose[p]&byRow != 0:
				s.twice = append(s.twice, p)
			default:
				whose[p] |= from.mark
			}
		}
		if from.mark == byRow {
			s.rows = len(all)
		}
	}
	for p, mark := range whose {
		position := int64(p)
		free, err := v.keys.IsFree(position)
		switch {
		case err != nil:
			return s, fmt.Errorf("looking at slot %d: %w", p, err)
		case mark&byRow != 0 && mark&isFree != 0:
			s.alsoFree = append(s.alsoFree, position)
		case mark == 0:
			s.nobodys = append(s.nobodys, position)
		case mark == isFree && !free:
			s.dirty = append(s.dirty, position)
		}
	}
	return s, nil
}

// takeBack says of a slot that it is not free.
func takeBack(ctx context.Context, tx *sql.Tx, position int64) error {
	_, err := tx.ExecContext(ctx, `DELETE FROM free_slots WHERE position = ?`, position)
	return err
}

// freeSlot overwrites a slot and says that it is free.
func (v *verification) freeSlot(ctx context.Context, tx *sql.Tx, position int64) error {
	v.keysUnsynced = true
	if err := v.keys.Clear(position); err != nil {
		return err
	}
	_, err := tx.ExecContext(ctx, `INSERT OR IGNORE INTO free_slots (position) VALUES (?)`, position)
	return err
}
