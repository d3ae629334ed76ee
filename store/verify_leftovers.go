package store

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/binary"
	"os"
)

// checkLeftovers looks for what may be left of what was deleted. While there is
// a server it is its business to remove that.
func (v *verification) checkLeftovers(ctx context.Context) error {
	if err := v.countLeftovers(ctx); err != nil {
		return err
	}
	due, err := v.scrubDue(ctx)
	if err != nil {
		return err
	}
	pages, log := v.Leftovers, v.Log
	if v.repair && (due || pages+int(log) > 0) {
		// Also what nobody asked to be gone: it is no trouble.
		if _, err := v.write.ExecContext(ctx, `UPDATE counters SET value = 1 WHERE name = 'scrub_due'`); err != nil {
			return err
		}
		if err := v.Scrub(ctx); err != nil {
			return err
		}
		if err := v.countLeftovers(ctx); err != nil {
			return err
		}
	}
	if due && !v.served {
		v.found(WithLeftovers, "archive.db", v.repair,
			"traces of what was deleted may be left: %d pages with something in their unused parts, and a log of %d bytes", pages, log)
	}
	return nil
}

func (v *verification) countLeftovers(ctx context.Context) error {
	v.Pages, v.Leftovers, v.Log = 0, 0, 0
	for first := 1; ; first += pagesAtOnce {
		rows, err := v.read.QueryContext(ctx, pagesBetween, first, first+pagesAtOnce-1)
		if err != nil {
			return err
		}
		n, dirty, err := countPages(rows)
		if err != nil {
			return err
		}
		v.Pages += n
		v.Leftovers += dirty
		if n < pagesAtOnce {
			break
		}
	}
	free, err := v.freeLeftovers(ctx)
	if err != nil {
		return err
	}
	v.Leftovers += free
	if log, err := os.Stat(v.databasePath() + "-wal"); err == nil {
		v.Log = log.Size()
	}
	return nil
}

func countPages(rows *sql.Rows) (n, dirty int, err error) {
	defer rows.Close()
	for rows.Next() {
		var number int
		var raw sql.RawBytes
		if err := rows.Scan(&number, &raw); err != nil {
			return n, dirty, err
		}
		n++
		if hasLeftovers(raw, number == 1) {
			dirty++
		}
	}
	return n, dirty, rows.Err()
}

// freeLeftovers counts free pages that hold more than what the list of free
// pages keeps there: see section 1.5 of https://www.sqlite.org/fileformat2.html.
func (v *verification) freeLeftovers(ctx context.Context) (dirty int, err error) {
	tx, err := v.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return 0, err
	}
	defer tx.Rollback()
	var left int
	if err := tx.QueryRowContext(ctx, `SELECT freelist_count FROM pragma_freelist_count`).Scan(&left); err != nil {
		return 0, err
	}
	page := func(number uint32) (data []byte, err error) {
		err = tx.QueryRowContext(ctx, `SELECT data FROM sqlite_dbpage WHERE pgno = ?`, number).Scan(&data)
		return data, err
	}
	first, err := page(1)
	if err != nil {
		return 0, err
	}
	for trunk := binary.BigEndian.Uint32(first[32:]); trunk != 0 && left > 0; left-- {
		data, err := page(trunk)
		if err != nil {
			return dirty, err
		}
		next, leaves := binary.BigEndian.Uint32(data), binary.BigEndian.Uint32(data[4:])
		for i := range min(leaves, uint32(len(data)/4-2)) {
			leaf, err := page(binary.BigEndian.Uint32(data[8+4*i:]))
			if err != nil {
				return dirty, err
			}
			if len(bytes.Trim(leaf, "\x00")) > 0 {
				dirty++
			}
			left--
		}
		trunk = next
	}
	return dirty, nil
}
