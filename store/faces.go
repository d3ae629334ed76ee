package store

import (
	"context"
	"database/sql"
	"fmt"

	"lintel/internal/house"
)

// facePlace is what is sealed of a face is sealed for.
func facePlace(id string) []string { return []string{"faces.sealed", id} }

// rewriteFace seals a face anew that tells nothing less than it did, under the key
// that it has.
func (a *Archive) rewriteFace(ctx context.Context, tx *sql.Tx, f house.Face) error {
	var before []byte
	if err := tx.QueryRowContext(ctx, `SELECT sealed FROM faces WHERE id = ?`, f.ID).Scan(&before); err != nil {
		return fmt.Errorf("reading face %s: %w", f.ID, err)
	}
	raw, err := encodeFace(f)
	if err != nil {
		return err
	}
	sealed, err := a.sealAgain(before, raw, facePlace(f.ID)...)
	if err != nil {
		return fmt.Errorf("sealing face %s: %w", f.ID, err)
	}
	_, err = tx.ExecContext(ctx, `UPDATE faces SET sealed = ? WHERE id = ?`, sealed, f.ID)
	return err
}

// reduceFace leaves of a face what is given, under another key, so that what was
// known before opens no more.
func (a *Archive) reduceFace(ctx context.Context, tx *sql.Tx, id string, f house.Face) error {
	raw, err := encodeFace(f)
	if err != nil {
		return err
	}
	sealed, slot, err := a.sealKeyed(ctx, tx, raw, facePlace(id)...)
	if err != nil {
		return fmt.Errorf("sealing face %s: %w", id, err)
	}
	_, err = tx.ExecContext(ctx, `UPDATE faces SET sealed = ?, slot = ? WHERE id = ?`, sealed, slot, id)
	return err
}
