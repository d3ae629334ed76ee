package store

import (
	"context"
	"database/sql"
	"fmt"
	"slices"
	"time"

	"lintel/internal/house"
)

// NoteUsage keeps how much the archive takes of its disk today, in place of what was
// noted today before; what is older than [house.DiskDaysKept] days goes.
func (a *Archive) NoteUsage(ctx context.Context) error {
	f, err := a.Usage(ctx)
	if err != nil {
		return err
	}
	today := a.now().UTC()
	err = a.update(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `
			INSERT INTO disk_days (day, bytes) VALUES (?, ?) ON CONFLICT (day) DO UPDATE SET bytes = excluded.bytes`,
			today.Format(time.DateOnly), f.Bytes)
		if err != nil {
			return err
		}
		_, err = tx.ExecContext(ctx, `DELETE FROM disk_days WHERE day <= ?`,
			today.AddDate(0, 0, -house.DiskDaysKept).Format(time.DateOnly))
		return err
	})
	if err != nil {
		return fmt.Errorf("noting how much the archive takes: %w", spaceError(err))
	}
	return nil
}

// DiskDays returns how much the archive took on each day that is known, in their order.
// A day of a clock that was ahead is left out.
func (a *Archive) DiskDays(ctx context.Context) ([]house.DiskDay, error) {
	rows, err := a.read.QueryContext(ctx, `SELECT day, bytes FROM disk_days WHERE day <= ? ORDER BY day DESC LIMIT ?`,
		a.now().UTC().Format(time.DateOnly), house.DiskDaysKept)
	days, err := scanAll(rows, err, func(d *house.DiskDay) error {
		var day string
		if err := rows.Scan(&day, &d.Bytes); err != nil {
			return err
		}
		var err error
		d.Day, err = time.Parse(time.DateOnly, day)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("reading how much the archive took: %w", err)
	}
	slices.Reverse(days)
	return days, nil
}
