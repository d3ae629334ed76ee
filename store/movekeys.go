package store

import (
	"context"
	"database/sql"
	"fmt"
)

// moveKeys brings wrapped keys out of the database into their slots, and seals each
// face under a key of its own, in batches. It is done once stills have no column
// wrapped_key any more, and goes on where it broke off. Then the database's files
// are scrubbed of what was. The file system's free blocks are not: what was wrapped
// there before may be found as long as they are not used again.
func (a *Archive) moveKeys(ctx context.Context) error {
	var stillsMoved, facesMoved int64 // up to which rows
	for {
		var left bool
		err := a.update(ctx, func(tx *sql.Tx) (err error) {
			if left, err = hasWrapped(ctx, tx); err != nil || !left {
				return err
			}
			var stills, faces int
			stills, stillsMoved, err = a.moveStillKeys(ctx, tx, stillsMoved)
			if err != nil || stills == someRows {
				return err
			}
			faces, facesMoved, err = a.moveFaces(ctx, tx, facesMoved)
			if err != nil || faces == someRows {
				return err
			}
			if _, err := tx.ExecContext(ctx, `ALTER TABLE stills DROP COLUMN wrapped_key`); err != nil {
				return err
			}
			_, err = tx.ExecContext(ctx, `UPDATE counters SET value = 1 WHERE name = 'scrub_due'
				AND EXISTS (SELECT 1 FROM stills)`)
			return err
		})
		if err != nil {
			return err
		}
		if !left {
			return nil
		}
	}
}

func hasWrapped(ctx context.Context, q querier) (has bool, err error) {
	err = q.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM pragma_table_info('stills')
		WHERE name = 'wrapped_key')`).Scan(&has)
	return has, err
}

// moveStillKeys moves the keys of some stills after a row, and returns of how many and
// the last. One that does not open is left behind: then its still does not open
// either, as before.
func (a *Archive) moveStillKeys(ctx context.Context, tx *sql.Tx, after int64) (n int, last int64, err error) {
	type wrapped struct {
		row          int64
		still, visit string
		frame        int
		key          []byte
	}
	rows, err := tx.QueryContext(ctx,
		`SELECT rowid, id, visit, frame, wrapped_key FROM stills WHERE wrapped_key <> x'' AND rowid > ? ORDER BY rowid LIMIT ?`,
		after, someRows)
	all, err := scanAll(rows, err, func(w *wrapped) error {
		return rows.Scan(&w.row, &w.still, &w.visit, &w.frame, &w.key)
	})
	if err != nil {
		return 0, after, err
	}
	for _, w := range all {
		var slot sql.NullInt64
		if key, err := a.seals.Unwrap(w.key, stillPlace(w.visit, w.frame)...); err == nil {
			if slot.Int64, err = a.putKey(ctx, tx, key); err != nil {
				return 0, after, err
			}
			slot.Valid = true
		}
		if _, err := tx.ExecContext(ctx, `UPDATE stills SET wrapped_key = x'', slot = ? WHERE rowid = ?`, slot,
			w.row); err != nil {
			return 0, after, fmt.Errorf("moving the key of still %s: %w", w.still, err)
		}
		after = w.row
	}
	return len(all), after, nil
}

// moveFaces seals some faces after a row under keys of their own, and returns how many
// and the last. One that does not open gets a key too, and does not open with it either.
func (a *Archive) moveFaces(ctx context.Context, tx *sql.Tx, after int64) (n int, last int64, err error) {
	type face struct {
		row    int64
		id     string
		sealed []byte
	}
	rows, err := tx.QueryContext(ctx, `SELECT rowid, id, sealed FROM faces WHERE slot IS NULL AND rowid > ?
		ORDER BY rowid LIMIT ?`, after, someRows)
	all, err := scanAll(rows, err, func(f *face) error { return rows.Scan(&f.row, &f.id, &f.sealed) })
	if err != nil {
		return 0, after, err
	}
	for _, f := range all {
		raw, err := a.seals.OpenValue(f.sealed, facePlace(f.id)...)
		place := facePlace(f.id)
		if err != nil {
			raw, place = nil, []string{"faces.broken"}
		}
		sealed, slot, err := a.sealKeyed(ctx, tx, raw, place...)
		if err != nil {
			return 0, after, err
		}
		if _, err := tx.ExecContext(ctx, `UPDATE faces SET sealed = ?, slot = ? WHERE rowid = ?`, sealed, slot,
			f.row); err != nil {
			return 0, after, fmt.Errorf("sealing face %s: %w", f.id, err)
		}
		after = f.row
	}
	return len(all), after, nil
}
