package store

import (
	"context"
	"crypto/rand"
	"database/sql"
	"fmt"
	"time"

	"lintel/internal/house"
)

// Invite makes a link by which somebody becomes a resident, and returns its token,
// of which the hash is kept. By is the resident who asks, "" at the command line.
// The error is ErrNotFound if they are no resident any more.
func (a *Archive) Invite(ctx context.Context, by string) (l house.Link, token string, err error) {
	l = house.Link{ID: newID(), MadeBy: by}
	err = a.update(ctx, func(tx *sql.Tx) error {
		token, err = a.addLink(ctx, tx, &l, house.InvitationLasts)
		if err != nil {
			return err
		}
		return a.note(ctx, tx, "invited", "invitation "+l.ID)
	})
	if err != nil {
		return house.Link{}, "", fmt.Errorf("inviting: %w", spaceError(err))
	}
	return l, token, nil
}

// OfferReset makes a link by which a resident sets their password anew, in place
// of any before, and returns its token. The error is ErrNotFound.
func (a *Archive) OfferReset(ctx context.Context, resident string) (l house.Link, token string, err error) {
	l = house.Link{ID: newID(), Resident: resident}
	err = a.update(ctx, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, `DELETE FROM links WHERE resident = ?`, resident); err != nil {
			return err
		}
		if token, err = a.addLink(ctx, tx, &l, house.ResetLasts); err != nil {
			return err
		}
		return a.note(ctx, tx, "offered", "reset "+resident)
	})
	if err != nil {
		return house.Link{}, "", fmt.Errorf("making a link to set a password: %w", spaceError(err))
	}
	return l, token, nil
}

// addLink also clears away links that are past their time.
func (a *Archive) addLink(ctx context.Context, tx *sql.Tx, l *house.Link, lasts time.Duration) (token string,
	err error) {
	token, l.MadeAt = rand.Text(), a.now().UTC().Truncate(time.Microsecond)
	l.ExpiresAt = l.MadeAt.Add(lasts)
	if _, err := tx.ExecContext(ctx, `DELETE FROM links WHERE expires_at <= ?`, micros(l.MadeAt)); err != nil {
		return "", err
	}
	for _, resident := range []string{l.MadeBy, l.Resident} {
		var there bool
		err := tx.QueryRowContext(ctx, `SELECT ?1 = '' OR EXISTS (SELECT 1 FROM residents WHERE id = ?1 AND `+
			vouchedFor("residents", "")+`)`, resident).Scan(&there)
		if err != nil {
			return "", err
		}
		if !there {
			return "", house.ErrNotFound
		}
	}
	_, err = tx.ExecContext(ctx, `INSERT INTO links (id, token_hash, resident, made_by, made_at, expires_at)
		VALUES (?, ?, nullif(?, ''), nullif(?, ''), ?, ?)`,
		l.ID, hashOf(token), l.Resident, l.MadeBy, micros(l.MadeAt), micros(l.ExpiresAt))
	return token, err
}

// Invitations lists the invitations that are good, the newest first.
func (a *Archive) Invitations(ctx context.Context) ([]house.Link, error) {
	all, err := a.links(ctx, a.read, `l.resident IS NULL AND l.expires_at > ? ORDER BY l.made_at DESC, l.id`,
		micros(a.now()))
	if err != nil {
		return nil, fmt.Errorf("listing invitations: %w", err)
	}
	return all, nil
}

// WithdrawInvitation makes an invitation worthless. The error is ErrNotFound.
func (a *Archive) WithdrawInvitation(ctx context.Context, id string) error {
	err := a.change(ctx, "removed", "invitation "+id, house.ErrNotFound,
		`DELETE FROM links WHERE id = ? AND resident IS NULL AND expires_at > ?`, id, micros(a.now()))
	if err != nil {
		return fmt.Errorf("withdrawing an invitation: %w", err)
	}
	return nil
}

