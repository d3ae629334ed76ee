package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"lintel/internal/house"
	"lintel/store/seal"
)

// AddFactor keeps a factor and returns its id. The error is ErrNotFound for a
// person, or a visit, that is not there.
func (a *Archive) AddFactor(ctx context.Context, f house.Factor) (id string, err error) {
	err = a.update(ctx, func(tx *sql.Tx) error {
		id, err = a.addFactor(ctx, tx, f)
		return err
	})
	if err != nil {
		return "", fmt.Errorf("keeping a factor: %w", spaceError(err))
	}
	a.signal()
	return id, nil
}

func (a *Archive) addFactor(ctx context.Context, tx *sql.Tx, f house.Factor) (id string, err error) {
	id = newID()
	if f.Visit != "" {
		if err := a.mustBe(ctx, tx, "visits", "visit", f.Visit); err != nil {
			return "", err
		}
	}
	if _, err := tx.ExecContext(ctx, `DELETE FROM factors WHERE until < ?`,
		micros(a.now().Add(-adviceKept))); err != nil {
		return "", err
	}
	err = a.changeIn(ctx, tx, "added", "factor "+id, fmt.Errorf("person %s: %w", f.Person, house.ErrNotFound), `
		INSERT INTO factors (id, kind, person, source, visit, at, until, strength)
		SELECT ?, ?, id, ?, nullif(?, ''), ?, ?, ? FROM persons WHERE id = ? AND id NOT IN (SELECT person FROM erasing)`,
		id, f.Kind, f.Source, f.Visit, micros(f.At), micros(f.Until), f.Strength, f.Person)
	return id, err
}

// FactorsSince returns the factors that counted after a time, by when they began.
func (a *Archive) FactorsSince(ctx context.Context, t time.Time) ([]house.Factor, error) {
	rows, err := a.read.QueryContext(ctx, `
		SELECT id, kind, person, source, coalesce(visit, ''), at, until, strength, coalesce(used_by, '') FROM factors
			WHERE until > ? ORDER BY at, id`, micros(t))
	factors, err := scanAll(rows, err, func(f *house.Factor) error {
		var at, until sql.NullInt64
		if err := rows.Scan(&f.ID, &f.Kind, &f.Person, &f.Source, &f.Visit, &at, &until, &f.Strength,
			&f.UsedBy); err != nil {
			return err
		}
		f.At, f.Until = timeOf(at), timeOf(until)
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("reading factors: %w", err)
	}
	return factors, nil
}

// oneTime returns a person's secret for one-time codes, and the step of the
// last code used; ErrNotFound without one.
func (a *Archive) oneTime(ctx context.Context, tx *sql.Tx, person string) (secret string, lastStep int64, err error) {
	var sealed []byte
	err = tx.QueryRowContext(ctx, `SELECT secret, last_step FROM onetime WHERE person = ? AND `+
		vouchedFor("onetime", ""), person).Scan(&sealed, &lastStep)
	if errors.Is(err, sql.ErrNoRows) {
		return "", 0, house.ErrNotFound
	}
	if err != nil {
		return "", 0, err
	}
	raw, err := a.open(sealed, "onetime.secret", person)
	if errors.Is(err, seal.ErrOpen) {
		err = house.ErrNotFound // no code can be compared with it
	}
	return string(raw), lastStep, err
}

// OneTimePersons lists the persons who have one-time codes.
func (a *Archive) OneTimePersons(ctx context.Context) ([]string, error) {
	persons, err := texts(a.read.QueryContext(ctx, `SELECT person FROM onetime ORDER BY person`))
	if err != nil {
		return nil, fmt.Errorf("listing who has one-time codes: %w", err)
	}
	return persons, nil
}

// SetOneTimeSecret gives a person one-time codes, in place of those they had.
// No code up to the step is good. The error is ErrNotFound.
func (a *Archive) SetOneTimeSecret(ctx context.Context, person, secret string, step int64) error {
	err := a.update(ctx, func(tx *sql.Tx) error {
		sealed, slot, err := a.sealKeyed(ctx, tx, []byte(secret), "onetime.secret", person)
		if err != nil {
			return err
		}
		return a.changeIn(ctx, tx, "changed", "codes "+person, house.ErrNotFound, `
			INSERT INTO onetime (person, secret, slot, last_step, added_at) SELECT id, ?, ?, ?, ? FROM persons
				WHERE id = ? AND id NOT IN (SELECT person FROM erasing)
			ON CONFLICT (person) DO UPDATE SET secret = excluded.secret, slot = excluded.slot,
				last_step = excluded.last_step, added_at = excluded.added_at`,
			sealed, slot, step, micros(a.now()), person)
	})
	if err != nil {
		return fmt.Errorf("keeping one-time codes: %w", spaceError(err))
	}
	return nil
}

// RemoveOneTimeSecret ends a person's one-time codes. The error is ErrNotFound.
func (a *Archive) RemoveOneTimeSecret(ctx context.Context, person string) error {
	err := a.change(ctx, "removed", "codes "+person, house.ErrNotFound,
		`DELETE FROM onetime WHERE person = ?`, person)
	if err != nil {
		return fmt.Errorf("removing one-time codes: %w", err)
	}
	return nil
}

// UseCode has check compare a code, and if that succeeds keeps the code's step
// as used and adds the factor, all in one transaction: a code that two give at
// once is good for one. An error of check is returned as it is. The error is
// ErrNotFound for somebody without one-time codes.
func (a *Archive) UseCode(ctx context.Context, f house.Factor, check func(secret string,
	lastStep int64) (step int64, err error)) (factor string, err error) {
	err = a.update(ctx, func(tx *sql.Tx) error {
		secret, last, err := a.oneTime(ctx, tx, f.Person)
		if err != nil {
			return err
		}
		step, err := check(secret, last)
		if err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, `UPDATE onetime SET last_step = max(last_step, ?) WHERE person = ?`, step,
			f.Person); err != nil {
			return err
		}
		factor, err = a.addFactor(ctx, tx, f)
		return err
	})
	if err != nil {
		return "", fmt.Errorf("using a one-time code: %w", spaceError(err))
	}
	a.signal()
	return factor, nil
}

