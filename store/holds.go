package store

import (
	"context"
	"database/sql"
	"fmt"
	"strings"
	"time"

	"lintel/internal/house"
)

// maxHold is the longest a hold may last; it can be placed again.
const maxHold = 366 * 24 * time.Hour

// PlaceHold keeps a visit until a time, for a reason; a hold it has already is
// replaced. The error is ErrBadHold for one without a reason, without an end,
// with an end that has passed or lies more than a year ahead, and ErrNotFound.
func (a *Archive) PlaceHold(ctx context.Context, visit, reason string, until time.Time) error {
	reason, now := strings.TrimSpace(reason), a.now()
	switch {
	case reason == "" || len(reason) > 1000:
		return house.Fault{Of: house.ErrBadHold, Code: "hold-reason"}
	case until.IsZero():
		return house.Fault{Of: house.ErrBadHold, Code: "hold-endless"}
	case !until.After(now):
		return house.Fault{Of: house.ErrBadHold, Code: "hold-over"}
	case until.After(now.Add(maxHold)):
		return house.Fault{Of: house.ErrBadHold, Code: "hold-long"}
	}
	err := a.changeVisit(ctx, visit, "held", func(tx *sql.Tx) (sql.Result, error) {
		sealed, slot, err := a.sealKeyed(ctx, tx, []byte(reason), "holds.reason", visit)
		if err != nil {
			return nil, err
		}
		return tx.ExecContext(ctx, `
			INSERT INTO holds (visit, reason, slot, placed_at, ends_at) SELECT id, ?, ?, ?, ? FROM visits WHERE id = ?
			ON CONFLICT (visit) DO UPDATE SET reason = excluded.reason, slot = excluded.slot,
				placed_at = excluded.placed_at, ends_at = excluded.ends_at`,
			sealed, slot, micros(now), micros(until), visit)
	})
	if err != nil {
		return fmt.Errorf("placing a hold: %w", err)
	}
	return nil
}

// EndHold ends a visit's hold; from then on the rules say when it goes. The
// error is ErrNotFound without a hold.
func (a *Archive) EndHold(ctx context.Context, visit string) error {
	if err := a.changeVisit(ctx, visit, "released", func(tx *sql.Tx) (sql.Result, error) {
		return tx.ExecContext(ctx, `DELETE FROM holds WHERE visit = ?`, visit)
	}); err != nil {
		return fmt.Errorf("ending a hold: %w", err)
	}
	return nil
}

// isHeld reports whether the visit is there and held.
func (a *Archive) isHeld(ctx context.Context, q querier, visit string) (held bool, err error) {
	err = q.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM holds WHERE visit = ? AND ends_at > ?)`, visit,
		micros(a.now())).Scan(&held)
	if err != nil {
		return false, fmt.Errorf("looking for a hold: %w", err)
	}
	return held, nil
}

// Holds lists the holds that have not ended, by their end.
func (a *Archive) Holds(ctx context.Context) ([]house.Hold, error) {
	rows, err := a.read.QueryContext(ctx,
		`SELECT visit, reason, placed_at, ends_at FROM holds WHERE ends_at > ? ORDER BY ends_at, visit`, micros(a.now()))
	holds, err := scanAll(rows, err, func(h *house.Hold) error {
		var reason []byte
		var placed, ends sql.NullInt64
		if err := rows.Scan(&h.Visit, &reason, &placed, &ends); err != nil {
			return err
		}
		h.PlacedAt, h.EndsAt = timeOf(placed), timeOf(ends)
		return a.unseal(&h.Reason, reason, "holds.reason", h.Visit)
	})
	if err != nil {
		return nil, fmt.Errorf("listing holds: %w", err)
	}
	return holds, nil
}
