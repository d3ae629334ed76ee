package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
)

// ErrBadLens says that no bell's lens looks like that, and why.
var ErrBadLens = errors.New("no bell's lens looks like that")

// A Lens says how a bell's camera looks at the doorstep, so that a face of so
// many pixels can be given a place.
type Lens struct {
	// Angle is the horizontal angle of view, in degrees: 20 to 200, and less
	// than 170 for a straight one.
	Angle float64 `json:"angle_deg"`
	// Projection is how the lens draws angles.
	Projection Projection `json:"projection"`
	// Height is that of the lens over the ground where visitors stand, in
	// metres, 0.3 to 3.
	Height float64 `json:"height_m"`
	// Tilt is how far the camera looks down, in degrees, -45 to 60; negative
	// is up.
	Tilt float64 `json:"tilt_deg"`
}

// A Projection is how far from the middle of the still a lens draws what is at
// an angle t to its axis.
type Projection string

const (
	Straight    Projection = "straight"    // f·tan(t): straight lines stay straight
	Equidistant Projection = "equidistant" // f·t: most lenses wider than 120 degrees
)

// Check reports what is wrong with the lens: ErrBadLens.
func (l Lens) Check() error {
	// Each test is of what is right, so that no number (NaN) fails it.
	switch {
	case l.Projection != Straight && l.Projection != Equidistant:
		return fmt.Errorf("%w: it draws %s or %s", ErrBadLens, Straight, Equidistant)
	case !(l.Angle >= 20 && l.Angle <= 200):
		return fmt.Errorf("%w: its angle of view is 20 to 200 degrees", ErrBadLens)
	case l.Projection == Straight && !(l.Angle < 170):
		return fmt.Errorf("%w: one that keeps lines straight has an angle of view under 170 degrees", ErrBadLens)
	case !(l.Height >= 0.3 && l.Height <= 3):
		return fmt.Errorf("%w: it is 0.3 to 3 metres over the ground", ErrBadLens)
	case !(l.Tilt >= -45 && l.Tilt <= 60):
		return fmt.Errorf("%w: it looks down by 60 degrees at the most, and up by 45", ErrBadLens)
	}
	return nil
}

// lensSetting names the setting that a bell's lens is. Settings are sealed for
// their name, so no bell can be given another's.
func lensSetting(bell string) string { return "lens " + bell }

// Lens returns how a bell looks, and whether that is known. Of a bell that does
// not exist it is not; of one that was removed it still may be.
func (a *Archive) Lens(ctx context.Context, bell string) (l Lens, known bool, err error) {
	known, err = a.setting(ctx, a.read, lensSetting(a.bellID(bell)), &l)
	return l, known, err
}

// SetLens keeps how a bell looks. The error is ErrBadLens, or ErrNotFound
// without such a bell.
func (a *Archive) SetLens(ctx context.Context, bell string, l Lens) error {
	if err := l.Check(); err != nil {
		return err
	}
	id := a.bellID(bell)
	return a.changeLens(ctx, bell, func(tx *sql.Tx) error {
		if err := a.set(ctx, tx, lensSetting(id), l); err != nil {
			return err
		}
		return a.note(ctx, tx, "changed", "lens of bell "+id)
	})
}

// ClearLens forgets how a bell looks, if that was known. The error is
// ErrNotFound without such a bell.
func (a *Archive) ClearLens(ctx context.Context, bell string) error {
	id := a.bellID(bell)
	return a.changeLens(ctx, bell, func(tx *sql.Tx) error {
		return a.changeIn(ctx, tx, "removed", "lens of bell "+id, nil, `DELETE FROM settings WHERE name = ?`, lensSetting(id))
	})
}

// changeLens makes a change, provided that there is such a bell.
func (a *Archive) changeLens(ctx context.Context, bell string, change func(*sql.Tx) error) error {
	err := a.update(ctx, func(tx *sql.Tx) error {
		if err := a.bellMustBe(ctx, tx, bell); err != nil {
			return err
		}
		return change(tx)
	})
	if err != nil {
		return fmt.Errorf("changing a bell's lens: %w", spaceError(err))
	}
	a.signal()
	return nil
}
