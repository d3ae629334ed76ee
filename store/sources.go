package store

import (
	"cmp"
	"context"
	"crypto/rand"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"lintel/internal/house"
)

// AddSource adds a source and returns the token by which it is known, which is
// kept only as a hash. A phone is one person's; the error is ErrNotFound for
// somebody who is not there.
func (a *Archive) AddSource(ctx context.Context, kind house.SourceKind, person,
	name string) (id, token string, err error) {
	id, token = newID(), rand.Text()
	err = a.update(ctx, func(tx *sql.Tx) error {
		sealed, slot, err := a.sealKeyed(ctx, tx, []byte(name), "sources.name", id)
		if err != nil {
			return err
		}
		return a.changeIn(ctx, tx, "added", "source "+id, house.ErrNotFound, `
			INSERT INTO sources (id, kind, person, name, token_hash, added_at, slot)
			SELECT ?1, ?2, nullif(?3, ''), ?4, ?5, ?6, ?7
			WHERE ?3 = '' AND ?2 = 'reader' OR EXISTS (SELECT 1 FROM persons WHERE id = ?3 AND id NOT IN (SELECT person
				FROM erasing))`,
			id, kind, person, sealed, hashOf(token), micros(a.now()), slot)
	})
	if err != nil {
		return "", "", fmt.Errorf("adding a source: %w", spaceError(err))
	}
	return id, token, nil
}

// RemoveSource makes a source's token worthless. The error is ErrNotFound.
func (a *Archive) RemoveSource(ctx context.Context, id string) error {
	return a.removeRow(ctx, "sources", "source", id)
}

const sourceColumns = `id, kind, coalesce(person, ''), name, added_at, heard_at, key IS NOT NULL`

func (a *Archive) scanSource(row interface{ Scan(...any) error }, s *house.Source) error {
	var name []byte
	var added, heard sql.NullInt64
	if err := row.Scan(&s.ID, &s.Kind, &s.Person, &name, &added, &heard, &s.Keyed); err != nil {
		return err
	}
	s.AddedAt, s.HeardAt = timeOf(added), timeOf(heard)
	return a.unseal(&s.Name, name, "sources.name", s.ID)
}

// Sources lists the sources by name.
func (a *Archive) Sources(ctx context.Context) ([]house.Source, error) {
	rows, err := a.read.QueryContext(ctx, `SELECT `+sourceColumns+` FROM sources`)
	sources, err := scanAll(rows, err, func(s *house.Source) error { return a.scanSource(rows, s) })
	if err != nil {
		return nil, fmt.Errorf("listing sources: %w", damage(err))
	}
	slices.SortFunc(sources, func(a, b house.Source) int {
		return cmp.Or(strings.Compare(a.Name, b.Name), strings.Compare(a.ID, b.ID))
	})
	return sources, nil
}

// SourceOf returns the source that has the token, or ErrNotFound.
func (a *Archive) SourceOf(ctx context.Context, token string) (s house.Source, err error) {
	err = a.scanSource(a.read.QueryRowContext(ctx, `SELECT `+sourceColumns+` FROM sources WHERE token_hash = ?`,
		hashOf(token)), &s)
	if errors.Is(err, sql.ErrNoRows) {
		return house.Source{}, fmt.Errorf("source %w", house.ErrNotFound)
	}
	if err != nil {
		return house.Source{}, fmt.Errorf("looking up a source: %w", err)
	}
	return s, nil
}

// MoveSource changes what is known of a source's way: change gets what was kept
// last, nil at first, and returns what to keep, and what becomes of the arrival
// by it. All of it happens in one transaction, so that of two reports at once one
// comes second. An error of change is returned as it is; what it returned is kept
// all the same, but for an arrival.
func (a *Archive) MoveSource(ctx context.Context, id string,
	change func(state json.RawMessage) (house.SourceMove, error)) (changed bool, err error) {
	var refused error
	err = a.update(ctx, func(tx *sql.Tx) error {
		before, err := a.sourceState(ctx, tx, id)
		if err != nil {
			return err
		}
		move, err := change(before)
		refused = err
		if move.State != nil {
			sealed, err := a.sealOfSource(ctx, tx, id, move.State, "sources.state")
			if err != nil {
				return err
			}
			if _, err := tx.ExecContext(ctx, `UPDATE sources SET state = ?, heard_at = ? WHERE id = ?`, sealed,
				micros(a.now()), id); err != nil {
				return err
			}
		}
		if err := a.keepReports(ctx, tx, id, move.Reports); err != nil {
			return err
		}
		changed, err = a.moveArrival(ctx, tx, id, move, refused != nil)
		return err
	})
	if err != nil {
		return false, fmt.Errorf("keeping what a source tells: %w", spaceError(err))
	}
	if changed {
		a.signal()
	}
	return changed, refused
}

