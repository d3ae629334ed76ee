package store

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"

	"golang.org/x/text/unicode/norm"

	"lintel/internal/house"
)

// AddResident adds a resident. The error is ErrExists if the name is taken,
// whatever its case.
func (a *Archive) AddResident(ctx context.Context, name, passwordHash string) (r house.Resident, err error) {
	err = a.update(ctx, func(tx *sql.Tx) error {
		r, err = a.addResident(ctx, tx, "added", name, passwordHash)
		return err
	})
	if err != nil {
		return house.Resident{}, fmt.Errorf("adding a resident: %w", spaceError(err))
	}
	return r, nil
}

func (a *Archive) addResident(ctx context.Context, tx *sql.Tx, action, name, passwordHash string) (house.Resident,
	error) {
	r := house.Resident{ID: newID(), Name: strings.TrimSpace(name), PasswordHash: passwordHash, AddedAt: a.now().UTC()}
	taken := fmt.Errorf("a resident of this name is %w", house.ErrExists)
	sealed, slot, err := a.sealKeyed(ctx, tx, []byte(r.Name), "residents.name", r.ID)
	if err != nil {
		return r, err
	}
	return r, a.changeIn(ctx, tx, action, "resident "+r.ID, taken, `
		INSERT INTO residents (id, name, slot, name_mac, password_hash, added_at) VALUES (?, ?, ?, ?, ?, ?)
			ON CONFLICT (name_mac) DO NOTHING`,
		r.ID, sealed, slot, a.nameMAC(r.Name), r.PasswordHash, micros(r.AddedAt))
}

// nameMAC is the keyed hash by which a resident is looked up, whatever the case
// of the name, and however its letters with accents are written.
func (a *Archive) nameMAC(name string) []byte { return a.nameMACOf(norm.NFC.String(name)) }

func (a *Archive) nameMACOf(name string) []byte {
	return a.seals.Index("resident\x00" + strings.ToLower(strings.TrimSpace(name)))
}

// Resident returns the resident of that name, whatever its case, or
// ErrNotFound.
func (a *Archive) Resident(ctx context.Context, name string) (house.Resident, error) {
	// Earlier versions hashed names as they were typed.
	found, err := a.residents(ctx, `WHERE name_mac IN (?, ?)`, a.nameMAC(name), a.nameMACOf(norm.NFD.String(name)))
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

// RemoveResident removes a resident, and with them all by which they, or others
// whom they let in, could still come in: their sessions, the tablets they paired,
// links they made, and the API tokens they made. By is the resident who asks, ""
// at the command line. The errors are ErrNotFound, ErrLastResident, and ErrSignedOut
// if whoever asks was removed meanwhile.
func (a *Archive) RemoveResident(ctx context.Context, id, by string) error {
	err := a.update(ctx, func(tx *sql.Tx) error {
		var others int
		var asks, there bool
		err := tx.QueryRowContext(ctx, `SELECT count(*) FILTER (WHERE id <> ?1), ?2 = '' OR coalesce(max(id = ?2), 0),
			coalesce(max(id = ?1), 0) FROM residents WHERE `+vouchedFor("residents", ""), id, by).Scan(&others, &asks, &there)
		switch {
		case err != nil:
			return err
		case !asks:
			return ErrSignedOut
		case !there:
			return house.ErrNotFound
		case others == 0:
			return house.ErrLastResident
		}
		if err := a.endMadeBy(ctx, tx, id); err != nil {
			return err
		}
		return a.changeIn(ctx, tx, "removed", "resident "+id, house.ErrNotFound, `DELETE FROM residents WHERE id = ?`, id)
	})
	if err != nil {
		return fmt.Errorf("removing resident %s: %w", id, spaceError(err))
	}
	a.signal() // whoever hears live events by them hears no more
	return nil
}

// endMadeBy ends the API tokens that a resident made, and notes the tablets that
// go with them, which the database sees to.
func (a *Archive) endMadeBy(ctx context.Context, tx *sql.Tx, resident string) error {
	programs, err := texts(tx.QueryContext(ctx, `UPDATE programs SET token_hash = NULL, ended_at = ?
		WHERE made_by = ? AND ended_at IS NULL RETURNING id`, micros(a.now()), resident))
	for _, id := range programs {
		err = errors.Join(err, a.note(ctx, tx, "removed", "program "+id))
	}
	if err != nil {
		return err
	}
	tablets, err := texts(tx.QueryContext(ctx, `SELECT id FROM tablets WHERE paired_by = ?`, resident))
	for _, id := range tablets {
		err = errors.Join(err, a.note(ctx, tx, "unpaired", "tablet "+id))
	}
	return errors.Join(err, forgetTabletRules(ctx, tx, tablets...))
}

// SetPassword gives a resident another password, by its hash, and ends all their
// sessions and the links that would set it. The error is ErrNotFound.
func (a *Archive) SetPassword(ctx context.Context, resident, hash string) error {
	err := a.update(ctx, func(tx *sql.Tx) error { return a.setPassword(ctx, tx, "changed", resident, hash) })
	if err != nil {
		return fmt.Errorf("keeping a password: %w", spaceError(err))
	}
	a.signal()
	return nil
}

func (a *Archive) setPassword(ctx context.Context, tx *sql.Tx, action, resident, hash string) error {
	err := a.changeIn(ctx, tx, action, "password "+resident, house.ErrNotFound,
		`UPDATE residents SET password_hash = ? WHERE id = ?`, hash, resident)
	if err != nil {
		return err
	}
	if _, err := tx.ExecContext(ctx, `DELETE FROM sessions WHERE resident = ?`, resident); err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, `DELETE FROM links WHERE resident = ?`, resident)
	return err
}

