package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"lintel/internal/house"
)

// certificateSetting is the setting that holds the house's certificates, sealed
// with their keys: whoever takes the data folder can't speak for the house.
const certificateSetting = "certificates"

// Certificates returns the house's certificates. The error is ErrNotFound where
// none were made.
func (a *Archive) Certificates(ctx context.Context) (c house.Certificates, err error) {
	found, err := a.setting(ctx, a.read, certificateSetting, &c)
	if err == nil && !found {
		err = house.ErrNotFound
	}
	if err != nil {
		return c, fmt.Errorf("reading the certificates: %w", damage(err))
	}
	return c, nil
}

// ChangeCertificates has change make the house's certificates, or make them anew,
// while nobody else does. It is given empty ones where there are none.
func (a *Archive) ChangeCertificates(ctx context.Context, change func(*house.Certificates) error) error {
	err := a.update(ctx, func(tx *sql.Tx) error {
		var c house.Certificates
		found, err := a.setting(ctx, tx, certificateSetting, &c)
		if err == nil {
			err = change(&c)
		}
		if err == nil {
			err = a.set(ctx, tx, certificateSetting, c)
		}
		action := "added"
		if found {
			action = "changed"
		}
		return errors.Join(err, a.note(ctx, tx, action, "certificate"))
	})
	if err != nil {
		return fmt.Errorf("keeping the certificates: %w", spaceError(err))
	}
	return nil
}

// RemoveCertificates forgets the house's certificates and their keys. The error is
// ErrNotFound.
func (a *Archive) RemoveCertificates(ctx context.Context) error {
	err := a.update(ctx, func(tx *sql.Tx) error {
		return a.changeIn(ctx, tx, "removed", "certificate", house.ErrNotFound,
			`DELETE FROM settings WHERE name = ?`, certificateSetting)
	})
	if err != nil {
		return fmt.Errorf("removing the certificates: %w", spaceError(err))
	}
	return nil
}
