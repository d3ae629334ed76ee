package store

import (
	"cmp"
	"context"
	"crypto/rand"
	"crypto/subtle"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"lintel/internal/house"
)

// AddAdvice keeps advice and returns its id. A suggestion takes the factors, and
// the parcel, that it rests on, in the same transaction: the error is ErrTaken,
// and nothing is kept, if one of them was used meanwhile, or the visit is one of a
// trial. Persons are all that
// it tells of. It takes the place of advice that was withheld on the same visit
// and door; where something was suggested there before, the error is ErrTaken.
func (a *Archive) AddAdvice(ctx context.Context, d house.Advice, persons ...string) (id string, err error) {
	d.ID = newID()
	err = a.update(ctx, func(tx *sql.Tx) error {
		if err := a.mustBe(ctx, tx, "visits", "visit", d.Visit); err != nil {
			return err
		}
		if err := a.makeWay(ctx, tx, d); err != nil {
			return err
		}
		if d.State == house.Suggested {
			if err := takeFor(ctx, tx, d); err != nil {
				return err
			}
		}
		sealed, err := a.sealJSON(d, "advice.sealed", d.ID)
		if err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, `DELETE FROM advice WHERE at < ?`, micros(a.now().Add(-adviceKept))); err != nil {
			return err
		}
		_, err = tx.ExecContext(ctx, `INSERT INTO advice (id, visit, door, state, at, expires_at, unmet, sealed) VALUES (?, ?, ?, ?, ?, ?, ?, ?)`,
			d.ID, d.Visit, d.Door, d.State, micros(d.At), micros(d.ExpiresAt), strings.Join(d.Unmet(), ","), sealed)
		if err != nil {
			return err
		}
		for _, p := range append(persons, d.Person) {
			if p == "" {
				continue
			}
			if _, err := tx.ExecContext(ctx, `INSERT INTO advice_persons (advice, person) VALUES (?, ?) ON CONFLICT DO NOTHING`, d.ID, p); err != nil {
				return err
			}
		}
		if d.State == house.Suggested {
			if err := a.note(ctx, tx, string(d.State), "advice "+d.ID+" visit "+d.Visit); err != nil {
				return err
			}
		}
		return a.touchVisit(ctx, tx, d.Visit)
	})
	if err != nil {
		return "", fmt.Errorf("keeping advice: %w", spaceError(err))
	}
	a.signal()
	return d.ID, nil
}

