package store

import (
	"context"
	"database/sql"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
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
	// It stays due until the end, so that a crash leaves it to the next start.
	// A number of its own tells whether anything was deleted meanwhile, or
	// whether another Scrub began.
	var own int64
	err = a.write.QueryRowContext(ctx,
		`UPDATE counters SET value = 2 + abs(random() / 2) WHERE name = 'scrub_due' RETURNING value`).Scan(&own)
	if err == nil {
		err = errors.Join(a.wipePages(ctx), a.emptyLog(ctx))
	}
	if err == nil {
		_, err = a.write.ExecContext(ctx, `UPDATE counters SET value = 0 WHERE name = 'scrub_due' AND value = ?`, own)
	}
	if err != nil {
		return fmt.Errorf("scrubbing the database: %w", spaceError(err))
	}
	return nil
}

func (a *Archive) scrubDue(ctx context.Context) (due bool, err error) {
	if err := a.read.QueryRowContext(ctx, `SELECT value <> 0 FROM counters
		WHERE name = 'scrub_due'`).Scan(&due); err != nil {
		return false, fmt.Errorf("asking whether the database is to be scrubbed: %w", err)
	}
	return due, nil
}

// wipePages writes zeros over the unused parts of every page. It looks without
// a lock, and takes it for pages that have something to wipe only. What comes
// into unused parts meanwhile was not deleted before Scrub began.
func (a *Archive) wipePages(ctx context.Context) error {
	for first, last := 1, 0; last == 0 || first <= last; first += pagesAtOnce {
		// Asked each time: the database may grow or shrink.
		err := a.read.QueryRowContext(ctx, `SELECT page_count FROM pragma_page_count`).Scan(&last)
		if err != nil {
			return fmt.Errorf("counting pages: %w", err)
		}
		dirty, err := dirtyPages(ctx, a.read, first)
		if err == nil && len(dirty) > 0 {
			err = a.update(ctx, func(tx *sql.Tx) error { return wipe(ctx, tx, first) })
		}
		if err != nil {
			return fmt.Errorf("wiping pages from %d on: %w", first, err)
		}
	}
	return nil
}

// wipe wipes the pages from first on, pagesAtOnce at most.
func wipe(ctx context.Context, tx *sql.Tx, first int) error {
	dirty, err := dirtyPages(ctx, tx, first)
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
}

// A page of the database's file; the first has number 1.
type page struct {
	number int
	data   []byte
}

// pagesBetween asks for pages one by one: sqlite_dbpage goes through the whole
// database for anything but a single number. Pages of a pointer map (section 1.8 of the
// file format: of 820 pages of 4096 bytes, one) are no b-tree's, and shown empty.
const pagesBetween = `
	WITH RECURSIVE n (i) AS (SELECT ?1 UNION ALL SELECT i + 1 FROM n WHERE i < ?2)
	SELECT p.pgno, iif((SELECT auto_vacuum FROM pragma_auto_vacuum) > 0 AND (p.pgno - 2) % 820 = 0, x'', p.data)
	FROM n CROSS JOIN sqlite_dbpage p WHERE p.pgno = n.i`

// dirtyPages returns the pages whose unused parts hold something, of those from
// first on, pagesAtOnce at most.
func dirtyPages(ctx context.Context, q querier, first int) (dirty []page, err error) {
	rows, err := q.QueryContext(ctx, pagesBetween, first, first+pagesAtOnce-1)
	if err != nil {
		return nil, err
	}
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
// headers. Other pages have none, nor has one whose parts don't add up to the
// whole, which SQLite did not write. See section 1.6 of the file format,
// https://www.sqlite.org/fileformat2.html; the first page begins with the
// file's own header of 100 bytes. Overflow pages and those of the free list
// begin with a page number below 2^25, and so with a byte below 2, while a
// database is under 128 GiB.
func unused(data []byte, first bool) (spans []span) {
	header := 0
	if first {
		header = 100
	}
	if len(data) < 512 || len(data) > 1<<16 { // 3.1.2 of the same: SQLite's least and most
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
	cells, content, fragments := number(header+3), number(header+5), int(data[header+7])
	if content == 0 {
		content = 1 << 16
	}
	gap := span{pointers + 2*cells, content}
	if gap.from > gap.until || gap.until > len(data) {
		return nil
	}
	spans = append(spans, gap)
	var taken []span // what must neither overlap nor leave more than the fragments
	for i := range cells {
		at := number(pointers + 2*i)
		taken = append(taken, span{at, at + cellSize(data, at, data[header])})
	}
	// Free blocks are chained in the order of their place.
	for at, end := number(header+1), content; at != 0; at = number(at) {
		if at < end || at+4 > len(data) {
			return nil
		}
		end = at + number(at+2)
		if end < at+4 || end > len(data) {
			return nil
		}
		taken = append(taken, span{at, end})
		spans = append(spans, span{at + 4, end})
	}
	slices.SortFunc(taken, func(a, b span) int { return a.from - b.from })
	at := content
	for _, t := range taken {
		if t.from < at || t.until > len(data) {
			return nil
		}
		fragments -= t.from - at
		at = t.until
	}
	if fragments != len(data)-at {
		return nil
	}
	return spans
}

// cellSize returns how many bytes of a b-tree page a cell takes, or more than a
// page has if it is none.
func cellSize(data []byte, at int, kind byte) int {
	const none = 1 << 17
	begin, usable := at, len(data) // nothing is reserved at the end of Lintel's pages
	if kind == 2 || kind == 5 {
		at += 4 // the page below
	}
	payload, n := varint(data, at)
	at += n
	if n == 0 {
		return none
	}
	if kind == 5 { // where the number is the key, and all
		return at - begin
	}
	most := (usable-12)*64/255 - 23
	if kind == 13 {
		_, n := varint(data, at)
		if at += n; n == 0 {
			return none
		}
		most = usable - 35
	}
	if payload > uint64(most) { // what is over is on overflow pages, the first of which is named
		least := (usable-12)*32/255 - 23
		here := least + int((payload-uint64(least))%uint64(usable-4))
		if here > most {
			here = least
		}
		return at - begin + here + 4
	}
	return max(at-begin+int(payload), 4)
}

// varint reads a number of 1 to 9 bytes, see the file format's section 1.6; n is
// 0 if the page ends before it does.
func varint(data []byte, at int) (v uint64, n int) {
	for n := range 9 {
		if at+n >= len(data) {
			return 0, 0
		}
		b := data[at+n]
		if n == 8 {
			return v<<8 | uint64(b), 9
		}
		if v = v<<7 | uint64(b&0x7f); b < 0x80 {
			return v, n + 1
		}
	}
	return v, 9
}
