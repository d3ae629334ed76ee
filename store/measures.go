package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"syscall"
	"time"

	"lintel/internal/house"
)

// Disk returns how many bytes of the disk the archive may still use, and how many
// the disk has.
func (a *Archive) Disk() (free, size int64, err error) {
	var disk syscall.Statfs_t
	if err := syscall.Statfs(a.dir, &disk); err != nil {
		return 0, 0, fmt.Errorf("asking how full the disk is: %w", err)
	}
	block := int64(disk.Bsize)
	return int64(disk.Bavail) * block, int64(disk.Blocks) * block, nil
}

// Roomy reports whether the disk takes stills: the error is ErrNoSpace where they are
// refused for want of room, or since nothing can be written.
func (a *Archive) Roomy() error {
	if err := a.checkDiskSpace(0); err != nil {
		return spaceError(err)
	}
	// As a still is: what the kernel keeps in memory of a dead disk looks well.
	f, err := os.CreateTemp(filepath.Join(a.dir, "incoming"), "probe-*"+smallSuffix)
	if err != nil {
		return fmt.Errorf("trying the disk: %w", spaceError(err))
	}
	err = errors.Join(f.Close(), os.Remove(f.Name()))
	if err != nil {
		return fmt.Errorf("trying the disk: %w", spaceError(err))
	}
	return nil
}

// Queue says how many stills wait to be examined, and since when the one that
// waits longest does: the zero time where none waits.
func (a *Archive) Queue(ctx context.Context) (stills int, since time.Time, err error) {
	var oldest sql.NullInt64
	err = a.read.QueryRowContext(ctx, `SELECT count(*), min(received_at) FROM stills WHERE state = 'pending'`).
		Scan(&stills, &oldest)
	if err != nil {
		return 0, time.Time{}, fmt.Errorf("counting stills that wait: %w", damage(err))
	}
	return stills, timeOf(oldest), nil
}

// AdviceCounts says how many decisions on advice are kept, by what became of them.
func (a *Archive) AdviceCounts(ctx context.Context) (map[house.AdviceState]int, error) {
	rows, err := a.read.QueryContext(ctx, `SELECT state, count(*) FROM advice GROUP BY state`)
	type count struct {
		state house.AdviceState
		n     int
	}
	counts, err := scanAll(rows, err, func(c *count) error { return rows.Scan(&c.state, &c.n) })
	if err != nil {
		return nil, fmt.Errorf("counting advice: %w", damage(err))
	}
	all := make(map[house.AdviceState]int)
	for _, c := range counts {
		all[c.state] = c.n
	}
	return all, nil
}

// CheckKey reports whether the archive's master key opens it: the error is
// ErrWrongKey if not.
func (a *Archive) CheckKey(ctx context.Context) error { return a.checkMark(ctx, a.read) }
