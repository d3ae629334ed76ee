package store

import (
	"context"
	"database/sql"
	"fmt"
	"strings"
)

// moveKeys brings wrapped keys out of the database into their slots, and seals what
// rows of keyedTables hold under keys of their own, in batches. It is done once stills have no column
// wrapped_key any more, and goes on where it broke off. Then the database's files
// are scrubbed of what was. The file system's free blocks are not: what was wrapped
// there before may be found as long as they are not used again.
func (a *Archive) moveKeys(ctx context.Context) error {
	var m moving
	for left := true; left; {
		err := a.update(ctx, func(tx *sql.Tx) (err error) {
			if left, err = hasWrapped(ctx, tx); err != nil || !left {
				return err
			}
			return m.moveSome(ctx, a, tx)
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// moving is how far the moving of keys has come.
type moving struct {
	stills bool  // whether those are done
	table  int   // of keyedTables
	after  int64 // which row
}

func (m *moving) moveSome(ctx context.Context, a *Archive, tx *sql.Tx) (err error) {
	var n int
	switch {
	case !m.stills:
		n, m.after, err = a.moveStillKeys(ctx, tx, m.after)
		if m.stills = n < someRows; m.stills {
			m.after = 0
		}
	case m.table < len(keyedTables):
		n, m.after, err = a.moveRows(ctx, tx, m.table, m.after)
		if n < someRows {
			m.table, m.after = m.table+1, 0
		}
	default:
		if _, err := tx.ExecContext(ctx, `ALTER TABLE stills DROP COLUMN wrapped_key`); err != nil {
			return err
		}
		_, err = tx.ExecContext(ctx, `UPDATE counters SET value = 1 WHERE name = 'scrub_due' AND
			EXISTS (SELECT 1 FROM stills UNION ALL SELECT 1 FROM persons)`)
	}
	return err
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
		`SELECT rowid, id, visit, frame, wrapped_key FROM stills WHERE wrapped_key <> x'' AND rowid > ?
			ORDER BY rowid LIMIT ?`, after, someRows)
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

// moveRows seals what some rows of a table of keyedTables hold after a row under keys
// of their own, and returns how many rows it looked at and the last. One that does not
// open is left as it is, and does not open as before.
func (a *Archive) moveRows(ctx context.Context, tx *sql.Tx, table int, after int64) (n int, last int64, err error) {
	t := keyedTables[table]
	type row struct {
		row    int64
		id     string
		values [][]byte
	}
	rows, err := tx.QueryContext(ctx, `SELECT rowid, `+t.id+`, `+strings.Join(t.columns, ", ")+` FROM `+t.table+`
		WHERE slot IS NULL AND rowid > ? ORDER BY rowid LIMIT ?`, after, someRows)
	all, err := scanAll(rows, err, func(r *row) error {
		r.values = make([][]byte, len(t.columns))
		into := []any{&r.row, &r.id}
		for i := range r.values {
			into = append(into, &r.values[i])
		}
		return rows.Scan(into...)
	})
	for _, r := range all {
		if err == nil {
			err = a.moveRow(ctx, tx, table, r.row, r.id, r.values)
		}
		after = r.row
	}
	if err != nil {
		return 0, 0, fmt.Errorf("sealing rows of %s: %w", t.table, err)
	}
	return len(all), after, nil
}

func (a *Archive) moveRow(ctx context.Context, tx *sql.Tx, table int, row int64, id string, values [][]byte) error {
	t := keyedTables[table]
	for i, sealed := range values {
		if sealed == nil {
			continue
		}
		value, err := a.seals.OpenValue(sealed, t.table+"."+t.columns[i], id)
		if err != nil {
			return nil // verify tells of it
		}
		values[i] = value
	}
	var slot sql.NullInt64
	var first []byte
	args := []any{&slot}
	for i, value := range values {
		place := []string{t.table + "." + t.columns[i], id}
		var err error
		switch {
		case value == nil:
		case !slot.Valid:
			value, slot.Int64, err = a.sealKeyed(ctx, tx, value, place...)
			first, slot.Valid = value, true
		default:
			value, err = a.sealAgain(first, value, place...)
		}
		if err != nil {
			return err
		}
		args = append(args, value)
	}
	args[0] = slot
	_, err := tx.ExecContext(ctx, `UPDATE `+t.table+` SET slot = ?, `+strings.Join(t.columns, " = ?, ")+` = ?
		WHERE rowid = ?`, append(args, row)...)
	return err
}
