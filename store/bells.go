package store

import (
	"cmp"
	"context"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"

	"lintel/internal/house"
)

// AddBell adds a bell and returns its secret, which is kept only as a hash
// and so can't be shown again. Its address is made of its name. A removed bell's
// name can be added anew. The errors are ErrBadName, ErrNameUnseen, and ErrExists
// for a name that a bell has.
func (a *Archive) AddBell(ctx context.Context, name string) (secret string, err error) {
	secret = rand.Text()
	err = a.update(ctx, func(tx *sql.Tx) error {
		name, err := a.newBellName(ctx, tx, name, "")
		if err != nil {
			return err
		}
		address, err := a.freeAddress(ctx, tx, name)
		if err != nil {
			return err
		}
		id := a.bellID(address)
		err = a.changeIn(ctx, tx, "added", "bell "+id, house.ErrExists, `
			INSERT INTO bells (id, name, secret_hash, added_at) VALUES (?, ?, ?, ?)
			ON CONFLICT (id) DO UPDATE
				SET secret_hash = excluded.secret_hash, added_at = excluded.added_at, removed_at = NULL, heard_at = NULL
				WHERE removed_at IS NOT NULL`,
			id, a.seal(address, "bells.name", id), hashOf(secret), micros(a.now()))
		if err != nil {
			return err
		}
		return a.nameBell(ctx, tx, address, name)
	})
	if err != nil {
		return "", fmt.Errorf("adding bell %s: %w", name, spaceError(err))
	}
	return secret, nil
}

// RenewBell gives a bell another secret and returns it. The old one is worth nothing
// from then on. The error is ErrNotFound.
func (a *Archive) RenewBell(ctx context.Context, address string) (secret string, err error) {
	secret = rand.Text()
	id := a.bellID(address)
	err = a.change(ctx, "changed", "bell-secret "+id, house.ErrNotFound,
		`UPDATE bells SET secret_hash = ? WHERE id = ? AND removed_at IS NULL`, hashOf(secret), id)
	if err != nil {
		return "", fmt.Errorf("giving bell %s another secret: %w", address, spaceError(err))
	}
	return secret, nil
}

// RemoveBell makes a bell's secret worthless. Its visits stay.
func (a *Archive) RemoveBell(ctx context.Context, name string) error {
	id := a.bellID(name)
	err := a.change(ctx, "removed", "bell "+id, house.ErrNotFound,
		`UPDATE bells SET secret_hash = NULL, removed_at = ? WHERE id = ? AND removed_at IS NULL`, micros(a.now()), id)
	if err != nil {
		return fmt.Errorf("removing bell %s: %w", name, err)
	}
	return nil
}

// Bells lists the bells by name, without those removed.
func (a *Archive) Bells(ctx context.Context) ([]house.Bell, error) {
	bells, err := a.bellsIn(ctx, a.read, `removed_at IS NULL`)
	if err != nil {
		return nil, fmt.Errorf("listing bells: %w", err)
	}
	slices.SortFunc(bells, func(a, b house.Bell) int {
		return cmp.Or(strings.Compare(a.Name, b.Name), strings.Compare(a.Address, b.Address))
	})
	return bells, nil
}

func (a *Archive) bellsIn(ctx context.Context, q querier, condition string) ([]house.Bell, error) {
	rows, err := q.QueryContext(ctx, `SELECT b.id, b.name, added_at, heard_at, s.value FROM bells b
		LEFT JOIN settings s ON s.name = '`+bellNameSetting("")+`' || b.id WHERE `+condition)
	return scanAll(rows, err, func(b *house.Bell) error {
		var id string
		var address, name []byte
		var added, heard sql.NullInt64
		if err := rows.Scan(&id, &address, &added, &heard, &name); err != nil {
			return err
		}
		b.AddedAt, b.HeardAt = timeOf(added), timeOf(heard)
		err := a.bellAddress(&b.Address, address, id)
		if b.Name = b.Address; err == nil && name != nil {
			err = passedOver(a.openJSON(&b.Name, name, "settings.value", bellNameSetting(id)))
		}
		return err
	})
}

// bellMustBe returns ErrNotFound for a bell that does not exist or was removed.
func (a *Archive) bellMustBe(ctx context.Context, q querier, name string) error {
	var there bool
	err := q.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM bells WHERE id = ? AND removed_at IS NULL)`,
		a.bellID(name)).Scan(&there)
	if err == nil && !there {
		err = fmt.Errorf("bell %s: %w", name, house.ErrNotFound)
	}
	return err
}

// NoteImport adds to the audit trail that old stills of a bell were brought in.
func (a *Archive) NoteImport(ctx context.Context, bell string) error {
	return a.Note(ctx, "imported", "bell "+a.bellID(bell))
}

func (a *Archive) bellID(name string) string {
	if id, unreadable := strings.CutPrefix(name, house.Unreadable); unreadable {
		return id
	}
	return a.derivedID("bell", name)
}

// CheckBell reports whether the secret is the bell's. The error is
// ErrNotFound for a bell that does not exist or was removed.
func (a *Archive) CheckBell(ctx context.Context, name, secret string) (bool, error) {
	var hash []byte
	err := a.read.QueryRowContext(ctx, `SELECT secret_hash FROM bells WHERE id = ? AND removed_at IS NULL`,
		a.bellID(name)).Scan(&hash)
	if errors.Is(err, sql.ErrNoRows) {
		return false, fmt.Errorf("bell %w", house.ErrNotFound)
	}
	if err != nil {
		return false, fmt.Errorf("looking up bell %s: %w", name, err)
	}
	return subtle.ConstantTimeCompare(hash, hashOf(secret)) == 1, nil
}

// hashOf is how secrets and session tokens are kept. They are random and long
// (130 bits), so a plain hash can't be searched backwards; passwords, which
// people choose, go through argon2id instead.
func hashOf(secret string) []byte {
	h := sha256.Sum256([]byte(secret))
	return h[:]
}

// oneRow turns "no row was touched" into ErrNotFound.
func oneRow(res sql.Result, what string) error {
	if n, err := res.RowsAffected(); err != nil || n > 0 {
		return err
	}
	return fmt.Errorf("%s: %w", what, house.ErrNotFound)
}

// texts returns the one column of rows that were asked for, or the error that
// came instead.
func texts(rows *sql.Rows, err error) ([]string, error) {
	return scanAll(rows, err, func(text *string) error { return rows.Scan(text) })
}

// scanAll scans every row that was asked for into a value of its own and closes
// the rows, unless an error came instead.
func scanAll[T any](rows *sql.Rows, err error, scan func(*T) error) ([]T, error) {
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var all []T
	for rows.Next() {
		var v T
		if err := scan(&v); err != nil {
			return nil, err
		}
		all = append(all, v)
	}
	return all, rows.Err()
}
