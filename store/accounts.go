package store

import (
	"cmp"
	"context"
	"crypto/rand"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"lintel/internal/house"
)

// AddResident adds a resident. The error is ErrExists if the name is taken,
// whatever its case.
func (a *Archive) AddResident(ctx context.Context, name, passwordHash string) (house.Resident, error) {
	r := house.Resident{ID: newID(), Name: strings.TrimSpace(name), PasswordHash: passwordHash, AddedAt: a.now().UTC()}
	err := a.change(ctx, "added", "resident "+r.ID, fmt.Errorf("a resident of this name is %w", house.ErrExists), `
		INSERT INTO residents (id, name, name_mac, password_hash, added_at) VALUES (?, ?, ?, ?, ?)
			ON CONFLICT (name_mac) DO NOTHING`,
		r.ID, a.seal(r.Name, "residents.name", r.ID), a.nameMAC(r.Name), r.PasswordHash, micros(r.AddedAt))
	if err != nil {
		return house.Resident{}, fmt.Errorf("adding a resident: %w", err)
	}
	return r, nil
}

// nameMAC is the keyed hash by which a resident is looked up, whatever the case
// of the name.
func (a *Archive) nameMAC(name string) []byte {
	return a.seals.Index("resident\x00" + strings.ToLower(strings.TrimSpace(name)))
}

// Resident returns the resident of that name, whatever its case, or
// ErrNotFound.
func (a *Archive) Resident(ctx context.Context, name string) (house.Resident, error) {
	found, err := a.residents(ctx, `WHERE name_mac = ?`, a.nameMAC(name))
	if err != nil {
		return house.Resident{}, fmt.Errorf("looking up a resident: %w", err)
	}
	if len(found) == 0 {
		return house.Resident{}, fmt.Errorf("resident %w", house.ErrNotFound)
	}
	return found[0], nil
}

// Residents lists the residents by name.
func (a *Archive) Residents(ctx context.Context) ([]house.Resident, error) {
	all, err := a.residents(ctx, ``)
	if err != nil {
		return nil, fmt.Errorf("listing residents: %w", err)
	}
	slices.SortFunc(all, func(a, b house.Resident) int { return strings.Compare(a.Name, b.Name) })
	return all, nil
}

func (a *Archive) residents(ctx context.Context, clause string, args ...any) ([]house.Resident, error) {
	rows, err := a.read.QueryContext(ctx, `SELECT id, name, password_hash, pin_hash, added_at FROM residents `+clause,
		args...)
	return scanAll(rows, err, func(r *house.Resident) error {
		var added sql.NullInt64
		var name []byte
		if err := rows.Scan(&r.ID, &name, &r.PasswordHash, &r.PINHash, &added); err != nil {
			return err
		}
		r.AddedAt = timeOf(added)
		return a.unseal(&r.Name, name, "residents.name", r.ID)
	})
}

// SetPIN gives a resident a PIN, by its hash, in place of any before; none if the
// hash is empty. The error is ErrNotFound.
func (a *Archive) SetPIN(ctx context.Context, resident, hash string) error {
	err := a.change(ctx, "changed", "pin "+resident, house.ErrNotFound,
		`UPDATE residents SET pin_hash = ? WHERE id = ?`, hash, resident)
	if err != nil {
		return fmt.Errorf("keeping a PIN: %w", err)
	}
	return nil
}

// StartResidentSession returns the token of a new session. Only its hash is
// kept.
func (a *Archive) StartResidentSession(ctx context.Context, resident string) (token string, err error) {
	return a.startSession(ctx, a.write, resident, "", house.ResidentSession)
}

// PairTablet adds a tablet and starts its session.
func (a *Archive) PairTablet(ctx context.Context, name, pairedBy string) (token string, err error) {
	err = a.update(ctx, func(tx *sql.Tx) error {
		id := newID()
		_, err := tx.ExecContext(ctx, `INSERT INTO tablets (id, name, paired_by, paired_at) VALUES (?, ?, ?, ?)`,
			id, a.seal(name, "tablets.name", id), pairedBy, micros(a.now()))
		if err != nil {
			return fmt.Errorf("adding a tablet: %w", err)
		}
		if token, err = a.startSession(ctx, tx, "", id, house.TabletSession); err != nil {
			return err
		}
		return a.note(ctx, tx, "paired", "tablet "+id)
	})
	return token, spaceError(err)
}

