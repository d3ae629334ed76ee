package store

import (
	"context"
	"database/sql"
	"fmt"

	"lintel/internal/house"
)

const chimeSetting = "chime"

// Chime returns how tablets tell of a ring.
func (a *Archive) Chime(ctx context.Context) (house.Chime, error) {
	chime := house.DefaultChime()
	_, err := a.settingOrNone(ctx, a.read, chimeSetting, &chime)
	return chime, err
}

// SetChime keeps it, and tablets hear of it at once. The error is ErrBadRule.
func (a *Archive) SetChime(ctx context.Context, c house.Chime) error {
	if err := c.Check(); err != nil {
		return err
	}
	err := a.update(ctx, func(tx *sql.Tx) error {
		if err := a.set(ctx, tx, chimeSetting, c); err != nil {
			return err
		}
		return a.note(ctx, tx, "changed", "chime")
	})
	if err != nil {
		return fmt.Errorf("keeping the chime: %w", spaceError(err))
	}
	a.signal()
	return nil
}
