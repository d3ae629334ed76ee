package store

import (
	"context"
	"errors"
	"fmt"
	"os"
	"time"

	"lintel/internal/house"
)

// What is erased leaves free pages in the database's file, which are used again before
// the file grows. After a great erasure they are given back to the disk, a few at a
// time, so that no ring waits: a database knows how to since it was made, or since it
// was written anew once ([Archive.Compact]), see PRAGMA auto_vacuum of SQLite.

const (
	// shrinkAtOnce is how many pages one transaction of Shrink gives back.
	shrinkAtOnce = 64
	// slackShare is the part of the file that may be free, and slackPages the pages that
	// may be free of the smallest.
	slackShare, slackPages = 10, 1024
	// compactQuickly is up to how many bytes a database is written anew while a server
	// runs: nobody can write meanwhile, and a ring waits no longer than its deadline.
	compactQuickly = 256 << 20
)

// ErrNotWhileServed says that it would keep rings waiting.
var ErrNotWhileServed = errors.New("it would take too long while a server runs")

// Shrink gives free pages of the database's file back to the disk, if they are more than
// a tenth of it, and returns how many bytes. A database of an earlier version is written
// anew for that, once; the error is house.ErrNoSpace if there is no room for a copy, and
// ErrNotWhileServed if it is too large for that, unless the caller is alone with it.
func (a *Archive) Shrink(ctx context.Context, alone bool) (bytes int64, err error) {
	before, err := a.databaseSize()
	if err != nil {
		return 0, err
	}
	var pages, free int64
	var incremental bool
	err = a.read.QueryRowContext(ctx, `SELECT page_count, freelist_count, auto_vacuum = 2
		FROM pragma_page_count, pragma_freelist_count, pragma_auto_vacuum`).Scan(&pages, &free, &incremental)
	if err == nil && free <= max(slackPages, pages/slackShare) {
		return 0, nil
	}
	if err == nil && !incremental {
		if (pages-free)*pageSize > compactQuickly && !alone {
			return 0, fmt.Errorf("writing the database anew: %w", ErrNotWhileServed)
		}
		return a.Compact(ctx)
	}
	for last := free + 1; err == nil && free > 0 && free < last; {
		last = free
		if free, err = a.giveBack(ctx); err == nil {
			err = ctx.Err()
		}
	}
	if err == nil {
		err = a.emptyLog(ctx)
	}
	if err != nil {
		return 0, fmt.Errorf("shrinking the database: %w", spaceError(err))
	}
	after, err := a.databaseSize()
	return before - after, err
}

// giveBack gives some pages back and returns how many are left to give.
func (a *Archive) giveBack(ctx context.Context) (free int64, err error) {
	// The statement gives a page back with each step that it is asked for.
	rows, err := a.write.QueryContext(ctx, fmt.Sprintf(`PRAGMA incremental_vacuum(%d)`, shrinkAtOnce))
	if err != nil {
		return 0, err
	}
	for rows.Next() {
	}
	if err := errors.Join(rows.Err(), rows.Close()); err != nil {
		return 0, err
	}
	err = a.read.QueryRowContext(ctx, `SELECT freelist_count FROM pragma_freelist_count`).Scan(&free)
	return free, err
}

// Compact writes the whole database anew, without what is free or left of what was
// deleted, and returns by how many bytes it is shorter. Nobody can write meanwhile.
// SQLite does it in one transaction: one that breaks off has done nothing.
func (a *Archive) Compact(ctx context.Context) (bytes int64, err error) {
	before, err := a.databaseSize()
	if err != nil {
		return 0, err
	}
	if a.checkDiskSpace(int(2*before)) != nil {
		return 0, fmt.Errorf("writing the database anew: %w", house.ErrNoSpace)
	}
	for _, statement := range []string{`PRAGMA auto_vacuum = 2`, `VACUUM`} {
		if _, err := a.write.ExecContext(ctx, statement); err != nil {
			return 0, fmt.Errorf("writing the database anew: %w", spaceError(err))
		}
	}
	if err := a.emptyLog(ctx); err != nil {
		return 0, fmt.Errorf("writing the database anew: %w", spaceError(err))
	}
	after, err := a.databaseSize()
	return before - after, err
}

func (a *Archive) databaseSize() (int64, error) {
	info, err := os.Stat(a.databasePath())
	if err != nil {
		return 0, fmt.Errorf("measuring the database: %w", err)
	}
	return info.Size(), nil
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
