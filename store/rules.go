package store

import (
	"context"
	"database/sql"
	"fmt"

	"lintel/internal/house"
)

// Rules returns the rules of the household, DefaultRules until it set some. With
// the error house.ErrUnvouched it returns rules to show: nobody may go by them.
func (a *Archive) Rules(ctx context.Context) (house.Rules, error) { return a.rulesIn(ctx, a.read) }

func (a *Archive) rulesIn(ctx context.Context, q querier) (house.Rules, error) {
	rules := house.DefaultRules()
	_, err := a.setting(ctx, q, "rules", &rules)
	return rules, err
}

// SetRules keeps the rules, which hold from the next sweep on. The error is
// ErrBadRule if they can't be followed; then the old ones stay.
func (a *Archive) SetRules(ctx context.Context, r house.Rules) error {
	if err := r.Check(); err != nil {
		return err
	}
	err := a.update(ctx, func(tx *sql.Tx) error {
		if err := a.set(ctx, tx, "rules", r); err != nil {
			return err
		}
		if err := a.countDays(ctx, tx); err != nil {
			return err
		}
		if err := allowSweep(ctx, tx); err != nil { // they were shown what goes
			return err
		}
		return a.note(ctx, tx, "changed", "rules")
	})
	if err != nil {
		return fmt.Errorf("keeping the rules: %w", spaceError(err))
	}
	return nil
}
