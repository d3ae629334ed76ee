package store

import (
	"cmp"
	"context"
	"crypto/rand"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"time"

	"lintel/internal/house"
)

// ErrSignedOut says that whoever asks has no say any more: they were removed, or
// their session ended, while they asked.
var ErrSignedOut = errors.New("whoever asks was signed out meanwhile")

// SignIn starts a session of a resident and returns its token, of which the hash
// is kept. The tablet is the one at which they sign in, "" in a browser of their
// own. The error is ErrNotFound if the resident, their password or the tablet is
// no more what it was, so that no old password outlives its change.
func (a *Archive) SignIn(ctx context.Context, r house.Resident, tablet string) (token string, err error) {
	if err := a.clearSessions(ctx); err != nil {
		return "", fmt.Errorf("signing a resident in: %w", err)
	}
	err = a.update(ctx, func(tx *sql.Tx) error {
		var there bool
		err := tx.QueryRowContext(ctx, `
			SELECT EXISTS (SELECT 1 FROM residents WHERE id = ? AND password_hash = ? AND `+vouchedFor("residents", "")+`)
			AND (? = '' OR EXISTS (SELECT 1 FROM tablets WHERE id = ? AND `+vouchedFor("tablets", "")+`))`,
			r.ID, r.PasswordHash, tablet, tablet).Scan(&there)
		if err != nil || !there {
			return cmp.Or(err, house.ErrNotFound)
		}
		id := ""
		if id, token, err = a.startSession(ctx, tx, r.ID, tablet, house.ResidentSession); err != nil {
			return err
		}
		return a.note(ctx, tx, "signed-in", "session "+id)
	})
	if err != nil {
		return "", fmt.Errorf("signing a resident in: %w", spaceError(err))
	}
	return token, nil
}

// clearSessions clears away sessions that have ended by themselves.
func (a *Archive) clearSessions(ctx context.Context) error {
	now, err := a.soundNow(ctx)
	if err == nil {
		err = a.update(ctx, func(tx *sql.Tx) error {
			_, err := tx.ExecContext(ctx, `DELETE FROM sessions WHERE expires_at <= ? OR resident IS NOT NULL AND seen_at <= ?`,
				micros(now), micros(now.Add(-house.ResidentIdle)))
			return err
		})
	}
	if err != nil {
		return fmt.Errorf("clearing away old sessions: %w", spaceError(err))
	}
	return nil
}

func (a *Archive) startSession(ctx context.Context, tx *sql.Tx, resident, tablet string, lasts time.Duration) (id,
	token string, err error) {
	now := a.now()
	id, token = newID(), rand.Text()
	_, err = tx.ExecContext(ctx, `
		INSERT INTO sessions (token_hash, id, resident, tablet, started_at, expires_at, seen_at)
		VALUES (?, ?, nullif(?, ''), nullif(?, ''), ?, ?, ?)`,
		hashOf(token), id, resident, tablet, micros(now), micros(now.Add(lasts)), micros(now))
	if err != nil {
		return "", "", fmt.Errorf("starting a session: %w", err)
	}
	return id, token, nil
}

// Session returns whose session the token is, or ErrNotFound if it is nobody's
// or has ended.
func (a *Archive) Session(ctx context.Context, token string) (house.Session, error) {
	found, err := a.sessions(ctx, `s.token_hash = ?`, hashOf(token))
	if err == nil && len(found) == 0 {
		err = house.ErrNotFound
	}
	if err != nil {
		return house.Session{}, fmt.Errorf("looking up a session: %w", err)
	}
	return found[0], nil
}

// ResidentSessions lists the sessions of residents, those used last first.
func (a *Archive) ResidentSessions(ctx context.Context) ([]house.Session, error) {
	all, err := a.sessions(ctx, `s.resident IS NOT NULL`)
	if err != nil {
		return nil, fmt.Errorf("listing sessions: %w", err)
	}
	slices.SortFunc(all, func(a, b house.Session) int {
		return cmp.Or(b.SeenAt.Compare(a.SeenAt), cmp.Compare(a.ID, b.ID))
	})
	return all, nil
}

