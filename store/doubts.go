package store

import (
	"context"
	"database/sql"
	"fmt"

	"lintel/internal/house"
)

// KeepDoubt keeps what makes all after it less sure, in place of what was seen of
// that kind at that bell before.
func (a *Archive) KeepDoubt(ctx context.Context, d house.Doubt) error {
	bell := ""
	if d.Bell != "" {
		bell = a.bellID(d.Bell)
	}
	_, err := a.write.ExecContext(ctx, `INSERT INTO doubts (kind, bell, at) VALUES (?, ?, ?)
		ON CONFLICT (kind, bell) DO UPDATE SET at = excluded.at`, d.Kind, bell, micros(d.At))
	if err != nil {
		return fmt.Errorf("keeping a doubt: %w", spaceError(err))
	}
	return nil
}

// Doubts returns what was kept by [Archive.KeepDoubt], of bells that were there.
func (a *Archive) Doubts(ctx context.Context) ([]house.Doubt, error) {
	rows, err := a.read.QueryContext(ctx, `
		SELECT d.kind, d.bell, b.name, d.at FROM doubts d LEFT JOIN bells b ON b.id = d.bell
		WHERE d.bell = '' OR b.id IS NOT NULL ORDER BY d.kind, d.bell`)
	doubts, err := scanAll(rows, err, func(d *house.Doubt) error {
		var id string
		var name []byte
		var at sql.NullInt64
		if err := rows.Scan(&d.Kind, &id, &name, &at); err != nil {
			return err
		}
		d.At = timeOf(at)
		if id == "" {
			return nil
		}
		return a.unseal(&d.Bell, name, "bells.name", id)
	})
	if err != nil {
		return nil, fmt.Errorf("reading doubts: %w", damage(err))
	}
	return doubts, nil
}
