package store

import (
	"context"
	"database/sql"
	"encoding/binary"
	"fmt"

	"lintel/internal/house"
)

// maxNearDuplicates is how many faces are compared with one at most, the newest
// first. Of a million faces, 61 agree with one in a part by chance.
const maxNearDuplicates = 256

// NearDuplicates returns faces of other visits whose hash has a part of 16 bits in
// common with this one, the newest first, 256 at most. It misses none that
// differs in 3 bits or fewer, and may miss others.
func (a *Archive) NearDuplicates(ctx context.Context, visit string,
	hash house.ImageHash) ([]house.NearDuplicate, error) {
	if hash == 0 {
		return nil, nil
	}
	macs := a.imageHashMACs(hash)
	rows, err := a.read.QueryContext(ctx, `
		SELECT f.id, f.still, f.sealed, v.id, v.received_at
		FROM faces f JOIN stills s ON s.id = f.still JOIN visits v ON v.id = s.visit
		WHERE f.id IN (SELECT face FROM looks WHERE mac IN (?, ?, ?, ?)) AND v.id <> ?
		ORDER BY v.received_at DESC, f.id LIMIT ?`, macs[0], macs[1], macs[2], macs[3], visit, maxNearDuplicates)
	alike, err := scanAll(rows, err, func(l *house.NearDuplicate) error {
		var sealed []byte
		var at sql.NullInt64
		if err := rows.Scan(&l.ID, &l.Still, &sealed, &l.Visit, &at); err != nil {
			return err
		}
		l.At = timeOf(at)
		return a.openFace(&l.Face, sealed, l.ID)
	})
	if err != nil {
		return nil, fmt.Errorf("looking for a still that was there before: %w", damage(err))
	}
	return alike, nil
}

// insertImageHash keeps what a face is found again by.
func (a *Archive) insertImageHash(ctx context.Context, tx *sql.Tx, face string, hash house.ImageHash) error {
	if hash == 0 {
		return nil
	}
	for part, mac := range a.imageHashMACs(hash) {
		if _, err := tx.ExecContext(ctx, `INSERT INTO looks (face, part, mac) VALUES (?, ?, ?)`, face, part,
			mac); err != nil {
			return fmt.Errorf("keeping what a face looks like: %w", err)
		}
	}
	return nil
}

// imageHashMACs returns the keyed hashes of the four parts of a hash. Each knows
// which part it is of.
func (a *Archive) imageHashMACs(hash house.ImageHash) (macs [4][]byte) {
	for part := range macs {
		value := binary.BigEndian.AppendUint16([]byte{byte(part)}, uint16(hash>>(16*part)))
		macs[part] = a.seals.Index("hash\x00" + string(value))[:8]
	}
	return macs
}