// AddMiss counts a failed attempt, of who is behind the context.
func (a *Archive) AddMiss(ctx context.Context, what, whom string) error {
	err := a.update(ctx, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, `DELETE FROM misses WHERE at < ?`, micros(a.now().Add(-adviceKept))); err != nil {
			return err
		}
		return a.changeIn(ctx, tx, "missed", what, house.ErrNotFound,
			`INSERT INTO misses (at, what, whom, by_whom) VALUES (?, ?, ?, ?)`, micros(a.now()), what, whom, house.Actor(ctx))
	})
	if err != nil {
		return fmt.Errorf("counting a failed attempt: %w", spaceError(err))
	}
	a.signal()
	return nil
}

// MissesSince returns the failed attempts after a time, the oldest first. They
// are kept for 31 days.
func (a *Archive) MissesSince(ctx context.Context, t time.Time) ([]house.Miss, error) {
	rows, err := a.read.QueryContext(ctx, `SELECT at, what, whom, by_whom FROM misses WHERE at > ? ORDER BY at`,
		micros(t))
	misses, err := scanAll(rows, err, func(m *house.Miss) error {
		var at sql.NullInt64
		err := rows.Scan(&at, &m.What, &m.Whom, &m.By)
		m.At = timeOf(at)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("counting failed attempts: %w", err)
	}
	return misses, nil
}

// CodeMisses counts the wrong codes given for a person: since a time, and since
// the last right one or since the codes were given out.
func (a *Archive) CodeMisses(ctx context.Context, person string, since time.Time) (lately, inAll int, err error) {
	err = a.read.QueryRowContext(ctx, `
		SELECT count(*) FILTER (WHERE at > ?2), count(*) FROM misses WHERE whom = ?1 AND what = 'code' AND at >= max(
			coalesce((SELECT max(at) FROM factors WHERE person = ?1 AND kind = 'code'), 0),
			coalesce((SELECT added_at FROM onetime WHERE person = ?1), 0))`, person, micros(since)).Scan(&lately, &inAll)
	if err != nil {
		return 0, 0, fmt.Errorf("counting wrong codes: %w", err)
	}
	return lately, inAll, nil
}