// moveArrival does to a source's arrival what a move asks for. One that is refused
// begins nothing, and may end it.
func (a *Archive) moveArrival(ctx context.Context, tx *sql.Tx, id string, move house.SourceMove,
	refused bool) (changed bool, err error) {
	switch {
	case move.Change == house.ArrivalEnds:
		return a.endArrivals(ctx, tx, id)
	case move.Change == house.ArrivalMoves && !refused:
		return a.moveFactor(ctx, tx, id, *move.Arrival)
	case move.Change == house.ArrivalBegins && !refused:
		if _, err := a.endArrivals(ctx, tx, id); err != nil {
			return false, err
		}
		_, err := a.addFactor(ctx, tx, *move.Arrival)
		return err == nil, err
	}
	return false, nil
}

// moveFactor moves the arrival that stands on, unless it was used.
func (a *Archive) moveFactor(ctx context.Context, tx *sql.Tx, id string, f house.Factor) (changed bool, err error) {
	res, err := tx.ExecContext(ctx, `UPDATE factors SET at = ?, until = ?, strength = ?
		WHERE source = ? AND kind = 'arrival' AND until > ? AND used_by IS NULL`,
		micros(f.At), micros(f.Until), f.Strength, id, micros(a.now()))
	if err != nil {
		return false, err
	}
	n, err := res.RowsAffected()
	return n > 0, err
}

// endArrivals takes back the arrivals by a source that may still count.
func (a *Archive) endArrivals(ctx context.Context, tx *sql.Tx, id string) (changed bool, err error) {
	now := micros(a.now())
	ended, err := texts(tx.QueryContext(ctx, `
		UPDATE factors SET until = ?1 WHERE source = ?2 AND kind = 'arrival' AND until > ?1 RETURNING id`, now, id))
	for _, f := range ended {
		err = errors.Join(err, a.note(ctx, tx, "took back", "factor "+f))
	}
	return len(ended) > 0, err
}

// reportsKept is how long what phones told is kept.
const reportsKept = 7 * 24 * time.Hour

func (a *Archive) keepReports(ctx context.Context, tx *sql.Tx, source string, texts []json.RawMessage) error {
	if len(texts) == 0 {
		return nil
	}
	if _, err := tx.ExecContext(ctx, `DELETE FROM reports WHERE heard_at < ?`,
		micros(a.now().Add(-reportsKept))); err != nil {
		return err
	}
	for _, text := range texts {
		id := newID()
		sealed, slot, err := a.sealKeyed(ctx, tx, text, "reports.sealed", id)
		if err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, `INSERT INTO reports (id, source, heard_at, sealed, slot) VALUES (?, ?, ?, ?, ?)`,
			id, source, micros(a.now()), sealed, slot); err != nil {
			return err
		}
	}
	return nil
}

// ReportsOf returns what a source told since a time, the oldest first. It is kept
// for a week.
func (a *Archive) ReportsOf(ctx context.Context, source string, since time.Time) ([]house.KeptReport, error) {
	rows, err := a.read.QueryContext(ctx, `SELECT id, heard_at, sealed FROM reports WHERE source = ? AND heard_at >= ?
		ORDER BY heard_at, rowid`, source, micros(since))
	reports, err := scanAll(rows, err, func(r *house.KeptReport) error {
		var id string
		var heard sql.NullInt64
		var sealed []byte
		if err := rows.Scan(&id, &heard, &sealed); err != nil {
			return err
		}
		r.HeardAt = timeOf(heard)
		r.Text, err = a.open(sealed, "reports.sealed", id)
		return passedOver(err)
	})
	if err != nil {
		return nil, fmt.Errorf("reading what source %s told: %w", source, damage(err))
	}
	return reports, nil
}

// SourceState returns what [Archive.MoveSource] kept last of a source's way, nil
// where nothing was, or nothing that opens. The error is ErrNotFound.
func (a *Archive) SourceState(ctx context.Context, id string) (state json.RawMessage, err error) {
	if state, err = a.sourceState(ctx, a.read, id); passedOver(err) != nil {
		return nil, fmt.Errorf("reading what is known of source %s: %w", id, err)
	}
	return state, nil
}

func (a *Archive) sourceState(ctx context.Context, q querier, id string) (state json.RawMessage, err error) {
	var sealed []byte
	err = q.QueryRowContext(ctx, `SELECT state FROM sources WHERE id = ?`, id).Scan(&sealed)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, fmt.Errorf("source %s: %w", id, house.ErrNotFound)
	}
	if err != nil || sealed == nil {
		return nil, err
	}
	return a.open(sealed, "sources.state", id)
}