type execer interface {
	ExecContext(context.Context, string, ...any) (sql.Result, error)
}

func (a *Archive) startSession(ctx context.Context, db execer, resident, tablet string,
	lasts time.Duration) (string, error) {
	token, now := rand.Text(), a.now()
	_, err := db.ExecContext(ctx, `INSERT INTO sessions (token_hash, resident, tablet, started_at, expires_at)
		VALUES (?, nullif(?, ''), nullif(?, ''), ?, ?)`,
		hashOf(token), resident, tablet, micros(now), micros(now.Add(lasts)))
	if err != nil {
		return "", fmt.Errorf("starting a session: %w", spaceError(err))
	}
	return token, nil
}

// Session returns whose session the token is, or ErrNotFound if it is nobody's
// or has expired.
func (a *Archive) Session(ctx context.Context, token string) (s house.Session, err error) {
	var expires sql.NullInt64
	var resident, tablet []byte
	err = a.read.QueryRowContext(ctx, `
		SELECT coalesce(s.resident, ''), coalesce(s.tablet, ''), r.name, t.name, s.expires_at
		FROM sessions s LEFT JOIN residents r ON r.id = s.resident LEFT JOIN tablets t ON t.id = s.tablet
		WHERE s.token_hash = ? AND s.expires_at > ?`, hashOf(token), micros(a.now())).
		Scan(&s.Resident, &s.Tablet, &resident, &tablet, &expires)
	if errors.Is(err, sql.ErrNoRows) {
		return house.Session{}, fmt.Errorf("session %w", house.ErrNotFound)
	}
	if err != nil {
		return house.Session{}, fmt.Errorf("looking up a session: %w", err)
	}
	s.ExpiresAt = timeOf(expires)
	if s.Resident != "" {
		return s, a.unseal(&s.Name, resident, "residents.name", s.Resident)
	}
	return s, a.unseal(&s.Name, tablet, "tablets.name", s.Tablet)
}

// EndSession ends the session of that token, and clears away expired ones.
func (a *Archive) EndSession(ctx context.Context, token string) error {
	_, err := a.write.ExecContext(ctx, `DELETE FROM sessions WHERE token_hash = ? OR expires_at <= ?`, hashOf(token),
		micros(a.now()))
	if err != nil {
		return fmt.Errorf("ending a session: %w", err)
	}
	return nil
}

// Tablets lists the paired tablets by name.
func (a *Archive) Tablets(ctx context.Context) ([]house.Tablet, error) {
	rows, err := a.read.QueryContext(ctx, `
		SELECT t.id, t.name, r.id, r.name, t.paired_at FROM tablets t JOIN residents r ON r.id = t.paired_by`)
	tablets, err := scanAll(rows, err, func(t *house.Tablet) error {
		var at sql.NullInt64
		var by string
		var name, byName []byte
		if err := rows.Scan(&t.ID, &name, &by, &byName, &at); err != nil {
			return err
		}
		t.PairedAt = timeOf(at)
		return errors.Join(
			a.unseal(&t.Name, name, "tablets.name", t.ID),
			a.unseal(&t.PairedBy, byName, "residents.name", by))
	})
	if err != nil {
		return nil, fmt.Errorf("listing tablets: %w", err)
	}
	slices.SortFunc(tablets, func(a, b house.Tablet) int {
		return cmp.Or(strings.Compare(a.Name, b.Name), strings.Compare(a.ID, b.ID))
	})
	return tablets, nil
}

// UnpairTablet removes a tablet and ends its session.
func (a *Archive) UnpairTablet(ctx context.Context, id string) error {
	err := a.change(ctx, "unpaired", "tablet "+id, house.ErrNotFound, `DELETE FROM tablets WHERE id = ?`, id)
	if err != nil {
		return fmt.Errorf("unpairing tablet %s: %w", id, err)
	}
	return nil
}
