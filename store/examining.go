package store

import (
	"context"
	"database/sql"
	"fmt"
	"time"

	"lintel/internal/house"
)

// behind is how long a still may wait to be examined before new ones come first.
const behind = 5 * time.Minute

// PendingStills returns stills that wait to be examined. New ones come first, then
// those that wait for long, then old ones that were brought in: of each bell the oldest
// first, then of each the next, so that no bell's wait for all of another's.
func (a *Archive) PendingStills(ctx context.Context, limit int) ([]house.Still, error) {
	if a.ReadOnly() {
		return nil, nil // nothing could be recorded of them
	}
	rows, err := a.read.QueryContext(ctx, `
		WITH waiting AS (SELECT s.*, v.bell, v.imported_at IS NOT NULL AS old, s.received_at < ? AS behind
			FROM stills s JOIN visits v ON v.id = s.visit WHERE s.state = 'pending'),
		pending AS (SELECT *, row_number() OVER (PARTITION BY bell, old, behind ORDER BY received_at, id) AS turn
			FROM waiting)
		SELECT `+stillColumns+`, bell, old, behind FROM pending ORDER BY old, behind, turn, received_at LIMIT ?`,
		micros(a.now().Add(-behind)), limit)
	stills, err := scanAll(rows, err, func(s *house.Still) error {
		return scanStill(rows, s, &s.Bell, &s.Imported, &s.Behind)
	})
	if err != nil {
		return nil, fmt.Errorf("reading pending stills: %w", err)
	}
	return stills, nil
}

// BeginExamination counts an attempt, durably, before it is made: a still that
// takes the process down is known by its attempts at the next start.
func (a *Archive) BeginExamination(ctx context.Context, still string) error {
	_, err := a.write.ExecContext(ctx, `UPDATE stills SET attempts = attempts + 1 WHERE id = ?`, still)
	if err != nil {
		return fmt.Errorf("beginning an examination: %w", err)
	}
	return nil
}

// pendingOnce has a still that was given up be tried once more: one attempt is left
// to it.
var pendingOnce = fmt.Sprintf(`state = 'pending', attempts = %d`, house.MaxAttempts-1)

// givenUp are stills that could not be examined and are there yet.
const givenUp = `state = 'failed' AND file IS NOT NULL`

// TryGivenUp has stills be tried once more that another version of Lintel gave up,
// and returns how many. Those that are given up from now on are by this version.
func (a *Archive) TryGivenUp(ctx context.Context, version string) (stills int, err error) {
	a.version = version
	for !a.ReadOnly() {
		var visits []string
		err := a.update(ctx, func(tx *sql.Tx) (err error) {
			visits, err = texts(tx.QueryContext(ctx, `SELECT DISTINCT visit FROM stills WHERE `+givenUp+`
				AND given_up IS NOT ? LIMIT ?`, version, batch))
			for _, visit := range visits {
				if err == nil {
					err = a.tryAgain(ctx, tx, visit, &stills)
				}
			}
			return err
		})
		if err != nil {
			return stills, fmt.Errorf("trying again what another version gave up: %w", spaceError(err))
		}
		if len(visits) == 0 {
			return stills, nil
		}
		a.signal()
	}
	return 0, nil
}

func (a *Archive) tryAgain(ctx context.Context, tx *sql.Tx, visit string, stills *int) error {
	res, err := tx.ExecContext(ctx, `UPDATE stills SET `+pendingOnce+`, given_up = ? WHERE visit = ? AND `+givenUp,
		a.version, visit)
	if err != nil {
		return err
	}
	n, err := res.RowsAffected()
	if *stills += int(n); err != nil {
		return err
	}
	return a.settle(ctx, tx, visit)
}

// TryVisitAgain has the stills of a visit be tried once more that were given up, by
// somebody's will. The error is house.ErrNotFound if there is no such visit.
func (a *Archive) TryVisitAgain(ctx context.Context, visit string) error {
	err := a.update(ctx, func(tx *sql.Tx) error {
		var there bool
		err := tx.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM visits WHERE id = ?)`, visit).Scan(&there)
		if err == nil && !there {
			err = fmt.Errorf("visit %s: %w", visit, house.ErrNotFound)
		}
		tried := 0
		if err == nil {
			err = a.tryAgain(ctx, tx, visit, &tried)
		}
		if err != nil || tried == 0 {
			return err
		}
		return a.note(ctx, tx, "changed", "visit "+visit)
	})
	if err != nil {
		return fmt.Errorf("trying the stills of a visit again: %w", spaceError(err))
	}
	a.signal()
	return nil
}