// sessions returns those that have not ended by themselves, and whose resident and
// tablet somebody vouches for.
func (a *Archive) sessions(ctx context.Context, condition string, args ...any) ([]house.Session, error) {
	rows, err := a.read.QueryContext(ctx, `
		SELECT s.id, coalesce(s.resident, ''), coalesce(s.tablet, ''), r.name, t.name, s.started_at, s.seen_at,
			s.expires_at, s.browser, coalesce(r.language, t.language, ''), d.value
		FROM sessions s LEFT JOIN residents r ON r.id = s.resident LEFT JOIN tablets t ON t.id = s.tablet
			LEFT JOIN settings d ON d.name = 'tablet ' || s.tablet
		WHERE `+condition, args...)
	all, err := scanAll(rows, err, func(s *house.Session) error {
		var started, seen, expires sql.NullInt64
		var resident, tablet, browser, rules []byte
		err := rows.Scan(&s.ID, &s.Resident, &s.Tablet, &resident, &tablet, &started, &seen, &expires, &browser,
			&s.Language, &rules)
		if err != nil {
			return err
		}
		if s.Resident != "" && resident == nil || s.Tablet != "" && tablet == nil {
			return nil // it has no end, and so is over
		}
		s.StartedAt, s.SeenAt, s.ExpiresAt = timeOf(started), timeOf(seen), timeOf(expires)
		if s.Resident != "" {
			s.At, s.Tablet = s.Tablet, ""
			err = a.unseal(&s.Name, resident, "residents.name", s.Resident)
		} else {
			err = errors.Join(a.unseal(&s.Name, tablet, "tablets.name", s.Tablet),
				a.openTabletRules(&s.Rules, rules, s.Tablet))
		}
		return errors.Join(err, a.openBrowser(&s.Browser, browser, s.ID))
	})
	now := a.now()
	over := func(s house.Session) bool { return s.ExpiresAt.IsZero() || s.Over(now) }
	if err == nil && slices.ContainsFunc(all, over) {
		now, err = a.soundNow(ctx)
	}
	return slices.DeleteFunc(all, over), err
}

// openBrowser opens which browser has a session; none, where none is known.
func (a *Archive) openBrowser(b *house.Browser, sealed []byte, session string) error {
	if sealed == nil {
		return nil
	}
	return passedOver(a.openJSON(b, sealed, "sessions.browser", session))
}

// UseSession notes that a session was used, and in which browser: at once if none
// was known, and else each [house.SeenEvery].
func (a *Archive) UseSession(ctx context.Context, s house.Session, in house.Browser) error {
	now, none := a.now(), house.Browser{}
	if now.Sub(s.SeenAt).Abs() < house.SeenEvery && (s.Browser != none || in == none) {
		return nil
	}
	err := a.update(ctx, func(tx *sql.Tx) error {
		if in == s.Browser {
			_, err := tx.ExecContext(ctx, `UPDATE sessions SET seen_at = ? WHERE id = ?`, micros(now), s.ID)
			return err
		}
		sealed, slot, err := a.sealKeyedJSON(ctx, tx, in, "sessions.browser", s.ID)
		if err == nil {
			_, err = tx.ExecContext(ctx, `UPDATE sessions SET seen_at = ?, browser = ?, slot = ? WHERE id = ?`, micros(now),
				sealed, slot, s.ID)
		}
		return err
	})
	if err != nil {
		return fmt.Errorf("noting that a session was used: %w", spaceError(err))
	}
	return nil
}

// SignOut ends the session of that token, if it is one.
func (a *Archive) SignOut(ctx context.Context, token string) error {
	err := a.endSession(ctx, "signed-out",
		`DELETE FROM sessions WHERE token_hash = ? RETURNING id, coalesce(resident, '')`, hashOf(token))
	if err != nil && !errors.Is(err, house.ErrNotFound) {
		return fmt.Errorf("signing out: %w", err)
	}
	return nil
}

// EndSession ends the session of a resident that has the id. The error is
// ErrNotFound.
func (a *Archive) EndSession(ctx context.Context, id string) error {
	err := a.endSession(ctx, "ended",
		`DELETE FROM sessions WHERE id = ? AND resident IS NOT NULL RETURNING id, resident`, id)
	if err != nil {
		return fmt.Errorf("ending a session: %w", err)
	}
	return nil
}

func (a *Archive) endSession(ctx context.Context, action, statement string, arg any) error {
	err := a.update(ctx, func(tx *sql.Tx) error {
		var id, resident string
		err := tx.QueryRowContext(ctx, statement, arg).Scan(&id, &resident)
		if errors.Is(err, sql.ErrNoRows) {
			return house.ErrNotFound
		}
		if err != nil {
			return err
		}
		if resident != "" {
			id += " resident " + resident
		}
		return a.note(ctx, tx, action, "session "+id)
	})
	if err != nil {
		return spaceError(err)
	}
	a.signal() // whoever hears live events by it hears no more
	return nil
}
