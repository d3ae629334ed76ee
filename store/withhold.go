package store

import (
	"context"
	"database/sql"
	"fmt"

	"lintel/internal/house"
)

// mayGo reports whether a sweep may begin. What is due is compared with the busiest
// day that is kept, since a busy day goes at once when its time is over. Old visits
// that were brought in are not counted: whoever does that was told how long they stay.
func (a *Archive) mayGo(ctx context.Context, rules house.Rules) error {
	if doubt, err := a.LookAtClock(ctx); err != nil || doubt != "" {
		if err == nil {
			err = house.ErrClockDoubted
		}
		return err
	}
	w, err := a.unusual(ctx, rules)
	if err != nil || w.Due <= house.UnusualSweep*w.Usual {
		return err
	}
	var since sql.NullInt64
	var allowed bool
	err = a.write.QueryRowContext(ctx, `UPDATE clock SET withheld_at = min(coalesce(withheld_at, ?1), ?1)
		RETURNING withheld_at, allowed`, micros(a.now())).Scan(&since, &allowed)
	if err != nil {
		return fmt.Errorf("having a sweep wait: %w", spaceError(err))
	}
	if w.Until = timeOf(since).Add(house.SweepWaits); allowed || !w.Until.After(a.now()) {
		return nil
	}
	return w
}

// unusual compares what would go now by the rules with what comes on a day.
func (a *Archive) unusual(ctx context.Context, rules house.Rules) (w house.WaitingSweep, err error) {
	err = a.read.QueryRowContext(ctx, `SELECT coalesce(max(n), 0) FROM (SELECT sum(visits) AS n FROM days
		WHERE person = '' GROUP BY day)`).Scan(&w.Usual)
	if err != nil {
		return w, fmt.Errorf("looking for the busiest day: %w", damage(err))
	}
	tx, err := a.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return w, fmt.Errorf("counting what would go: %w", err)
	}
	defer tx.Rollback()
	most := make(map[step]int) // by where visits stand, since one sweep takes each once
	for _, s := range stepsOf(rules) {
		if s.to == house.Smaller {
			continue
		}
		s.fresh = true
		n, err := a.countDue(ctx, tx, s)
		if err != nil {
			return w, fmt.Errorf("counting what would go: %w", err)
		}
		at := step{kind: s.kind, from: s.from}
		w.Due += max(0, n-most[at])
		most[at] = max(n, most[at])
	}
	return w, nil
}

// SweepWaits reports whether a sweep waits for a resident.
func (a *Archive) SweepWaits(ctx context.Context) (waits bool, err error) {
	err = a.read.QueryRowContext(ctx, `SELECT withheld_at IS NOT NULL AND NOT allowed FROM clock`).Scan(&waits)
	if err != nil {
		return false, fmt.Errorf("asking whether a sweep waits: %w", damage(err))
	}
	return waits, nil
}

// WaitingSweep returns the sweep that waits for a resident, and whether one does.
func (a *Archive) WaitingSweep(ctx context.Context) (w house.WaitingSweep, waits bool, err error) {
	var since sql.NullInt64
	var allowed bool
	err = a.read.QueryRowContext(ctx, `SELECT withheld_at, allowed FROM clock`).Scan(&since, &allowed)
	if err != nil || !since.Valid || allowed {
		return w, false, err
	}
	rules, err := a.Rules(ctx)
	if err == nil {
		w, err = a.unusual(ctx, rules)
	}
	w.Until = timeOf(since).Add(house.SweepWaits)
	return w, err == nil, err
}

// AllowSweep has the next sweep delete what the rules say, however much that is, by a
// resident's word.
func (a *Archive) AllowSweep(ctx context.Context) error {
	err := a.update(ctx, func(tx *sql.Tx) error {
		if err := allowSweep(ctx, tx); err != nil {
			return err
		}
		return a.note(ctx, tx, "changed", "sweep")
	})
	if err != nil {
		return fmt.Errorf("allowing a sweep: %w", spaceError(err))
	}
	return nil
}

// allowSweep allows nothing while the clock is doubted: by its time nobody could be shown
// what would go.
func allowSweep(ctx context.Context, tx *sql.Tx) error {
	_, err := tx.ExecContext(ctx, `UPDATE clock SET allowed = 1 WHERE doubt = ''`)
	return err
}
