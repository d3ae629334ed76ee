package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strings"

	"lintel/internal/house"
)

// moveKeys brings wrapped keys out of the database into their slots, and seals what
// rows of keyedTables hold under keys of their own, in batches. It is done once the
// counter unmoved is 0, and goes on where it broke off. Then the database's files are
// written anew, without what was. The file system's free blocks are not: what was
// wrapped there before may be found as long as they are not used again.
func (a *Archive) moveKeys(ctx context.Context) error {
	var m moving
	for left := true; left; {
		err := a.update(ctx, func(tx *sql.Tx) (err error) {
			for moved := 0; err == nil && moved < someRows; {
				if left, err = counts(ctx, tx, "unmoved"); err != nil || !left {
					return err
				}
				var n int
				n, err = m.moveSome(ctx, a, tx)
				moved += n
			}
			return err
		})
		if err != nil {
			return err
		}
	}
	err := a.clean(ctx)
	if errors.Is(spaceError(err), house.ErrNoSpace) {
		return nil // the next start tries again; verify tells of it meanwhile
	}
	return err
}

// counts reports whether a counter is not 0.
func counts(ctx context.Context, q querier, counter string) (does bool, err error) {
	err = q.QueryRowContext(ctx, `SELECT value <> 0 FROM counters WHERE name = ?`, counter).Scan(&does)
	if err != nil {
		return false, fmt.Errorf("reading the counter %s: %w", counter, err)
	}
	return does, nil
}

// clean writes the database's files anew, where they may hold what keys in slots
// don't protect. While somebody reads, the log stays, and so it is done later.
func (a *Archive) clean(ctx context.Context) error {
	if due, err := counts(ctx, a.read, "uncleaned"); err != nil || !due {
		return err
	}
	db, err := openPool(a.dir, "rw", "deferred") // without guards: rows are written as they are
	if err != nil {
		return err
	}
	defer db.Close()
	db.SetMaxOpenConns(1)
	// What SQLite rebuilds is too large for memory, and stays in the archive's folder.
	folder := strings.ReplaceAll(a.dir, "'", "''")
	for _, statement := range []string{`PRAGMA temp_store = FILE`,
		`PRAGMA temp_store_directory = '` + folder + `'`, `PRAGMA auto_vacuum = 2`, `VACUUM`,
		`PRAGMA temp_store_directory = ''`} {
		if _, err := db.ExecContext(ctx, statement); err != nil {
			return fmt.Errorf("writing the database anew: %w", err)
		}
	}
	var busy, logged, moved int
	err = db.QueryRowContext(ctx, `PRAGMA wal_checkpoint(TRUNCATE)`).Scan(&busy, &logged, &moved)
	if err == nil && busy == 0 {
		_, err = a.write.ExecContext(ctx, `UPDATE counters SET value = 0 WHERE name = 'uncleaned'`)
	}
	if err != nil {
		return fmt.Errorf("emptying the log: %w", err)
	}
	return nil
}

// moving is how far the moving of keys has come.
type moving struct {
	stills bool  // whether those are done
	table  int   // of keyedTables
	after  int64 // which row
}

// moveSome moves some rows of one kind, and returns how many.
func (m *moving) moveSome(ctx context.Context, a *Archive, tx *sql.Tx) (n int, err error) {
	wrapped, err := hasWrapped(ctx, tx)
	switch {
	case err != nil:
	case wrapped && !m.stills:
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
		if wrapped {
			_, err = tx.ExecContext(ctx, `ALTER TABLE stills DROP COLUMN wrapped_key`)
		}
		if err == nil {
			_, err = tx.ExecContext(ctx, `UPDATE counters SET value = 0 WHERE name = 'unmoved'`)
		}
	}
	return n, err
}

// hasWrapped reports whether keys of stills stand in rows.
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
