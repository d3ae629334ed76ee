package store

import (
	"context"
	"database/sql"
	"fmt"
)

// startedSetting says that the household has put its first steps behind it.
const startedSetting = "started"

// Started reports whether a resident said that the first steps are done.
func (a *Archive) Started(ctx context.Context) (started bool, err error) {
	_, err = a.settingOrNone(ctx, a.read, startedSetting, &started)
	return started, err
}

// SetStarted says that the first steps are done, or are to be shown again.
func (a *Archive) SetStarted(ctx context.Context, started bool) error {
	err := a.update(ctx, func(tx *sql.Tx) error { return a.set(ctx, tx, startedSetting, started) })
	if err != nil {
		return fmt.Errorf("putting the first steps away: %w", spaceError(err))
	}
	return nil
}