// makeWay removes what was withheld on the same visit and door.
func (a *Archive) makeWay(ctx context.Context, tx *sql.Tx, d house.Advice) error {
	var suggested bool
	err := tx.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM advice WHERE visit = ? AND door = ? AND state <> 'withheld')`, d.Visit, d.Door).Scan(&suggested)
	if err != nil {
		return err
	}
	if suggested {
		return house.ErrTaken
	}
	_, err = tx.ExecContext(ctx, `DELETE FROM advice WHERE visit = ? AND door = ?`, d.Visit, d.Door)
	return err
}

// takeFor marks what a suggestion rests on as used for it.
func takeFor(ctx context.Context, tx *sql.Tx, d house.Advice) error {
	// Whoever stands at a trial need not be whom a picture shows.
	if tried, err := isTrialRing(ctx, tx, d.Visit); err != nil || tried {
		return cmp.Or(err, house.ErrTaken)
	}
	for _, f := range d.Factors {
		if err := take(ctx, tx, "factors", f, d.ID); err != nil {
			return fmt.Errorf("factor %s: %w", f, err)
		}
	}
	if d.Parcel != "" {
		if err := take(ctx, tx, "parcel_rules", d.Parcel, d.ID); err != nil {
			return fmt.Errorf("parcel %s: %w", d.Parcel, err)
		}
	}
	return nil
}

func take(ctx context.Context, tx *sql.Tx, table, id, advice string) error {
	res, err := tx.ExecContext(ctx, `UPDATE `+table+` SET used_by = ? WHERE id = ? AND used_by IS NULL`, advice, id)
	if err != nil {
		return err
	}
	if n, err := res.RowsAffected(); err != nil || n > 0 {
		return err
	}
	return house.ErrTaken
}

// touchVisit gives a visit a new revision, so that whoever watches reads it
// again.
func (a *Archive) touchVisit(ctx context.Context, tx *sql.Tx, visit string) error {
	revision, err := nextRevision(ctx, tx)
	if err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, `UPDATE visits SET revision = ? WHERE id = ?`, revision, visit)
	return err
}

// EndAdvice ends a suggestion that is open: it was used, dismissed, or its time
// ran out. Once it ended it stays so. The error is ErrTaken if it is not open,
// or if its time has run out and it is not Expired that it becomes, and
// ErrNotFound.
func (a *Archive) EndAdvice(ctx context.Context, id string, as house.AdviceState) error {
	err := a.update(ctx, func(tx *sql.Tx) error { return a.endAdvice(ctx, tx, id, as) })
	if err != nil {
		return fmt.Errorf("ending advice %s: %w", id, spaceError(err))
	}
	a.signal()
	return nil
}

func (a *Archive) endAdvice(ctx context.Context, tx *sql.Tx, id string, as house.AdviceState) error {
	d, err := a.adviceIn(ctx, tx, `WHERE id = ?`, id)
	if err != nil {
		return err
	}
	if len(d) == 0 {
		return house.ErrNotFound
	}
	if d[0].State != house.Suggested || as != house.Expired && !a.now().Before(d[0].ExpiresAt) {
		return house.ErrTaken
	}
	d[0].State, d[0].By = as, house.Actor(ctx)
	sealed, err := a.sealJSON(d[0], "advice.sealed", id)
	if err != nil {
		return err
	}
	if err := a.changeIn(ctx, tx, string(as), "advice "+id, house.ErrTaken, `UPDATE advice SET state = ?, sealed = ? WHERE id = ?`, as, sealed, id); err != nil {
		return err
	}
	if d[0].Visit == "" {
		return nil
	}
	return a.touchVisit(ctx, tx, d[0].Visit)
}

// dismissAll dismisses every suggestion that is open.
func (a *Archive) dismissAll(ctx context.Context, tx *sql.Tx) error {
	return a.dismissWhere(ctx, tx, `true`)
}

// dismissWhere dismisses the open suggestions that the condition picks.
func (a *Archive) dismissWhere(ctx context.Context, tx *sql.Tx, condition string, args ...any) error {
	open, err := a.adviceIn(ctx, tx, `WHERE state = 'suggested' AND expires_at > ? AND `+condition, append([]any{micros(a.now())}, args...)...)
	if err != nil {
		return err
	}
	for _, d := range open {
		if err := a.endAdvice(ctx, tx, d.ID, house.Dismissed); err != nil {
			return err
		}
	}
	return nil
}

// ExpireAdvice ends every suggestion whose time has run out, and returns when
// the next will; the zero time if none is open.
func (a *Archive) ExpireAdvice(ctx context.Context) (next time.Time, err error) {
	open, err := a.adviceIn(ctx, a.read, `WHERE state = 'suggested' ORDER BY expires_at`)
	if err != nil {
		return next, fmt.Errorf("looking for advice that has expired: %w", err)
	}
	for _, d := range open {
		if d.ExpiresAt.After(a.now()) {
			return d.ExpiresAt, nil
		}
		if err := a.EndAdvice(ctx, d.ID, house.Expired); err != nil && !errors.Is(err, house.ErrTaken) && !errors.Is(err, house.ErrNotFound) {
			return next, err
		}
	}
	return next, nil
}

// Advice returns the advice of that id, or ErrNotFound.
func (a *Archive) Advice(ctx context.Context, id string) (house.Advice, error) {
	all, err := a.adviceIn(ctx, a.read, `WHERE id = ?`, id)
	if err == nil && len(all) == 0 {
		err = house.ErrNotFound
	}
	if err != nil {
		return house.Advice{}, fmt.Errorf("reading advice %s: %w", id, err)
	}
	return all[0], nil
}

// AdviceOn returns the advice given on visits, the newest first.
func (a *Archive) AdviceOn(ctx context.Context, visits ...string) ([]house.Advice, error) {
	all, err := a.adviceIn(ctx, a.read, `WHERE visit IN (SELECT value FROM json_each(?)) ORDER BY at DESC, id`, jsonList(visits))
	if err != nil {
		return nil, fmt.Errorf("reading advice: %w", err)
	}
	return all, nil
}

// AdviceSince returns the advice given since a time, the newest first. It is
// kept for 31 days. Once a visit is gone, only the conditions that were not met
// are left of the advice on it, by their codes.
func (a *Archive) AdviceSince(ctx context.Context, t time.Time) ([]house.Advice, error) {
	all, err := a.adviceIn(ctx, a.read, `WHERE at >= ? ORDER BY at DESC, id`, micros(t))
	if err != nil {
		return nil, fmt.Errorf("reading advice: %w", err)
	}
	return all, nil
}

// AdviceOf returns the advice that tells of a person, the newest first: whom
// it was about, and who stood there besides. It is kept for 31 days.
func (a *Archive) AdviceOf(ctx context.Context, person string) ([]house.Advice, error) {
	all, err := a.adviceIn(ctx, a.read, `WHERE id IN (SELECT advice FROM advice_persons WHERE person = ?) ORDER BY at DESC, id`, person)
	if err != nil {
		return nil, fmt.Errorf("reading advice on a person: %w", err)
	}
	return all, nil
}

func (a *Archive) adviceIn(ctx context.Context, q querier, clause string, args ...any) ([]house.Advice, error) {
	rows, err := q.QueryContext(ctx, `SELECT id, coalesce(visit, ''), coalesce(door, ''), state, at, expires_at, unmet, sealed FROM advice `+clause, args...)
	if err != nil {
		return nil, err
	}
	return collect(rows, func(d *house.Advice) error {
		var id, visit, door, unmet string
		var state house.AdviceState
		var at, expires sql.NullInt64
		var sealed []byte
		if err := rows.Scan(&id, &visit, &door, &state, &at, &expires, &unmet, &sealed); err != nil {
			return err
		}
		if sealed != nil {
			if err := a.openJSON(d, sealed, "advice.sealed", id); err != nil {
				return err
			}
		} else {
			for code := range strings.SplitSeq(unmet, ",") {
				if code != "" {
					d.Conditions = append(d.Conditions, house.Condition{Code: code})
				}
			}
		}
		d.ID, d.Visit, d.Door, d.State, d.At, d.ExpiresAt = id, visit, door, state, timeOf(at), timeOf(expires)
		return nil
	})
}

// wordsSince is the schema from which on advice is kept in codes and numbers.
const wordsSince = 7

// dropSentences seals all advice anew, without the sentences that were kept with
// its conditions before. Those stay with their codes. A row that can't be opened
// is left to [Archive.Verify].
func (a *Archive) dropSentences(ctx context.Context, tx *sql.Tx) error {
	rows, err := tx.QueryContext(ctx, `SELECT id FROM advice WHERE sealed IS NOT NULL`)
	if err != nil {
		return err
	}
	ids, err := collect(rows, func(id *string) error { return rows.Scan(id) })
	if err != nil {
		return err
	}
	for _, id := range ids {
		d, err := a.adviceIn(ctx, tx, `WHERE id = ?`, id)
		if err != nil {
			continue
		}
		sealed, err := a.sealJSON(d[0], "advice.sealed", id)
		if err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, `UPDATE advice SET sealed = ? WHERE id = ?`, sealed, id); err != nil {
			return err
		}
	}
	return nil
}

// AddReceiver adds a receiver, and returns it with its key, and with the token
// by which it may listen, which is kept only as a hash. The error is
// ErrNotFound for a door that is not there.
func (a *Archive) AddReceiver(ctx context.Context, door, name string) (r house.Receiver, token string, err error) {
	r = house.Receiver{ID: newID(), Door: door, Name: name, AddedAt: a.now(), Key: make([]byte, 32)}
	rand.Read(r.Key)
	token = rand.Text()
	err = a.change(ctx, "added", "receiver "+r.ID, house.ErrNotFound, `
		INSERT INTO receivers (id, door, name, key, token_hash, added_at) SELECT ?, id, ?, ?, ?, ? FROM doors WHERE id = ?`,
		r.ID, a.seal(name, "receivers.name", r.ID), a.seals.Value(r.Key, "receivers.key", r.ID), hashOf(token), micros(r.AddedAt), door)
	if err != nil {
		return house.Receiver{}, "", fmt.Errorf("adding a receiver: %w", err)
	}
	return r, token, nil
}

// CheckReceiver reports whether the token is the receiver's.
func (a *Archive) CheckReceiver(ctx context.Context, id, token string) (bool, error) {
	var hash []byte
	err := a.read.QueryRowContext(ctx, `SELECT token_hash FROM receivers WHERE id = ?`, id).Scan(&hash)
	if errors.Is(err, sql.ErrNoRows) {
		return false, nil
	}
	if err != nil {
		return false, fmt.Errorf("looking up receiver %s: %w", id, err)
	}
	return subtle.ConstantTimeCompare(hash, hashOf(token)) == 1, nil
}

// RemoveReceiver removes a receiver: nothing is signed for it any more. The
// error is ErrNotFound.
func (a *Archive) RemoveReceiver(ctx context.Context, id string) error {
	return a.removeRow(ctx, "receivers", "receiver", id)
}

// Receivers lists the receivers by name, with their keys.
func (a *Archive) Receivers(ctx context.Context) ([]house.Receiver, error) {
	rows, err := a.read.QueryContext(ctx, `SELECT id, door, name, key, added_at FROM receivers`)
	if err != nil {
		return nil, fmt.Errorf("listing receivers: %w", err)
	}
	all, err := collect(rows, func(r *house.Receiver) error {
		var name, key []byte
		var added sql.NullInt64
		if err := rows.Scan(&r.ID, &r.Door, &name, &key, &added); err != nil {
			return err
		}
		r.AddedAt = timeOf(added)
		if r.Key, err = a.seals.OpenValue(key, "receivers.key", r.ID); err != nil {
			return err
		}
		return a.unseal(&r.Name, name, "receivers.name", r.ID)
	})
	if err != nil {
		return nil, fmt.Errorf("listing receivers: %w", damage(err))
	}
	slices.SortFunc(all, func(a, b house.Receiver) int {
		return cmp.Or(strings.Compare(a.Name, b.Name), strings.Compare(a.ID, b.ID))
	})
	return all, nil
}
