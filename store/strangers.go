package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"lintel/internal/house"
)

// Introduce adds a person together with the consent that they gave and
// references of their face, whose person it fills in: all of them or, if
// anything is refused, nothing. A picture that comes twice is enrolled once.
// The errors are ErrBadPersonName, ErrNoConsent and ErrNoReference.
func (a *Archive) Introduce(ctx context.Context, name string, c house.Consent,
	references []house.Reference) (p house.Person, err error) {
	err = a.update(ctx, func(tx *sql.Tx) error {
		if p, err = a.addPerson(ctx, tx, name); err != nil {
			return err
		}
		if err := a.recordConsent(ctx, tx, p.ID, c); err != nil {
			return err
		}
		if len(references) == 0 {
			return house.ErrNoReference
		}
		for _, r := range references {
			r.Person = p.ID
			err := a.addReference(ctx, tx, r)
			if err == nil {
				p.References++
			} else if !errors.Is(err, house.ErrExists) {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return house.Person{}, fmt.Errorf("adding a person: %w", spaceError(err))
	}
	p.Consent = &c
	return p, nil
}
