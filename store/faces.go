package store

import (
	"context"
	"database/sql"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"math"

	"lintel/internal/house"
	"lintel/store/seal"
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
	if errors.Is(err, seal.ErrOpen) {
		return nil // what was known of it is lost
	}
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

// encodeFace writes what of a face is sealed; a descriptor of zeros is left out.
func encodeFace(f house.Face) ([]byte, error) {
	open := sealedFace{Box: f.Box, Landmarks: f.Landmarks, Quality: f.Quality, Liveness: f.Liveness, Look: f.ImageHash,
		Unlooked: f.Unlooked}
	if f.Descriptor != (house.Descriptor{}) {
		open.Descriptor = encodeDescriptor(f.Descriptor)
	}
	raw, err := json.Marshal(open)
	if err != nil {
		return nil, fmt.Errorf("sealing a face: %w", err)
	}
	return raw, nil
}

func encodeDescriptor(d house.Descriptor) []byte {
	b := make([]byte, 0, 4*len(d))
	for _, v := range d {
		b = binary.LittleEndian.AppendUint32(b, math.Float32bits(v))
	}
	return b
}

func decodeDescriptor(b []byte) (d house.Descriptor, err error) {
	if len(b) != 4*len(d) {
		return d, fmt.Errorf("a descriptor of %d bytes, not %d", len(b), 4*len(d))
	}
	for i := range d {
		d[i] = math.Float32frombits(binary.LittleEndian.Uint32(b[4*i:]))
	}
	return d, nil
}
