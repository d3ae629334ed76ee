package store

import (
	"context"
	"database/sql"
	"fmt"

	"lintel/internal/house"
)

// lensSetting names the setting that a bell's lens is. Settings are sealed for
// their name, so no bell can be given another's.
func lensSetting(bell string) string { return "lens " + bell }

// Lens returns how a bell looks, and whether that is known. Of a bell that does
// not exist it is not; of one that was removed it still may be.
func (a *Archive) Lens(ctx context.Context, bell string) (l house.Lens, known bool, err error) {
	known, err = a.settingOrNone(ctx, a.read, lensSetting(a.bellID(bell)), &l)
	return l, known, err
}

// SetLens keeps how a bell looks. The error is ErrBadLens, or ErrNotFound
// without such a bell.
func (a *Archive) SetLens(ctx context.Context, bell string, l house.Lens) error {
	if err := l.Check(); err != nil {
		return err
	}
	id := a.bellID(bell)
	return a.changeOfBell(ctx, bell, "lens", func(tx *sql.Tx) error {
		if err := a.set(ctx, tx, lensSetting(id), l); err != nil {
			return err
		}
		return a.note(ctx, tx, "changed", "lens "+id)
	})
}

// ClearLens forgets how a bell looks, if that was known. The error is
// ErrNotFound without such a bell.
func (a *Archive) ClearLens(ctx context.Context, bell string) error {
	id := a.bellID(bell)
	return a.changeOfBell(ctx, bell, "lens", func(tx *sql.Tx) error {
		return a.changeIn(ctx, tx, "removed", "lens "+id, nil, `DELETE FROM settings WHERE name = ?`, lensSetting(id))
	})
}

// changeOfBell makes a change of what belongs to a bell, provided that there is such
// a bell.
func (a *Archive) changeOfBell(ctx context.Context, bell, what string, change func(*sql.Tx) error) error {
	err := a.update(ctx, func(tx *sql.Tx) error {
		if err := a.bellMustBe(ctx, tx, bell); err != nil {
			return err
		}
		return change(tx)
	})
	if err != nil {
		return fmt.Errorf("changing a bell's %s: %w", what, spaceError(err))
	}
	a.signal()
	return nil
}
