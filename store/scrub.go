package store

import (
	"context"
	"database/sql"
	"encoding/binary"
	"errors"
	"fmt"
	"time"
)

// pagesAtOnce is how many of the database's pages one transaction of Scrub
// looks at: a few milliseconds' worth.
const pagesAtOnce = 128

// Scrub removes from the database's files what was deleted from its tables, if
// anything was since it last did. secure_delete writes zeros over what is
// deleted, but neither over copies that SQLite left in the unused parts of
// pages when it moved rows, nor over the write-ahead log. VACUUM would, and
// hold up whoever writes for as long as it takes; Scrub goes page by page, in
// small transactions, and then empties the log.
//
// What the disk itself keeps of blocks that files no longer use is beyond it:
// they hold what was sealed, under keys that are gone.
func (a *Archive) Scrub(ctx context.Context) error {
	due, err := a.scrubDue(ctx)
	if err != nil || !due {
		return err
	}
	// Cleared first: what is deleted meanwhile makes it due again.
	if _, err := a.write.ExecContext(ctx, `UPDATE counters SET value = 0 WHERE name = 'scrub_due'`); err != nil {
		return fmt.Errorf("scrubbing the database: %w", spaceError(err))
	}
	if err := errors.Join(a.wipePages(ctx), a.emptyLog(ctx)); err != nil {
		_, again := a.write.ExecContext(context.WithoutCancel(ctx), `UPDATE counters SET value = 1 WHERE name = 'scrub_due'`)
		return fmt.Errorf("scrubbing the database: %w", errors.Join(spaceError(err), again))
	}
	return nil
}

func (a *Archive) scrubDue(ctx context.Context) (due bool, err error) {
	if err := a.read.QueryRowContext(ctx, `SELECT value FROM counters WHERE name = 'scrub_due'`).Scan(&due); err != nil {
		return false, fmt.Errorf("asking whether the database is to be scrubbed: %w", err)
	}
	return due, nil
}

// wipePages writes zeros over the unused parts of every page.
func (a *Archive) wipePages(ctx context.Context) error {
	for first, last := 1, 0; last == 0 || first <= last; first += pagesAtOnce {
		err := a.update(ctx, func(tx *sql.Tx) error {
			// Asked each time: the database may grow or shrink.
			if err := tx.QueryRowContext(ctx, `SELECT page_count FROM pragma_page_count`).Scan(&last); err != nil {
				return err
			}
			rows, err := tx.QueryContext(ctx, `SELECT pgno, data FROM sqlite_dbpage WHERE pgno BETWEEN ? AND ?`, first, first+pagesAtOnce-1)
			if err != nil {
				return err
			}
			dirty, err := dirtyPages(rows)
			if err != nil {
				return err
			}
			for _, p := range dirty {
				for _, u := range unused(p.data, p.number == 1) {
					clear(p.data[u.from:u.until])
				}
				if _, err := tx.ExecContext(ctx, `UPDATE sqlite_dbpage SET data = ? WHERE pgno = ?`, p.data, p.number); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			return fmt.Errorf("wiping pages from %d on: %w", first, err)
		}
	}
	return nil
}

// A page of the database's file; the first has number 1.
type page struct {
	number int
	data   []byte
}

// dirtyPages returns the pages whose unused parts hold something.
func dirtyPages(rows *sql.Rows) (dirty []page, err error) {
	defer rows.Close()
	for rows.Next() {
		var p page
		var raw sql.RawBytes
		if err := rows.Scan(&p.number, &raw); err != nil {
			return nil, err
		}
		if hasLeftovers(raw, p.number == 1) {
			p.data = append([]byte(nil), raw...)
			dirty = append(dirty, p)
		}
	}
	return dirty, rows.Err()
}

func hasLeftovers(data []byte, first bool) bool {
	for _, u := range unused(data, first) {
		for _, b := range data[u.from:u.until] {
			if b != 0 {
				return true
			}
		}
	}
	return false
}

// A span is a part of a page, until not included.
type span struct{ from, until int }

// unused returns the parts of a b-tree page that hold no content: the gap
// between its cell pointers and its cells, and its free blocks without their
// headers. Other pages have none. See section 1.6 of the file format,
// https://www.sqlite.org/fileformat2.html; the first page begins with the
// file's own header of 100 bytes. Overflow pages and those of the free list
// begin with a page number below 2^25, and so with a byte below 2, while a
// database is under 128 GiB.
func unused(data []byte, first bool) (spans []span) {
	header := 0
	if first {
		header = 100
	}
	if len(data) < header+12 {
		return nil
	}
	pointers := header + 8
	switch data[header] {
	case 2, 5: // interior pages have a right-most pointer more
		pointers = header + 12
	case 10, 13:
	default:
		return nil
	}
	number := func(at int) int { return int(binary.BigEndian.Uint16(data[at:])) }
	cells, content := number(header+3), number(header+5)
	if content == 0 {
		content = 1 << 16
	}
	gap := span{pointers + 2*cells, content}
	if gap.from > gap.until || gap.until > len(data) {
		return nil // no page that SQLite wrote
	}
	spans = append(spans, gap)
	// Free blocks are chained in the order of their place.
	for at, last := number(header+1), 0; at > last && at >= content && at+4 <= len(data); at = number(last) {
		if size := number(at + 2); size >= 4 && at+size <= len(data) {
			spans = append(spans, span{at + 4, at + size})
		}
		last = at
	}
	return spans
}

// emptyLog moves what the write-ahead log holds into the database and empties
// it, without making a writer wait: it tries for as long as somebody reads.
func (a *Archive) emptyLog(ctx context.Context) error {
	conn, err := a.read.Conn(ctx)
	if err != nil {
		return fmt.Errorf("emptying the log: %w", err)
	}
	defer conn.Close()
	if _, err := conn.ExecContext(ctx, `PRAGMA busy_timeout = 20`); err != nil {
		return fmt.Errorf("emptying the log: %w", err)
	}
	defer conn.ExecContext(context.WithoutCancel(ctx), `PRAGMA busy_timeout = 10000`)
	for range 200 {
		var busy, logged, moved int
		err := conn.QueryRowContext(ctx, `PRAGMA wal_checkpoint(TRUNCATE)`).Scan(&busy, &logged, &moved)
		if err != nil {
			return fmt.Errorf("emptying the log: %w", err)
		}
		if busy == 0 {
			return nil
		}
		select {
		case <-ctx.Done():
			return fmt.Errorf("emptying the log: %w", ctx.Err())
		case <-time.After(50 * time.Millisecond):
		}
	}
	return errors.New("emptying the log: somebody was reading it all the time")
}
