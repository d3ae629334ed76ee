package store

import (
	"context"
	"database/sql"
	"fmt"
	"time"

	"lintel/internal/house"
)

// displaySetting names the setting that a bell's display is.
func displaySetting(bell string) string { return "display " + bell }

// Display returns what a bell's display is like, and whether it has one that
// somebody told of. A bell that does not exist has none.
func (a *Archive) Display(ctx context.Context, bell string) (d house.Display, known bool, err error) {
	known, err = a.settingOrNone(ctx, a.read, displaySetting(a.bellID(bell)), &d)
	return d, known, err
}

// SetDisplay keeps what a bell's display is like. The error is ErrBadDisplay, or
// ErrNotFound without such a bell.
func (a *Archive) SetDisplay(ctx context.Context, bell string, d house.Display) error {
	if err := d.Check(); err != nil {
		return err
	}
	id := a.bellID(bell)
	return a.changeOfBell(ctx, bell, "display", func(tx *sql.Tx) error {
		if err := a.set(ctx, tx, displaySetting(id), d); err != nil {
			return err
		}
		return a.note(ctx, tx, "changed", "display "+id)
	})
}

// ClearDisplay forgets a bell's display, if it has one: it gets no messages then.
// The error is ErrNotFound without such a bell.
func (a *Archive) ClearDisplay(ctx context.Context, bell string) error {
	id := a.bellID(bell)
	return a.changeOfBell(ctx, bell, "display", func(tx *sql.Tx) error {
		if err := a.endMessages(ctx, tx, id); err != nil {
			return err
		}
		return a.changeIn(ctx, tx, "removed", "display "+id, nil, `DELETE FROM settings WHERE name = ?`,
			displaySetting(id))
	})
}

const messageRulesSetting = "messages"

// MessageRules returns what the household decided about messages, and whether it
// did.
func (a *Archive) MessageRules(ctx context.Context) (r house.MessageRules, decided bool, err error) {
	decided, err = a.settingOrNone(ctx, a.read, messageRulesSetting, &r)
	return r, decided, err
}

// SetMessageRules keeps what the household decided about messages. The error is
// ErrBadMessage or ErrBadRule.
func (a *Archive) SetMessageRules(ctx context.Context, r house.MessageRules) error {
	if err := r.Check(); err != nil {
		return err
	}
	err := a.update(ctx, func(tx *sql.Tx) error {
		if err := a.set(ctx, tx, messageRulesSetting, r); err != nil {
			return err
		}
		return a.note(ctx, tx, "changed", "message-rules")
	})
	if err != nil {
		return fmt.Errorf("keeping the rules of messages: %w", spaceError(err))
	}
	a.signal()
	return nil
}

// An outside is how warm it was outside, in degrees Celsius, and when.
type outside struct {
	Celsius float64   `json:"celsius"`
	At      time.Time `json:"at"`
}

const outsideSetting = "outside"

// TellOutside keeps how warm it is outside now, in degrees Celsius, in place of
// what was told before. It is nothing to be found in the audit trail.
func (a *Archive) TellOutside(ctx context.Context, celsius float64) error {
	err := a.update(ctx, func(tx *sql.Tx) error {
		return a.set(ctx, tx, outsideSetting, outside{celsius, a.now().UTC()})
	})
	if err != nil {
		return fmt.Errorf("keeping a temperature: %w", spaceError(err))
	}
	return nil
}

// Outside returns how warm it was outside, in degrees Celsius, when that was last
// told; the zero time if it never was.
func (a *Archive) Outside(ctx context.Context) (celsius float64, at time.Time, err error) {
	var o outside
	_, err = a.settingOrNone(ctx, a.read, outsideSetting, &o)
	return o.Celsius, o.At, err
}
