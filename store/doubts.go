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
	_, err := a.write.ExecContext(ctx, `
		INSERT INTO doubts (kind, bell, at, since, times, networks, own) VALUES (?, ?, ?, ?, ?, ?, ?)
		ON CONFLICT (kind, bell) DO UPDATE SET at = excluded.at, since = excluded.since, times = excluded.times,
			networks = excluded.networks, own = excluded.own`,
		d.Kind, bell, micros(d.At), micros(d.Since), d.Times, d.Networks, micros(d.Own))
	if err != nil {
		return fmt.Errorf("keeping a doubt: %w", spaceError(err))
	}
	return nil
}

// Doubts returns what was kept by [Archive.KeepDoubt], of bells that were there.
func (a *Archive) Doubts(ctx context.Context) ([]house.Doubt, error) {
	rows, err := a.read.QueryContext(ctx, `
		SELECT d.kind, d.bell, b.name, d.at, d.since, d.times, d.networks, d.own
		FROM doubts d LEFT JOIN main.bells b ON b.id = d.bell
		WHERE d.bell = '' OR b.id IS NOT NULL ORDER BY d.kind, d.bell`)
	doubts, err := scanAll(rows, err, func(d *house.Doubt) error {
		var id string
		var name []byte
		var at, since, own sql.NullInt64
		if err := rows.Scan(&d.Kind, &id, &name, &at, &since, &d.Times, &d.Networks, &own); err != nil {
			return err
		}
		d.At, d.Since, d.Own = timeOf(at), timeOf(since), timeOf(own)
		if id == "" {
			return nil
		}
		return a.bellAddress(&d.Bell, name, id)
	})
	if err != nil {
		return nil, fmt.Errorf("reading doubts: %w", damage(err))
	}
	return doubts, nil
}

// ForgiveSecrets forgets that wrong secrets came in a bell's name, since a resident
// knows of them.
func (a *Archive) ForgiveSecrets(ctx context.Context, bell string) error {
	id := a.bellID(bell)
	err := a.update(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `DELETE FROM doubts WHERE kind = ? AND bell = ?`, house.DoubtSecret, id)
		if err != nil {
			return err
		}
		return a.note(ctx, tx, "cleared", "secrets "+id)
	})
	if err != nil {
		return fmt.Errorf("forgetting wrong secrets: %w", spaceError(err))
	}
	return nil
}
