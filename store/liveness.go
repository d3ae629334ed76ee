package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"lintel/internal/house"
)

// keepLiveness keeps how a face of an earlier frame is now judged. What else is
// known of the face stays as it is now: it may have been forgotten, or its
// still made smaller, since the caller read it, and then nothing is changed.
func (a *Archive) keepLiveness(ctx context.Context, tx *sql.Tx, f house.Face, visit string) error {
	var sealed []byte
	err := tx.QueryRowContext(ctx,
		`SELECT sealed FROM faces WHERE id = ? AND still IN (SELECT id FROM stills WHERE visit = ?)`, f.ID,
		visit).Scan(&sealed)
	if errors.Is(err, sql.ErrNoRows) {
		return nil
	}
	if err != nil {
		return err
	}
	var now house.Face
	if err := a.openFace(&now, sealed, f.ID); err != nil {
		return err
	}
	if now.Descriptor == (house.Descriptor{}) || now.Box != f.Box || f.Liveness == nil || now.Liveness != nil &&
		now.Liveness.Equal(*f.Liveness) {
		return nil
	}
	now.ID, now.Liveness = f.ID, f.Liveness
	if err := a.rewriteFace(ctx, tx, now); err != nil {
		return fmt.Errorf("keeping a liveness finding: %w", err)
	}
	return nil
}