// LinkOf returns the link that has the token, without using it. The error is
// ErrNotFound, also for one that was used or is past its time. It is looked up by
// its hash, so how long that takes says nothing of how much of it was right.
func (a *Archive) LinkOf(ctx context.Context, token string) (house.Link, error) {
	l, err := a.linkOf(ctx, a.read, token)
	if err != nil {
		return house.Link{}, fmt.Errorf("looking up a link: %w", err)
	}
	return l, nil
}

func (a *Archive) linkOf(ctx context.Context, q querier, token string) (house.Link, error) {
	found, err := a.links(ctx, q, `l.token_hash = ? AND l.expires_at > ? AND `+vouchedFor("links", "l."), hashOf(token),
		micros(a.now()))
	if err == nil && len(found) == 0 {
		err = house.ErrNotFound
	}
	if err != nil {
		return house.Link{}, err
	}
	return found[0], nil
}

// links returns those that no resident made, or one whom somebody vouches for.
func (a *Archive) links(ctx context.Context, q querier, condition string, args ...any) ([]house.Link, error) {
	rows, err := q.QueryContext(ctx, `
		SELECT l.id, coalesce(l.resident, ''), coalesce(l.made_by, ''), r.name, l.made_at, l.expires_at
		FROM links l LEFT JOIN residents r ON r.id = l.made_by AND `+vouchedFor("residents", "r.")+`
		WHERE (l.made_by IS NULL OR r.id IS NOT NULL) AND `+condition, args...)
	return scanAll(rows, err, func(l *house.Link) error {
		var made, expires sql.NullInt64
		var maker []byte
		if err := rows.Scan(&l.ID, &l.Resident, &l.MadeBy, &maker, &made, &expires); err != nil {
			return err
		}
		l.MadeAt, l.ExpiresAt = timeOf(made), timeOf(expires)
		if l.MadeBy == "" {
			return nil
		}
		return a.unseal(&l.Maker, maker, "residents.name", l.MadeBy)
	})
}

// Join makes a resident of whoever has an invitation, which is used up by it. The
// errors are ErrNotFound, for a token that is no invitation, and ErrExists for a
// name that is taken: then it is not used up. The trail names who invited.
func (a *Archive) Join(ctx context.Context, token, name, passwordHash string) (r house.Resident, err error) {
	err = a.update(ctx, func(tx *sql.Tx) error {
		l, err := a.useLink(ctx, tx, token)
		if err != nil {
			return err
		}
		if l.Resident != "" {
			return house.ErrNotFound
		}
		inviter := house.ByCommand
		if l.MadeBy != "" {
			inviter = "resident " + l.MadeBy
		}
		r, err = a.addResident(house.By(ctx, inviter), tx, "joined", name, passwordHash)
		return err
	})
	if err != nil {
		return house.Resident{}, fmt.Errorf("joining: %w", spaceError(err))
	}
	return r, nil
}

// ResetPassword sets the password of the resident whom a link names, by its hash,
// and returns the resident. The link is used up, and all their sessions end. The
// error is ErrNotFound for a token that is no such link.
func (a *Archive) ResetPassword(ctx context.Context, token, passwordHash string) (resident string, err error) {
	err = a.update(ctx, func(tx *sql.Tx) error {
		l, err := a.useLink(ctx, tx, token)
		if err != nil {
			return err
		}
		if l.Resident == "" {
			return house.ErrNotFound
		}
		resident = l.Resident
		return a.setPassword(house.By(ctx, "resident "+resident), tx, "reset", resident, passwordHash)
	})
	if err != nil {
		return "", fmt.Errorf("setting a password anew: %w", spaceError(err))
	}
	a.signal()
	return resident, nil
}

// useLink uses a link up. Both need the same transaction, so that nobody uses it
// twice.
func (a *Archive) useLink(ctx context.Context, tx *sql.Tx, token string) (house.Link, error) {
	l, err := a.linkOf(ctx, tx, token)
	if err == nil {
		_, err = tx.ExecContext(ctx, `DELETE FROM links WHERE id = ?`, l.ID)
	}
	return l, err
}
