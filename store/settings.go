package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
)

// setting reads a setting into v and reports whether it is there.
func (a *Archive) setting(ctx context.Context, q querier, name string, v any) (found bool, err error) {
	var sealed []byte
	err = q.QueryRowContext(ctx, `SELECT value FROM settings WHERE name = ?`, name).Scan(&sealed)
	if errors.Is(err, sql.ErrNoRows) {
		return false, nil
	}
	if err != nil {
		return false, fmt.Errorf("reading the setting %s: %w", name, err)
	}
	if err := a.openJSON(v, sealed, "settings.value", name); err != nil {
		return false, fmt.Errorf("the setting %s: %w", name, err)
	}
	return true, nil
}

// set keeps a setting.
func (a *Archive) set(ctx context.Context, db execer, name string, v any) error {
	sealed, err := a.sealJSON(v, "settings.value", name)
	if err != nil {
		return fmt.Errorf("writing the setting %s: %w", name, err)
	}
	_, err = db.ExecContext(ctx,
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
