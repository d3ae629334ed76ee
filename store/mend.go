package store

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
	"strings"

	"lintel/store/internal/keyfile"
	"lintel/store/seal"
)

// Mend is [Archive.Verify] with repair, but first takes from an earlier copy of the
// archive, which a backup was restored to, what is damaged in this one: keys, rows that
// give power, sealed values and stills. Only what is certainly the same is taken: a row
// by its voucher, a value or a still by the key that its row names. What changed since
// the copy stays damaged.
func (a *Archive) Mend(ctx context.Context, from *Archive, progress func(done, total int)) (Report, error) {
	return a.verify(ctx, &verification{Archive: a, repair: true, from: from, progress: progress})
}

// reindex makes all indexes anew (https://www.sqlite.org/lang_reindex.html), if the
// database is whole then; else nothing changes.
func (v *verification) reindex(ctx context.Context) error {
	return v.update(ctx, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, `REINDEX`); err != nil {
			return fmt.Errorf("making indexes anew: %w", err)
		}
		said, err := integrity(ctx, tx)
		if err == nil && said != nil {
			err = ErrDamaged
		}
		return err
	})
}

// takeFromCopy takes what is damaged from the copy, keys first, since what they open is
// sound then.
func (v *verification) takeFromCopy(ctx context.Context) error {
	if v.from == nil {
		return nil
	}
	raw, err := openPool(v.dir, "rw", "immediate") // without guards: rows come back as they were
	if err != nil {
		return err
	}
	err = v.takeKeys(ctx)
	for _, t := range vouchedTables {
		if err == nil {
			err = v.takeRows(ctx, raw, t)
		}
	}
	if err == nil {
		err = v.eachUnopened(ctx, func(c sealedColumn, x sealedRow) error { return v.takeValue(ctx, raw, c, x) })
	}
	if err == nil {
		err = v.takeStills(ctx)
	}
	if err = errors.Join(err, raw.Close()); err != nil {
		return fmt.Errorf("taking from the backup what is damaged: %w", err)
	}
	return nil
}

const asBefore = "it was damaged, and is again as the backup has it"

// takeKeys takes the keys that rows name and that don't open.
func (v *verification) takeKeys(ctx context.Context) error {
	rows, err := v.read.QueryContext(ctx, v.takenSlots())
	all, err := scanAll(rows, err, func(n *keyfile.Number) error { return rows.Scan(n) })
	if err != nil {
		return err
	}
	whose := make(map[int64]int) // how many rows name a slot
	for _, n := range all {
		whose[n.Position()]++
	}
	for _, n := range all {
		if _, err := v.keyIn(int64(n)); !errors.Is(err, seal.ErrOpen) || whose[n.Position()] > 1 {
			continue
		}
		if _, err := v.from.keyIn(int64(n)); err != nil {
			continue // the copy has none either
		}
		wrapped, err := v.from.keys.Get(n)
		if err == nil {
			err = v.update(ctx, func(*sql.Tx) error {
				v.keysUnsynced = true
				return v.keys.Put(n, wrapped)
			})
		}
		v.found(WithKey, keyFile, err == nil, "slot %d: %s%s", n.Position(), asBefore, failure(err))
	}
	return nil
}

// takeRows takes the rows of a table that nobody vouches for, and of which the copy has
// one with the same voucher that is right: all that it vouches for is as it was then.
func (v *verification) takeRows(ctx context.Context, raw *sql.DB, t vouched) error {
	rows, err := v.read.QueryContext(ctx, `SELECT voucher FROM main.`+t.table+` WHERE voucher IS NOT NULL AND NOT `+
		t.right(""))
	vouchers, err := scanAll(rows, err, func(b *[]byte) error { return rows.Scan(b) })
	if err != nil {
		return err
	}
	for _, voucher := range vouchers {
		values, places := make([]any, len(t.columns)), make([]any, len(t.columns))
		for i := range values {
			places[i] = &values[i]
		}
		err := v.from.read.QueryRowContext(ctx, `SELECT `+t.values("")+` FROM main.`+t.table+` WHERE voucher = ? AND `+
			t.right(""), voucher).Scan(places...)
		if errors.Is(err, sql.ErrNoRows) {
			continue
		}
		if err == nil {
			_, err = raw.ExecContext(ctx, `UPDATE `+t.table+` SET `+strings.Join(t.columns, " = ?, ")+` = ? WHERE voucher = ?`,
				append(values, voucher)...)
		}
		v.found(WithRows, t.table, err == nil, "a row: %s%s", asBefore, failure(err))
	}
	return nil
}

// takeValue takes a sealed value that no voucher is for.
func (v *verification) takeValue(ctx context.Context, raw *sql.DB, c sealedColumn, x sealedRow) error {
	i := slices.IndexFunc(vouchedTables, func(t vouched) bool { return t.table == c.table })
	if i >= 0 && slices.Contains(vouchedTables[i].columns, c.column) {
		return nil
	}
	var value []byte
	err := v.from.read.QueryRowContext(ctx, fmt.Sprintf(`SELECT %s FROM main.%s WHERE %s = ?`, c.column, c.table, c.id),
		x.id).Scan(&value)
	if errors.Is(err, sql.ErrNoRows) {
		return nil
	}
	if err == nil {
		_, err = v.open(value, c.table+"."+c.column, x.id)
	}
	if errors.Is(err, seal.ErrOpen) {
		return nil // the row has another key since
	}
	var slot sql.NullInt64
	if err == nil && v.keyed[c.table+"."+c.column] {
		err = v.read.QueryRowContext(ctx, `SELECT slot FROM main.`+c.table+` WHERE rowid = ?`, x.row).Scan(&slot)
		if err == nil && slot.Int64 != int64(binary.BigEndian.Uint64(value)) {
			return nil // erasing the row would leave its key
		}
	}
	if err == nil {
		_, err = raw.ExecContext(ctx, fmt.Sprintf(`UPDATE %s SET %s = ? WHERE rowid = ?`, c.table, c.column), value, x.row)
	}
	v.found(WithSealed, x.id, err == nil, "its %s in %s: %s%s", c.column, c.table, asBefore, failure(err))
	return nil
}

// takeStills takes the files of stills that are missing or changed.
func (v *verification) takeStills(ctx context.Context) error {
	rows, err := v.read.QueryContext(ctx, `SELECT `+filedColumns+` FROM stills WHERE file IS NOT NULL`)
	stills, err := scanAll(rows, err, func(f *filed) error { return f.scan(rows) })
	if err != nil {
		return err
	}
	for _, f := range stills {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if data, err := v.openStill(f.file); err == nil && v.isWhole(f, data) {
			continue
		}
		data, err := v.from.openStill(f.file)
		if err != nil || !v.isWhole(f, data) {
			continue // the copy has it no better, and checkStills tells of it
		}
		err = errors.Join(v.writeIncoming(f.file, data), v.shelve(f.file))
		v.found(WithStill, f.id, err == nil, "frame %d of visit %s: %s%s", f.frame, f.visit, asBefore, failure(err))
	}
	return nil
}

// isWhole reports whether these bytes are the still's file, as it was written.
func (v *verification) isWhole(f filed, data []byte) bool {
	hash := sha256.Sum256(data)
	if !bytes.Equal(hash[:], f.hash) {
		return false
	}
	_, err := v.openPicture(data, f.slot, f.visit, f.frame)
	return err == nil
}
