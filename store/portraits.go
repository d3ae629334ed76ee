package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"lintel/internal/house"
	"lintel/store/seal"
)

// addPortrait keeps the picture of a reference's face, if there is one.
func (a *Archive) addPortrait(ctx context.Context, tx *sql.Tx, reference string, p *house.Portrait) error {
	if p == nil || len(p.JPEG) == 0 {
		return nil
	}
	sealed, slot, err := a.sealKeyed(ctx, tx, p.JPEG, "portraits.picture", reference)
	if err == nil {
		_, err = tx.ExecContext(ctx, `INSERT INTO portraits (reference, origin, picture, slot) VALUES (?, ?, ?, ?)`,
			reference, p.Origin, sealed, slot)
	}
	if err != nil {
		return fmt.Errorf("keeping the picture of a reference: %w", err)
	}
	return nil
}

// Portrait returns the picture of a reference of the person's, as JPEG. The error
// is ErrNotFound where there is none.
func (a *Archive) Portrait(ctx context.Context, person, reference string) ([]byte, error) {
	var sealed []byte
	err := a.read.QueryRowContext(ctx, `SELECT p.picture FROM gallery g JOIN portraits p ON p.reference = g.id
		WHERE g.id = ? AND g.person = ?`, reference, person).Scan(&sealed)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, fmt.Errorf("a picture of reference %s: %w", reference, house.ErrNotFound)
	}
	var picture []byte
	if err == nil {
		picture, err = a.open(sealed, "portraits.picture", reference)
	}
	if errors.Is(err, seal.ErrOpen) {
		err = house.ErrNotFound
	}
	if err != nil {
		return nil, fmt.Errorf("reading the picture of reference %s: %w", reference, err)
	}
	return picture, nil
}

// Portraits returns, by person, which of their references has the best picture.
// Whoever has none is left out.
func (a *Archive) Portraits(ctx context.Context) (map[string]string, error) {
	rows, err := a.read.QueryContext(ctx, `SELECT g.person, g.id FROM gallery g JOIN portraits p ON p.reference = g.id
		ORDER BY coalesce(g.quality, 0), g.face_width, g.id`)
	type best struct{ person, reference string }
	all, err := scanAll(rows, err, func(b *best) error { return rows.Scan(&b.person, &b.reference) })
	if err != nil {
		return nil, fmt.Errorf("looking for pictures of persons: %w", err)
	}
	portraits := make(map[string]string)
	for _, b := range all {
		portraits[b.person] = b.reference // the best comes last
	}
	return portraits, nil
}

// RemoveReference takes one reference of a person's out of the gallery, with its
// picture. What was found by it before stays. A backup made earlier brings it back
// where it is restored. The error is ErrNotFound.
func (a *Archive) RemoveReference(ctx context.Context, person, reference string) error {
	err := a.update(ctx, func(tx *sql.Tx) error {
		return a.changeIn(ctx, tx, "unenrolled", "person "+person, house.ErrNotFound,
			`DELETE FROM gallery WHERE id = ? AND person = ?`, reference, person)
	})
	if err != nil {
		return fmt.Errorf("removing reference %s: %w", reference, spaceError(err))
	}
	return nil
}
