package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"lintel/internal/house"
	"lintel/store/seal"
)

// tabletSetting is the setting that holds what a resident decided of a tablet.
func tabletSetting(id string) string { return "tablet " + id }

// everyTablet is what holds of a tablet of which nobody decided anything.
var everyTablet = house.TabletRules{May: house.MayAnswer}

// openTabletRules opens what holds of a tablet, from its setting if there is one.
func (a *Archive) openTabletRules(r *house.TabletRules, sealed []byte, id string) error {
	if *r = everyTablet; sealed == nil {
		return nil
	}
	err := a.openJSON(r, sealed, "settings.value", tabletSetting(id))
	if errors.Is(err, seal.ErrOpen) {
		*r, err = house.TabletRules{May: house.MayNow, Guest: true}, nil // the least that one may
	}
	return err
}

// SetTabletRules decides of a tablet. The errors are ErrBadTablet and ErrNotFound.
func (a *Archive) SetTabletRules(ctx context.Context, id string, r house.TabletRules) error {
	if err := r.Check(); err != nil {
		return err
	}
	err := a.update(ctx, func(tx *sql.Tx) error {
		var there bool
		err := tx.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM tablets WHERE id = ? AND `+
			vouchedFor("tablets", "")+`)`, id).Scan(&there)
		if err == nil && !there {
			err = house.ErrNotFound
		}
		if err != nil {
			return err
		}
		if err := a.set(ctx, tx, tabletSetting(id), r); err != nil {
			return err
		}
		return a.note(ctx, tx, "changed", "tablet "+id)
	})
	if err != nil {
		return fmt.Errorf("deciding of tablet %s: %w", id, spaceError(err))
	}
	a.signal() // it shows something else
	return nil
}

// forgetTabletRules removes what was decided of a tablet that goes.
func forgetTabletRules(ctx context.Context, tx *sql.Tx, ids ...string) (err error) {
	for _, id := range ids {
		_, e := tx.ExecContext(ctx, `DELETE FROM settings WHERE name = ?`, tabletSetting(id))
		err = errors.Join(err, e)
	}
	return err
}