// SetResidentLanguage keeps the language that a resident reads, and SetTabletLanguage
// that of a tablet, by its tag; "" for none. The error is ErrNotFound.
func (a *Archive) SetResidentLanguage(ctx context.Context, resident, tag string) error {
	return a.setLanguage(ctx, "language "+resident, `UPDATE residents SET language = nullif(?, '') WHERE id = ?`, tag,
		resident)
}

func (a *Archive) SetTabletLanguage(ctx context.Context, tablet, tag string) error {
	return a.setLanguage(ctx, "tablet "+tablet, `UPDATE tablets SET language = nullif(?, '') WHERE id = ?`, tag, tablet)
}

func (a *Archive) setLanguage(ctx context.Context, what, statement, tag, id string) error {
	if err := a.change(ctx, "changed", what, house.ErrNotFound, statement, tag, id); err != nil {
		return fmt.Errorf("keeping a language: %w", err)
	}
	return nil
}

// PairTablet adds a tablet and starts its session. The error is ErrNotFound if
// whoever pairs it is no resident any more.
func (a *Archive) PairTablet(ctx context.Context, name, pairedBy string) (token string, err error) {
	if err := a.clearSessions(ctx); err != nil {
		return "", fmt.Errorf("pairing a tablet: %w", err)
	}
	err = a.update(ctx, func(tx *sql.Tx) error {
		id := newID()
		sealed, slot, err := a.sealKeyed(ctx, tx, []byte(name), "tablets.name", id)
		if err != nil {
			return err
		}
		err = a.changeIn(ctx, tx, "paired", "tablet "+id, house.ErrNotFound, `
			INSERT INTO tablets (id, name, slot, paired_by, paired_at) SELECT ?, ?, ?, id, ? FROM residents
				WHERE id = ? AND `+vouchedFor("residents", ""),
			id, sealed, slot, micros(a.now()), pairedBy)
		if err != nil {
			return fmt.Errorf("adding a tablet: %w", err)
		}
		_, token, err = a.startSession(ctx, tx, "", id, house.TabletSession)
		return err
	})
	return token, spaceError(err)
}

// Tablets lists the paired tablets by name.
func (a *Archive) Tablets(ctx context.Context) ([]house.Tablet, error) {
	rows, err := a.read.QueryContext(ctx, `
		SELECT t.id, t.name, r.id, r.name, t.paired_at, coalesce(s.id, ''), s.seen_at, s.browser,
			coalesce(t.language, ''), d.value
		FROM tablets t JOIN main.residents r ON r.id = t.paired_by
			LEFT JOIN settings d ON d.name = 'tablet ' || t.id
			LEFT JOIN sessions s ON s.tablet = t.id AND s.resident IS NULL`)
	tablets, err := scanAll(rows, err, func(t *house.Tablet) error {
		var at, seen sql.NullInt64
		var by, session string
		var name, byName, browser, rules []byte
		err := rows.Scan(&t.ID, &name, &by, &byName, &at, &session, &seen, &browser, &t.Language, &rules)
		if err != nil {
			return err
		}
		t.PairedAt, t.SeenAt = timeOf(at), timeOf(seen)
		return errors.Join(
			a.unseal(&t.Name, name, "tablets.name", t.ID),
			a.unseal(&t.PairedBy, byName, "residents.name", by),
			a.openBrowser(&t.Browser, browser, session),
			a.openTabletRules(&t.Rules, rules, t.ID))
	})
	if err != nil {
		return nil, fmt.Errorf("listing tablets: %w", err)
	}
	slices.SortFunc(tablets, func(a, b house.Tablet) int {
		return cmp.Or(strings.Compare(a.Name, b.Name), strings.Compare(a.ID, b.ID))
	})
	return tablets, nil
}

// UnpairTablet removes a tablet and ends its session, and those of residents who
// signed in at it. The error is ErrNotFound.
func (a *Archive) UnpairTablet(ctx context.Context, id string) error {
	err := a.update(ctx, func(tx *sql.Tx) error {
		err := a.changeIn(ctx, tx, "unpaired", "tablet "+id, house.ErrNotFound, `DELETE FROM tablets WHERE id = ?`, id)
		return errors.Join(err, forgetTabletRules(ctx, tx, id))
	})
	if err != nil {
		return fmt.Errorf("unpairing tablet %s: %w", id, err)
	}
	a.signal() // it hears no more
	return nil
}