// sealOfSource seals more of a source, under the key that its name is sealed with.
func (a *Archive) sealOfSource(ctx context.Context, tx *sql.Tx, id string, value []byte,
	column string) ([]byte, error) {
	var name []byte
	err := tx.QueryRowContext(ctx, `SELECT name FROM sources WHERE id = ?`, id).Scan(&name)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, fmt.Errorf("source %s: %w", id, house.ErrNotFound)
	}
	if err != nil {
		return nil, err
	}
	return a.sealAgain(name, value, column, id)
}

// GiveKey gives a reader a key to sign with, in place of any before, and forgets what
// was known of what it signed: the way for one that lost its counter. The error is
// ErrNotFound for what is no reader.
func (a *Archive) GiveKey(ctx context.Context, id string) (key []byte, err error) {
	key = make([]byte, 32)
	rand.Read(key)
	err = a.update(ctx, func(tx *sql.Tx) error {
		sealed, err := a.sealOfSource(ctx, tx, id, key, "sources.key")
		if err != nil {
			return err
		}
		return a.changeIn(ctx, tx, "gave", "key "+id, house.ErrNotFound,
			`UPDATE sources SET key = ?, state = NULL WHERE id = ? AND kind = 'reader'`, sealed, id)
	})
	if err != nil {
		return nil, fmt.Errorf("giving a reader a key: %w", spaceError(err))
	}
	return key, nil
}

// SourceKey returns the key that a reader signs with, nil where it has none. The
// error is ErrNotFound.
func (a *Archive) SourceKey(ctx context.Context, id string) (key []byte, err error) {
	var sealed []byte
	err = a.read.QueryRowContext(ctx, `SELECT key FROM sources WHERE id = ?`, id).Scan(&sealed)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, fmt.Errorf("source %s: %w", id, house.ErrNotFound)
	}
	if err == nil && sealed != nil {
		key, err = a.open(sealed, "sources.key", id)
	}
	if err != nil {
		return nil, fmt.Errorf("reading the key of source %s: %w", id, damage(err))
	}
	return key, nil
}

// AddToken says that a token is a person's. The error is ErrExists for a label
// that is taken, and ErrNotFound.
func (a *Archive) AddToken(ctx context.Context, person, label string) (id string, err error) {
	id = newID()
	err = a.update(ctx, func(tx *sql.Tx) error {
		if err := a.mustBe(ctx, tx, "persons", "person", person); err != nil {
			return err
		}
		sealed, slot, err := a.sealKeyed(ctx, tx, []byte(label), "tokens.label", id)
		if err != nil {
			return err
		}
		return a.changeIn(ctx, tx, "added", "token "+id, house.ErrExists,
			`INSERT INTO tokens (id, person, label, mac, slot) VALUES (?, ?, ?, ?, ?) ON CONFLICT (mac) DO NOTHING`,
			id, person, sealed, a.tokenMAC(label), slot)
	})
	if err != nil {
		return "", fmt.Errorf("adding a token: %w", spaceError(err))
	}
	return id, nil
}

// RemoveToken removes a token. The error is ErrNotFound.
func (a *Archive) RemoveToken(ctx context.Context, id string) error {
	return a.removeRow(ctx, "tokens", "token", id)
}

// Tokens lists all tokens, a person's together.
func (a *Archive) Tokens(ctx context.Context) ([]house.CarriedToken, error) {
	rows, err := a.read.QueryContext(ctx, `SELECT id, person, label FROM tokens ORDER BY person, id`)
	tokens, err := scanAll(rows, err, func(t *house.CarriedToken) error {
		var label []byte
		if err := rows.Scan(&t.ID, &t.Person, &label); err != nil {
			return err
		}
		return a.unseal(&t.Label, label, "tokens.label", t.ID)
	})
	if err != nil {
		return nil, fmt.Errorf("listing tokens: %w", damage(err))
	}
	return tokens, nil
}

// TokenOf returns the person whose token has the label, or ErrNotFound.
func (a *Archive) TokenOf(ctx context.Context, label string) (person string, err error) {
	err = a.read.QueryRowContext(ctx, `SELECT person FROM tokens WHERE mac = ?`, a.tokenMAC(label)).Scan(&person)
	if errors.Is(err, sql.ErrNoRows) {
		return "", fmt.Errorf("token %w", house.ErrNotFound)
	}
	if err != nil {
		return "", fmt.Errorf("looking up a token: %w", err)
	}
	return person, nil
}

func (a *Archive) tokenMAC(label string) []byte { return a.seals.Index("token\x00" + label) }
