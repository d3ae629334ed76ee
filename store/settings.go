package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"

	"lintel/internal/house"
	"lintel/store/seal"
)

// setting reads a setting into v and reports whether it is there. The error is
// house.ErrUnvouched for one that somebody without the master key put there, or
// put back as it once was: that is then what v holds. So it is for one that does not
// open any more, and v as it was.
func (a *Archive) setting(ctx context.Context, q querier, name string, v any) (found bool, err error) {
	var sealed []byte
	right, asks := true, `true` // of a copy that has no vouchers yet
	if a.vouches {
		asks = vouchedFor("settings", "")
	}
	err = q.QueryRowContext(ctx, `SELECT value, `+asks+` FROM main.settings WHERE name = ?`,
		name).Scan(&sealed, &right)
	if errors.Is(err, sql.ErrNoRows) {
		return false, nil
	}
	if err != nil {
		return false, fmt.Errorf("reading the setting %s: %w", name, err)
	}
	if err := a.openJSON(v, sealed, "settings.value", name); errors.Is(err, seal.ErrOpen) {
		right = false
	} else if err != nil {
		return false, fmt.Errorf("the setting %s: %w", name, err)
	}
	if !right {
		return true, fmt.Errorf("the setting %s: %w", name, house.ErrUnvouched)
	}
	return true, nil
}

// settingOrNone is setting for what gives no power over the household: one that
// is not vouched for is as if it were not there, and v as it was.
func (a *Archive) settingOrNone(ctx context.Context, q querier, name string, v any) (found bool, err error) {
	var kept json.RawMessage
	found, err = a.setting(ctx, q, name, &kept)
	if errors.Is(err, house.ErrUnvouched) {
		return false, nil
	}
	if err == nil && found {
		err = json.Unmarshal(kept, v)
	}
	return found, err
}

// set keeps a setting.
func (a *Archive) set(ctx context.Context, tx *sql.Tx, name string, v any) error {
	sealed, err := a.sealJSON(v, "settings.value", name)
	if err != nil {
		return fmt.Errorf("writing the setting %s: %w", name, err)
	}
	_, err = tx.ExecContext(ctx,
		`INSERT INTO settings (name, value) VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET value = excluded.value`,
		name, sealed)
	if err != nil {
		return fmt.Errorf("writing the setting %s: %w", name, err)
	}
	return nil
}

// Household returns the archive's own random id, by which a backup is known to
// be of this household and no other.
func (a *Archive) Household(ctx context.Context) (id string, err error) {
	if found, err := a.setting(ctx, a.read, "household", &id); err != nil || found {
		return id, err
	}
	err = a.update(ctx, func(tx *sql.Tx) error {
		// Another process may have been quicker.
		if found, err := a.setting(ctx, tx, "household", &id); err != nil || found {
			return err
		}
		id = newID()
		return a.set(ctx, tx, "household", id)
	})
	return id, err
}
